"""Events that tell what somebody did: work that was done, a deferral, a rulebook that was published; and readings that were set aside."""

import json
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any
from urllib.parse import quote

from fieldworthy.core.base.micros import DAY, at_micros, micros_text
from fieldworthy.core.base.names import key
from fieldworthy.usecases.announce import subject_of, within_bounds
from fieldworthy.usecases.events import DEFERRAL_USED, DONE, PUBLISHED, SET_ASIDE, NewEvent
from fieldworthy.usecases.find_rulebook import FindWithin, Found
from fieldworthy.usecases.kept import Entry, Kept, Machine
from fieldworthy.usecases.kept_readings import SetAside
from fieldworthy.usecases.old_history import Days
from fieldworthy.usecases.ports import Version
from fieldworthy.usecases.refusals import Refusal
from fieldworthy.usecases.seasons import in_season, seasons_of

OLD_DAYS = 31
"""What happened longer ago is history that somebody brings in, and is told of by no event; nor is what says no time."""

MOST_IDS = 10
"""So many readings that were set aside are named by one event."""

_TYPES = {"done": DONE, "deferral": DEFERRAL_USED}


def told_of(machine: Machine, entries: Iterable[Entry], found: Found, now: int) -> Sequence[NewEvent]:
    """
    Of done records and deferrals that were never told of before; of a record that says that it was not done, or not wholly, nothing is
    told. found: the rulebook that they were checked against.
    """
    since = now - OLD_DAYS * DAY
    told = [(entry, json.loads(entry.body)) for entry in entries if entry.kind in _TYPES and entry.at >= since]
    return [_told(machine, entry, record, found, now) for entry, record in told if record.get("result") in (None, "done")]


def _told(machine: Machine, entry: Entry, record: Mapping[str, Any], found: Found, now: int) -> NewEvent:
    tasks = {key(name): task for name, task in found.book.tasks.items()}
    task = tasks.get(key(record["task"]))
    name = record["task"] if task is None else task.name
    data = {
        "machine": machine.id,
        "site": machine.site,
        "task": name,
        "title": None if task is None else task.title,
        "kind": None if task is None else task.kind,
        "record": entry.id,
        "told": record,
        "rulebook": {"name": found.book.name, "version": found.version, "digest": found.book.digest},
    }
    subject = f"{subject_of(machine.id)}/tasks/{quote(name)}"
    where = (machine.key, machine.id, machine.site, name, None if task is None else task.kind)
    return NewEvent(_TYPES[entry.kind], now, subject, within_bounds(data), *where)


def published(version: Version, at: int) -> NewEvent:
    """Of a version that was published."""
    rulebook = {"name": version.name, "version": version.version, "digest": version.digest}
    return NewEvent(PUBLISHED, at, f"rulebooks/{version.name}@{version.version}", {"title": version.title, "rulebook": rulebook})


async def tell_set_aside(kept: Kept, find: FindWithin, locked: Mapping[str, Machine], rows: Sequence[SetAside], now: int) -> None:
    """
    Tells of readings of one post that wait from now on: an event for each machine that is in season, and one for all that are of machines
    that there are not. locked: the machines that there are.
    """
    by_machine: dict[str | None, list[SetAside]] = {}
    for row in rows:
        by_machine.setdefault(row.machine if row.machine in locked else None, []).append(row)
    here = {id: locked[id] for id in by_machine if id is not None}
    documents = await kept.entries.documents([machine.key for machine in here.values()])
    for id, group in by_machine.items():
        if id is None:
            kept.events.add([_set_aside(None, group, now)])
            continue
        machine = here[id]
        document = json.loads(documents[machine.key].body)
        try:
            book = (await find.within(kept.rulebooks, machine.rulebook)).book
        except Refusal:
            continue  # it can't be told whether it is in season
        today = Days.of(document, book).day_of(at_micros(now))
        if in_season(seasons_of(document, book), today).runs:
            kept.events.add([_set_aside(machine, group, now)])


def _set_aside(machine: Machine | None, rows: Sequence[SetAside], now: int) -> NewEvent:
    named = [
        {"id": row.key, "machine": row.machine, "meter": row.meter, "at": micros_text(row.at), "why": row.why}
        for row in sorted(rows, key=lambda row: (row.at, row.key))[:MOST_IDS]
    ]
    data = {
        "machine": None if machine is None else machine.id,
        "site": None if machine is None else machine.site,
        "count": len(rows),
        "by_reason": dict(sorted(Counter(row.why for row in rows).items())),
        "first": named,
    }
    if machine is None:
        return NewEvent(SET_ASIDE, now, "readings/set-aside", within_bounds(data))
    return NewEvent(SET_ASIDE, now, f"{subject_of(machine.id)}/set-aside", within_bounds(data), machine.key, machine.id, machine.site)
