"""What is wrong with the parts that a rulebook declares, and with the lines of its tasks. All findings, in the order of declaration.

Which options and models an `only_with` may name is checked where those are declared, not here.
"""

from collections.abc import Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from fractions import Fraction

from fieldworthy.core.base.finding import MOST_ERRORS, Finding, Severity, did_you_mean, pointer
from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import PART_UNITS, Quantity
from fieldworthy.core.parts.model import Line, Part
from fieldworthy.core.parts.packs import MAX_SIZES, too_close

MAX_CHAIN = 50

_DECLARE = "declare it under `parts`"


def check_parts(parts: Mapping[str, Part], unclear: AbstractSet[str] = frozenset()) -> list[Finding]:
    """
    Every finding of these parts (by number, as declared).

    unclear: `names.key` of parts whose unit could not be understood; nothing is said of the dimensions of those.

    Paths are JSON Pointers from the document's root: "/parts/PL-1180/replaced_by/0" (with "/part" or "/amount" behind it
    where the replacement has an amount of its own).
    """
    by_key: dict[str, Part] = {}
    findings: list[Finding] = []
    for number, part in parts.items():
        first = by_key.setdefault(key(number), part)
        if first is not part:
            findings.append(
                Finding(
                    "parts.same_number",
                    f"`{number}` and `{first.number}` are the same number: case does not distinguish them",
                    "give one of them another number, or leave it out",
                    path=pointer("parts", number),
                )
            )
    loops = _loops(by_key)
    lengths = _chain_lengths(by_key, loops)
    for number, part in parts.items():
        findings += _check_unit(part)
        findings += _check_packs(part, unclear)
        findings += _check_replaced(part, by_key, unclear)
        if number in loops:
            findings.append(_loop_finding(loops[number]))
        elif lengths.get(key(number), 0) > MAX_CHAIN:
            findings.append(
                Finding(
                    "parts.chain_too_long",
                    f"`{number}` is replaced more than {MAX_CHAIN} times in a row",
                    "let the older numbers name the part that is in force now",
                    path=pointer("parts", number, "replaced_by"),
                )
            )
        findings += _check_or_else(part, by_key, unclear)
        if len(findings) >= MOST_ERRORS:
            break  # nobody is told of more
    return findings


def check_lines(
    lines: Sequence[Line],
    parts: Mapping[str, Part],
    *where: str | int,
    at: Sequence[int] | None = None,
    unclear: AbstractSet[str] = frozenset(),
    by_key: Mapping[str, Part] | None = None,
) -> list[Finding]:
    """
    Every finding of the lines that stand at `where` in the document ("tasks", "chain-oil", "uses").

    at: the place of each line there, where not all of them could be read. unclear: as in `check_parts`. by_key: the parts by `names.key`,
    where the caller asks for many tasks and has them.
    """
    by_key = keyed(parts) if by_key is None else by_key
    findings: list[Finding] = []
    for i, line in zip(range(len(lines)) if at is None else at, lines, strict=True):
        part = by_key.get(key(line.part))
        if part is None:
            findings.append(_unknown(line.part, by_key, pointer(*where, i, "part")))
        elif _differs(line.amount, part, unclear):
            findings.append(_other_dimension(line.amount, part, pointer(*where, i, "amount")))
        if line.amount.value <= 0:
            findings.append(_not_above_zero(line.amount, "an amount", pointer(*where, i, "amount")))
    return findings


def keyed(parts: Mapping[str, Part]) -> dict[str, Part]:
    """The parts by `names.key` of their numbers."""
    return {key(number): part for number, part in parts.items()}


def _differs(amount: Quantity, part: Part, unclear: AbstractSet[str]) -> bool:
    return key(part.number) not in unclear and amount.unit.dimension != part.unit.dimension


def _check_unit(part: Part) -> Iterator[Finding]:
    if part.unit.name not in PART_UNITS:
        yield Finding(
            "parts.unit",
            f"`{part.number}` is counted in `{part.unit.name}`, which is no unit of parts",
            "take one of " + ", ".join(f"`{u}`" for u in PART_UNITS),
            path=pointer("parts", part.number, "unit"),
        )


def _check_packs(part: Part, unclear: AbstractSet[str]) -> Iterator[Finding]:
    path = pointer("parts", part.number, "packs")
    if len(part.packs) > MAX_SIZES:
        yield Finding(
            "parts.too_many_packs", f"`{part.number}` has {len(part.packs)} pack sizes", f"keep at most {MAX_SIZES} of them", path=path
        )
    seen: dict[Fraction, Quantity] = {}
    for i, pack in enumerate(part.packs):
        here = pointer("parts", part.number, "packs", i)
        if pack.unit.dimension != part.unit.dimension:
            if _differs(pack, part, unclear):
                yield _other_dimension(pack, part, here)
            continue
        if pack.value <= 0:
            yield _not_above_zero(pack, "a pack", here)
            continue
        size = Fraction(pack.to(part.unit).value)
        if size in seen:
            yield Finding("parts.same_pack", f"`{pack}` is the same size as `{seen[size]}`", "name each pack size once", path=here)
        seen.setdefault(size, pack)
    near = too_close(list(seen.values())) if len(seen) <= MAX_SIZES else None
    if near is not None:
        yield Finding(
            "parts.packs_too_close",
            f"the pack sizes of `{part.number}` are too many, too close to each other and too odd to choose from exactly",
            f"write them in rounder numbers, or leave out `{near[0]}` or `{near[1]}`",
            path=path,
        )


def _check_replaced(part: Part, by_key: Mapping[str, Part], unclear: AbstractSet[str]) -> Iterator[Finding]:
    seen: set[str] = set()
    for i, replacement in enumerate(part.replaced_by):
        here: tuple[str | int, ...] = ("parts", part.number, "replaced_by", i)
        name_at = pointer(*here) if replacement.amount is None else pointer(*here, "part")
        if key(replacement.part) in seen:
            yield Finding(
                "parts.replaced_twice",
                f"`{replacement.part}` stands twice among what replaces `{part.number}`",
                "name it once, with the amount of it: `{part, amount}`",
                path=name_at,
            )
        seen.add(key(replacement.part))
        successor = by_key.get(key(replacement.part))
        if replacement.amount is not None and replacement.amount.value <= 0:
            yield _not_above_zero(replacement.amount, "an amount", pointer(*here, "amount"))
        if successor is None:
            yield _unknown(replacement.part, by_key, name_at)
        elif replacement.amount is not None:
            if _differs(replacement.amount, successor, unclear):
                yield _other_dimension(replacement.amount, successor, pointer(*here, "amount"))
        elif unclear.isdisjoint((key(part.number), key(successor.number))) and part.unit.dimension != successor.unit.dimension:
            yield Finding(
                "parts.other_dimension",
                f"`{part.number}` is counted in `{part.unit.name}` and `{successor.number}`, which replaces it, in `{successor.unit.name}`",
                f"write how much replaces one `{part.unit.name}`: `{{part: {successor.number}, amount: … {successor.unit.name}}}`",
                path=name_at,
            )
    if part.from_day is not None and not part.replaced_by:
        yield Finding(
            "parts.from_without_replaced_by",
            f"`from` of `{part.number}` says nothing: no part replaces it",
            "name what replaces it under `replaced_by`, or leave `from` out",
            Severity.WARNING,
            path=pointer("parts", part.number, "from"),
        )


def _check_or_else(part: Part, by_key: Mapping[str, Part], unclear: AbstractSet[str]) -> Iterator[Finding]:
    for i, number in enumerate(part.or_else):
        here = pointer("parts", part.number, "or_else", i)
        other = by_key.get(key(number))
        if other is None:
            yield _unknown(number, by_key, here)
        elif key(number) == key(part.number):
            yield Finding("parts.own_alternative", f"`{number}` is named as an alternative to itself", "leave it out", path=here)
        elif unclear.isdisjoint((key(part.number), key(other.number))) and other.unit.dimension != part.unit.dimension:
            yield Finding(
                "parts.other_dimension",
                f"`{part.number}` is counted in `{part.unit.name}` and its alternative `{other.number}` in `{other.unit.name}`",
                "count both in units of one dimension",
                path=here,
            )


def _unknown(number: str, by_key: Mapping[str, Part], path: str) -> Finding:
    known = [part.number for part in by_key.values()]
    return Finding("parts.unknown_part", f"no part has the number `{number}`", did_you_mean(number, known, _DECLARE), path=path)


def _other_dimension(amount: Quantity, part: Part, path: str) -> Finding:
    return Finding(
        "parts.other_dimension",
        f"`{amount}` can't be converted to `{part.unit.name}`, the unit of `{part.number}`",
        f"write it in a unit of {part.unit.dimension}, as `{part.unit.name}` is",
        path=path,
    )


def _not_above_zero(amount: Quantity, what: str, path: str) -> Finding:
    return Finding("parts.not_above_zero", f"{what} of `{amount}` holds nothing", "write an amount above 0", path=path)


def _successors(part: Part, by_key: Mapping[str, Part]) -> list[Part]:
    found = (by_key.get(key(r.part)) for r in part.replaced_by)
    return [p for p in found if p is not None]


def _loops(by_key: Mapping[str, Part]) -> dict[str, list[str]]:
    """Every loop that a walk along `replaced_by` closes, by the number that it is reported at: its numbers in order.

    A walk of its own, not a recursion: a document may hold thousands of numbers in a row.
    """
    done: set[str] = set()
    loops: dict[str, list[str]] = {}
    for start in by_key.values():
        if start.number in done:
            continue
        trail = [start]
        on_trail = {start.number}
        todo = [iter(_successors(start, by_key))]
        while todo:
            successor = next(todo[-1], None)
            if successor is None:
                todo.pop()
                left = trail.pop()
                on_trail.discard(left.number)
                done.add(left.number)
            elif successor.number in on_trail:
                numbers = [part.number for part in trail]
                loops.setdefault(successor.number, numbers[numbers.index(successor.number) :])
            elif successor.number not in done:
                trail.append(successor)
                on_trail.add(successor.number)
                todo.append(iter(_successors(successor, by_key)))
    return loops


def _loop_finding(numbers: list[str]) -> Finding:
    shown = [*numbers, numbers[0]] if len(numbers) <= 6 else [*numbers[:3], "…", numbers[-1], numbers[0]]
    chain = f"`{shown[0]}` is replaced by " + ", that by ".join(f"`{n}`" for n in shown[1:])
    return Finding("parts.loop", chain, "leave out the `replaced_by` that leads back", path=pointer("parts", numbers[0], "replaced_by"))


def _chain_lengths(by_key: Mapping[str, Part], loops: Mapping[str, list[str]]) -> dict[str, int]:
    """How many replacements follow on each number at most, by key; none where there are loops (they are mended first)."""
    if loops:
        return {}
    lengths: dict[str, int] = {}
    for start in by_key:
        todo = [start]
        while todo:
            at = todo[-1]
            after = [key(p.number) for p in _successors(by_key[at], by_key)]
            waiting = [k for k in after if k not in lengths]
            if at in lengths or not waiting:
                lengths.setdefault(at, 1 + max((lengths[k] for k in after), default=-1))
                todo.pop()
            else:
                todo += waiting
    return lengths
