"""What is set aside of one post of readings, beside what became of the same readings before.

One that waits already goes on waiting, for the newest reason. One that was dismissed stays dismissed, and one that was accepted as
something else stays that, while that is kept: both are told of as such. Whatever else was settled, and can't be kept now, waits again.
"""

import hashlib
import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import chain
from typing import Any

from fieldworthy.core.base.names import key as key_of
from fieldworthy.core.base.quantity import find_unit
from fieldworthy.usecases.aside_words import accepted_as, sent_number, was_dismissed
from fieldworthy.usecases.kept import Kept
from fieldworthy.usecases.kept_readings import ACCEPTED, DISMISSED, SetAside
from fieldworthy.usecases.sent_readings import SentReading, SentReadings

MOST_EARLIER = 10
"""So many former settlements are kept of one reading, the newest."""

_MOST = 2**63 - 1

Words = tuple[str, str, Mapping[str, Any]]
"""The sentence, the way out, and the values for programs."""


@dataclass(frozen=True, slots=True)
class Told:
    """One reading that was set aside. index: its place in the post, from 0; key: what it is settled by."""

    index: int
    key: str
    why: str
    text: str
    mend: str
    values: Mapping[str, Any]


class SettingAside:
    """What is set aside of one post. most: so many are told of; None: all."""

    def __init__(self, sent: SentReadings, now: int, most: int | None = None) -> None:
        self.sent = sent
        self._most = most
        self._left: list[int] = []
        self.told: list[Told] = []
        self._now = now
        self._rows: dict[str, SetAside] = {}

    def add(self, index: int, why: str, text: str, mend: str, values: Mapping[str, Any]) -> None:
        reading = self.sent[index]
        key = aside_key(reading)
        self.told.append(Told(index, key, why, text, mend, values))
        if key not in self._rows:
            machine, meter, at, value, unit = reading
            details = _written({"value": sent_number(value), "text": text, "mend": mend, "values": values})
            whole = max(-_MOST, min(_MOST, round(value)))
            self._rows[key] = SetAside(key, machine, meter, at, whole, unit, why, details, self._now)

    def add_all(self, places: Iterable[int], why: str, words: Words) -> None:
        for i in places:
            self.add(i, why, *words)

    def add_dismissed(self, index: int) -> None:
        """One that was dismissed before: `keep` finds the words."""
        self.add(index, DISMISSED, "", "", {})

    @property
    def full(self) -> bool:
        return self._most is not None and len(self.told) >= self._most

    def leave(self, index: int) -> None:
        """One that waits already, and goes on for the reason that it had."""
        self._left.append(index)

    def places(self) -> Iterable[int]:
        return chain((told.index for told in self.told), self._left)

    async def keep(self, kept: Kept) -> Sequence[SetAside]:
        """Keeps what waits, and tells of what was dismissed or accepted as something else that it was. Gives what waits from now on."""
        if not self._rows:
            return ()
        before = {row.key: row for row in await kept.aside.among(self._rows)}
        new = [row for key, row in self._rows.items() if key not in before]
        await kept.aside.add(new)
        stand = await _as_accepted(kept, [row for row in before.values() if row.settled_as == ACCEPTED])
        instead: dict[str, tuple[str, Words]] = {}
        again: list[tuple[SetAside, int | None]] = []
        for key, row in before.items():
            if row.settled_as == DISMISSED:
                instead[key] = (DISMISSED, was_dismissed(row))
            elif key in stand:
                if json.loads(row.details)["settlement"].get("as") is not None:
                    instead[key] = accepted_as(row)
            else:
                anew = _waiting(row, self._rows[key])
                if anew != row:
                    again.append((anew, row.settled))
        await kept.aside.wait_again(again)
        if instead:
            self.told = [_said_of(told, instead.get(told.key)) for told in self.told]
        return [*new, *(row for row, settled in again if settled is not None)]


def _said_of(told: Told, instead: tuple[str, Words] | None) -> Told:
    if instead is None:
        return told
    why, (text, mend, values) = instead
    return Told(told.index, told.key, why, text, mend, values)


async def _as_accepted(kept: Kept, rows: Sequence[SetAside]) -> Collection[str]:
    """Those of these accepted readings of which what they were accepted as is still kept."""
    if not rows:
        return ()
    machines = await kept.machines.named({row.machine for row in rows})
    meters = await kept.readings.meters_of([machine.key for machine in machines.values()])
    spans: dict[str, tuple[int, int, int]] = {}
    for row in rows:
        meter = meters.get((machines[row.machine].key, key_of(row.meter))) if row.machine in machines else None
        if meter is not None:
            spans[row.key] = (meter.key, row.at, row.at)
    there = await kept.readings.within(sorted(set(spans.values())))
    points = {(meter, point[0]): list(point[1:]) for meter, found in there.items() for point in found}
    return {row.key for row in rows if row.key in spans and points.get(spans[row.key][:2]) == _accepted_point(row)}


def _accepted_point(row: SetAside) -> object:
    return json.loads(row.details)["settlement"].get("kept", ())  # () is no point


def _waiting(row: SetAside, new: SetAside) -> SetAside:
    """The row as it waits for the newest reason. What it was settled as before is kept with it."""
    former = json.loads(row.details)
    details = json.loads(new.details)
    if row.settled is not None:
        former = with_earlier(row, former)
    if "earlier" in former:
        details["earlier"] = former["earlier"]
    open_since = row.known if row.settled is None else new.known
    waiting = replace(row, why=new.why, details=_written(details), known=open_since)
    return replace(waiting, settled=None, settled_as=None, settled_by=None, settled_why=None)


def with_earlier(row: SetAside, details: Mapping[str, Any]) -> dict[str, Any]:
    """The details of a settled reading that is settled otherwise, or waits again: how it was settled is one of `earlier` from then on."""
    how = {"done": row.settled_as, "at": row.settled, "by": row.settled_by, "why": row.settled_why, **details.get("settlement", {})}
    rest = {name: value for name, value in details.items() if name != "settlement"}
    return {**rest, "earlier": [*details.get("earlier", ()), how][-MOST_EARLIER:]}


def _written(details: Mapping[str, Any]) -> str:
    return json.dumps(details, ensure_ascii=False)


def aside_key(reading: SentReading) -> str:
    """The same for the same reading, however often it is sent and however its meter and unit are written."""
    machine, meter, at, value, unit = reading
    said = json.dumps([machine, key_of(meter), at, str(value), None if unit is None else unit_name(unit)])
    return hashlib.blake2b(said.encode(), digest_size=20).hexdigest()


@lru_cache(maxsize=1000)
def unit_name(word: str) -> str:
    """Our name of a unit, however it was written; the word itself where no unit is called so."""
    unit = find_unit(word)
    return word if unit is None else unit.name
