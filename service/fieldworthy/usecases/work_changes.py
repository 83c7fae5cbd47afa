"""What the steps of open work changed on a machine, so that what was reported of it before no longer grants.

A change is kept with the work from the beginning of its step on, as it was then: whatever is published later. Of closed work the last
change of each fact by each person is kept by itself, for ever. What is not surely known since is not known: a change is settled by a report
of an accepted source alone, which the store has from after it (of a person's own fact: theirs), and never while it is under way.
"""

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from fieldworthy.core.answer.evidence import Doubt, Missing, how_to_find_out
from fieldworthy.core.answer.others import Made
from fieldworthy.core.base.micros import AHEAD, at_micros, micros_of
from fieldworthy.core.base.names import key, tidy
from fieldworthy.core.base.vocabulary import Fact, state_of
from fieldworthy.usecases.kept import MOST_ABOUT, Entry

CHANGE = "change"
"""The kind of entry that holds the last change of a fact by somebody, of closed work."""

Json = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Report:
    """
    A report as the questions tell it. moment: when it was made at the earliest [microseconds]: one that says a time which was still to come
    is from a clock that is ahead, by AHEAD at most. known: since when the store knows it; None: it comes with the question.
    """

    told: Json
    moment: int
    known: int | None = None

    @classmethod
    def kept(cls, told: Json, known: int) -> "Report":
        """One that the store has known since then."""
        return cls(told, _earliest(told, known), known)

    @classmethod
    def new(cls, told: Json, now: int) -> "Report":
        """One that comes with a request."""
        return cls(told, _earliest(told, now))


def _earliest(told: Json, known: int) -> int:
    at = micros(told["at"]) or 0
    return at if at <= known else at - AHEAD


@dataclass(frozen=True, slots=True)
class Change:
    """
    A fact (by key) that a step of some work changed for whoever did it. at: when that was done, or begun where it is under_way
    [microseconds]; open_end: it was broken off at that instant, and not done. work: None for a report that can't be read now, and where a
    lock or cover was taken off by no step (taken_off). called: the name of the fact that was told of, where this one may be the same.
    rulebook: the version that told of it, `name@3`. state: what it made (None: not said); begun: when that began; earlier: when each
    state was made last before it, or began to be (None).
    """

    fact: str
    work: str | None
    by: str
    at: int
    under_way: bool = False
    open_end: bool = False
    called: str | None = None
    rulebook: str | None = None
    state: str | None = None
    begun: int | None = None
    earlier: tuple[tuple[str | None, int], ...] = ()
    taken_off: bool = False

    def made(self, fact: Fact) -> list[Made]:
        """What the core is told of it beside the doubt. A state that this version has not may be any."""
        done = None if self.under_way or self.open_end else self.state  # while it is under way it may be anything
        several = [(None, self.begun), (done, self.at), *self.earlier]
        return [
            Made(fact.name, None if state is None else state_of(fact.states, state), at_micros(at), self.by or None)
            for state, at in several
            if at is not None
        ]

    def settled(self, facts: Mapping[str, Fact], reports: Iterable[Report]) -> bool:
        """Whether it has been reported since how the fact is."""
        return not self.under_way and any(self._since(facts[self.fact], report) for report in reports)

    def _since(self, fact: Fact, report: Report) -> bool:
        told = report.told
        if key(told["fact"]) != self.fact or told["via"] not in fact.known_by:
            return False
        if fact.per_person and (not tidy(self.by) or tidy(told.get("by", "")) != tidy(self.by)):
            return False
        return report.moment > self.at if self.open_end else report.moment >= self.at

    def doubt(self, facts: Mapping[str, Fact]) -> Doubt:
        """What the core is told of it."""
        fact = facts[self.fact]
        of = f" for `{self.by}`" if fact.per_person and self.by else ""
        if self.called is not None:
            whose = f" by `{self.by}`" if self.by else ""
            done = (
                f"was {'taken off' if self.taken_off else 'reported'}{whose}"
                if self.work is None
                else f"was changed by the work `{self.work}` of `{self.by}`"
            )
            text = (
                f"`{self.called}` {done}, which this version does not declare; it may be its `{fact.name}`, and that is not reported since."
            )
        elif self.taken_off:
            text = f"What was put on `{fact.name}` was taken off by `{self.by}`, and it has not been reported since."
        elif self.work is None:
            text = f"What was last reported of `{fact.name}`{of} can't be read for sure by this rulebook, and was not reported since."
        elif self.under_way:
            text = f"The work `{self.work}` of `{self.by}` is changing `{fact.name}`{of}."
        else:
            whose = "they have not reported it since" if of else "it has not been reported since"
            text = f"The work `{self.work}` of `{self.by}` has changed `{fact.name}`{of}, and {whose}."
        how = how_to_find_out(fact)
        if fact.per_person and not tidy(self.by):
            how += " A report without a name is nobody's: withdraw it once whoever it is of has reported anew, with `by`."
        missing = Missing(fact.name, "must-be-reported-again", text, how)
        return Doubt(missing, (self.by or None) if fact.per_person else None)


def begun_changes(step: int, makes: Mapping[str, str], by: str, at: str) -> tuple[Json, ...]:
    """What a step that begins now will have changed, as the work keeps it."""
    return tuple(
        {"step": step, "fact": fact, "state": state, "by": by, "begun_at": at, "done_at": None} for fact, state in sorted(makes.items())
    )


def done_changes(changes: Iterable[Json], step: int, at: str) -> tuple[Json, ...]:
    """The same, with those of a step done."""
    return tuple({**each, "done_at": at} if each["step"] == step and each["done_at"] is None else each for each in changes)


def changes_of(work: str, changes: Iterable[Json]) -> list[Change]:
    """Those of work that is open."""
    return [
        Change(
            key(c["fact"]),
            work,
            c["by"],
            micros(c["done_at"] or c["begun_at"]) or 0,
            under_way=c["done_at"] is None,
            state=c["state"],
            begun=micros(c["begun_at"]),
        )
        for c in changes
    ]


def read_change(entry: Entry) -> Change:
    """The change of a kept entry."""
    told = json.loads(entry.body)
    return Change(
        key(told["fact"]),
        told["work"],
        told["by"],
        entry.at,
        open_end=told["open_end"],
        rulebook=told["rulebook"],
        state=told.get("state"),
        begun=told.get("begun"),
        earlier=tuple((state, at) for state, at in told.get("earlier", ())),
        taken_off=told.get("taken_off", False),
    )


def last_changes(work: str, rulebook: str, changes: Iterable[Json], closed_at: int, known: int, before: Sequence[Change]) -> list[Entry]:
    """The entries that keep the last change of each fact by each, of work that is closed now. before: what is kept."""
    newest: dict[tuple[str, str], Change] = {(c.fact, tidy(c.by)): c for c in before}
    moved = {}
    for change in changes_of(work, changes):
        at_last = closed_at if change.under_way else change.at
        ended = replace(change, at=at_last, under_way=False, open_end=change.under_way, rulebook=rulebook)
        at = ended.fact, tidy(ended.by)
        was = newest.get(at)
        newest[at] = moved[at] = ended if was is None else _joined(was, ended)
    return [Entry(CHANGE, _id(*at), known, c.at, c.fact[:MOST_ABOUT], _text(c)) for at, c in moved.items()]


def _joined(one: Change, other: Change) -> Change:
    """The newer of two, and when each state was made last before it, or began to be made (None)."""
    older, newer = sorted((one, other), key=lambda change: (change.at, change.open_end))
    last: dict[str | None, int] = {}
    for state, at in (*one.earlier, *other.earlier, (older.state, older.at), (None, older.begun)):
        if at is not None:
            last[state] = max(at, last.get(state, at))
    return replace(newer, earlier=tuple(sorted(last.items(), key=lambda each: each[1])))


def taken_off(fact: str, by: str, rulebook: str, at: int, known: int) -> Entry:
    """The entry of a lock or cover that somebody took off by themselves: from then on it is not known how the fact is."""
    change = Change(key(fact), None, by, at, open_end=True, rulebook=rulebook, taken_off=True)
    return Entry(CHANGE, _id(change.fact, tidy(by)), known, at, change.fact[:MOST_ABOUT], _text(change))


def micros(text: str) -> int | None:
    """A time as it is written, in microseconds; None where it is none that can be told."""
    try:
        return micros_of(datetime.fromisoformat(text.upper()))
    except (ValueError, OverflowError):
        return None


_KEPT = ("fact", "work", "by", "open_end", "rulebook", "state", "begun", "earlier", "taken_off")


def _id(fact: str, by: str) -> str:
    return "last-" + hashlib.sha256(f"{fact}\n{by}".encode()).hexdigest()[:32]


def _text(change: Change) -> str:
    told = {
        member: getattr(change, member)
        for member in ("fact", "work", "by", "open_end", "rulebook", "state", "begun", "earlier", "taken_off")
    }
    return json.dumps(told, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
