"""Units and amounts, exact.

Every factor is a Fraction of the dimension's first unit. Chain of factors: UCUM `ucum-essence.xml` (in = 2.54 cm,
ft = 12 in, mi = 5280 ft, acre = 160 square rods of the US survey foot, US gallon = 231 cubic inches, imperial gallon = 4.54609 L,
lb = 0.45359237 kg, oz = lb/16, psi = lbf/in2).

Meter values are counted in *ticks*: millionths of the meter's own unit. A tick count is an `int` wherever the value has
at most six decimal places, and a `Fraction` where it has not (an interpolated value, a converted one): the same operators
work on both and both are exact, and whole numbers are ten times as fast.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType

Exact = int | Fraction

TICKS = 1_000_000


@dataclass(frozen=True, slots=True)
class Unit:
    """name: ours, the one written; one, many: its words in a sentence; factor, offset: value x factor + offset is in the base unit."""

    name: str
    dimension: str
    factor: Fraction
    ucum: str
    one: str
    many: str
    offset: Fraction = Fraction(0)
    also: tuple[str, ...] = ()


def _unit(name: str, dimension: str, factor: str | Fraction, ucum: str, one: str, many: str, *also: str, offset: str = "0") -> Unit:
    return Unit(name, dimension, Fraction(factor), ucum, one, many, Fraction(offset), also)


_IN3 = Fraction("2.54") ** 3 / 1000  # litres
_SURVEY_ROD = Fraction(33, 2) * Fraction(1200, 3937)  # metres
_PSI = Fraction("0.45359237") * Fraction("9.80665") / (Fraction("0.0254") ** 2) / 1000  # kPa
_LB = Fraction("0.45359237")

_ALL = (
    _unit("s", "time", Fraction(1, 3600), "s", "second", "seconds", "sec"),
    _unit("min", "time", Fraction(1, 60), "min", "minute", "minutes", "mins"),
    _unit("h", "time", "1", "h", "hour", "hours", "hr", "hrs"),
    _unit("day", "calendar", "1", "d", "day", "days", "d"),
    _unit("week", "calendar", "7", "wk", "week", "weeks", "wk"),
    _unit("month", "calendar", "30", "mo", "month", "months"),
    _unit("year", "calendar", "360", "a", "year", "years"),
    _unit("ha", "area", "1", "har", "hectare", "hectares"),
    _unit("m2", "area", Fraction(1, 10000), "m2", "square metre", "square metres"),
    _unit("acre", "area", 160 * _SURVEY_ROD**2 / 10000, "[acr_us]", "acre", "acres"),
    _unit("mm", "length", Fraction(1, 1000), "mm", "millimetre", "millimetres"),
    _unit("cm", "length", Fraction(1, 100), "cm", "centimetre", "centimetres"),
    _unit("m", "length", "1", "m", "metre", "metres"),
    _unit("km", "length", "1000", "km", "kilometre", "kilometres"),
    _unit("in", "length", "0.0254", "[in_i]", "inch", "inches"),
    _unit("ft", "length", "0.3048", "[ft_i]", "foot", "feet"),
    _unit("mile", "length", "1609.344", "[mi_i]", "mile", "miles", "mi"),
    _unit("mg", "mass", Fraction(1, 1000000), "mg", "milligram", "milligrams"),
    _unit("g", "mass", Fraction(1, 1000), "g", "gram", "grams"),
    _unit("kg", "mass", "1", "kg", "kilogram", "kilograms"),
    _unit("t", "mass", "1000", "t", "tonne", "tonnes"),
    _unit("oz", "mass", _LB / 16, "[oz_av]", "ounce", "ounces"),
    _unit("lb", "mass", _LB, "[lb_av]", "pound", "pounds", "lbs"),
    _unit("mL", "volume", Fraction(1, 1000), "mL", "millilitre", "millilitres", "milliliter", "milliliters"),
    _unit("L", "volume", "1", "L", "litre", "litres", "l", "liter", "liters"),
    _unit("m3", "volume", "1000", "m3", "cubic metre", "cubic metres"),
    _unit("qt", "volume", _IN3 * Fraction(231, 4), "[qt_us]", "US quart", "US quarts", "quart", "quarts"),
    _unit("gal_us", "volume", _IN3 * 231, "[gal_us]", "US gallon", "US gallons", "gal", "gallon", "gallons"),
    _unit("gal_uk", "volume", "4.54609", "[gal_br]", "UK gallon", "UK gallons"),
    _unit("bales", "bales", "1", "{bale}", "bale", "bales"),
    _unit("loads", "loads", "1", "{load}", "load", "loads"),
    _unit("cycles", "cycles", "1", "{cycle}", "cycle", "cycles"),
    _unit("each", "count", "1", "{piece}", "piece", "pieces"),
    _unit("pair", "count", "2", "{pair}", "pair", "pairs"),
    _unit("dozen", "count", "12", "{dozen}", "dozen", "dozen"),
    _unit("K", "temperature", "1", "K", "kelvin", "kelvin"),
    _unit("degC", "temperature", "1", "Cel", "degree Celsius", "degrees Celsius", "°C", offset="273.15"),
    _unit(
        "degF",
        "temperature",
        Fraction(5, 9),
        "[degF]",
        "degree Fahrenheit",
        "degrees Fahrenheit",
        "°F",
        offset=str(Fraction("459.67") * 5 / 9),
    ),
    _unit("kPa", "pressure", "1", "kPa", "kilopascal", "kilopascals"),
    _unit("bar", "pressure", "100", "bar", "bar", "bar"),
    _unit("psi", "pressure", _PSI, "[psi]", "pound per square inch", "pounds per square inch"),
    _unit("rpm", "rotation", "1", "{rev}/min", "revolution a minute", "revolutions a minute", "1/min"),
    _unit("km/h", "speed", "1", "km/h", "kilometre an hour", "kilometres an hour"),
    _unit("V", "voltage", "1", "V", "volt", "volts"),
    _unit("%", "share", Fraction(1, 100), "%", "per cent", "per cent"),
)

UNITS: Mapping[str, Unit] = MappingProxyType({u.name: u for u in _ALL})
METER_UNITS = ("h", "min", "ha", "acre", "km", "mile", "t", "kg", "L", "gal_us", "gal_uk", "bales", "loads", "cycles")
CALENDAR_UNITS = ("day", "week", "month", "year")
PART_UNITS = (
    "mm",
    "cm",
    "m",
    "in",
    "ft",
    "mg",
    "g",
    "kg",
    "t",
    "oz",
    "lb",
    "mL",
    "L",
    "m3",
    "qt",
    "gal_us",
    "gal_uk",
    "each",
    "pair",
    "dozen",
)


def _spellings() -> Mapping[str, Unit]:
    exact = {}
    for unit in _ALL:
        for word in (unit.name, unit.ucum, unit.one, unit.many, *unit.also):
            exact[word] = unit
    folded: dict[str, Unit] = {}
    for word, unit in exact.items():  # case decides nothing unless two units differ by case alone
        folded.setdefault(word.casefold(), unit)
    return MappingProxyType(folded | exact)


SPELLINGS: Mapping[str, Unit] = _spellings()


def find_unit(word: str) -> Unit | None:
    """The unit that a word names: ours, short or long, one or many, or its UCUM code; None where no unit does.

    Case decides nothing, but for a leading M: `ML` and `Mg` are not read as `mL` and `mg`, a thousand million times less.
    """
    unit = SPELLINGS.get(word)
    if unit is None and not (len(word) == 2 and word[0] == "M"):
        unit = SPELLINGS.get(word.casefold())
    return unit


def convert(value: Exact, frm: Unit, to: Unit) -> Exact:
    """`value` in `frm` as so many `to`, exact. Raises ValueError where the dimensions differ (or both are not the calendar's)."""
    if frm is to:
        return value
    if frm.dimension != to.dimension:
        raise ValueError(f"`{frm.name}` and `{to.name}` measure different things")
    return (Fraction(value) * frm.factor + frm.offset - to.offset) / to.factor


def exact(number: int | float | str) -> Fraction:
    """A number as it was written: 0.1 is a tenth. A float is read by its shortest decimal form (exact up to 15 digits)."""
    return Fraction(number) if isinstance(number, int) else Fraction(str(number))


def to_ticks(number: int | float | Fraction) -> Exact:
    """A meter value in its own unit as a count of ticks, an int wherever it is one."""
    if isinstance(number, float):
        near = round(number * TICKS)
        # the double nearest to near/10**6 is `number`: so near is what was written (for up to 15 digits)
        if near / TICKS == number and -(2**53) < near < 2**53:
            return near
        number = exact(number)
    ticks = number * TICKS
    return ticks if isinstance(ticks, int) else whole(ticks)


def whole(value: Exact) -> Exact:
    """The same value, an int where it is whole."""
    return value.numerator if value.denominator == 1 else value


def from_ticks(ticks: Exact) -> float:
    """A count of ticks as the JSON number that reads back as the same value (rounded to six places where it has more)."""
    return (ticks if type(ticks) is int else round(ticks)) / TICKS


def ticks_text(ticks: Exact) -> str:
    """A count of ticks in a sentence: 640, 712.4, at most six places."""
    n = ticks if type(ticks) is int else round(ticks)
    units, rest = divmod(n, TICKS)
    if not rest:
        return str(units)
    if 100 <= n < 10**15:
        return repr(n / TICKS)  # at most 15 digits and no exponent: the shortest text of the double is the decimal itself
    sign = "-" if n < 0 else ""
    n = abs(n)
    return f"{sign}{n // TICKS}." + f"{n % TICKS:06d}".rstrip("0")


def number_text(value: Exact, places: int = 6) -> str:
    """An exact number as a decimal text, rounded half to even at `places` where it does not end before."""
    scale = 10**places
    n = round(value * scale)
    sign = "-" if n < 0 else ""
    n = abs(n)
    tail = f"{n % scale:0{places}d}".rstrip("0")
    return f"{sign}{n // scale}" + (f".{tail}" if tail else "")


def number_json(value: Exact) -> int | float:
    """An exact number on the wire: an int where it is whole, else the nearest double (the decimal itself, up to 15 digits)."""
    return value.numerator if value.denominator == 1 else float(value)


@dataclass(frozen=True, slots=True)
class Quantity:
    """An exact value and its unit."""

    value: Exact
    unit: Unit

    def to(self, unit: Unit) -> "Quantity":
        """The same quantity in another unit of its dimension (ValueError otherwise)."""
        return Quantity(convert(self.value, self.unit, unit), unit)

    def __str__(self) -> str:
        return f"{number_text(self.value)} {self.unit.name}"


_AMOUNT = re.compile(r"\s*(-?[0-9]{1,15}(?:\.[0-9]{1,12})?)\s*([^\s\d][^\s]*)\s*\Z")


def read_amount(text: str) -> Quantity | None:
    """`6 h`, `150 g`, `2.5 L` as a quantity; None where the text is not a number and a known unit."""
    found = _AMOUNT.match(text) if len(text) <= 60 else None
    if found is None:
        return None
    unit = find_unit(found[2])
    return None if unit is None else Quantity(whole(Fraction(found[1])), unit)
