"""May this task, step or action start now? `granted` or `withheld`, and why.

Granted only when everything needed is true, every hazard that shares a fact with it is false, now and after the action, and no
open work is disturbed. What is not known never grants.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

from fieldworthy.core.answer.asked import Asked, ClearanceQuestion, OpenWork, read_question
from fieldworthy.core.answer.evidence import FOREVER, Evidence, Known, Missing, said, span_text, stands_until, weigh
from fieldworthy.core.base.names import key
from fieldworthy.core.base.reason import Reason
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.base.vocabulary import Fact, state_of
from fieldworthy.core.condition.ast import Condition, Joined, Not
from fieldworthy.core.condition.evaluate import Value, evaluate, names_of, shortfall
from fieldworthy.core.condition.explain import render
from fieldworthy.core.procedure.model import RANK, Hazard
from fieldworthy.core.procedure.steps import laid_out, together
from fieldworthy.core.rulebook.model import CheckedRulebook

__all__ = ["DISCLAIMER", "Blocked", "ClearanceAnswer", "ClearanceQuestion", "Evidence", "OpenWork", "Unmet", "answer_clearance"]

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
    """Open work that the action would disturb. holds: what of its holds would not be true (canonical text)."""

    work: str
    by: str | None
    holds: str


@dataclass(frozen=True, slots=True)
class ClearanceAnswer:
    """granted: only then may it start. holds: canonical text or None. valid_until: None where nothing used ages, or when withheld."""

    granted: bool
    unmet: tuple[Unmet, ...]
    missing: tuple[Missing, ...]
    blocked_by: tuple[Blocked, ...]
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
            "blocked_by": [{"work": b.work, "by": b.by, "holds": b.holds} for b in self.blocked_by],
            "do_first": [],
            "cautions": [{"signal": h.signal, "hazard": h.name, "avoid": h.avoid} for h in self.cautions],
            "holds": self.holds,
            "because": [{"code": r.code, "text": r.text, "values": dict(r.values)} for r in self.because],
            "valid_until": None if self.valid_until is None else self.valid_until.isoformat(),
            "disclaimer": DISCLAIMER,
            "now": self.now.isoformat(),
        }


def answer_clearance(book: CheckedRulebook, question: ClearanceQuestion) -> ClearanceAnswer:
    """
    Whether it may start now, from the rulebook, the evidence and the open work sent with the question, and nothing else.

    Raises Refused for a question that names what the rulebook does not declare, or a machine or task that does not fit it.
    """
    asked = read_question(book, question)
    return _Judging(book, question, asked).answer()


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

    def answer(self) -> ClearanceAnswer:
        self._not_said()
        for label, condition in self.asked.needs:
            self._must("needs", label, condition, self.values, self.ends, frozenset())
        for label, condition in self.asked.holds:
            self._must("holds", label, condition, self.after, self.after_ends, frozenset(self.asked.makes))
        if not self.asked.needs and not self.asked.holds:
            self._say("nothing-needed", f"The rulebook states nothing that {self.asked.subject} needs.", {"of": self.asked.subject})
        involved = self.asked.involved()
        for hazard in self.book.works.hazards.values():
            if involved & set(names_of(hazard.never)):
                self._exclude(hazard)
        blocked = tuple(self._blocked())
        self._evidence()
        holds = together(condition for _, condition in self.asked.holds_while_open)
        until = self.until if self.granted and self.until < FOREVER else None
        return ClearanceAnswer(
            granted=self.granted,
            unmet=tuple(self.unmet.values()),
            missing=self.asked.not_said + tuple(self._missing()),
            blocked_by=blocked,
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
            must = _one_state(fact.states, change.must_be)
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

    def _blocked(self) -> list[Blocked]:
        """Open work whose holds name a fact that the action changes, and are not true afterwards."""
        changed = {name for name, state in self.asked.makes.items() if self.values.get(name) != key(state)}
        found = []
        for work in self.question.open_work:
            task = self.book.tasks[key(work.task)]
            step = None if work.step is None else laid_out(task.steps, self.book.works.procedures)[work.step - 1]
            holds = together((task.holds, None if step is None else step.holds))
            named = set() if holds is None else set(self.asked.makes) & set(names_of(holds))
            if holds is None or not named:
                continue
            self._use(holds)
            judged, end = stands_until(holds, self.after, self.after_ends)
            if judged is Truth.YES:
                self.until = min(self.until, end)
                continue
            if not changed & named:  # so it is already: that no longer counts when its evidence ends
                self.until = min([self.until, *(self.ends[name] for name in named)])
                continue
            self.granted = False
            parts = holds.parts if isinstance(holds, Joined) and holds.op == "and" else (holds,)
            broken = together(part for part in parts if evaluate(part, self.after) is not Truth.YES)
            text = render(broken or holds)
            who = f" of `{work.by}`" if work.by else ""
            values = {"work": work.work, "by": work.by, "holds": text}
            words = _SAYS[judged][1]
            self._say(
                "blocked-by-open-work", f"Open work `{work.work}`{who} holds `{text}`, which {words} once the action is done.", values
            )
            self.unknown.update(dict.fromkeys(shortfall(holds, self.after).unknown))
            found.append(Blocked(work.work, work.by, text))
        return found

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


def _one_state(states: tuple[str, ...], must_be: str) -> str:
    """What a fact must be, as one declared state where that is settled: of two states, `not raised` is the other."""
    named = state_of(states, must_be)
    if named is not None:
        return named
    left = [s for s in states if must_be != f"not {s}" and must_be != f"not {key(s)}"]
    return left[0] if len(states) == 2 and len(left) == 1 else must_be
