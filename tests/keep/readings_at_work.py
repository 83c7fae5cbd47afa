"""Machines that send readings, for the tests of readings: a small rulebook of an invented make, and the store's own ways to look."""

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

from fieldworthy.core.base.micros import at_micros
from fieldworthy.usecases.kept import HOME
from tests.keep.service import BEGINNING, Service

BOOK = """\
rulebook: plover-r5-baler
title: Plover R5 round baler
meters:
  work: {unit: h, default: true}
  pump: {unit: min}
  bales: {unit: bales}
  road: {unit: km}
tasks:
  roller-bearing-grease: {title: Grease the starter roller's bearings, kind: lubricate, interval: every 80 h}
"""

URL = "/v1/readings"


async def machines(service: Service, *ids: str) -> None:
    """Publishes the rulebook and adds machines to it."""
    await service.publish(BOOK, "plover-r5-baler")
    for id_ in ids:
        await service.put(f"/v1/machines/{id_}", {"rulebook": "plover-r5-baler", "timezone": "Europe/London"})


def reading(at: float, value: float, unit: str | None = None, machine: str = "r5-17", meter: str = "work") -> dict[str, Any]:
    """at: hours after 1 July 2026, 06:00 UTC."""
    said = {"machine": machine, "meter": meter, "value": value, "at": moment(at)}
    return said if unit is None else {**said, "unit": unit}


def moment(at: float) -> str:
    return (BEGINNING - timedelta(days=13) + timedelta(hours=at)).isoformat().replace("+00:00", "Z")


def hours(text: str) -> float:
    """The reverse of `moment`."""
    return (datetime.fromisoformat(text) - BEGINNING + timedelta(days=13)) / timedelta(hours=1)


async def shown(service: Service, machine: str = "r5-17", **query: Any) -> list[tuple[float, float]]:
    """What the service lists as kept, oldest first: when, and the value."""
    found = await service.get(f"/v1/machines/{machine}/readings", params={"limit": 200, **query})
    return [(hours(item["at"]), item["value"]) for item in reversed(found["items"])]


async def kept_rows(service: Service, machine: str = "r5-17") -> list[tuple[str, datetime, int, str | None]]:
    """What the store keeps of a machine, by meter and moment."""
    async with service.store.look(HOME) as kept:
        found = await kept.machines.find(machine)
        assert found is not None
        meters = {m.key: m.name for m in (await kept.readings.meters_of([found.key])).values()}
        series = await kept.readings.series(list(meters))
    return sorted((meters[key], at_micros(at), value, unit) for key, points in series.items() for at, value, unit in points)


def whys(answer: Any) -> list[str]:
    """`kept`, `same` or why it was set aside, in the order in which they were sent."""
    told = {aside["index"]: aside["why"] for aside in answer["aside"]}
    return [told.get(i, outcome) for i, outcome in enumerate(answer["readings"])]


def outcome(answer: Any) -> tuple[int, int, int]:
    return answer["kept"], answer["same"], answer["set_aside"]


def lines(items: Iterable[Any]) -> bytes:
    import json

    return b"\n".join(json.dumps(item).encode() for item in items)
