"""May this task, step or action start now? `granted` or `withheld`, and why.

Granted only when everything needed is true, every hazard that shares a fact with it is excluded, now and after the action, whatever the
machine does by itself from there, and no open work is disturbed. What is not known never grants.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Literal

from fieldworthy.core.answer.asked import Asked, ClearanceQuestion, read_question
from fieldworthy.core.answer.cleared import DISCLAIMER, Blocked, ClearanceAnswer, Unmet
from fieldworthy.core.answer.evidence import FOREVER, Doubt, Evidence, Known, Missing, added_up, said, span_text, weigh
from fieldworthy.core.answer.first import First, Situation, do_first, needs_evidence
from fieldworthy.core.answer.hazards import Hazards, Persons, State, lacks, of_hazard, persons_of
from fieldworthy.core.answer.lasting import stands_until
from fieldworthy.core.answer.meanwhile import standing, stands_on
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
    own_holds,
    reported_off,
    takes_off,
)
from fieldworthy.core.base.names import key
from fieldworthy.core.base.reason import Reason
from fieldworthy.core.base.truth import Truth, all_of
from fieldworthy.core.base.vocabulary import Fact, state_of
from fieldworthy.core.condition.ast import Condition
from fieldworthy.core.condition.evaluate import Shortfall, Value, names_of, shortfall
from fieldworthy.core.condition.explain import render
from fieldworthy.core.condition.search import Effort
from fieldworthy.core.procedure.bits import Danger
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

_SAYS = {Truth.YES: ("true", "is true"), Truth.NO: ("not-true", "is not true"), Truth.UNKNOWN: ("not-known", "is not known")}


def answer_clearance(book: CheckedRulebook, question: ClearanceQuestion, way: bool = True, doubts: Sequence[Doubt] = ()) -> ClearanceAnswer:
    """
    Whether it may start now, from the rulebook, the evidence and the open work sent with the question, and nothing else.

    way: whether what has to be done first is sought. doubts: what is not known, whatever the evidence says. Raises Refused for a question
    that names what the rulebook does not declare, or a machine or task that does not fit it.
    """
    asked = read_question(book, question)
    facts = book.vocabulary.facts
    happenings = tuple(book.works.happenings.values())
    kept, more = standing(happenings, facts, question.evidence, question.now, question.made)
    more = (*more, *reported_off(facts, kept, question.now, question.put_on))
    answer = _Judging(book, replace(question, evidence=tuple(kept)), asked, way=way, doubts=(*doubts, *more)).answer()

    def still(later: datetime) -> bool:
        good, more = standing(happenings, facts, question.evidence, later, question.made)
        if set(map(id, kept)) <= set(map(id, good)):
            return True
        then = replace(question, now=later, evidence=tuple(good))
        return _Judging(book, then, asked, way=False, doubts=(*doubts, *more)).answer().granted

    return answer.until(stands_on(happenings, facts, kept, question.now, answer.valid_until, still)) if answer.granted else answer


def clear(book: CheckedRulebook, question: ClearanceQuestion, way: bool, doubts: Sequence[Doubt]) -> ClearanceAnswer:
    """The same by reports of which it was looked at already whether what they tell may have changed by itself."""
    return _Judging(book, question, read_question(book, question), way=way, doubts=doubts).answer()


@dataclass(slots=True)
class _Judging:
    """One question on its way to its answer: what was found so far."""

    book: CheckedRulebook
    question: ClearanceQuestion
    asked: Asked
    facts: Mapping[str, Fact] = field(init=False)
    found: Mapping[str, Known | Missing] = field(init=False)
    persons: Persons = field(init=False)
    now: State = field(init=False)
    after: Sequence[State] = field(init=False)
    hazards: Hazards = field(init=False)
    holding: tuple[Holding, ...] = field(init=False)
    locks: tuple[PutOn, ...] = field(init=False)
    way: bool = True
    doubts: Sequence[Doubt] = ()
    granted: bool = True
    until: datetime = FOREVER
    unmet: dict[str, Unmet] = field(default_factory=dict)
    unknown: dict[str, Missing] = field(default_factory=dict)
    because: list[Reason] = field(default_factory=list)
    used: dict[str, None] = field(default_factory=dict)

    def __post_init__(self) -> None:
        asks = self.question
        self.facts = self.book.vocabulary.facts
        doubted = {key(doubt.missing.fact): doubt.missing for doubt in reversed(self.doubts)}
        self.found = {**weigh(self.facts, asks.evidence, asks.now), **doubted}
        self.persons = persons_of(self.facts, asks.evidence, asks.now, self.doubts)
        known = {name: each for name, each in self.found.items() if isinstance(each, Known)}
        self.now = State({n: each.value for n, each in known.items()}, {n: each.until for n, each in known.items()})
        self.after = self.persons.after(self.now, self.asked.makes, asks.by)
        self.hazards = Hazards(self.book, self.asked)
        self.holding = holding(self.book, asks.open_work, asks.by, asks.task, asks.step, asks.begun)
        self.locks = not_the_askers(asks.put_on, asks.by)

    def answer(self) -> ClearanceAnswer:
        self._not_said()
        for label, condition in self.asked.needs:
            self._must("needs", label, condition, [self.now])
        for label, condition in self.asked.holds:
            self._must("holds", label, condition, self.after)
        if not self.asked.needs and not self.asked.holds:
            self._say("nothing-needed", f"The rulebook states nothing that {self.asked.subject} needs.", {"of": self.asked.subject})
        self._not_counted()
        for danger in self.hazards.near:
            self._exclude(danger)
        apart = self._apart()
        blocked = (*self._locked(), *self._blocked(apart))
        first = None if self.granted or not self.way else self._first(list(apart), bool(self.unmet or blocked))
        self._evidence()
        if first is not None:
            self.because.append(first.reason)
        holds = together(condition for _, condition in self.asked.holds_while_open)
        until = self.until if self.granted and self.until < FOREVER else None
        return ClearanceAnswer(
            granted=self.granted,
            unmet=tuple(self.unmet.values()),
            missing=(*self.asked.not_said, *self.unknown.values()),
            blocked_by=blocked,
            do_first=() if first is None else first.actions,
            cautions=self._cautions(),
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

    def _not_counted(self) -> None:
        """A clearance has no times of steps: of a wait it can't tell whether it is over."""
        if self.asked.waited is None or self.question.timed:
            return
        step, span = (self.question.step or 0) - 1, span_text(self.asked.waited)
        text = f"Step {step} is a wait of {span}, and a clearance counts no time: begin only once that is over."
        self._say("wait-not-counted", text, {"step": step, "wait": span})

    def _must(self, kind: Literal["needs", "holds"], label: str, condition: Condition, states: Sequence[State]) -> None:
        """A condition that must be true in all of these states: its truth, what it lacks, and how long it stands."""
        judged = [stands_until(condition, state.values, state.ends) for state in states]
        of_all = [stands_until(condition, added.values, added.ends) for added in (self._added_up(s, condition) for s in states)]
        if all(each is Truth.YES for each, _ in of_all):
            judged = of_all
        found = all_of(each for each, _ in judged)
        code, words = _SAYS[found]
        when = " once the action is done" if kind == "holds" and set(self.asked.makes) & set(names_of(condition)) else ""
        text = render(condition)
        self._say(f"{kind}-{code}", f"{label[:1].upper()}{label[1:]}: `{text}` {words}{when}.", {"of": label, "condition": text})
        self._use(names_of(condition))
        if found is Truth.YES:
            self.until = min(self.until, *(end for _, end in judged))
            return
        self.granted = False
        state = next(state for state, (each, _) in zip(states, judged, strict=True) if each is found)
        self._lacks(shortfall(condition, state.values, state.fixed), state.values)

    def _added_up(self, state: State, condition: Condition) -> State:
        """With what the reports of several persons add up to, where they differ and who is at rest says nothing against the others."""
        for name in names_of(condition):
            found = self.found[name]
            if name in self.asked.makes or not isinstance(found, Missing) or found.why != "contradictory":
                continue
            known = added_up(self.facts[name], self.question.evidence, self.question.now) if self.facts[name].per_person else None
            if known is not None:
                state = replace(state, values={**state.values, name: known.value}, ends={**state.ends, name: known.until})
        return state

    def _lacks(self, short: Shortfall, values: Mapping[str, Value]) -> None:
        for change in short.changes:
            fact = self.facts[change.fact]
            must = one_state(fact.states, change.must_be)
            known = self.unmet.get(change.fact)
            if known is None:
                self.unmet[change.fact] = Unmet(fact.name, said(fact, values.get(change.fact)), must)
            elif must not in known.must_be.split(" and "):
                self.unmet[change.fact] = Unmet(fact.name, known.is_, f"{known.must_be} and {must}")
        self._not_known(short.unknown)

    def _not_known(self, names: Iterable[str]) -> None:
        for name in names:
            found = self.found[name]
            self.unknown.setdefault(name, found if isinstance(found, Missing) else self.persons.missing(self.facts[name]))

    def _use(self, names: Iterable[str]) -> None:
        self.used.update(dict.fromkeys(names))

    def _exclude(self, danger: Danger) -> None:
        """A hazard must be excluded now, and after the action: of every person, and whatever the machine does by itself from there."""
        hazard, now = danger.hazard, self.hazards.look(danger, self.persons.now(self.now))
        after = self.hazards.look(danger, self.after) if self.asked.makes else now
        self._use(self.hazards.named(danger))
        values: dict[str, Any] = {"hazard": hazard.name, "never": render(hazard.never)}
        if now.found is Truth.NO and after.found is Truth.NO:
            self.until = min(self.until, now.until, after.until)
            self._say("hazard-excluded", f"Hazard `{hazard.name}` is excluded: `{values['never']}` is not so.", values)
            return
        self.granted = False
        worst = min(now, after, key=lambda look: (Truth.YES, Truth.UNKNOWN, Truth.NO).index(look.found))
        over = [happening.name for happening in worst.over]
        code, words = of_hazard(worst, values["never"], f" by itself ({', then '.join(f'`{each}`' for each in over)})" if over else "")
        self._say(code, f"Hazard `{hazard.name}` {words}.", {**values, "over": over} if over else values)
        for look in (now,) if after is now else (now, after):
            if not look.shown:
                self._not_shown(danger)
            elif look.found is not Truth.NO:
                for short, state in lacks(hazard.never, look, self._mended(look.state.fixed)):
                    self._lacks(short, state)

    def _not_shown(self, danger: Danger) -> None:
        fact = self.facts[names_of(danger.hazard.never)[0]]
        text = f"What the machine can do by itself was not looked at to its end: hazard `{danger.hazard.name}` is not shown to be excluded."
        self.unknown.setdefault(key(fact.name), Missing(fact.name, "not-shown", text, "Go by the machine's handbook."))

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
            holds = never_together(mine, work.holds, self.facts, self.after[0].values, effort)
            if holds is None or mine is None or work.work in [each.work for each in found]:
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
            name = key(lock.fact)
            if not takes_off(self.asked.makes, lock):
                continue
            self.used[name] = None
            fact, stays = self.facts[name].name, render(lock.stays)
            values = {"fact": fact, "state": lock.state, "by": lock.by}
            if lock in self.locks:
                self.granted = False
                if name not in self.now.values:
                    self._not_known((name,))
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
        makes, values = self.asked.makes, self.now.values
        changed = {name for name, state in makes.items() if values.get(name) != key(state) or self.facts[name].per_person}
        told: list[OpenWork] = []
        for work in self.holding:
            if work in apart:
                told.append(work.work)
                yield Blocked(work.work.work, work.work.who, render(apart[work]))
                continue
            named = set(makes) & set(names_of(work.holds))
            if not named or work.work in told:
                continue
            self._use(names_of(work.holds))
            judged = [stands_until(work.holds, state.values, state.ends) for state in self.after]
            found = all_of(each for each, _ in judged)
            if found is Truth.YES:
                self.until = min(self.until, *(end for _, end in judged))
                continue
            if not changed & named:  # so it is already: that no longer counts when its evidence ends
                self.until = min([self.until, *(self.now.ends[name] for name in named)])
                continue
            self.granted = False
            told.append(work.work)
            state = next(state for state, (each, _) in zip(self.after, judged, strict=True) if each is found)
            text = render(work.broken(state.values))
            words = f"Open work {work.whose} holds `{text}`, which {_SAYS[found][1]} once the action is done."
            nameless = not self.question.by or not work.work.who
            if nameless and self.question.task is not None and key(work.work.task) == key(self.question.task):
                words += " If it is the work that this goes on with, send who it is of (`by`) with both; else it must be handed over."
            self._say("blocked-by-open-work", words, {"work": work.work.work, "by": work.work.who, "holds": text})
            self._not_known(shortfall(work.holds, state.values).unknown)
            yield Blocked(work.work.work, work.work.who, text)

    def _first(self, apart: Sequence[Holding], against: bool) -> First:
        """The way from here; what keeps it from being told is missing too. against: whether anything that is known stands against it."""
        asks, asked = self.question, self.asked
        situation = Situation(
            book=self.book,
            asked=asked,
            values=self.now.values,
            after=self.after[0].values,
            hazards=[danger.hazard for danger in self.hazards.near],
            holding=self.holding,
            apart=apart,
            locks=self.locks,
            own=own_holds(self.book, asks.open_work, asks.by, asks.task, asks.step, asks.begun),
            persons=self.persons.places(asks.by, self.now.values),
        )
        first = do_first(situation) if against else needs_evidence(tuple(self.unknown), situation)
        self._not_known(first.missing)
        return first

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

    def _cautions(self) -> tuple[Hazard, ...]:
        near = {danger.hazard.name for danger in self.hazards.near}
        later = self.asked.touched_later
        named = [h for h in self.book.works.hazards.values() if h.name in near or later & set(names_of(h.never))]
        return tuple(sorted(named, key=lambda h: -RANK[h.signal]))


def one_state(states: tuple[str, ...], must_be: str) -> str:
    """What a fact must be, as one declared state where that is settled: of two states, `not raised` is the other."""
    named = state_of(states, must_be)
    if named is not None:
        return named
    left = [s for s in states if must_be != f"not {s}" and must_be != f"not {key(s)}"]
    return left[0] if len(states) == 2 and len(left) == 1 else must_be
