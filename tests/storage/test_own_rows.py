"""Filters by organisation whose loss no answer of the service shows: others have rows by the very keys of ours, which say other things.

What answers do show is held to in `tests/keep/test_two_organisations.py`.
"""

from collections.abc import Awaitable, Callable
from typing import Any

import pytest
from sqlalchemy import Table, insert, select

from fieldworthy.storage import tables
from fieldworthy.storage.engine import SqlStore
from fieldworthy.usecases.kept import Kept
from fieldworthy.usecases.kept_readings import DISMISSED, Mark, SetAside

OURS = 2
ALL = (1, OURS, 3)
WORK = "work"
REPLACED = "meter-replacement"
CHANGED = (tables.set_aside, tables.answers, tables.machines, tables.meters)


def _rows(whose: int) -> list[tuple[Table, dict[str, Any]]]:
    """A machine that has two meters, what waits for it or was dismissed, open work, a kept answer. Ours alone tells units."""
    machine = {"key": 1, "id": "r5-17", "revision": 1, "known": 1, "rulebook": "r5"}
    entry = {"machine": 1, "kind": WORK, "id": "w-1", "known": 1, "at": 1, "about": f"of {whose}", "open": 1, "body": "{}"}
    reading = {"at": 5, "value": 7, "unit": "h" if whose == OURS else None, "known": 1}
    waits = {"key": "a", "machine": "r5-17", "meter": "work", "at": 5, "value": 7, "why": f"of {whose}", "details": "{}", "known": 1}
    answer = {"key": "once", "fingerprint": "f" * 64, "status": 200, "headers": "{}", "body": b"", "known": 1}
    return [
        (tables.machines, machine),
        (tables.entries, entry),
        (tables.entries, {**entry, "kind": REPLACED, "id": "m-1", "body": f'"of {whose}"'}),
        *((tables.meters, {"key": key, "machine": 1, "name": name}) for key, name in ((1, "work"), (2, "bales"))),
        (tables.readings, {"meter": 1, **reading}),
        (tables.readings_withdrawn, {"meter": 2, "superseded": 2, **reading}),
        (tables.set_aside, waits),
        (tables.set_aside, {**waits, "key": f"only {whose}"}),
        (tables.set_aside, {**waits, "key": "s", "settled": 4, "settled_as": DISMISSED}),
        (tables.answers, answer),
    ]


@pytest.fixture
async def shared(store: SqlStore) -> SqlStore:
    """Three organisations, ours between the others. PostgreSQL lets the tests' role past row-level security: so the filters stand alone."""
    async with store.writing() as connection:
        for whose in ALL:
            await connection.execute(insert(tables.organisations).values(id=whose, name=f"number {whose}", created=0))
            for table, row in _rows(whose):
                await connection.execute(insert(table).values(organisation=whose, **row))
    return store


async def _unnamed(kept: Kept) -> Any:
    return [await kept.readings.unnamed([1, 2], but_zero) for but_zero in (False, True)]


async def _marks(kept: Kept) -> Any:
    return sorted(await kept.aside.marks(["r5-17"], 0, 10))


async def _waiting(kept: Kept) -> Any:
    return sorted((row.key, row.why) for row in await kept.aside.open_of(["r5-17"]))


async def _open_work(kept: Kept) -> Any:
    return [(machine, [entry.about for entry in found]) for machine, found in (await kept.entries.open_of([1], WORK)).items()]


async def _wait_again(kept: Kept) -> Any:
    await kept.aside.wait_again([(SetAside(key, "r5-17", "work", 5, 7, None, "anew", "{}", 9), settled) for key, settled in _SETTLED])
    return [(row.key, row.why) for row in sorted(await kept.aside.among([key for key, _ in _SETTLED]), key=lambda row: row.key)]


async def _settle_meanwhile(kept: Kept) -> Any:
    await kept.aside.settle_meanwhile(["a"], 9)
    return [(row.key, row.settled) for row in await kept.aside.among(["a"])]


async def _with_replacements(kept: Kept) -> Any:
    meters, replaced = await kept.readings.meters_and_replacements([1])
    assert (meters, replaced) == (await kept.readings.meters_of([1]), await kept.readings.replacements([1]))
    return sorted(meters), replaced


async def _note_kept(kept: Kept) -> Any:
    await kept.readings.note_kept([(1, 9, 70, "h"), (2, 8, 60, None)], [1], 12)
    meters = (await kept.readings.meters_of([1])).values()
    return sorted((m.key, m.last_at, m.last_value, m.last_unit) for m in meters), (await kept.machines.by_key([1]))[1].known


async def _note_machines_alone(kept: Kept) -> Any:
    await kept.readings.note_kept([], [1], 12)
    return {m.last_at for m in (await kept.readings.meters_of([1])).values()}, (await kept.machines.by_key([1]))[1].known


async def _forget(kept: Kept) -> Any:
    return await kept.answers.forget(10)


_SETTLED = (("a", None), ("s", 4))
_MINE = f"only {OURS}"


@pytest.mark.parametrize(
    ("deed", "told"),
    [
        (_unnamed, [set(), set()]),
        (_marks, [Mark("a", "r5-17", 5, False), Mark(_MINE, "r5-17", 5, False), Mark("s", "r5-17", 5, True)]),
        (_waiting, [("a", "of 2"), (_MINE, "of 2")]),
        (_open_work, [(1, ["of 2"])]),
        (_wait_again, [("a", "anew"), ("s", "anew")]),
        (_settle_meanwhile, [("a", 9)]),
        (_forget, 1),
        (_with_replacements, ([(1, "bales"), (1, "work")], {1: ['"of 2"']})),
        (_note_kept, ([(1, 9, 70, "h"), (2, 8, 60, None)], 12)),
        (_note_machines_alone, ({None}, 12)),
    ],
    ids=lambda given: getattr(given, "__name__", ""),
)
async def test_what_is_asked_and_changed_is_ours_alone(shared: SqlStore, deed: Callable[[Kept], Awaitable[Any]], told: Any) -> None:
    before = await _rows_of_others(shared)
    async with shared.keep(OURS) as kept:
        assert await deed(kept) == told
    assert await _rows_of_others(shared) == before


async def _rows_of_others(store: SqlStore) -> Any:
    async with store.writing() as connection:
        return [
            (await connection.execute(select(table).where(table.c.organisation != OURS).order_by(*table.primary_key.columns))).all()
            for table in CHANGED
        ]
