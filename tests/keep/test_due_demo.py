"""What is due by what is kept is what `POST /v1/due` says of the same machine: for the demo's world, a season of four machines."""

import json
from datetime import datetime
from typing import Any

import pytest

from fieldworthy.core.rulebook.text import read_document
from fieldworthy.demo.world import World
from fieldworthy.demo.world import load as load_world
from fieldworthy.usecases.ask_kept_due import answer_kept, find_for, read_kept
from fieldworthy.usecases.find_rulebook import FindRulebook
from fieldworthy.usecases.kept import HOME
from tests.keep.histories import load, publish
from tests.keep.service import Service

WORLD = load_world()
DOCUMENTS = [read_document(text).data for text in WORLD.texts.values()]  # type: ignore[union-attr]  # they are good
ADDED = ("as_of", "left_out", "placed", "thinned_before")


@pytest.fixture
async def demo(service: Service) -> World:
    """The demo's world, kept, shortly before the moment that it is asked about."""
    service.now = datetime.fromisoformat(WORLD.now)
    service.later(hours=-2)
    for document in DOCUMENTS:
        await publish(service, document)
    for i, one in enumerate(WORLD.machines):
        service.later(minutes=1)
        await load(service, one["rulebook"], one["machine"], "north" if i % 2 else "south")
    service.now = datetime.fromisoformat(WORLD.now)
    return WORLD


def without(answer: dict[str, Any]) -> dict[str, Any]:
    return {member: value for member, value in answer.items() if member not in ADDED}


async def test_each_kept_machine_is_answered_as_the_same_machine_sent(service: Service, demo: World) -> None:
    tasks = 0
    for request in demo.due_requests():
        sent = await service.post("/v1/due", request)
        kept = await service.get(f"/v1/machines/{request['machine']['id']}/due", params={"now": demo.now})
        assert without(kept) == sent
        assert kept["left_out"] == kept["placed"] == []
        tasks += len(sent["tasks"])
    assert tasks > 100


async def test_the_body_is_that_of_the_assembled_machine_sent_byte_for_byte(service: Service, demo: World) -> None:
    find = FindRulebook(service.store)
    for one in demo.machines:
        answer = await service.http.get(f"/v1/machines/{one['machine']['id']}/due", params={"now": demo.now, "notice_days": "5"})
        async with service.store.look(HOME) as kept:
            machine = await kept.machines.find(one["machine"]["id"])
            assert machine is not None
            (read,) = await read_kept(kept, [machine])
        assembled = answer_kept(read, await find_for(find, read), demo.now).assembled
        request = {"rulebook": one["rulebook"], "now": demo.now, "notice": {"days": 5}, "machine": assembled.plain()}
        assert sum(len(m) for m in assembled.points.values()) == len(request["machine"]["readings"]) >= 100
        sent = await service.http.post("/v1/due", json=request)
        assert sent.status_code == 200
        assert answer.content.startswith(sent.content[:-1] + b',"as_of":')  # and after it only what a kept machine's answer adds
        assert json.loads(answer.content).keys() == {*json.loads(sent.content), *ADDED}
