"""What the steps of other work made on a machine is told to what may have come about by itself since a report, as long as it matters.

That what may have changed is verified again: 29 CFR 1910.147(d)(5). The cases are our own.
"""

from datetime import timedelta
from typing import Any

import pytest

from fieldworthy.usecases.open_work import MOST_REPORTS
from tests.keep.service import Service
from tests.keep.test_open_work_told import LINE, M, a_machine, asked, did, keep, opened, over, report, step

AGAIN = ("withheld", [("line", "must-be-verified-again")])
IDLE = LINE.replace("[stopped, running]", "[stopped, running, idle]").replace(
    "  stop engine:", "  let engine idle: {makes: engine is idle}\n  stop engine:"
)
IDLE = IDLE.replace("[start engine, stop engine]", "[start engine, let engine idle, stop engine]")
TWO = LINE.replace(
    "  run:",
    "  start: {title: Start, kind: inspect, needs: cap is on, steps: [start engine], leaves: engine is running}\n"
    "  stop: {title: Stop, kind: inspect, steps: [stop engine]}\n  run:",
)


async def before(service: Service, book: str) -> None:
    await a_machine(service, book, engine="stopped", line="free", cap="on")
    assert await asked(service, "take cap off") == ("granted", [])
    service.later(seconds=5)


@pytest.mark.parametrize("ends", ["done", "broken off"])
async def test_what_was_seen_while_a_change_was_under_way_is_verified_again(service: Service, ends: str) -> None:
    """The engine is not stopped from the beginning of the step that stops it on."""
    await before(service, LINE)
    await opened(service, "r", "run", "p-2")
    await did(service, "r", 1, "p-2")
    assert (await step(service, "r", 2, "p-2"))["so"]
    service.later(seconds=5)
    await keep(service, "line", "free")
    service.later(seconds=5)
    if ends == "done":
        await service.post(f"{M}/open-work/r/steps/2/done", {"by": "p-2"})
    else:
        await over(service, "r", result="not possible", why="it jams", leave="it jams")
    service.later(seconds=5)
    await keep(service, "engine", "stopped")
    assert await asked(service, "take cap off") == AGAIN
    await keep(service, "line", "free")
    assert await asked(service, "take cap off") == ("granted", [])


async def test_closed_work_is_remembered_by_every_state_that_it_made(service: Service) -> None:
    await before(service, IDLE)
    await opened(service, "r", "run", "p-2")
    for number in (1, 2, 3):
        await did(service, "r", number, "p-2")
    await keep(service, "engine", "stopped")
    assert await asked(service, "take cap off") == AGAIN
    await over(service, "r", result="done")
    assert await asked(service, "take cap off") == AGAIN


@pytest.mark.parametrize("first", ["s", "r"])
async def test_in_whichever_order_two_works_are_closed(service: Service, first: str) -> None:
    await before(service, TWO)
    for work, task in (("r", "start"), ("s", "stop")):
        await opened(service, work, task, "p-2")
        await did(service, work, 1, "p-2")
    await keep(service, "engine", "stopped")
    for work in (first, "r" if first == "s" else "s"):
        assert await asked(service, "take cap off") == AGAIN
        await over(service, work, result="done", leave="all is well")
    assert await asked(service, "take cap off") == AGAIN


async def test_a_report_from_a_clock_ahead_does_not_lie_behind_what_was_told_after_it(service: Service) -> None:
    await before(service, LINE)
    await keep(service, "engine", "stopped", ahead=100)
    service.later(seconds=30)
    await keep(service, "engine", "running")
    service.later(seconds=30)
    await keep(service, "line", "free")
    service.later(seconds=140)
    await keep(service, "engine", "stopped")
    assert await asked(service, "take cap off") == AGAIN


@pytest.mark.parametrize("along", [0, 2])
async def test_old_reports_that_come_along_do_not_move_where_the_others_are_cut(service: Service, along: int) -> None:
    await a_machine(service, LINE, line="free", cap="on")
    service.later(seconds=5)
    await keep(service, "engine", "running", via="sensor")
    old: list[dict[str, Any]] = []
    for begin in range(0, MOST_REPORTS + 20, 100):
        items = []
        for n in range(begin, begin + 100):
            service.later(seconds=1)
            items.append({"id": f"e-{n}", **report(service, "engine", "stopped", via="sensor")})
        await service.post(f"{M}/evidence", {"items": items})
    earlier = service.now - timedelta(days=2)
    old = [{**report(service, "engine", "stopped", via="sensor"), "at": (earlier + timedelta(seconds=n)).isoformat()} for n in range(along)]
    assert await asked(service, "take cap off", "p-1", *old) == AGAIN
    await keep(service, "line", "free")
    assert await asked(service, "take cap off", "p-1", *old) == ("granted", [])


async def test_while_another_holds_the_same_a_lock_taken_off_says_nothing(service: Service) -> None:
    """Each takes their own off, and it stays in its state: 29 CFR 1910.147(f)(3), group lockout."""
    await a_machine(service, LINE, engine="stopped", line="free", cap="on")
    for who in ("p-1", "p-2"):
        await service.post(f"{M}/put-on", {"fact": "engine", "state": "stopped", "by": who})
    service.later(seconds=5)
    for who, then in (("p-1", None), ("p-2", ("engine", "must-be-reported-again"))):
        assert (await service.http.post(f"{M}/taken-off", json={"fact": "engine", "by": who})).status_code == 204
        service.later(seconds=1)
        clearance, lacking = await asked(service, "take cap off")
        assert (clearance, then in lacking) == (("granted", False) if then is None else ("withheld", True))
