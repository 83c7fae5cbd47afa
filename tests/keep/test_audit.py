"""The audit trail: no change without a line, no line without a change, and none that is ever changed.

NIST SP 800-53 Rev. 5: AU-3, content of audit records (what, when, where, outcome, who); AU-9, protection of audit information.
OWASP Logging Cheat Sheet: what is never written there (secrets, keys).
"""

import asyncio
import json
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlalchemy import event, text
from sqlalchemy.exc import DBAPIError

from fieldworthy.cli.store import restore as restore_command
from fieldworthy.rest.examples import EXAMPLES
from fieldworthy.storage.backup import back_up
from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.usecases.audit import ITSELF, KEY, NOTED, READINGS, Actor, Change, Looked
from fieldworthy.usecases.keep_keys import create_key, revoke_key
from fieldworthy.usecases.kept import HOME, Entry
from fieldworthy.usecases.key_ring import KeyRing
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.retention import retain
from fieldworthy.usecases.tokens import MOST_SUBJECT
from tests.contract.test_openapi import write
from tests.doors_app import publish
from tests.keep.every_endpoint import ALL, a_world, send
from tests.keep.service import Service, running

WHO = {"by": "p-3", "why": "seen on the dial"}

ASKS = ("askDue", "askDueBatch", "askClearance", "askProcedure", "askParts", "checkExpression", "checkRulebook", "askKeptClearance")
"""What is asked with a body, and changes nothing."""

NONE_TO_SEND = ("sendAgain",)
"""What changes nothing in the examples, where nothing stayed undelivered."""

KIND_OF = {
    "postListener": {"listener"},
    "putListener": {"listener"},
    "deleteListener": {"listener"},
    "rotateSecret": {"listener"},
    "testListener": {"listener"},
    "putDraft": {"draft"},
    "publishRulebook": {"version"},
    "shareVersion": {"reader"},
    "unshareVersion": {"reader"},
    "makeFeed": {"feed"},
    "revokeFeed": {"feed"},
    "putMachine": {"machine"},
    "postMachines": {"machine"},
    "keepReadings": {READINGS},
    "keepTelematics": {READINGS},
    "keepCounters": {READINGS},
    "acceptSetAside": {"set-aside", READINGS},
    "dismissSetAside": {"set-aside"},
    **{f"{deed}Done": {"done"} for deed in ("put", "withdraw")},
    **{f"{deed}WorkingCondition": {"working-condition"} for deed in ("put", "withdraw")},
    **{f"{deed}Occurrence": {"occurrence"} for deed in ("put", "withdraw")},
    **{f"{deed}Evidence": {"evidence"} for deed in ("put", "withdraw")},
    **{f"{deed}Found": {"found"} for deed in ("put", "withdraw")},
    **{f"{deed}Deferral": {"deferral"} for deed in ("put", "withdraw")},
    **{f"{deed}MeterReplacement": {"meter-replacement"} for deed in ("put", "withdraw")},
    "postDoneRecords": {"done"},
    "postWorkingConditions": {"working-condition"},
    "postOccurrences": {"occurrence"},
    "postReports": {"evidence"},
    "postThingsFound": {"found"},
    "postDeferrals": {"deferral"},
    "postMeterReplacements": {"meter-replacement"},
    "openWork": {"work", "evidence"},
    "beginStep": {"work"},
    "finishStep": {"work"},
    "handOverWork": {"work"},
    "closeWork": {"work", "done"},
    "putOn": {"put-on"},
    "takeOff": {"put-on"},
}
"""Of what kinds the lines of each example are, which changes something."""


async def lines(service: Service, organisation: int = HOME, **wanted: Any) -> list[Change]:
    """The trail, the oldest line first."""
    async with service.store.look(organisation) as kept:
        return list(reversed(await kept.trail.page(Looked(**wanted), None, 100_000)))


async def a_machine(service: Service) -> None:
    await publish(service.http, write.NAME, write.RULEBOOK)
    await service.put("/v1/machines/r5-17", {"rulebook": write.NAME, "model": "R5", "serial": "R5-0417"})


async def test_every_route_that_changes_something_says_who_did_and_a_repeat_says_nothing(address: str) -> None:
    async with running(address, is_open=False) as service:
        made = await create_key(service.store, "Nine Oxen", "the office", ALL)
        await a_world(service, made.text)
        whole = await lines(service)
        assert [line.n for line in whole] == list(range(1, len(whole) + 1))
        assert {line.actor.way for line in whole if line.kind not in ("organisation", "key")} == {KEY}
        assert {(line.actor.id, line.actor.name) for line in whole if line.actor.way == KEY} == {(made.key.id, "the office")}
        assert {line.kind for line in whole} <= set(NOTED)
        assert made.text.rpartition("_")[2] not in repr(whole)  # neither the secret, nor its digest
        assert made.key.digest.hex() not in repr(whole)
        assert "digest" not in "".join(line.after or "" for line in whole if line.kind == "key")

        repeated = [e for e in EXAMPLES.values() if e.method in ("PUT", "DELETE") and e.operation != "putDraft"]  # which has a new revision
        withdrawn = [e for e in repeated if e.method == "DELETE"]
        for example in [*withdrawn, EXAMPLES["keepReadings"], EXAMPLES["publishRulebook"], EXAMPLES["postMachines"]]:
            await send(service, example, made.text)
        assert await lines(service) == whole


async def test_what_each_route_notes(service: Service) -> None:
    """One line or more, with the change, and of the kind that it is; none for what asks."""
    async with service.store.keep_keys() as keys:
        await keys.add_organisation("Nine Oxen", 0)
    await publish(service.http, write.NAME, write.RULEBOOK.replace("every 80 h", "every 100 h"))
    told: dict[str, set[str]] = {}
    by: dict[str, set[str | None]] = {}
    seen = len(await lines(service))
    for example in EXAMPLES.values():
        answer = await send(service, example, None)
        new = (await lines(service))[seen:]
        seen += len(new)
        told[example.operation] = {line.kind for line in new}
        by[example.operation] = {line.actor.by for line in new if line.kind != READINGS}
        if example.operation not in ("getSharedVersion", "listSharedRulebooks"):  # nothing is shared here
            assert answer.status_code == example.status, example
    changes = {e.operation for e in EXAMPLES.values() if e.method != "GET"} - set(ASKS) - set(NONE_TO_SEND)
    assert {operation: kinds for operation, kinds in told.items() if kinds} == KIND_OF
    assert set(KIND_OF) == changes
    for operation, example in EXAMPLES.items():
        if operation in KIND_OF and isinstance(example.body, dict) and "by" in example.body:
            assert by[operation] == {example.body["by"]}, operation
    assert by["postDoneRecords"] == {item.get("by") for item in EXAMPLES["postDoneRecords"].body["items"]}


async def test_a_post_of_readings_is_one_line_with_its_counts(service: Service) -> None:
    await a_machine(service)
    hour = {"machine": "r5-17", "meter": "work"}
    sent = [
        {**hour, "value": round(100 + n / 5000, 4), "at": f"2026-07-13T{n // 3600:02}:{n // 60 % 60:02}:{n % 60:02}Z"}
        for n in range(10_000)
    ]
    wrong = [
        {**hour, "value": 42_750, "at": "2026-07-14T05:00:00Z"},
        {**hour, "machine": "r5-18", "value": 1, "at": "2026-07-14T05:00:00Z"},
    ]
    answer = await service.post("/v1/readings", [*sent, *wrong])
    (line,) = await lines(service, kind=READINGS)
    told = json.loads(line.after or "")
    assert (told["kept"], told["set_aside"]) == (10_000, 2)
    assert told["set_aside_ids"] == sorted(each["id"] for each in answer["aside"])
    assert len(line.after or "") < 200
    await service.post("/v1/readings", [*sent, *wrong])
    assert await lines(service, kind=READINGS) == [line]
    many = [{**hour, "machine": f"no-{n}", "value": n, "at": "2026-07-14T05:00:00Z"} for n in range(300)]
    await service.post("/v1/readings", many)
    assert [len(json.loads((await lines(service))[-1].after or "")["set_aside_ids"])] == [100]


async def test_from_what_to_what(service: Service) -> None:
    """A correction, a withdrawal, a settlement, a machine's document, a draft, a lock handed over: what stood, and what stands."""
    await a_machine(service)
    record = {"task": "roller-bearing-grease", "at": "2026-07-13T06:00:00Z", "by": "p-3"}
    for body in (record, {**record, "by": "p-4"}):
        await service.put("/v1/machines/r5-17/done/g-1", body)
    await service.http.delete("/v1/machines/r5-17/done/g-1")
    told = await lines(service, id="g-1")
    assert [(line.before and json.loads(line.before), line.after and json.loads(line.after)) for line in told] == [
        (None, record),
        (record, {**record, "by": "p-4"}),
        ({**record, "by": "p-4"}, None),
    ]
    assert [line.actor.by for line in told] == ["p-3", "p-4", None]
    states = (await service.get("/v1/machines/r5-17/done/g-1/states"))["items"]
    shown = (await service.get("/v1/audit", params={"id": "g-1"}))["items"]
    assert [state["known"] for state in states] == [line["at"] for line in reversed(shown)]  # the moment is that of what was kept

    posted = [
        {"machine": "r5-17", "meter": "work", "value": value, "at": at}
        for value, at in ((700, "2026-07-14T05:00:00Z"), (42_750, "2026-07-14T05:30:00Z"))
    ]
    (aside,) = (await service.post("/v1/readings", posted))["aside"]
    await service.post(f"/v1/set-aside/{aside['id']}/dismiss", WHO)
    settled, seen = {**WHO, "as": {"value": 42_750, "unit": "min"}}, len(await lines(service))
    await service.post(f"/v1/set-aside/{aside['id']}/accept", settled)
    accepted, counted = (await lines(service))[seen:]
    assert json.loads(accepted.before or "") == {"settled": "dismissed", **WHO}
    after = json.loads(accepted.after or "")
    assert (after["settled"], after["as"], accepted.id, accepted.machine) == ("accepted", settled["as"], aside["id"], "r5-17")
    assert json.loads(counted.after or "") == {"kept": 1}

    await service.put("/v1/machines/r5-17", {"rulebook": write.NAME, "model": "R5", "serial": "R5-0417", "site": "north"})
    *_, machine = await lines(service, kind="machine")
    assert (machine.id, machine.machine, "site" in (machine.before or ""), "site" in (machine.after or "")) == (
        "r5-17",
        "r5-17",
        False,
        True,
    )
    await publish(service.http, write.NAME, write.RULEBOOK.replace("every 80 h", "every 90 h"))
    *_, draft = await lines(service, kind="draft")
    before, after = json.loads(draft.before or ""), json.loads(draft.after or "")
    assert (before["revision"], after["revision"], before["sha256"] == after["sha256"]) == (1, 2, False)


async def test_pages_and_filters(service: Service) -> None:
    await a_machine(service)
    for n in range(5):
        service.later(hours=1)
        await service.put(
            f"/v1/machines/r5-17/found/f-{n}",
            {"task": "roller-bearing-grease", "at": "2026-07-13T06:00:00Z", "by": f"p-{n}", "what": "worn"},
        )
    page = await service.get("/v1/audit", params={"limit": 2, "kind": "found"})
    rest = await service.get("/v1/audit", params={"limit": 200, "kind": "found", "after": page["next"]})
    assert [line["id"] for line in (*page["items"], *rest["items"])] == [f"f-{n}" for n in (4, 3, 2, 1, 0)]
    assert rest["next"] is None
    for asked, found in (
        ({"from": "2026-07-14T08:00:00Z", "to": "2026-07-14T10:00:00Z"}, ["f-2", "f-1"]),
        ({"who": "p-3"}, ["f-3"]),
        ({"id": "f-0"}, ["f-0"]),
        ({"id": "r5-17", "kind": "machine"}, ["r5-17"]),
        ({"id": "no-such"}, []),
        ({"who": "s" * MOST_SUBJECT}, []),
    ):
        assert [line["id"] for line in (await service.get("/v1/audit", params=asked))["items"]] == found, asked
    for wrong in (
        {"kind": "secrets"},
        {"from": "yesterday"},
        {"limit": "0"},
        {"after": "x"},
        {"who": "\n"},
        {"who": "s" * (MOST_SUBJECT + 1)},
        {"table": "keys"},
    ):
        assert (await service.http.get("/v1/audit", params=wrong)).status_code == 422, wrong


async def test_the_database_itself_refuses_to_change_it(service: Service) -> None:
    await a_machine(service)
    before = await lines(service)
    deeds = ["update audit set way = 'nobody'", "delete from audit", "delete from audit where n = 1"]
    if service.store.engine.dialect.name == "postgresql":
        deeds.append("truncate audit")
    else:
        deeds.append("insert or replace into audit (organisation, n, at, way, kind) values (1, 1, 0, 'key', 'machine')")
    for deed in deeds:
        with pytest.raises(DBAPIError, match="the audit trail is never changed"):
            async with service.store.writing() as connection:
                await connection.execute(text(deed))
    assert await lines(service) == before


async def test_neither_without_the_other(service: Service) -> None:
    """What is undone leaves no line; and where the line can't be written, nothing is changed."""
    await a_machine(service)
    before = await lines(service)

    async def undone() -> None:
        async with service.store.keep(HOME) as kept:
            machine = (await kept.machines.lock(["r5-17"]))["r5-17"]
            await kept.entries.put(machine.key, [Entry("done", "a", machine.known + 1, 5, "grease", "{}")])
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        await undone()
    assert await lines(service) == before

    def full(_c: Any, _cursor: Any, statement: str, *_more: Any) -> None:
        if statement.lower().startswith("insert into audit"):
            raise OSError("no room for it")

    event.listen(service.store.engine.sync_engine, "before_cursor_execute", full)
    record = {"task": "roller-bearing-grease", "at": "2026-07-13T06:00:00Z"}
    transport = httpx.ASGITransport(service.app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as http:
        answer = await http.put("/v1/machines/r5-17/done/g-1", json=record)
        assert answer.status_code == 503
    event.remove(service.store.engine.sync_engine, "before_cursor_execute", full)
    assert await lines(service) == before
    assert (await service.http.get("/v1/machines/r5-17/done/g-1")).status_code == 404


@pytest.mark.both_databases
async def test_lines_of_many_writers_have_no_gap_and_no_two_one_number(service: Service) -> None:
    await publish(service.http, write.NAME, write.RULEBOOK)
    document = {"rulebook": write.NAME, "model": "R5", "serial": "R5-0417"}
    await asyncio.gather(*(service.put(f"/v1/machines/m-{n}", document) for n in range(12)))
    assert [line.n for line in await lines(service)] == list(range(1, 2 + 12 + 1))


async def test_keys_retention_and_what_the_service_does_of_its_own_accord(service: Service) -> None:
    made = await create_key(service.store, "Nine Oxen", "bridge", [KeyScope.READ])
    other = await create_key(service.store, "South Farm", "their own", [KeyScope.READ])
    ring = KeyRing(service.store, lambda: service.now)
    for _ in range(2):
        assert (await ring.key(made.text.encode())).id == made.key.id
        await ring.note_used()
    for _ in range(2):
        await revoke_key(service.store, made.key.id)
    await retain(service.store, 24)
    told = [(line.actor, line.kind, line.id) for line in await lines(service)]
    command, key = Actor("command line"), Actor(KEY, made.key.id, "bridge")
    assert told == [
        (command, "organisation", "Nine Oxen"),
        (command, "key", made.key.id),
        (key, "key", made.key.id),  # used for the first time
        (command, "key", made.key.id),
        (command, "retention", None),
    ]
    assert [(line.kind, line.id, line.n) for line in await lines(service, other.organisation.id)] == [
        ("organisation", "South Farm", 1),
        ("key", other.key.id, 2),
    ]
    async with service.store.keep(HOME, ITSELF):
        pass
    assert len(await lines(service)) == len(told)


@pytest.mark.both_databases
async def test_a_restore_is_told_in_what_was_restored(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, service: Service) -> None:
    if service.store.engine.dialect.name != "sqlite":
        return  # PostgreSQL is restored by its own tools
    await a_machine(service)
    back_up(service.address, tmp_path / "copy.db")
    before = await lines(service)
    await service.put(
        "/v1/machines/r5-17/deferrals/d-1", {"task": "roller-bearing-grease", "at": "2026-07-14T05:00:00Z", "by": "p-3", "why": "no grease"}
    )
    await service.store.close()
    monkeypatch.setenv("FIELDWORTHY_DATABASE_URL", service.address)
    restore_command(tmp_path / "copy.db")
    service.store = SqlStore(open_engine(service.address))
    *earlier, line = await lines(service)
    assert earlier == before
    assert (line.actor, line.kind, line.before, line.after) == (
        Actor("command line"),
        "restore",
        json.dumps({"last": len(before) + 1}),
        '{"backup": "copy.db"}',
    )
    await service.store.close()
