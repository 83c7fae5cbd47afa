"""Which versions of a rulebook can read what is told of a machine: the one that its questions are put to, and the others.

While work is open the questions are put to the version that it was opened under, and others go on to the newest one. What either declares
may be told. What the one that is asked can't read is taken for nothing, and is not forgotten: its fact is not known from then on. Where
that version declares no such fact, it may have another name there: then none of those is known that the other version does not declare.
"""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

from fieldworthy.core.answer.clearance import ClearanceQuestion
from fieldworthy.core.answer.evidence import Evidence, check_evidence, value_of
from fieldworthy.core.answer.others import PutOn, check_put_on
from fieldworthy.core.answer.procedure import ProcedureQuestion
from fieldworthy.core.base.finding import Finding, or_list, pointer
from fieldworthy.core.base.micros import at_micros, micros_of
from fieldworthy.core.base.names import key, tidy
from fieldworthy.core.base.quantity import Quantity
from fieldworthy.core.base.vocabulary import Fact, state_of
from fieldworthy.usecases.find_rulebook import FindWithin, Found, resolve
from fieldworthy.usecases.kept import MACHINE, Kept
from fieldworthy.usecases.ports import Version
from fieldworthy.usecases.refusals import Refusal, RulebookUnknown
from fieldworthy.usecases.work_changes import Change, Report

MOST_EARLIER = 20
"""So many versions of one rulebook are looked through for one that can read what was told."""

Json = Mapping[str, Any]
Facts = Mapping[str, Fact]
_Told = TypeVar("_Told", Evidence, PutOn)

NOTHING_ASKED: Json = {"rulebook": "none", "now": "1970-01-01T00:00:00Z", "machine": {}, "for": {"needs": "none"}}


@dataclass(frozen=True, slots=True)
class Questions:
    """How plain requests become the core's questions: the doors know their shapes."""

    clearance: Callable[[Json], ClearanceQuestion]
    procedure: Callable[[Json], ProcedureQuestion]

    def reports(self, told: Sequence[Json]) -> Sequence[Evidence]:
        return self.clearance({**NOTHING_ASKED, "evidence": told}).evidence

    def locks(self, told: Sequence[Json]) -> Sequence[PutOn]:
        return self.clearance({**NOTHING_ASKED, "put_on": told}).put_on


@dataclass(frozen=True, slots=True)
class InForce:
    """
    found: the version that a machine's questions are put to; newest: that of its document, the same one where no work is open.

    since: when the first was published, published: when the later of the two was [microseconds].
    """

    found: Found
    newest: Found
    since: int
    published: int

    @property
    def books(self) -> tuple[Found, ...]:
        """Each once; the one that is asked first."""
        return (self.found,) if _same(self.found, self.newest) else (self.found, self.newest)

    @property
    def facts(self) -> Facts:
        """Those that the version which is asked declares."""
        return self.found.book.vocabulary.facts


async def in_force(kept: Kept, find: FindWithin, reference: str, pinned: str | None, as_of: int | None = None) -> InForce:
    """
    reference: of the machine's document; a bare name means the newest that was published by then. pinned: the version of its open work.
    Raises what FindRulebook raises.
    """
    newest = await _version(kept, reference, as_of)
    found = await find.within(kept.rulebooks, f"{newest.name}@{newest.version}")
    if pinned is None or pinned == f"{newest.name}@{newest.version}":
        return InForce(found, found, micros_of(newest.published_at), micros_of(newest.published_at))
    kept_by_work = await resolve(kept.rulebooks, pinned)
    asked = await find.within(kept.rulebooks, pinned)
    since = micros_of(kept_by_work.published_at)
    return InForce(asked, found, since, max(since, micros_of(newest.published_at)))


async def _version(kept: Kept, reference: str, as_of: int | None) -> Version:
    if as_of is None or "@" in reference or ":" in reference:
        return await resolve(kept.rulebooks, reference)
    version = await kept.rulebooks.newest_at(reference, at_micros(as_of))
    if version is None:
        raise RulebookUnknown(reference)
    return version


# --- what no version has a place for --------------------------------------------------------------------------------------------


def unfit_reports(books: Sequence[Found], reports: Sequence[Evidence]) -> list[Finding]:
    """What is wrong with the reports that none of these versions has a place for, as the first of them says it."""
    unread = [None if any(reads(book, report) for book in books) else report for report in reports]
    found = _unfit(books, unread, lambda facts, report: check_evidence(facts, [report]), "evidence")
    return [*found, *_two_units(books, reports)] if len(books) > 1 else found


def unfit_locks(books: Sequence[Found], locks: Sequence[PutOn]) -> list[Finding]:
    """The same of locks and covers."""
    return _unfit(books, locks, lambda facts, lock: list(check_put_on(facts, [lock])), "put_on")


def reads(found: Found, report: Evidence) -> bool:
    """Whether a version has a place for a report: what `check_evidence` finds nothing in, without the search for what was meant."""
    fact = found.book.vocabulary.facts.get(key(report.fact))
    if fact is None:
        return False
    if fact.is_number:
        return value_of(fact, report) is not None
    return isinstance(report.value, str) and state_of(fact.states, report.value) is not None


def is_bare(found: Found, report: Evidence) -> bool:
    """Whether a report says a number and no unit, so that it is in the fact's own, which another version may have declared otherwise."""
    return found.book.vocabulary.facts[key(report.fact)].is_number and not isinstance(report.value, str | Quantity)


def _two_units(books: Sequence[Found], reports: Sequence[Evidence]) -> list[Finding]:
    """Numbers without a unit, of facts that two versions measure in different ones."""
    found: list[Finding] = []
    for number, each in enumerate(reports):
        if not all(reads(book, each) for book in books):
            continue
        units = list(dict.fromkeys(book.book.vocabulary.facts[key(each.fact)].unit for book in books))
        if len(units) > 1 and is_bare(books[0], each):
            message = f"`{each.fact}` is measured in different units by {_named(books)}, and none is said"
            named = or_list([unit.name for unit in units if unit is not None])
            path = pointer("evidence", number, "value")
            found.append(Finding("question.unit_needed", message, f"send the number with its unit, {named}", path=path))
    return found


def _unfit(
    books: Sequence[Found], told: Sequence[_Told | None], check: Callable[[Facts, _Told], Sequence[Finding]], room: str
) -> list[Finding]:
    found: list[Finding] = []
    for number, each in enumerate(told):
        if each is None:
            continue
        said = [check(book.book.vocabulary.facts, each) for book in books]
        if all(said):
            found += [_of_all(books, f.at(pointer(room, number) + f.path.removeprefix(pointer(room, 0)))) for f in said[0]]
    return found


def _of_all(books: Sequence[Found], finding: Finding) -> Finding:
    if len(books) == 1:
        return finding
    return replace(finding, message=f"{finding.message}, by neither of {_named(books)}")


def _named(books: Sequence[Found]) -> str:
    asked, newest = (f"`{each.book.name}@{each.version}`" for each in books)
    return f"{asked}, which open work keeps, and {newest}"


# --- what the version that is asked can't read ----------------------------------------------------------------------------------


@dataclass(slots=True)
class Unread:
    """Makes doubts of what a version can't read, as of a moment, of one machine. document: since when its document stands."""

    kept: Kept
    find: FindWithin
    force: InForce
    machine: int
    document: int
    as_of: int | None
    _names: list[str] = field(default_factory=list)
    _loaded: dict[str, list[Found]] = field(default_factory=dict)

    def reads(self, report: Report, read: Evidence) -> bool:
        """
        Whether the version that is asked reads a report for sure. A number without a unit was in that of the version of its time: it is
        this one, and this machine's, where it was told since then.
        """
        if not reads(self.force.found, read):
            return False
        told_before = report.known is not None and report.known < max(self.force.since, self.document)
        return not (told_before and is_bare(self.force.found, read))

    async def reports(self, told: Sequence[tuple[Report, Evidence]]) -> list[Change]:
        """Of reports that can't be read. What somebody said of themselves last takes the place of what they had said."""
        last: dict[tuple[str, str], int] = {}
        for report, read in told:
            said = (key(read.fact), tidy(read.by or ""))
            last[said] = max(report.moment, last.get(said, report.moment))
        newest = [(r, e) for r, e in told if not tidy(e.by or "") or r.moment == last[key(e.fact), tidy(e.by or "")]]
        return [change for report, read in newest for change in await self._report(report, read)]

    async def _report(self, report: Report, read: Evidence) -> list[Change]:
        """Since then the fact is not known. That somebody is at rest, as far as another version tells, says nothing."""
        declared, by = self.force.facts.get(key(read.fact)), read.by or ""
        if declared is not None and not declared.per_person:
            return [Change(key(read.fact), None, by, report.moment, open_end=True)]
        reader = await self._reader(read)
        was = None if reader is None else reader.book.vocabulary.facts[key(read.fact)]
        if was is not None and was.per_person and was.states and value_of(was, read) == key(was.states[0]):
            return []
        if declared is not None:
            return [Change(key(read.fact), None, by, report.moment, open_end=True)]
        name = read.fact if was is None else was.name
        return [Change(each, None, by, report.moment, open_end=True, called=name) for each in self._others(reader, was, by)]

    async def change(self, change: Change) -> list[Change]:
        """Of a change by closed work of a fact that this version does not declare."""
        assert change.rulebook is not None  # kept with every change of closed work
        reader = await self.find.within(self.kept.rulebooks, change.rulebook)
        was = reader.book.vocabulary.facts.get(change.fact)
        name = change.fact if was is None else was.name
        return [replace(change, fact=each, called=name) for each in self._others(reader, was, change.by)]

    def _others(self, reader: Found | None, was: Fact | None, by: str) -> list[str]:
        """The facts that may be the one that was told of under another name: those that the version which could read it has not."""
        known = {} if reader is None else reader.book.vocabulary.facts
        named = bool(tidy(by)) or (was is not None and was.per_person)
        return [name for name, fact in self.force.facts.items() if name not in known and (named or not fact.per_person)]

    async def _reader(self, read: Evidence) -> Found | None:
        """A version that can read a report: the newest one of this rulebook; else of what the machine was kept by before."""
        if reads(self.force.newest, read):
            return self.force.newest
        for name in await self._rulebooks():
            for back in range(MOST_EARLIER):
                found = await self._earlier(name, back)
                if found is None:
                    break
                if reads(found, read):
                    return found
        return None

    async def _rulebooks(self) -> Sequence[str]:
        """The names of the rulebooks that the machine was kept by, the newest first."""
        if not self._names:
            states = await self.kept.entries.history(self.machine, MACHINE, "")
            told = [json.loads(state.body)["rulebook"] for state in states if self.as_of is None or state.known <= self.as_of]
            names = [self.force.found.book.name, self.force.newest.book.name]
            names += [each.partition("@")[0] for each in reversed(told) if ":" not in each]
            self._names = list(dict.fromkeys(names))
        return self._names

    async def _earlier(self, name: str, back: int) -> Found | None:
        loaded = self._loaded.setdefault(name, [])
        while len(loaded) <= back:
            try:
                if loaded:
                    before = (loaded[-1].version or 1) - 1
                    found = await self.find.within(self.kept.rulebooks, f"{name}@{before}") if before else None
                else:
                    newest = await _version(self.kept, name, self.as_of)
                    found = await self.find.within(self.kept.rulebooks, f"{name}@{newest.version}")
            except Refusal:
                found = None
            if found is None:
                return None
            loaded.append(found)
        return loaded[back]


def _same(one: Found, other: Found) -> bool:
    return (one.book.name, one.version) == (other.book.name, other.version)
