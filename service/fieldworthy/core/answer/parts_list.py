"""What to take along: the parts list for some tasks on one machine on one day.

What does not fit the machine is left out and said so; what can't be decided, because the request does not say enough of
the machine, is no line but an undecided one, with what to supply. Nothing is guessed.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction
from typing import Any

from fieldworthy.core.base.finding import Finding, Refused, did_you_mean, pointer
from fieldworthy.core.base.fit import Fit, Fitting, Identity, judge_fit
from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import Quantity, whole
from fieldworthy.core.base.reason import Reason
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.parts import explain
from fieldworthy.core.parts.model import Line, Part
from fieldworthy.core.parts.packs import Choice, choose_packs
from fieldworthy.core.parts.resolve import InForce, Link, Shelf
from fieldworthy.core.rulebook.model import CheckedRulebook, Task


@dataclass(frozen=True, slots=True)
class TaskCount:
    """A task, and how many times it is done: a whole number above 0."""

    task: str
    times: int = 1


@dataclass(frozen=True, slots=True)
class Stock:
    """What there is of a part; >= 0, in its dimension."""

    part: str
    amount: Quantity


@dataclass(frozen=True, slots=True)
class PartsQuestion:
    """The parts for `tasks` on `machine` on the day `on`; stock is used first."""

    on: date
    machine: Identity
    tasks: tuple[TaskCount, ...]
    stock: tuple[Stock, ...] = ()


@dataclass(frozen=True, slots=True)
class PartLine:
    """One part to take. Amounts are in the part's unit; choice: None where it is sold in no pack (loose)."""

    part: Part
    amount: Quantity
    used_stock: Quantity
    to_get: Quantity
    choice: Choice | None
    or_else: tuple[str, ...]
    tasks: tuple[str, ...]
    because: tuple[Reason, ...]

    def to_json(self) -> dict[str, Any]:
        counts = () if self.choice is None else self.choice.counts
        return {
            "part": self.part.number,
            "title": self.part.title,
            "amount": explain.amount_json(self.amount),
            "from_stock": explain.amount_json(self.used_stock),
            "to_get": explain.amount_json(self.to_get),
            "packs": [{"pack": explain.amount_json(p), "count": n} for p, n in zip(self.part.packs, counts, strict=True)],
            "loose": self.choice is None,
            "or_else": list(self.or_else),
            "for": list(self.tasks),
            "because": [_reason_json(r) for r in self.because],
        }


@dataclass(frozen=True, slots=True)
class Open:
    """A task or a part (the other is None) that may be for this machine, and what would decide it."""

    task: str | None
    part: Part | None
    amount: Quantity | None
    tasks: tuple[str, ...]
    why: str
    supply: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        return {
            "task": self.task,
            "part": None if self.part is None else self.part.number,
            "amount": None if self.amount is None else explain.amount_json(self.amount),
            "for": list(self.tasks),
            "why": self.why,
            "supply": list(self.supply),
        }


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A task that was asked for, or a part of one, that is not for this machine."""

    task: str
    part: str | None
    why: str

    def to_json(self) -> dict[str, Any]:
        return {"task": self.task, "part": self.part, "why": self.why}


@dataclass(frozen=True, slots=True)
class PartsAnswer:
    """
    tools: those of the tasks that surely fit, each once. minutes: None where one of them, or an undecided one, does not say;
    minutes_at_least: those that are known.
    """

    lines: tuple[PartLine, ...]
    undecided: tuple[Open, ...]
    left_out: tuple[LeftOut, ...]
    tools: tuple[str, ...]
    minutes: int | None
    minutes_at_least: int

    def to_json(self) -> dict[str, Any]:
        """The wire form of `POST /v1/parts`, without `rulebook`."""
        return {
            "lines": [line.to_json() for line in self.lines],
            "undecided": [one.to_json() for one in self.undecided],
            "left_out": [one.to_json() for one in self.left_out],
            "tools": list(self.tools),
            "minutes": self.minutes,
            "minutes_at_least": self.minutes_at_least,
        }


@dataclass(slots=True)
class _Need:
    """What has been gathered of one part in force: the sum, exact, in its unit, and how it came about."""

    part: Part
    amount: Fraction = Fraction(0)
    tasks: dict[str, None] = field(default_factory=dict)
    reasons: list[Reason] = field(default_factory=list)
    links: dict[Link, None] = field(default_factory=dict)
    entries: int = 0
    fits: dict[Fit, None] = field(default_factory=dict)


def answer_parts(book: CheckedRulebook, question: PartsQuestion) -> PartsAnswer:
    """
    The parts list. Raises Refused for names that the rulebook does not declare, a machine that it is not for, `times`
    below 1, and stock that is negative or of another dimension; all findings at once, with paths into the request.
    """
    shelf = Shelf(book.parts, question.on, question.machine)
    findings = _refusals(book, question, shelf)
    if findings:
        raise Refused(findings)
    gathering = _Gathering(book, question, shelf)
    for asked in question.tasks:
        gathering.add_task(book.tasks[key(asked.task)], asked.times)
    return gathering.answer()


class _Gathering:
    """One walk over the asked tasks."""

    def __init__(self, book: CheckedRulebook, question: PartsQuestion, shelf: Shelf) -> None:
        self.question = question
        self.shelf = shelf
        self.spelling: Mapping[str, str] = {**book.options, **book.models}
        self.book_fit = (book.applies_to, judge_fit(book.applies_to, question.machine))
        self.needs: dict[str, _Need] = {}
        self.open_parts: dict[tuple[str, tuple[str, ...]], _Need] = {}
        self.open_tasks: dict[str, Open] = {}
        self.left_out: dict[LeftOut, None] = {}
        self.tools: dict[str, str] = {}
        self.minutes = 0
        self.minutes_known = True
        self.stock: dict[str, Fraction] = {}
        for one in question.stock:
            part = shelf.find(one.part)
            if part is not None:
                held = self.stock.get(part.number, Fraction(0))
                self.stock[part.number] = held + Fraction(one.amount.to(part.unit).value)

    def add_task(self, task: Task, times: int) -> None:
        own = (task.only_with, judge_fit(task.only_with, self.question.machine))
        fits, supply, undecided = _together([self.book_fit, own])
        if fits is Truth.NO:
            refused = [f for f, fitting in (self.book_fit, own) if f is not None and fitting.fits is Truth.NO]
            self.left_out[LeftOut(task.name, None, explain.left_out_text(task.name, refused, self.spelling))] = None
            return
        if fits is Truth.UNKNOWN:
            why = explain.undecided_text(task.name, undecided, self.spelling, supply, self.question.machine)
            self.open_tasks[task.name] = Open(task.name, None, None, (task.name,), why, supply)
            self.minutes_known = False
        else:
            for tool in task.tools:
                self.tools.setdefault(key(tool), tool)
            self.minutes_known = self.minutes_known and task.minutes is not None
            self.minutes += times * (task.minutes or 0)
        for line in task.uses:
            self._add_line(task, times, line, [self.book_fit, own])

    def _add_line(self, task: Task, times: int, line: Line, above: list[tuple[Fit | None, Fitting]]) -> None:
        named = self.shelf.find(line.part)
        if named is None:  # INVARIANT: `check_lines` has passed
            raise KeyError(line.part)
        own = judge_fit(line.only_with, self.question.machine)
        if own.fits is Truth.NO:
            fit = [line.only_with] if line.only_with is not None else []
            self.left_out[LeftOut(task.name, named.number, explain.left_out_text(named.number, fit, self.spelling))] = None
            return
        for leaf in self.shelf.in_force(named.number):
            if leaf.fits is Truth.NO:
                why = explain.left_out_text(leaf.part.number, leaf.fit, self.spelling)
                self.left_out[LeftOut(task.name, leaf.part.number, why)] = None
                continue
            _, supply, undecided = _together([*above, (line.only_with, own)])
            supply = tuple(dict.fromkeys((*supply, *leaf.supply)))
            if supply:
                need = self.open_parts.setdefault((leaf.part.number, supply), _Need(leaf.part))
                need.fits |= dict.fromkeys((*undecided, *leaf.fit))
            else:
                need = self.needs.setdefault(leaf.part.number, _Need(leaf.part))
            _add(need, task, times, line, named, leaf)

    def answer(self) -> PartsAnswer:
        return PartsAnswer(
            lines=tuple(self._line(need) for need in self.needs.values()),
            undecided=(*self.open_tasks.values(), *(self._open(need, supply) for (_, supply), need in self.open_parts.items())),
            left_out=tuple(self.left_out),
            tools=tuple(self.tools.values()),
            minutes=self.minutes if self.minutes_known else None,
            minutes_at_least=self.minutes,
        )

    def _open(self, need: _Need, supply: tuple[str, ...]) -> Open:
        why = explain.undecided_text(need.part.number, need.fits, self.spelling, supply, self.question.machine)
        return Open(None, need.part, _of(need.part, need.amount), tuple(need.tasks), why, supply)

    def _line(self, need: _Need) -> PartLine:
        part = need.part
        amount = _of(part, need.amount)
        stock = self.stock.get(part.number, Fraction(0))
        used = min(stock, need.amount)
        to_get = _of(part, need.amount - used)
        because = [*need.reasons]
        if need.entries > 1:
            because.append(explain.added_up(amount))
        for number in dict.fromkeys(link.old for link in need.links):
            held = self.stock.get(number)
            old = self.shelf.find(number)
            if held and old is not None:
                because.append(explain.old_stock(old, _of(old, held)))
        if used:
            because.append(explain.from_stock(_of(part, used), _of(part, stock)))
        choice = choose_packs(to_get, part.packs) if part.packs else None
        if not to_get.value:
            because.append(explain.nothing_to_get())
        elif choice is None:
            because.append(explain.loose(to_get))
        else:
            because.append(explain.packs(part.packs, choice, to_get))
        instead, about_them = self._alternatives(part)
        return PartLine(part, amount, _of(part, used), to_get, choice, instead, tuple(need.tasks), (*because, *about_them))

    def _alternatives(self, part: Part) -> tuple[tuple[str, ...], list[Reason]]:
        """The alternatives that are one part in force on the day and fit this machine, and what is said of them."""
        instead: dict[str, None] = {}
        reasons: list[Reason] = []
        for number in part.or_else:
            leaves = self.shelf.in_force(number)
            if len(leaves) != 1 or leaves[0].part.number == part.number:
                continue  # it has itself become several parts, or this very one
            leaf = leaves[0]
            if leaf.fits is Truth.YES:
                instead[leaf.part.number] = None
            elif leaf.fits is Truth.UNKNOWN:
                reasons.append(explain.or_else_undecided(leaf.part.number, leaf.supply))
        if instead:
            reasons.insert(0, explain.or_else(tuple(instead)))
        return tuple(instead), reasons


def _add(need: _Need, task: Task, times: int, line: Line, named: Part, leaf: InForce) -> None:
    """Adds one line's amount of one part in force, and says how it came about."""
    wanted = Fraction(line.amount.value) * times
    amount = Fraction(Quantity(wanted, line.amount.unit).to(named.unit).value) * leaf.per_unit
    need.amount += amount
    need.tasks[task.name] = None
    need.entries += 1
    need.reasons.append(explain.needed(task.name, named.number, line.amount, times, Quantity(whole(wanted), line.amount.unit)))
    if leaf.links:
        need.reasons += [explain.replaced(link) for link in leaf.links if link not in need.links]
        need.reasons.append(
            explain.becomes(named.number, Quantity(whole(wanted), line.amount.unit), leaf.part.number, _of(leaf.part, amount))
        )
        need.links |= dict.fromkeys(leaf.links)


def _together(judged: Iterable[tuple[Fit | None, Fitting]]) -> tuple[Truth, tuple[str, ...], list[Fit]]:
    """All of them: the truth, what to supply where it is not known, and the undecided ones."""
    judged = list(judged)
    fits = min((fitting.fits for _, fitting in judged), default=Truth.YES)
    supply = tuple(dict.fromkeys(s for _, fitting in judged for s in fitting.supply)) if fits is Truth.UNKNOWN else ()
    return fits, supply, [fit for fit, fitting in judged if fit is not None and fitting.fits is Truth.UNKNOWN]


def _of(part: Part, value: Fraction) -> Quantity:
    return Quantity(whole(value), part.unit)


def _reason_json(reason: Reason) -> dict[str, Any]:
    return {"code": reason.code, "text": reason.text, "values": dict(reason.values)}


def _refusals(book: CheckedRulebook, question: PartsQuestion, shelf: Shelf) -> list[Finding]:
    """All that the sender has to mend, in the order of the request."""
    findings: list[Finding] = []
    if judge_fit(book.applies_to, question.machine).fits is Truth.NO and book.applies_to is not None:
        asked = explain.fit_words([book.applies_to], {**book.options, **book.models})
        findings.append(
            Finding(
                "question.other_machine",
                f"`{book.name}` is only for machines {asked}, and this one is not",
                "ask the rulebook of this machine, or correct its model, serial number and options",
                path="/machine",
            )
        )
    for option in sorted(question.machine.options or ()):
        if option not in book.options:
            mend = did_you_mean(option, book.options.values(), "declare it under `options` of the rulebook")
            findings.append(Finding("question.unknown_option", f"no option is called `{option}`", mend, path=pointer("machine", "options")))
    for i, asked_task in enumerate(question.tasks):
        if key(asked_task.task) not in book.tasks:
            mend = did_you_mean(asked_task.task, book.tasks, "name a task that the rulebook declares")
            findings.append(
                Finding("question.unknown_task", f"no task is called `{asked_task.task}`", mend, path=pointer("tasks", i, "task"))
            )
        if asked_task.times < 1:
            message = f"`times` is `{asked_task.times}`, and a task is done a whole number of times above 0"
            findings.append(Finding("question.times", message, "write 1 or more, or leave the task out", path=pointer("tasks", i, "times")))
    for i, stock in enumerate(question.stock):
        findings += _stock_refusals(i, stock, shelf)
    return findings


def _stock_refusals(i: int, stock: Stock, shelf: Shelf) -> list[Finding]:
    part = shelf.find(stock.part)
    if part is None:
        mend = did_you_mean(stock.part, (p.number for p in shelf.parts.values()), "name a part that the rulebook declares")
        return [Finding("question.unknown_part", f"no part has the number `{stock.part}`", mend, path=pointer("stock", i, "part"))]
    here = pointer("stock", i, "amount")
    if stock.amount.unit.dimension != part.unit.dimension:
        message = f"`{stock.amount}` can't be converted to `{part.unit.name}`, the unit of `{part.number}`"
        return [
            Finding(
                "question.other_dimension", message, f"write it in a unit of {part.unit.dimension}, as `{part.unit.name}` is", path=here
            )
        ]
    if stock.amount.value < 0:
        return [Finding("question.negative_stock", f"`{stock.amount}` is less than nothing", "write 0 or more", path=here)]
    return []
