"""Machines as a question tells them, put into a real store, as the routes that keep things leave them there."""

import json
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Any

from fieldworthy.core.base.micros import micros_of
from fieldworthy.core.base.names import key
from fieldworthy.usecases.find_rulebook import checked
from fieldworthy.usecases.kept import HOME, MACHINE, WITHDRAWN, Entry, Kept, Machine, next_known
from fieldworthy.usecases.kept_readings import OfMeter
from fieldworthy.usecases.publish import published_of
from tests.keep.service import Service

DOCUMENT = ("model", "serial", "options", "timezone", "day_starts", "in_service", "seasons", "usage", "notice", "working_days")
KINDS = {
    "done": ("done", "task"),
    "working_conditions": ("working-condition", "condition"),
    "occurrences": ("occurrence", "occurrence"),
    "deferrals": ("deferral", "task"),
    "replaced_meters": ("meter-replacement", "meter"),
    "found": ("found", "what"),
}


def instant(item: Mapping[str, Any]) -> int:
    """When it happened; what has a day only, that day's beginning, UTC; what has neither, the beginning of time."""
    text = item.get("at") or item.get("from")
    if text is not None:
        return micros_of(datetime.fromisoformat(text))
    return micros_of(datetime.fromisoformat(item["on"]).replace(tzinfo=UTC)) if "on" in item else 0


def entry(kind: str, id_: str, known: int, body: Mapping[str, Any] | None, about: str) -> Entry:
    """A state of something told; body None: it was withdrawn."""
    return Entry(kind, id_, known, 0 if body is None else instant(body), key(about), WITHDRAWN if body is None else json.dumps(body))


async def put_machine(service: Service, id_: str, document: Mapping[str, Any]) -> Machine:
    """Adds a machine, or changes its document."""
    async with service.store.keep(HOME) as kept:
        there = (await kept.machines.lock([id_])).get(id_)
        if there is None:
            machine = await kept.machines.add(id_, await kept.moment(), document["rulebook"], document.get("site"))
            known = machine.known
        else:
            known = await next_known(kept, [there])
            machine = await kept.machines.change(there, known, document["rulebook"], document.get("site"))
        await kept.entries.put(machine.key, [Entry(MACHINE, "", known, known, key(document["rulebook"]), json.dumps(document))])
    return machine


async def tell(service: Service, id_: str, told: Iterable[tuple[str, str, Mapping[str, Any] | None, str]]) -> int:
    """Keeps states of what was told: each (kind, id, body or None, about)."""
    async with service.store.keep(HOME) as kept:
        machine, known = await _changed(kept, id_)
        await kept.entries.put(machine.key, [entry(kind, own, known, body, about) for kind, own, body, about in told])
    return known


async def read(service: Service, id_: str, told: Iterable[tuple[str, int, int | None, str | None]]) -> int:
    """Keeps readings: each (meter, at, value, unit). One that is there already is withdrawn; with value None that is all."""
    named = [(key(meter), at, value, unit) for meter, at, value, unit in told]
    async with service.store.keep(HOME) as kept:
        machine, known = await _changed(kept, id_)
        there = {name: meter.key for (_, name), meter in (await kept.readings.meters_of([machine.key])).items()}
        new = {(machine.key, meter) for meter, *_ in named if meter not in there}
        there |= {name: meter.key for (_, name), meter in (await kept.readings.add_meters(new)).items()}
        for name, meter in there.items():
            await kept.readings.withdraw(meter, [at for of, at, *_ in named if of == name], known)
        fresh = [OfMeter(there[of], unit, [at], [value]) for of, at, value, unit in named if value is not None]
        await kept.readings.keep(fresh, known)
    return known


async def publish(service: Service, document: Mapping[str, Any]) -> None:
    """The next version of a rulebook that is known to be good: without its check, which has tests of its own and takes its time."""
    async with service.store.write() as kept:
        newest = await kept.newest(document["rulebook"])
        number = newest.version + 1 if newest else 1
        await kept.add(published_of(checked(document), number, json.dumps(document), "application/json", service.now))


async def load(service: Service, rulebook: str, machine: Mapping[str, Any], site: str | None = None) -> Machine:
    """A whole machine, as a request of `POST /v1/due` tells it."""
    document = {"rulebook": rulebook, "site": site, **{m: machine[m] for m in DOCUMENT if m in machine}}
    made = await put_machine(service, machine["id"], document)
    told = [
        (kind, item.get("id") or f"{kind}-{i}", item, item[about])
        for room, (kind, about) in KINDS.items()
        for i, item in enumerate(machine.get(room, ()))
    ]
    await tell(service, machine["id"], told)
    shown = {}
    for item in (*machine.get("meters", ()), *machine.get("readings", ())):
        at = micros_of(datetime.fromisoformat(item["at"]))
        shown[key(item["meter"]), at] = (item["meter"], at, round(item["value"] * 1_000_000), item.get("unit"))
    await read(service, machine["id"], shown.values())
    return made


async def _changed(kept: Kept, id_: str) -> tuple[Machine, int]:
    machine = (await kept.machines.lock([id_]))[id_]
    known = await next_known(kept, [machine])
    await kept.machines.touch([machine], known)
    return machine, known
