"""What a type checker sees of both clients: `test_typed.py` has it checked, and no line of it is run."""

from collections.abc import AsyncIterator, Iterator
from datetime import UTC, datetime
from typing import assert_type

from fieldworthy.client import AsyncClient, Client, DueOfLine, MachineRead, Posted, RecordKept, RefusedLine
from fieldworthy.client.shapes import DueAnswer, DueIn, FleetTask, KeptMachine, Record, SentReadingIn


def so_far(posted: Posted) -> None:
    assert_type(posted.sent, int)


def plain(service: Client, question: DueIn, readings: list[SentReadingIn]) -> None:
    assert_type(service.due(question), DueAnswer)
    assert_type(service.machine("m"), MachineRead)
    assert_type(service.machines(site="north"), Iterator[KeptMachine])
    assert_type(service.fleet_due(standing="due", as_of=datetime.now(UTC)), Iterator[FleetTask])
    assert_type(service.post_readings(readings, progress=so_far), Posted)
    assert_type(service.done.put("m", "g", {"task": "grease", "at": datetime.now(UTC)}), RecordKept)
    assert_type(service.deferrals.of("m"), Iterator[Record])
    for answer in service.due_batch([{"machine": {}}]):
        if "problem" in answer:
            assert_type(answer, RefusedLine)
        else:
            assert_type(answer, DueOfLine)
    service.fleet_due(standng="due")  # type: ignore[call-arg]
    service.done.put("m", "g", {"tsk": "grease"})  # type: ignore[typeddict-item, typeddict-unknown-key]
    service.evidence.put("m", "g", {"task": "grease"})  # type: ignore[typeddict-item, typeddict-unknown-key]
    service.machine(7)  # type: ignore[arg-type]


async def awaited(service: AsyncClient, question: DueIn, readings: AsyncIterator[SentReadingIn]) -> None:
    assert_type(await service.due(question), DueAnswer)
    assert_type(await service.machine("m"), MachineRead)
    assert_type(service.machines(), AsyncIterator[KeptMachine])
    assert_type(await service.post_readings(readings), Posted)
    assert_type(await service.done.put("m", "g", {"task": "grease"}), RecordKept)
    assert_type(service.deferrals.of("m"), AsyncIterator[Record])
    service.due(question)  # type: ignore[unused-coroutine]
