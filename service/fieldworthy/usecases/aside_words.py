"""Why a reading was set aside, in words, in values, and what to do about it."""

import json
from collections.abc import Mapping
from typing import Any

from fieldworthy.core.base.finding import or_list
from fieldworthy.core.base.micros import AHEAD, HOUR, micros_text
from fieldworthy.core.base.quantity import TICKS, Exact, Unit, from_ticks, ticks_text, to_ticks
from fieldworthy.core.meter import intake
from fieldworthy.core.meter.intake import Aside, Point
from fieldworthy.usecases.kept_readings import DISMISSED, SetAside
from fieldworthy.usecases.refusals import shorten

UNKNOWN_MACHINE, UNKNOWN_METER = "unknown-machine", "unknown-meter"
ACCEPTED_AS = "accepted-as"

WHY = (
    intake.RUNS_BACKWARD,
    intake.IMPOSSIBLE_PACE,
    *intake.LOOKS_LIKE.values(),
    intake.CONTRADICTS,
    intake.FROM_THE_FUTURE,
    intake.OTHER_UNIT,
    intake.OUT_OF_RANGE,
    UNKNOWN_MACHINE,
    UNKNOWN_METER,
)
"""Every reason for which a reading waits."""

SAYS: Mapping[str, str] = {
    intake.RUNS_BACKWARD: "it runs backward beside what is kept of this meter",
    intake.IMPOSSIBLE_PACE: "beside what is kept of this meter it would be more than an hour an hour",
    intake.LOOKS_LIKE["min"]: "it can't be, but as minutes it fits what is kept of this meter",
    intake.LOOKS_LIKE["s"]: "it can't be, but as seconds it fits what is kept of this meter",
    intake.CONTRADICTS: "another value is kept of this meter for the same moment",
    intake.FROM_THE_FUTURE: "its time is still to come",
    intake.OTHER_UNIT: "its unit does not fit this meter",
    intake.OUT_OF_RANGE: "it is outside of what is kept of any meter",
    UNKNOWN_MACHINE: "there is no such machine",
    UNKNOWN_METER: "this machine has no such meter",
    DISMISSED: "it was dismissed before",
    ACCEPTED_AS: "it was accepted before, as something else",
}
"""Every reason in words that tell nothing of what is kept: for whoever may send readings, and not read."""

_SETTLE = "accept it at /v1/set-aside/ID/accept"
_OR_DISMISS = "or dismiss it at /v1/set-aside/ID/dismiss"
_MENDS = {
    intake.RUNS_BACKWARD: (
        f"if the meter was replaced, {_SETTLE} with `replaced_meter`; if this one is right, accept it, and what contradicts it is "
        f"withdrawn; {_OR_DISMISS}"
    ),
    intake.IMPOSSIBLE_PACE: f"if it is right, {_SETTLE}; if it was meant in another unit, accept it with `as`; {_OR_DISMISS}",
    intake.LOOKS_LIKE["min"]: f"if minutes were meant, {_SETTLE} with `as` in `min`, and have the sender name the unit; {_OR_DISMISS}",
    intake.LOOKS_LIKE["s"]: f"if seconds were meant, {_SETTLE} with `as` in `s`, and have the sender name the unit; {_OR_DISMISS}",
    intake.CONTRADICTS: f"if this one is right, {_SETTLE}, and the other is withdrawn; {_OR_DISMISS}",
    intake.FROM_THE_FUTURE: f"set the sender's clock; once that time has come, {_SETTLE}; {_OR_DISMISS}",
    intake.OTHER_UNIT: f"{_SETTLE} with `as` and a unit that fits; {_OR_DISMISS}",
    intake.OUT_OF_RANGE: f"send it right; {_SETTLE} with `as` and what it should be; {_OR_DISMISS}",
}


def words_of(aside: Aside, sent: tuple[int, Exact, str | None], own: Unit) -> tuple[str, str, dict[str, Any]]:
    """The sentence, the way out, and the values for programs. own: the meter's unit."""
    at, value, unit = sent
    shown = f"{ticks_text(value) if isinstance(value, int) else sent_number(value)} {unit or own.name}"
    values: dict[str, Any] = {"before": _point(aside.before, own), "after": _point(aside.after, own)}
    mend = _MENDS[aside.why]
    before, after = _told(aside.before, own), _told(aside.after, own)
    match aside.why:
        case intake.RUNS_BACKWARD:
            low = f"below an earlier one, {before}" if aside.below else before and f"after {before}"
            high = f"above a later one, {after}" if aside.above else after and f"before {after}"
            sides = " and ".join(side for side in (low, high) if side)
            return f"{shown} is {sides}: a meter does not run backward; it may be a replaced meter.", mend, values
        case intake.IMPOSSIBLE_PACE:
            more, share = intake.TOLERANCE
            values["tolerance"] = {"hours": more // HOUR, "share": 1 / share}
            beside = " and ".join(p for p in (before and f"before it stands {before}", after and f"after it {after}") if p)
            limit = "an hour and a hundredth of the time may be more, because a dial may show whole hours and clocks differ"
            return f"{shown} would be more than an hour an hour: {beside}; {limit}.", mend, values
        case intake.CONTRADICTS:
            values = {"other": _point(aside.before, own, aside.unit)}
            return f"{shown}, and for the same moment {_told(aside.before, own, aside.unit)}.", mend, values
        case intake.FROM_THE_FUTURE:
            return f"{micros_text(at)} is still to come; a clock may be {AHEAD // 1_000_000 // 60} minutes ahead.", mend, {}
        case intake.OTHER_UNIT:
            return f"`{shorten(unit or '')}` is no unit of this meter, which counts {own.many}.", mend, {"meter_unit": own.name}
        case intake.OUT_OF_RANGE:
            limits = {"earliest": micros_text(intake.EARLIEST), "least": 0, "most": intake.MOST // TICKS, "places": 6}
            kept = f"from 1990 on, from 0 to {intake.MOST // TICKS:,}, with at most 6 places"
            return f"{shown} at {micros_text(at)} is outside of what is kept: {kept}.", mend, limits
        case _:
            meant = "minutes" if aside.why == intake.LOOKS_LIKE["min"] else "seconds"
            name = "min" if meant == "minutes" else "s"
            values["as"] = {"value": sent_number(value), "unit": name}
            return f"{shown} can't be, but as {meant} it fits: before it stands {before}.", mend, values


def was_dismissed(row: SetAside) -> tuple[str, str, dict[str, Any]]:
    """The same for a reading that was dismissed, and is sent again."""
    by, when, why = _settled(row)
    extra = " with `as`, its value and its unit" if row.unit is None else ""
    mend = f"nothing needs to be done; if it is right after all, {_SETTLE}{extra}"
    return f"it was dismissed by `{shorten(by)}` at {when}: {shorten(why, 300)}", mend, {"by": by, "at": when, "why": why}


def accepted_as(row: SetAside) -> tuple[str, tuple[str, str, dict[str, Any]]]:
    """The reason too, for a reading that was accepted as something else, which is kept, and is sent again."""
    by, when, why = _settled(row)
    read_as: Mapping[str, Any] = json.loads(row.details)["settlement"]["as"]
    said = {"value": read_as["value"], "unit": read_as.get("unit")}
    shown = f"{ticks_text(to_ticks(read_as['value']))} {shorten(read_as.get('unit') or '')}".rstrip()
    text = f"it was accepted by `{shorten(by)}` at {when} as {shown}, and that is kept."
    mend = "nothing needs to be done; have the sender send it so"
    return ACCEPTED_AS, (text, mend, {"by": by, "at": when, "why": why, "as": said})


def _settled(row: SetAside) -> tuple[str, str, str]:
    assert row.settled is not None  # it was accepted or dismissed
    return row.settled_by or "", micros_text(row.settled), row.settled_why or ""


def sent_number(ticks: Exact) -> float:
    """The number as it was sent, also one that is finer than what is kept."""
    return from_ticks(ticks) if isinstance(ticks, int) else float(ticks / TICKS)


def unknown_machine(machine: str, near: tuple[str, ...]) -> tuple[str, str, dict[str, Any]]:
    """The same for a machine that there is none of."""
    mend = f"did you mean {or_list(near)}? " if near else "put it at /v1/machines/ID, then send the reading again or accept it; "
    return f"no machine is called `{shorten(machine)}`.", mend + _OR_DISMISS.removeprefix("or "), {"near": list(near)}


def unknown_meter(meter: str, near: tuple[str, ...], known: tuple[str, ...], rulebook: str) -> tuple[str, str, dict[str, Any]]:
    """The same for a meter that the machine's rulebook does not declare."""
    there = f"did you mean {or_list(near)}? " if near else f"it declares {or_list(known[:20])}; " if known else ""
    text = f"the rulebook `{rulebook}` declares no meter `{shorten(meter)}`."
    return text, there + _OR_DISMISS.removeprefix("or "), {"near": list(near), "meters": list(known)}


def _point(point: Point | None, own: Unit, unit: str | None = None) -> dict[str, Any] | None:
    return None if point is None else {"value": from_ticks(point[1]), "unit": unit or own.name, "at": micros_text(point[0])}


def _told(point: Point | None, own: Unit, unit: str | None = None) -> str:
    return "" if point is None else f"{ticks_text(point[1])} {unit or own.name} at {micros_text(point[0])}"
