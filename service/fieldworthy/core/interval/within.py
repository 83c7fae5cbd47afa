"""How soon something has to follow: an amount on a meter, or a length on the calendar, from the moment at which it was found necessary."""

from dataclasses import dataclass
from fractions import Fraction

from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import CALENDAR_UNITS, METER_UNITS, TICKS, Exact, Quantity, Unit, convert, number_text, whole
from fieldworthy.core.base.vocabulary import Meter, Vocabulary
from fieldworthy.core.interval.ast import Amount
from fieldworthy.core.interval.evaluate.slack import NO_DAYS, Days, on_calendar

LONGEST = 3660
"""Days on the calendar, a month counted as 30: about ten years."""


@dataclass(frozen=True, slots=True)
class Within:
    """text: as in `10 h`. meter: what it counts on, with its key and the amount [ticks of its unit]; None: it counts on the calendar."""

    text: str
    meter: Meter | None = None
    key: str = ""
    ticks: Exact = 0
    days: Days = NO_DAYS


@dataclass(frozen=True, slots=True)
class Misfit:
    """Why an amount can't say how soon, and how to mend it. of_meters: it is the declaration of meters that does not fit."""

    message: str
    mend: str
    of_meters: bool = False


def make_within(amount: Quantity, known: Vocabulary) -> Within | Misfit:
    """An amount made ready: on the meter that counts its unit, or on the calendar."""
    unit, value = amount.unit, amount.value
    words = unit.name if unit.dimension != "calendar" else unit.one if value == 1 else unit.many
    text = f"{number_text(value)} {words}"
    if unit.name not in METER_UNITS + CALENDAR_UNITS:
        return Misfit(f"`{unit.name}` is no unit of a meter or the calendar", "write an amount like `10 h` or `3 days`")
    if value <= 0:
        return Misfit("the amount is not above 0", "write how soon, as in `10 h`; or leave it out for what is due at once")
    if unit.dimension == "calendar":
        if value.denominator != 1:
            return Misfit(f"`{text}` is no whole number of {unit.many}", "write a whole number, or a smaller unit")
        days = on_calendar(Amount(Fraction(value), unit.name)) if value <= LONGEST else None
        if days is None or days.nominal > LONGEST:
            return Misfit(f"`{text}` is more than ten years", "write how soon, as in `3 days`")
        return Within(text, days=days)
    meter = known.default_meter(unit.dimension)
    if meter is None:
        return _no_meter(unit, known)
    return Within(text, meter, key(meter.name), whole(Fraction(convert(value, unit, meter.unit)) * TICKS))


def _no_meter(unit: Unit, known: Vocabulary) -> Misfit:
    fit = [f"`{m.name}`" for m in known.meters.values() if m.unit.dimension == unit.dimension]
    if fit:
        return Misfit(f"`{unit.name}` could be counted on {' or '.join(fit)}", "make one of them the default", of_meters=True)
    have = ", ".join(f"`{m.name}` ({m.unit.name})" for m in known.meters.values()) or "none"
    mend = f"declare one under `meters`, or use another unit; declared: {have}"
    return Misfit(f"no meter counts `{unit.name}`", mend, of_meters=True)
