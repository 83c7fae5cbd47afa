"""Units and amounts: factors against outside sources, exactness, and how they are read and written."""

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldworthy.core.base.quantity import (
    CALENDAR_UNITS,
    METER_UNITS,
    PART_UNITS,
    SPELLINGS,
    TICKS,
    UNITS,
    Exact,
    Quantity,
    convert,
    exact,
    find_unit,
    from_ticks,
    number_json,
    number_text,
    read_amount,
    ticks_text,
    to_ticks,
    whole,
)

# UCUM ucum-essence.xml, ucum-org/ucum commit d060c6d3 (the chain: in = 2.54 cm, ft = 12 in, mi = 5280 ft, acre = 160 square rods
# of the US survey foot, US gallon = 231 in3, imperial gallon = 4.54609 L, lb = 7000 gr, oz = lb/16, psi = lbf/in2, bar = 1e5 Pa,
# are = 100 m2). Decimals with a mark are worked out from that chain and rounded to the digits shown.
UCUM = [
    ("acre", "m2", "4046.8726098743", True),
    ("gal_us", "L", "3.785411784", False),
    ("gal_uk", "L", "4.54609", False),
    ("qt", "L", "0.946352946", False),
    ("mile", "km", "1.609344", False),
    ("mile", "ft", "5280", False),
    ("ft", "in", "12", False),
    ("in", "cm", "2.54", False),
    ("lb", "kg", "0.45359237", False),
    ("lb", "oz", "16", False),
    ("oz", "g", "28.349523125", False),
    ("psi", "kPa", "6.894757293168", True),
    ("bar", "kPa", "100", False),
    ("ha", "m2", "10000", False),
    ("gal_us", "qt", "4", False),
    ("h", "min", "60", False),
    ("h", "s", "3600", False),
    ("t", "kg", "1000", False),
    ("kg", "mg", "1000000", False),
    ("m3", "L", "1000", False),
    ("L", "mL", "1000", False),
    ("km", "m", "1000", False),
    ("m", "mm", "1000", False),
    ("dozen", "each", "12", False),
    ("dozen", "pair", "6", False),
]

# www2.ucdsb.on.ca Conversion_Factors: rounded factors.
ROUNDED = [
    ("mile", "km", "1.609344"),
    ("gal_us", "L", "3.7854"),
    ("gal_uk", "L", "4.54609"),
    ("psi", "kPa", "6.894757"),
    ("oz", "g", "28.349523"),
    ("lb", "kg", "0.45359237"),
]


def rounded_to(value: Exact, decimal: str) -> Fraction:
    """`value` at as many places as `decimal` shows."""
    places = -int(Decimal(decimal).as_tuple().exponent)
    return round(Fraction(value), places)


@pytest.mark.parametrize(("frm", "to", "factor", "cut"), UCUM)
def test_factor_of_ucum(frm: str, to: str, factor: str, cut: bool) -> None:
    found = convert(1, UNITS[frm], UNITS[to])
    assert (rounded_to(found, factor) if cut else found) == Fraction(factor)


@pytest.mark.parametrize(("frm", "to", "factor"), ROUNDED)
def test_factor_of_a_school_table(frm: str, to: str, factor: str) -> None:
    assert rounded_to(convert(1, UNITS[frm], UNITS[to]), factor) == Fraction(factor)


def test_the_acre_is_the_survey_acre() -> None:
    """The trap: the acre of the international foot is 4046.8564224 m2. Ours is UCUM's `[acr_us]`, two millionths larger."""
    ours = Fraction(convert(1, UNITS["acre"], UNITS["m2"]))
    international = Fraction("0.3048") ** 2 * 43560
    assert international == Fraction("4046.8564224")
    assert ours == Fraction(1200, 3937) ** 2 * 43560  # 160 square rods of 16.5 survey feet
    assert ours != international
    assert abs(ours / international - 1) < Fraction(5, 10**6)
    assert rounded_to(convert(1, UNITS["acre"], UNITS["ha"]), "0.404687") == Fraction("0.404687")
    # 2471.0538 acre are 1000 ha, to a hundredth (worked out); with the international acre it would be 999.996
    assert abs(Fraction(convert(Fraction("2471.0538"), UNITS["acre"], UNITS["ha"])) - 1000) < Fraction(1, 100)


def test_200_psi() -> None:
    assert rounded_to(convert(200, UNITS["psi"], UNITS["kPa"]), "1378.951") == Fraction("1378.951")  # worked out from UCUM's chain


@pytest.mark.parametrize(
    ("frm", "value", "to", "wanted"),
    [
        ("degF", 32, "degC", 0),  # the fixed points of the scale
        ("degF", 212, "degC", 100),
        ("degC", -40, "degF", -40),
        ("degC", 0, "K", "273.15"),
        ("degF", "-459.67", "K", 0),
        ("K", 0, "degC", "-273.15"),
        ("degF", 50, "degC", 10),
    ],
)
def test_temperatures_have_an_offset(frm: str, value: int | str, to: str, wanted: int | str) -> None:
    assert convert(Fraction(value), UNITS[frm], UNITS[to]) == Fraction(wanted)


def test_across_dimensions_is_an_error() -> None:
    for frm, to in [("g", "mL"), ("h", "day"), ("ha", "m"), ("bales", "each"), ("loads", "cycles"), ("degC", "kPa")]:
        with pytest.raises(ValueError, match=f"`{frm}` and `{to}` measure different things"):
            convert(1, UNITS[frm], UNITS[to])


fractions = st.fractions(min_value=-(10**9), max_value=10**9, max_denominator=10**6)
units = st.sampled_from(sorted(UNITS))


@given(fractions, units, units)
def test_there_and_back_is_the_same(value: Fraction, frm: str, to: str) -> None:
    if UNITS[frm].dimension == UNITS[to].dimension:
        assert convert(convert(value, UNITS[frm], UNITS[to]), UNITS[to], UNITS[frm]) == value


@given(fractions, units, units, units)
def test_a_way_round_is_the_direct_way(value: Fraction, a: str, b: str, c: str) -> None:
    if UNITS[a].dimension == UNITS[b].dimension == UNITS[c].dimension:
        assert convert(convert(value, UNITS[a], UNITS[b]), UNITS[b], UNITS[c]) == convert(value, UNITS[a], UNITS[c])


# ISO 11783-11 data dictionary (AgIsoStack-plus-plus isobus_data_dictionary.cpp, commit 509a920c): raw x resolution.
@pytest.mark.parametrize(
    ("raw", "resolution", "frm", "to", "wanted"),
    [
        (1_080_000, "1", "s", "h", "300"),  # DDI 119
        (5400, "1", "s", "h", "1.5"),
        (1_250_000, "1", "m2", "ha", "125"),  # DDI 116
        (2_147_483_647, "1", "m2", "ha", "214748.3647"),  # DDI 271, the largest
        (6000, "0.05", "h", "h", "300"),  # DDI 215
        (3000, "0.1", "h", "h", "300"),  # DDI 493
        (1_500_000_000, "1", "mm", "km", "1500"),  # DDI 117
        (1_500_000, "1", "m", "km", "1500"),  # DDI 272
        (900_000, "1", "s", "h", "250"),  # DDI 282
    ],
)
def test_totals_of_the_machine_bus(raw: int, resolution: str, frm: str, to: str, wanted: str) -> None:
    assert convert(raw * Fraction(resolution), UNITS[frm], UNITS[to]) == Fraction(wanted)


# UCUM codes, same source.
@pytest.mark.parametrize(
    ("code", "name"),
    [
        ("h", "h"),
        ("d", "day"),
        ("wk", "week"),
        ("mo", "month"),
        ("a", "year"),
        ("har", "ha"),
        ("[acr_us]", "acre"),
        ("km", "km"),
        ("[mi_i]", "mile"),
        ("L", "L"),
        ("[gal_us]", "gal_us"),
        ("[gal_br]", "gal_uk"),
        ("bar", "bar"),
        ("kPa", "kPa"),
        ("[psi]", "psi"),
        ("Cel", "degC"),
        ("[degF]", "degF"),
        ("kg", "kg"),
        ("g", "g"),
        ("[oz_av]", "oz"),
        ("[lb_av]", "lb"),
        ("t", "t"),
        ("{rev}/min", "rpm"),
        ("{piece}", "each"),
        ("%", "%"),
    ],
)
def test_ucum_code(code: str, name: str) -> None:
    assert UNITS[name].ucum == code
    assert find_unit(code) is UNITS[name]


def test_no_two_units_share_a_word() -> None:
    owner: dict[str, str] = {}
    for unit in UNITS.values():
        for word in {unit.name, unit.ucum, unit.one, unit.many, *unit.also}:
            assert owner.setdefault(word, unit.name) == unit.name
            assert find_unit(word) is unit


def test_gal_is_the_us_gallon() -> None:
    assert find_unit("gal") is UNITS["gal_us"]


def test_months_are_no_minutes_and_metres_no_miles() -> None:
    assert find_unit("m") is UNITS["m"]
    assert find_unit("mo") is UNITS["month"]
    assert find_unit("min") is UNITS["min"]
    assert find_unit("nothing like it") is None
    assert find_unit("") is None


def test_the_lists_name_units_that_exist() -> None:
    for name in (*METER_UNITS, *CALENDAR_UNITS, *PART_UNITS):
        assert name in UNITS
    assert {UNITS[name].dimension for name in PART_UNITS} == {"length", "mass", "volume", "count"}
    assert {UNITS[name].dimension for name in CALENDAR_UNITS} == {"calendar"}
    assert set(SPELLINGS.values()) == set(UNITS.values())


def test_a_tenth_is_a_tenth() -> None:
    assert exact(0.1) == Fraction(1, 10)
    assert exact("0.1") == Fraction(1, 10)
    assert exact(3) == 3
    assert exact(1e-7) == Fraction(1, 10**7)
    assert 0.1 + 0.2 != 0.3  # which is why
    assert exact(0.1) + exact(0.2) == exact(0.3)


def test_a_megalitre_of_hundredths() -> None:
    assert convert(exact(1000000.0), UNITS["L"], UNITS["mL"]) == 10**9


@given(st.integers(-(10**15) + 1, 10**15 - 1))
def test_ticks_there_and_back(ticks: int) -> None:
    """Up to 15 digits, a double is read as the number that was written."""
    number = from_ticks(ticks)
    assert to_ticks(number) == ticks
    assert isinstance(to_ticks(number), int)


@given(st.decimals(min_value=-(10**8), max_value=10**8, places=6))
def test_a_decimal_is_read_as_it_was_written(number: Decimal) -> None:
    assert to_ticks(float(number)) == to_ticks(Fraction(number)) == Fraction(number) * TICKS


@given(st.integers(-(10**12), 10**12))
def test_whole_numbers_are_whole_ticks(number: int) -> None:
    assert to_ticks(number) == number * TICKS
    assert ticks_text(number * TICKS) == str(number)


def test_finer_than_a_tick_stays_exact() -> None:
    assert to_ticks(Fraction(1, 3)) == Fraction(TICKS, 3)
    assert to_ticks(0.0000001) == Fraction(1, 10)
    assert from_ticks(Fraction(TICKS, 3)) == 0.333333


@pytest.mark.parametrize(
    ("ticks", "text"),
    [(640_000_000, "640"), (712_400_000, "712.4"), (-500_000, "-0.5"), (1, "0.000001"), (Fraction(1, 3), "0"), (0, "0"), (-1, "-0.000001")],
)
def test_ticks_in_a_sentence(ticks: Exact, text: str) -> None:
    assert ticks_text(ticks) == text


@pytest.mark.parametrize(
    ("value", "text", "json"),
    [
        (Fraction(1, 3), "0.333333", 1 / 3),
        (Fraction(2, 3), "0.666667", 2 / 3),
        (Fraction("2.5"), "2.5", 2.5),
        (120, "120", 120),
        (Fraction(-1, 8), "-0.125", -0.125),
        (Fraction(1, 10**9), "0", 1e-9),
        (Fraction(-1, 10**9), "0", -1e-9),
        (Fraction("0.0000005"), "0", 0.0000005),  # half to even
        (Fraction("0.0000015"), "0.000002", 0.0000015),
    ],
)
def test_numbers_out(value: Exact, text: str, json: float) -> None:
    assert number_text(value) == text
    assert number_json(value) == json
    assert isinstance(number_json(value), int) == (value.denominator == 1)


@given(st.integers(-(10**15), 10**15))
def test_a_number_on_the_wire_reads_back(ticks: int) -> None:
    assert exact(number_json(Fraction(ticks, TICKS))) * TICKS == ticks
    assert Fraction(number_text(Fraction(ticks, TICKS))) * TICKS == ticks


def test_whole() -> None:
    assert isinstance(whole(Fraction(4, 2)), int)
    assert whole(Fraction(1, 2)) == Fraction(1, 2)
    assert whole(3) == 3


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("6 h", 6, "h"),
        ("6h", 6, "h"),
        ("150 g", 150, "g"),
        ("2.5 L", Fraction(5, 2), "L"),
        (" 0.1  kg ", Fraction(1, 10), "kg"),
        ("3 hours", 3, "h"),
        ("1 [gal_us]", 1, "gal_us"),
        ("10 %", 10, "%"),
        ("-5 degC", -5, "degC"),
        ("20 °C", 20, "degC"),
        ("1 dozen", 1, "dozen"),
        ("2 PAIRS", 2, "pair"),
    ],
)
def test_amounts_that_are_read(text: str, value: Exact, unit: str) -> None:
    assert read_amount(text) == Quantity(value, UNITS[unit])


@pytest.mark.parametrize(
    "text", ["", "6", "h", "h 6", "6 parsecs", "6 h 5 min", "1e3 g", "1,5 L", ".5 L", "+1 g", "0x10 g", "1" * 70 + " g", "NaN g"]
)
def test_amounts_that_are_not(text: str) -> None:
    assert read_amount(text) is None


@given(st.text(max_size=80))
def test_no_text_makes_reading_raise(text: str) -> None:
    found = read_amount(text)
    assert found is None or found.unit in UNITS.values()


@given(st.integers(0, 10**9), st.sampled_from(PART_UNITS))
def test_an_amount_reads_back_from_its_text(ticks: int, unit: str) -> None:
    quantity = Quantity(whole(Fraction(ticks, 1000)), UNITS[unit])
    assert read_amount(str(quantity)) == quantity
