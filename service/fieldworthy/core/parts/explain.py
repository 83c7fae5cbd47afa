"""The steps of a parts list as reasons: codes and values for programs, sentences for people."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from fieldworthy.core.base.fit import Fit, Identity
from fieldworthy.core.base.quantity import Quantity, number_json, number_text
from fieldworthy.core.base.reason import Reason
from fieldworthy.core.parts.model import Part
from fieldworthy.core.parts.packs import Choice
from fieldworthy.core.parts.resolve import Link

_SUPPLY = {"model": "its model", "serial": "its serial number", "options": "its options"}


def amount_json(amount: Quantity) -> dict[str, Any]:
    """`{"value", "unit"}`, as every amount is on the wire."""
    return {"value": number_json(amount.value), "unit": amount.unit.name}


def said(amount: Quantity) -> str:
    """An amount in a sentence: `60 g`, `1 piece`, `2 pairs`."""
    if amount.unit.dimension != "count":
        return str(amount)
    return f"{number_text(amount.value)} {amount.unit.one if amount.value == 1 else amount.unit.many}"


def listed(words: Sequence[str], joint: str) -> str:
    """`a`, `a and b`, `a, b and c` (joint "and")."""
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + f" {joint} {words[-1]}"


def fit_words(fits: Iterable[Fit], spelling: Mapping[str, str]) -> str:
    """What is asked of a machine: "with net wrap, without crop cutter, of model R5, with a serial number from R5-0100 to R5-4999"."""
    words: list[str] = []
    for fit in fits:
        words += [f"with {spelling.get(o, o)}" for o in sorted(fit.options)]
        words += [f"without {spelling.get(o, o)}" for o in sorted(fit.not_options)]
        if fit.models:
            words.append("of model " + listed([spelling.get(m, m) for m in sorted(fit.models)], "or"))
        if fit.serials is not None:
            first, last = fit.serials.first, fit.serials.last
            ends = ([f"from {first}"] if first is not None else []) + ([f"to {last}"] if last is not None else [])
            words.append("with a serial number " + " ".join(ends))
    return ", ".join(dict.fromkeys(words))


def undecided_text(what: str, fits: Iterable[Fit], spelling: Mapping[str, str], supply: Sequence[str], machine: Identity) -> str:
    """Why it can't be decided whether `what` is for this machine."""
    unsaid = [_SUPPLY[s] for s in supply if s != "serial" or machine.serial is None]
    lacking = []
    if unsaid:
        lacking.append(f"the request does not say {listed(unsaid, 'and')}")
    if "serial" in supply and machine.serial is not None:
        lacking.append(f"the serial number {machine.serial} can't be compared with the range")
    return f"{what} is only for machines {fit_words(fits, spelling)}; {listed(lacking, 'and')}."


def left_out_text(what: str, fits: Iterable[Fit], spelling: Mapping[str, str]) -> str:
    """Why `what` is not for this machine."""
    return f"{what} is only for machines {fit_words(fits, spelling)}, and this one is not."


def needed(task: str, named: str, each: Quantity, times: int, amount: Quantity) -> Reason:
    """One task's need of one named part: amount = each x times, in the named part's own writing."""
    once = f"{task} uses {said(each)} of {named}"
    text = once + "." if times == 1 else f"{once} each time; {times} times make {said(amount)}."
    values = {"task": task, "part": named, "each": amount_json(each), "times": times, "amount": amount_json(amount)}
    return Reason("needed", text, values)


def replaced(link: Link) -> Reason:
    """One link of a chain of replacements."""
    since = "" if link.from_day is None else f" since {link.from_day.isoformat()}"
    values = {"part": link.old, "by": link.new, "from": None if link.from_day is None else link.from_day.isoformat()}
    return Reason("replaced", f"{link.old} is replaced by {link.new}{since}.", values)


def becomes(named: str, amount: Quantity, number: str, became: Quantity) -> Reason:
    """How much of the part in force an amount of a replaced number is."""
    values = {"part": named, "amount": amount_json(amount), "by": number, "becomes": amount_json(became)}
    return Reason("becomes", f"For {said(amount)} of {named}, take {said(became)} of {number}.", values)


def added_up(amount: Quantity) -> Reason:
    """The sum over several tasks or lines."""
    return Reason("added-up", f"Together that is {said(amount)}.", {"amount": amount_json(amount)})


def from_stock(used: Quantity, stock: Quantity) -> Reason:
    """What is taken from stock (used > 0), and what there is."""
    text = f"From stock: {said(used)}, all there is." if used.value == stock.value else f"From stock: {said(used)} of {said(stock)}."
    return Reason("from-stock", text, {"used": amount_json(used), "stock": amount_json(stock)})


def old_stock(old: Part, stock: Quantity) -> Reason:
    """Stock of a replaced number, which is not used."""
    values = {"part": old.number, "stock": amount_json(stock)}
    return Reason("stock-of-replaced-number", f"Not used from stock: {said(stock)} of {old.number}, a number that is replaced.", values)


def packs(sizes: Sequence[Quantity], choice: Choice, to_get: Quantity) -> Reason:
    """What the chosen packs hold and leave over."""
    taken = [f"{n} {'pack' if n == 1 else 'packs'} of {said(size)}" for size, n in zip(sizes, choice.counts, strict=True) if n]
    over = f"{said(choice.left_over)} over" if choice.left_over.value else "nothing over"
    values = {
        "to_get": amount_json(to_get),
        "packs": [{"pack": amount_json(s), "count": n} for s, n in zip(sizes, choice.counts, strict=True)],
        "left_over": amount_json(choice.left_over),
    }
    return Reason("packs", f"{said(to_get)} to get: {listed(taken, 'and')}, {over}.", values)


def nothing_to_get() -> Reason:
    """The stock is enough."""
    return Reason("nothing-to-get", "The stock is enough; nothing has to be got.", {})


def loose(to_get: Quantity) -> Reason:
    """An amount of a part that is sold in no pack."""
    return Reason("loose", f"{said(to_get)} to get, loose: it is sold in no pack.", {"to_get": amount_json(to_get)})


def or_else(numbers: Sequence[str]) -> Reason:
    """Parts that may be taken instead."""
    return Reason("or-else", f"{listed(numbers, 'or')} can be taken instead.", {"parts": list(numbers)})


def or_else_undecided(number: str, supply: Sequence[str]) -> Reason:
    """An alternative of which it is not known whether it fits."""
    words = listed([_SUPPLY[s] for s in supply], "and")
    values = {"part": number, "supply": list(supply)}
    return Reason(
        "or-else-undecided", f"Whether {number} can be taken instead is not known: it depends on the machine, on {words}.", values
    )
