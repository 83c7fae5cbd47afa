"""May this task, step or action start now? `granted` or `withheld`, and why.

Granted only when everything needed is true, every hazard that shares a fact with it is false, now and after the action, and no
open work is disturbed. What is not known never grants.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

from fieldworthy.core.answer.asked import Asked, ClearanceQuestion, read_question
from fieldworthy.core.answer.evidence import FOREVER, Evidence, Known, Missing, said, span_text, stands_until, weigh
from fieldworthy.core.answer.first import First, FirstAction, Situation, do_first, needs_evidence
from fieldworthy.core.answer.others import (
    MOST_TESTS,
    HandOver,
    Holding,
    OpenWork,
    PutOn,
    apart_later,
    holding,
    never_together,
    not_the_askers,
    takes_off,
)
from fieldworthy.core.base.names import key
from fieldworthy.core.base.reason import Reason
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.base.vocabulary import Fact, state_of
from fieldworthy.core.condition.ast import Condition, Not
from fieldworthy.core.condition.evaluate import Value, names_of, shortfall
from fieldworthy.core.condition.explain import render
from fieldworthy.core.condition.search import Effort
from fieldworthy.core.procedure.model import RANK, Hazard
from fieldworthy.core.procedure.steps import together
from fieldworthy.core.rulebook.model import CheckedRulebook

__all__ = [
    "DISCLAIMER",
    "Blocked",
    "ClearanceAnswer",
    "ClearanceQuestion",
    "Evidence",
    "HandOver",
    "OpenWork",
    "PutOn",
    "Unmet",
    "answer_clearance",
]

DISCLAIMER = (
    "This is advice and controls no machine. The machine's own handbook, local law and the employer's rules, and trained "
    "judgement come first; never rely on this alone where someone can be hurt."
)
_SAYS = {Truth.YES: ("true", "is true"), Truth.NO: ("not-true", "is not true"), Truth.UNKNOWN: ("not-known", "is not known")}


@dataclass(frozen=True, slots=True)
class Unmet:
    """A known fact that stands against it: what it is, and what it must be."""

    fact: str
    is_: str
    must_be: str


@dataclass(frozen=True, slots=True)
class Blocked:
    """
    What another has in hand and would be disturbed: open work, or a lock or cover (then fact is set and work is None).

    by: whose it is now. holds: what of its holds would not be true, or can't be together; of a lock, what stays (canonical text).
    """

    work: str | None
    by: str | None
    holds: str
    fact: str | None = None


@dataclass(frozen=True, slots=True)
class ClearanceAnswer:
    """
    granted: only then may it start. holds: canonical text or None. valid_until: None where nothing used ages, or when withheld.

    do_first: the way to where it may start; empty when granted, and where none is known (because says why).
    """

    granted: bool
    unmet: tuple[Unmet, ...]
    missing: tuple[Missing, ...]
    blocked_by: tuple[Blocked, ...]
    do_first: tuple[FirstAction, ...]
    cautions: tuple[Hazard, ...]
    holds: str | None
    because: tuple[Reason, ...]
    valid_until: datetime | None
    now: datetime

    def to_json(self) -> dict[str, Any]:
        """The wire form of `POST /v1/clearance`, without `rulebook`."""
        return {
            "clearance": "granted" if self.granted else "withheld",
            "unmet": [{"fact": u.fact, "is": u.is_, "must_be": u.must_be} for u in self.unmet],
            "missing": [m.to_json() for m in self.missing],
            "blocked_by": [{"work": b.work, "by": b.by, "holds": b.holds, "fact": b.fact} for b in self.blocked_by],
            "do_first": [each.to_json() for each in self.do_first],
            "cautions": [{"signal": h.signal, "hazard": h.name, "avoid": h.avoid} for h in self.cautions],
            "holds": self.holds,
            "because": [{"code": r.code, "text": r.text, "values": dict(r.values)} for r in self.because],
            "valid_until": None if self.valid_until is None else self.valid_until.isoformat(),
            "disclaimer": DISCLAIMER,
            "now": self.now.isoformat(),
        }


def answer_clearance(book: CheckedRulebook, question: ClearanceQuestion, way: bool = True) -> ClearanceAnswer:
    """
    Whether it may start now, from the rulebook, the evidence and the open work sent with the question, and nothing else.

    way: whether what has to be done first is sought. Raises Refused for a question that names what the rulebook does not declare, or a
    machine or task that does not fit it.
    """
    asked = read_question(book, question)
    return _Judging(book, question, asked, way=way).answer()


@dataclass(slots=True)
class _Judging:
    """One question on its way to its answer: what was found so far."""

    book: CheckedRulebook
    question: ClearanceQuestion
    asked: Asked
    facts: Mapping[str, Fact] = field(init=False)
    found: Mapping[str, Known | Missing] = field(init=False)
    values: Mapping[str, Value] = field(init=False)
    ends: Mapping[str, datetime] = field(init=False)
    after: Mapping[str, Value] = field(init=False)
    after_ends: Mapping[str, datetime] = field(init=False)
    holding: tuple[Holding, ...] = field(init=False)
    locks: tuple[PutOn, ...] = field(init=False)
    way: bool = True
    granted: bool = True
    until: datetime = FOREVER
    unmet: dict[str, Unmet] = field(default_factory=dict)
    unknown: dict[str, None] = field(default_factory=dict)
    because: list[Reason] = field(default_factory=list)
    used: dict[str, None] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.facts = self.book.vocabulary.facts
        self.found = weigh(self.facts, self.question.evidence, self.question.now)
        known = {name: each for name, each in self.found.items() if isinstance(each, Known)}
        self.values = {name: each.value for name, each in known.items()}
        self.ends = {name: each.until for name, each in known.items()}
        made = {name: key(state) for name, state in self.asked.makes.items()}
        self.after = {**self.values, **made}
        self.after_ends = {name: end for name, end in self.ends.items() if name not in made}
        asks = self.question
        self.holding = holding(self.book, asks.open_work, asks.by, asks.task, asks.step)
        self.locks = not_the_askers(asks.put_on, asks.by)

    def answer(self) -> ClearanceAnswer:
        self._not_said()
        for label, condition in self.asked.needs:
            self._must("needs", label, condition, self.values, self.ends, frozenset())
        for label, condition in self.asked.holds:
            self._must("holds", label, condition, self.after, self.after_ends, frozenset(self.asked.makes))
        if not self.asked.needs and not self.asked.holds:
            self._say("nothing-needed", f"The rulebook states nothing that {self.asked.subject} needs.", {"of": self.asked.subject})
        involved = self.asked.involved()
        hazards = [h for h in self.book.works.hazards.values() if not involved.isdisjoint(names_of(h.never))]
        for hazard in hazards:
            self._exclude(hazard)
        apart = self._apart()
        blocked = (*self._locked(), *self._blocked(apart))
        first = None if self.granted or not self.way else self._first(hazards, list(apart), bool(self.unmet or blocked))
        self._evidence()
        if first is not None:
            self.because.append(first.reason)
        holds = together(condition for _, condition in self.asked.holds_while_open)
        until = self.until if self.granted and self.until < FOREVER else None
        return ClearanceAnswer(
            granted=self.granted,
            unmet=tuple(self.unmet.values()),
            missing=self.asked.not_said + tuple(self._missing()),
            blocked_by=blocked,
            do_first=() if first is None else first.actions,
            cautions=self._cautions(involved),
            holds=None if holds is None else render(holds),
            because=tuple(self.because),
            valid_until=None if until is None else until.astimezone(self.question.now.tzinfo),
            now=self.question.now,
        )

    def _say(self, code: str, text: str, values: Mapping[str, Any]) -> None:
        self.because.append(Reason(code, text, values))

    def _not_said(self) -> None:
        for missing in self.asked.not_said:
            self.granted = False
            self._say("fit-not-known", missing.text, {"supply": missing.fact})

    def _must(
        self,
        kind: Literal["needs", "holds"],
        label: str,
        condition: Condition,
        values: Mapping[str, Value],
        ends: Mapping[str, datetime],
        fixed: frozenset[str],
    ) -> None:
        """A condition that must be true: its truth, what it lacks, and how long it stands."""
        found, end = stands_until(condition, values, ends)
        code, words = _SAYS[found]
        when = " once the action is done" if kind == "holds" and fixed & set(names_of(condition)) else ""
        text = render(condition)
        self._say(f"{kind}-{code}", f"{label[:1].upper()}{label[1:]}: `{text}` {words}{when}.", {"of": label, "condition": text})
        self._use(condition)
        if found is Truth.YES:
            self.until = min(self.until, end)
        else:
            self.granted = False
            self._lacks(condition, values, fixed)

    def _lacks(self, condition: Condition, values: Mapping[str, Value], fixed: frozenset[str]) -> None:
        short = shortfall(condition, values, fixed)
        for change in short.changes:
            fact = self.facts[change.fact]
            must = one_state(fact.states, change.must_be)
            known = self.unmet.get(change.fact)
            if known is None:
                self.unmet[change.fact] = Unmet(fact.name, said(fact, values.get(change.fact)), must)
            elif must not in known.must_be.split(" and "):
                self.unmet[change.fact] = Unmet(fact.name, known.is_, f"{known.must_be} and {must}")
        self.unknown.update(dict.fromkeys(short.unknown))

    def _use(self, condition: Condition) -> None:
        self.used.update(dict.fromkeys(names_of(condition)))

    def _exclude(self, hazard: Hazard) -> None:
        """A hazard must be false now, and false after the action."""
        never = hazard.never
        fixed = frozenset(self.asked.makes)
        now, now_end = stands_until(never, self.values, self.ends)
        after, after_end = stands_until(never, self.after, self.after_ends)
        self._use(never)
        values = {"hazard": hazard.name, "never": render(never)}
        if now is Truth.NO and after is Truth.NO:
            self.until = min(self.until, now_end, after_end)
            self._say("hazard-excluded", f"Hazard `{hazard.name}` is excluded: `{values['never']}` is not so.", values)
            return
        self.granted = False
        if now is Truth.YES:
            self._say("hazard-present", f"Hazard `{hazard.name}` is present now: `{values['never']}`.", values)
        elif after is Truth.YES:
            self._say("hazard-follows", f"Hazard `{hazard.name}` would be present after the action: `{values['never']}`.", values)
        else:
            self._say("hazard-not-excluded", f"Hazard `{hazard.name}` can't be excluded: whether `{values['never']}` is not known.", values)
        for found, state, made in ((now, self.values, frozenset[str]()), (after, self.after, fixed)):
            if found is Truth.YES:  # what is unmet already is taken as mended: no second way out is asked for
                self._lacks(Not(never), {**state, **self._mended(made)}, made)
            elif found is Truth.UNKNOWN:
                self._lacks(Not(never), state, made)

    def _mended(self, fixed: frozenset[str]) -> Mapping[str, Value]:
        """The unmet facts as they must be, where that is one state."""
        states = {name: state_of(self.facts[name].states, u.must_be) for name, u in self.unmet.items() if name not in fixed}
        return {name: key(state) for name, state in states.items() if state is not None}

    def _apart(self) -> dict[Holding, Condition]:
        """Open work that can't be open together with what is asked for, and which of its holds can't."""
        mine = together(c for _, c in self.asked.holds_while_open)
        found: dict[Holding, Condition] = {}
        effort = Effort(MOST_TESTS)
        for work in self.holding:
            holds = never_together(mine, work.holds, self.facts, self.after, effort)
            if holds is None or mine is None:
                continue
            self.granted = False
            found[work] = holds
            theirs, ours = render(holds), render(mine)
            text = f"It can't be open together with open work {work.whose}, which holds `{theirs}`, while this holds `{ours}`."
            self._say("not-open-together", text, {"work": work.work.work, "by": work.work.who, "holds": theirs, "against": ours})
        if self.question.task is not None and self.question.step is None:
            self._apart_later([work for work in self.holding if work not in found])
        return found

    def _apart_later(self, works: Sequence[Holding]) -> None:
        """What a later step of the task can't be open together with is told before the task starts, and withholds only that step."""
        for number, work, holds in apart_later(self.book, self.book.tasks[key(self.question.task or "")], works):
            text = f"Step {number} can't be open together with open work {work.whose}, which holds `{render(holds)}`."
            values = {"step": number, "work": work.work.work, "by": work.work.who, "holds": render(holds)}
            self._say("later-not-open-together", text, values)

    def _locked(self) -> Iterator[Blocked]:
        """Locks and covers that the action takes off, in other hands than those of whoever asks."""
        for lock in self.question.put_on:
            name, was = key(lock.fact), self.values.get(key(lock.fact))
            if not takes_off(self.asked.makes, lock):
                continue
            self.used[name] = None
            fact, stays = self.facts[name].name, render(lock.stays)
            values = {"fact": fact, "state": lock.state, "by": lock.by}
            if was is not None and was != key(lock.state):  # so it is off already: that no longer counts when its evidence ends
                self.until = min(self.until, self.ends[name])
            elif lock in self.locks:
                self.granted = False
                if was is None:
                    self.unknown[name] = None
                asks = f"`{self.question.by}`" if self.question.by else "who is not said"
                text = f"`{stays}` was put on by `{lock.by}`" + (f" and handed over to `{lock.who}`" if lock.hand_over else "")
                text += (
                    f", and is not for {asks} to take off: it is for `{lock.who}`, or for whom it is handed over to, with name and reason."
                )
                self._say("put-on-by-another", text, values)
                yield Blocked(None, lock.who, stays, fact)
            elif lock.hand_over is not None:
                over = lock.hand_over
                text = f"`{stays}` was put on by `{lock.by}` and handed over to `{over.to}` by decision of `{over.by}`: {over.why}"
                self._say("handed-over", text, {**values, "to": over.to, "decided_by": over.by, "why": over.why})

    def _blocked(self, apart: Mapping[Holding, Condition]) -> Iterator[Blocked]:
        """Open work that can't be open together with this, or whose holds name a fact that the action changes and are broken."""
        changed = {name for name, state in self.asked.makes.items() if self.values.get(name) != key(state)}
        for work in self.holding:
            if work in apart:
                yield Blocked(work.work.work, work.work.who, render(apart[work]))
                continue
            named = set(self.asked.makes) & set(names_of(work.holds))
            if not named:
                continue
            self._use(work.holds)
            judged, end = stands_until(work.holds, self.after, self.after_ends)
            if judged is Truth.YES:
                self.until = min(self.until, end)
                continue
            if not changed & named:  # so it is already: that no longer counts when its evidence ends
                self.until = min([self.until, *(self.ends[name] for name in named)])
                continue
            self.granted = False
            text = render(work.broken(self.after))
            values = {"work": work.work.work, "by": work.work.who, "holds": text}
            words = f"Open work {work.whose} holds `{text}`, which {_SAYS[judged][1]} once the action is done."
            self._say("blocked-by-open-work", words, values)
            self.unknown.update(dict.fromkeys(shortfall(work.holds, self.after).unknown))
            yield Blocked(work.work.work, work.work.who, text)

    def _first(self, hazards: Sequence[Hazard], apart: Sequence[Holding], against: bool) -> First:
        """The way from here; what keeps it from being told is missing too. against: whether anything that is known stands against it."""
        situation = Situation(self.book, self.asked, self.values, self.after, hazards, self.holding, apart, self.locks)
        first = do_first(situation) if against else needs_evidence(tuple(self.unknown), situation)
        self.unknown.update(dict.fromkeys(first.missing))
        return first

    def _missing(self) -> list[Missing]:
        return [each for name in self.unknown if isinstance(each := self.found[name], Missing)]

    def _evidence(self) -> None:
        """Which report stands for each fact that was looked at."""
        for name in self.used:
            each = self.found[name]
            if isinstance(each, Missing):
                if name in self.unknown:
                    self._say(each.why, each.text, {"fact": each.fact})
                continue
            report, age = each.report, self.question.now - each.report.at
            values: dict[str, Any] = {
                "fact": each.fact.name,
                "value": each.said,
                "at": report.at.isoformat(),
                "via": report.via,
                "by": report.by,
            }
            values["good_until"] = None if each.until == FOREVER else each.until.isoformat()
            seen = "reported by a sensor" if report.via == "sensor" else f"seen by {f'`{report.by}`' if report.by else 'a person'}"
            self._say("evidence", f"`{each.fact.name}` is `{each.said}`, {seen} {span_text(age)} ago.", values)

    def _cautions(self, involved: frozenset[str]) -> tuple[Hazard, ...]:
        facts = involved | self.asked.touched_later
        named = [h for h in self.book.works.hazards.values() if facts & set(names_of(h.never))]
        return tuple(sorted(named, key=lambda h: -RANK[h.signal]))


def one_state(states: tuple[str, ...], must_be: str) -> str:
    """What a fact must be, as one declared state where that is settled: of two states, `not raised` is the other."""
    named = state_of(states, must_be)
    if named is not None:
        return named
    left = [s for s in states if must_be != f"not {s}" and must_be != f"not {key(s)}"]
    return left[0] if len(states) == 2 and len(left) == 1 else must_be
