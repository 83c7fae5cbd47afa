"""What done records and occurrences note of meters is judged beside the readings, where it is told when it was.

A wrong one (minutes sent as hours) would go into answers as a reading does, and the next good reading would make them unknown.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from fieldworthy.core.answer.reader import Reader
from fieldworthy.core.base.finding import Finding, pointer
from fieldworthy.core.base.micros import micros_text
from fieldworthy.core.base.names import key as key_of
from fieldworthy.core.base.quantity import Exact, Unit, convert, find_unit, read_amount, ticks_text, whole
from fieldworthy.core.meter import intake
from fieldworthy.core.meter.intake import Aside, Dial
from fieldworthy.core.meter.noted import Beside
from fieldworthy.core.rulebook.model import CheckedRulebook
from fieldworthy.usecases.aside_words import sent_number, words_of
from fieldworthy.usecases.kept import Kept, Machine
from fieldworthy.usecases.swaps import moment_of, swaps_of

Json = Mapping[str, Any]

NOTING = frozenset({"done", "occurrence"})
"""The kinds of the store whose bodies note meters."""

_TOLD_AS = {intake.LOOKS_LIKE["min"]: "min", intake.LOOKS_LIKE["s"]: "s"}


async def check_noted(
    kept: Kept, machine: Machine, book: CheckedRulebook, before: Mapping[str, Any], fresh: Sequence[tuple[str, Json, str]]
) -> Sequence[Finding]:
    """
    What can't be of the meters of records of a locked machine, with places.

    before: the bodies that stood under their ids; what a correction leaves as it was is not judged again. fresh: each id, body and place.
    Their names, times and units were read before.
    """
    told = []
    for id, body, place in fresh:
        at = _moment(body)
        former = before.get(id) or {}
        stood = former.get("meters") or {} if _moment(former) == at else {}
        for name, value in (body.get("meters") or {}).items():
            if at is not None and (name not in stood or stood[name] != value):
                told.append((key_of(name), at, value, place + pointer("meters", name)))
    if not told:
        return ()
    around = await kept.readings.around(machine.key, {(name, at) for name, at, _, _ in told})
    owns = {name: book.vocabulary.meters[name].unit for name, _, _, _ in told}
    swaps = await swaps_of(kept, [machine.key], {(machine.key, name): own for name, own in owns.items()}) if around else {}
    besides = {name: Beside(around.get(name, ()), Dial(swaps.get((machine.key, name), ()), own)) for name, own in owns.items()}
    reader = Reader(book)
    findings = []
    for name, at, value, path in told:
        own = owns[name]
        shown, unit = reader.ticks(value, own, path), unit_of(value, own)
        aside = besides[name].judge(at, shown, unit)
        if aside is not None:
            message, mend = _words(aside, at, whole(convert(shown, own, unit)), unit, own)
            findings.append(Finding("question.meter_contradicts", message, mend, path=path))
    return findings


def _moment(body: Json) -> int | None:
    return None if body.get("at") is None else moment_of(body["at"])


def unit_of(value: Any, own: Unit) -> Unit:
    """The unit in which a value of a meter is said."""
    unit: Unit | None = own
    if isinstance(value, str):
        amount = read_amount(value)
        unit = None if amount is None else amount.unit
    elif isinstance(value, Mapping) and value.get("unit") is not None:
        unit = find_unit(value["unit"])
    assert unit is not None  # it was read before
    return unit


def _words(aside: Aside, at: int, said: Exact, unit: Unit, own: Unit) -> tuple[str, str]:
    """What is wrong with a value, and how to mend it. said: [ticks of `unit`]."""
    text, _, _ = words_of(aside, (at, said, unit.name), own)
    message = text.removesuffix(".")
    if aside.why == intake.OUT_OF_RANGE:
        return message, "send what the dial showed"
    mend = "send what the dial showed then"
    if aside.why in _TOLD_AS:
        mend = f"send it with its unit, as `{sent_number(said):.15g} {_TOLD_AS[aside.why]}`"
    beside = " or ".join(f"{ticks_text(p[1])} {own.name} at {micros_text(p[0])}" for p in (aside.before, aside.after) if p is not None)
    return message, (
        f"{mend}; if the reading of {beside} is wrong, send the right one for its moment and accept it at /v1/set-aside first; "
        "if the meter was replaced, tell of that first"
    )
