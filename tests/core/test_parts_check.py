"""What a check of the declared parts finds, and what following replacements gives."""

from datetime import date
from fractions import Fraction

import pytest

from fieldworthy.core.base.finding import Severity
from fieldworthy.core.base.fit import Fit, Identity, Serials
from fieldworthy.core.base.quantity import UNITS, Quantity, read_amount
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.parts.check import MAX_CHAIN, check_lines, check_parts
from fieldworthy.core.parts.model import Line, Part, Replacement
from fieldworthy.core.parts.packs import MAX_SAVINGS, choose_packs, measure
from fieldworthy.core.parts.resolve import Link, Shelf

DAY = date(2026, 7, 14)


def amount(text: str) -> Quantity:
    found = read_amount(text)
    assert found is not None
    return found


def part(number: str, unit: str = "each", packs: str = "", by: str = "", **more: object) -> Part:
    """packs: "400 g, 18 kg"; by: "B, C = 2 each"."""
    replaced = []
    for one in filter(None, by.split(", ")):
        name, _, much = one.partition(" = ")
        replaced.append(Replacement(name, amount(much) if much else None))
    sizes = tuple(amount(p) for p in packs.split(", ") if p)
    return Part(number, f"part {number}", UNITS[unit], sizes, tuple(replaced), **more)  # type: ignore[arg-type]


def checked(*parts: Part) -> list[tuple[str, str]]:
    findings = check_parts({p.number: p for p in parts})
    for finding in findings:
        assert finding.mend
        assert not finding.message.endswith(".")
        assert finding.message[0] == "`" or finding.message[0].islower()
        for internal in ("Part(", "Quantity", "Fraction", "Finding"):
            assert internal not in finding.message + finding.mend
    return [(f.code, f.path) for f in findings]


SOUND = (
    part("A", by="B, C = 2 pair", from_day=date(2025, 1, 1)),
    part("B", packs="1 each, 1 dozen", or_else=("C",)),
    part("C", only_with=Fit(models=frozenset({"r5"}))),
    part("G", "g", "400 g, 18 kg, 1 lb, 14 oz"),
)


def test_sound_parts_have_no_finding() -> None:
    assert checked(*SOUND) == []


@pytest.mark.parametrize(
    ("parts", "found"),
    [
        pytest.param([part("A", by="A")], [("parts.loop", "/parts/A/replaced_by")], id="a number that replaces itself"),
        pytest.param([part("A", by="B"), part("B", by="A")], [("parts.loop", "/parts/A/replaced_by")], id="two that replace each other"),
        pytest.param(
            [part("A", by="B"), part("B", by="C"), part("C", by="D"), part("D", by="B")],
            [("parts.loop", "/parts/B/replaced_by")],
            id="a way into a loop is not part of it",
        ),
        pytest.param(
            [part("A", by="B, C"), part("B", by="A"), part("C"), part("X", by="Y"), part("Y", by="X")],
            [("parts.loop", "/parts/A/replaced_by"), ("parts.loop", "/parts/X/replaced_by")],
            id="every loop is found",
        ),
        pytest.param([part("A", by="B, C"), part("B", by="D"), part("C", by="D"), part("D")], [], id="two ways to one part are no loop"),
        pytest.param([part("A", by="Q")], [("parts.unknown_part", "/parts/A/replaced_by/0")], id="unknown successor"),
        pytest.param(
            [part("A", by="Q = 2 each")], [("parts.unknown_part", "/parts/A/replaced_by/0/part")], id="unknown successor, in a mapping"
        ),
        pytest.param([part("A", or_else=("Q",))], [("parts.unknown_part", "/parts/A/or_else/0")], id="unknown alternative"),
        pytest.param([part("A", or_else=("a",))], [("parts.own_alternative", "/parts/A/or_else/0")], id="its own alternative"),
        pytest.param(
            [part("A", by="B, b"), part("B")], [("parts.replaced_twice", "/parts/A/replaced_by/1")], id="twice the same successor"
        ),
        pytest.param([part("A", by="B"), part("B", "g")], [("parts.other_dimension", "/parts/A/replaced_by/0")], id="pieces become grams"),
        pytest.param([part("A", by="B = 5 g"), part("B", "g")], [], id="pieces become grams, with an amount"),
        pytest.param(
            [part("A", by="B = 5 mL"), part("B", "g")],
            [("parts.other_dimension", "/parts/A/replaced_by/0/amount")],
            id="amount of another dimension",
        ),
        pytest.param(
            [part("A", by="B = 0 g"), part("B", "g")], [("parts.not_above_zero", "/parts/A/replaced_by/0/amount")], id="nothing of it"
        ),
        pytest.param(
            [part("A", or_else=("B",)), part("B", "g")], [("parts.other_dimension", "/parts/A/or_else/0")], id="alternative in grams"
        ),
        pytest.param([part("A", "h")], [("parts.unit", "/parts/A/unit")], id="hours of a part"),
        pytest.param([part("A", "g", "1 L")], [("parts.other_dimension", "/parts/A/packs/0")], id="a pack of another dimension"),
        pytest.param([part("A", "g", "0 g, -1 g")], [("parts.not_above_zero", f"/parts/A/packs/{i}") for i in (0, 1)], id="empty packs"),
        pytest.param([part("A", "g", "1 kg, 1000 g")], [("parts.same_pack", "/parts/A/packs/1")], id="the same pack in two units"),
        pytest.param([part("A", "g", ", ".join(f"{n} g" for n in range(1, 9)))], [], id="eight sizes"),
        pytest.param(
            [part("A", "g", ", ".join(f"{n} g" for n in range(1, 10)))], [("parts.too_many_packs", "/parts/A/packs")], id="nine sizes"
        ),
        pytest.param(
            [part("A", "kg", "1 kg, 0.999999999 kg, 0.999999997 kg")],
            [("parts.packs_too_close", "/parts/A/packs")],
            id="odd and close sizes",
        ),
        pytest.param([part("A"), part("a")], [("parts.same_number", "/parts/a")], id="two numbers that differ by case"),
        pytest.param([part("A", from_day=DAY)], [("parts.from_without_replaced_by", "/parts/A/from")], id="a day of nothing"),
        pytest.param([part("A/1", by="~")], [("parts.unknown_part", "/parts/A~11/replaced_by/0")], id="a number with a stroke in the path"),
    ],
)
def test_findings(parts: list[Part], found: list[tuple[str, str]]) -> None:
    assert checked(*parts) == found


def test_a_day_of_nothing_is_only_a_warning() -> None:
    (finding,) = check_parts({"A": part("A", from_day=DAY)})
    assert finding.severity is Severity.WARNING


def test_the_loop_is_told_in_order() -> None:
    parts = [part("A", by="B"), part("B", by="C"), part("C", by="A")]
    (finding,) = check_parts({p.number: p for p in parts})
    assert finding.message == "`A` is replaced by `B`, that by `C`, that by `A`"


def test_unknown_names_come_with_the_nearest() -> None:
    (finding,) = check_parts({"PL-1180": part("PL-1180", by="PL-1811"), "PL-1181": part("PL-1181")})
    assert finding.mend.startswith("did you mean `PL-1181`")


def chain(length: int) -> dict[str, Part]:
    return {f"N{i}": part(f"N{i}", by=f"N{i + 1}" if i < length else "") for i in range(length + 1)}


def test_a_chain_may_be_so_long_and_no_longer() -> None:
    assert check_parts(chain(MAX_CHAIN)) == []
    assert [(f.code, f.path) for f in check_parts(chain(MAX_CHAIN + 1))] == [("parts.chain_too_long", "/parts/N0/replaced_by")]


def test_a_very_long_chain_and_a_very_long_loop_are_findings_not_a_crash() -> None:
    assert {f.code for f in check_parts(chain(5000))} == {"parts.chain_too_long"}
    loop = chain(5000)
    loop["N5000"] = part("N5000", by="N0")
    assert [f.code for f in check_parts(loop)] == ["parts.loop"]


def test_lines() -> None:
    parts = {p.number: p for p in SOUND}
    lines = [Line("g", amount("1 kg")), Line("Q", amount("1 g")), Line("G", amount("1 L")), Line("G", amount("0 g"))]
    assert [(f.code, f.path) for f in check_lines(lines, parts, "tasks", "oil", "uses")] == [
        ("parts.unknown_part", "/tasks/oil/uses/1/part"),
        ("parts.other_dimension", "/tasks/oil/uses/2/amount"),
        ("parts.not_above_zero", "/tasks/oil/uses/3/amount"),
    ]


def shelf(*parts: Part, on: date = DAY, machine: Identity | None = None) -> Shelf:
    declared = {p.number: p for p in parts}
    assert [f for f in check_parts(declared) if f.severity is Severity.ERROR] == []
    return Shelf(declared, on, machine or Identity())


def test_a_replacement_without_a_day_always_holds() -> None:
    (found,) = shelf(part("A", by="B"), part("B")).in_force("a")
    assert (found.part.number, found.per_unit, found.fits, found.links) == ("B", 1, Truth.YES, (Link("A", "B", None),))


def test_the_same_amount_is_the_same_in_the_new_unit() -> None:
    (found,) = shelf(part("A", "dozen", by="B"), part("B", "pair")).in_force("A")
    assert found.per_unit == 6
    (found,) = shelf(part("A", "gal_us", by="B"), part("B", "L")).in_force("A")
    assert found.per_unit == Fraction("3.785411784")  # UCUM: 231 cubic inches


R5, LATE = Fit(models=frozenset({"r5"})), Fit(serials=Serials("S-500", None))


@pytest.mark.parametrize(
    ("machine", "fits", "supply", "stands"),
    [
        (Identity(model="R5", serial="S-500"), Truth.YES, (), "B"),
        (Identity(serial="S-500"), Truth.UNKNOWN, ("model",), "B"),  # the replaced number's own condition counts as well
        (Identity(model="R5"), Truth.UNKNOWN, ("serial",), "B"),
        (Identity(), Truth.UNKNOWN, ("model", "serial"), "B"),
        (Identity(serial="S-499"), Truth.NO, (), "B"),  # a NO decides
        (Identity(model="R7"), Truth.NO, (), "A"),
    ],
)
def test_every_number_on_the_way_must_fit(machine: Identity, fits: Truth, supply: tuple[str, ...], stands: str) -> None:
    (found,) = shelf(part("A", by="B", only_with=R5), part("B", only_with=LATE), machine=machine).in_force("A")
    assert (found.fits, found.supply, found.part.number) == (fits, supply, stands)


def test_a_ladder_of_kits_does_not_take_for_ever() -> None:
    """Two ways on each of 40 rungs are 2**40 ways; the amounts still come out, exact."""
    rungs = [part(f"L{i}", by=f"L{i + 1}, M{i + 1}") for i in range(40)] + [part("L40")]
    sides = [part(f"M{i}", by=f"L{i + 1}, M{i + 1}") for i in range(1, 40)] + [part("M40")]
    found = shelf(*rungs, *sides).in_force("L0")
    assert {leaf.part.number: leaf.per_unit for leaf in found} == {"L40": 2**39, "M40": 2**39}


def test_packs_that_are_too_close_are_refused_before_they_can_take_long() -> None:
    sizes = [amount("1 kg"), amount("0.999999999 kg"), amount("0.999999997 kg")]
    assert measure(sizes) > MAX_SAVINGS
    with pytest.raises(ValueError, match="too close"):
        choose_packs(Quantity(Fraction("100000.0001234567"), UNITS["kg"]), sizes)


@pytest.mark.parametrize("sizes", [[], ["1 g"] * 2, ["0 g"], ["-1 g"], [f"{n} g" for n in range(1, 10)]])
def test_sizes_that_no_checked_part_has(sizes: list[str]) -> None:
    with pytest.raises(ValueError):
        choose_packs(amount("5 g"), [amount(s) for s in sizes])


def test_packs_of_another_dimension() -> None:
    with pytest.raises(ValueError, match="different things"):
        choose_packs(amount("5 g"), [amount("1 L")])


@pytest.mark.timeout(5)
def test_huge_amounts_are_quick() -> None:
    """A thousand million grams, and more atoms than there are in a machine: no loop runs over the amount."""
    found = choose_packs(amount("1000000000 g"), [amount("3 g"), amount("7 g")])
    assert found.counts == (0, 142857143)
    huge = Quantity(10**30 + 1, UNITS["g"])
    found = choose_packs(huge, [amount("7 g"), amount("3 g")])
    assert found.packs == -(-huge.value // 7)
    assert found.left_over.value < 7
