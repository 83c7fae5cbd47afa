"""What other people have in hand on the same machine: work that is open, locks and covers that were put on, and their hand-over.

A lock or cover is taken off by whoever put it on, or by hand-over with name and reason (the order of 29 CFR 1910.147(e)(3), and of its
exception). Once it was handed over it is in the hands of the one it was handed to, and of nobody else. A report that it is off takes
nothing off: it may be older than the lock.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from fieldworthy.core.answer.evidence import Doubt, Evidence, Known, Missing, how_to_find_out, weigh
from fieldworthy.core.base.finding import Finding, did_you_mean, or_list, pointer
from fieldworthy.core.base.names import blank, key, tidy
from fieldworthy.core.base.truth import Truth, all_of
from fieldworthy.core.base.vocabulary import Fact, state_of
from fieldworthy.core.condition.ast import Condition, Joined, StateTest
from fieldworthy.core.condition.evaluate import Value, evaluate, names_of
from fieldworthy.core.condition.search import Effort, TooLarge, by_fact, find_state, values_of
from fieldworthy.core.procedure.steps import laid_out, together
from fieldworthy.core.rulebook.model import CheckedRulebook, Task

MOST_TESTS = 200_000
"""So many tests are judged at most for a question, to see what can be open together; beyond, it is taken not to be possible."""


@dataclass(frozen=True, slots=True)
class HandOver:
    """From whoever had it in hand to another. by: who decided it; why: the reason."""

    to: str
    by: str
    why: str


@dataclass(frozen=True, slots=True)
class OpenWork:
    """Work on the same machine that is started and not closed. step: counted from 1; None: the task as a whole. by: who started it."""

    work: str
    task: str
    step: int | None = None
    by: str | None = None
    hand_over: HandOver | None = None

    @property
    def who(self) -> str | None:
        """Whose work it is now."""
        return self.by if self.hand_over is None else self.hand_over.to


@dataclass(frozen=True, slots=True)
class PutOn:
    """A lock or cover: the state that somebody brought a fact into, and in which it stays until it is taken off by whose it is."""

    fact: str
    state: str
    by: str
    hand_over: HandOver | None = None

    @property
    def who(self) -> str:
        """In whose hands it is now."""
        return self.by if self.hand_over is None else self.hand_over.to

    @property
    def stays(self) -> StateTest:
        """What it asks for."""
        return StateTest(self.fact, self.state)


@dataclass(frozen=True, slots=True)
class Made:
    """
    What a step of other work on the machine made of a fact, and when; whose: of a fact `per: person`, of whom. state: None: it is not known
    which. It grants nothing and is no report: from it follows what may have come about by itself since.
    """

    fact: str
    state: str | None
    at: datetime
    whose: str | None = None


# --- reading what was sent ---------------------------------------------------------------------------------------------------


def check_put_on(facts: Mapping[str, Fact], put_on: Sequence[PutOn]) -> Iterator[Finding]:
    """Every lock or cover that the rulebook has no place for, and every hand-over that does not say enough."""
    for index, each in enumerate(put_on):
        fact = facts.get(key(each.fact))
        if fact is None:
            mend = did_you_mean(each.fact, [f.name for f in facts.values()], "send only facts that the rulebook declares")
            yield Finding("question.unknown_fact", f"no fact is called `{each.fact}`", mend, path=pointer("put_on", index, "fact"))
        elif fact.is_number:
            message, mend = f"`{fact.name}` is a number, and nobody puts it on", "send a fact that has states"
            yield Finding("question.state_needed", message, mend, path=pointer("put_on", index, "fact"))
        elif state_of(fact.states, each.state) is None:
            mend = did_you_mean(each.state, fact.states, f"send one of {or_list(fact.states)}")
            message = f"`{fact.name}` has no state `{each.state}`"
            yield Finding("question.unknown_state", message, mend, path=pointer("put_on", index, "state"))
        if blank(each.by):
            message, mend = "it is not said who put it on", "send the name of whoever put it on"
            yield Finding("question.nobody_named", message, mend, path=pointer("put_on", index, "by"))
        yield from check_hand_over(each.hand_over, "put_on", index)


def check_hand_over(given: HandOver | None, room: str, index: int) -> Iterator[Finding]:
    """A hand-over names who takes over, who decided it, and why."""
    if given is None:
        return
    for member, words in (
        ("to", "to whom it was handed over"),
        ("by", "who decided the hand-over"),
        ("why", "the reason of the hand-over"),
    ):
        if blank(getattr(given, member)):
            mend = f"say {words}: without it nothing is handed over"
            yield Finding("question.hand_over", f"{words} is not said", mend, path=pointer(room, index, "hand_over", member))
    if same_person(given.to, given.by) and not blank(given.to):
        message = f"`{given.to}` takes over what `{given.by}` decided to hand over: nobody hands it over to themselves"
        mend = "name who else decided it: whoever had it in hand, or who answers for them"
        yield Finding("question.hand_over", message, mend, path=pointer(room, index, "hand_over", "by"))


def same_person(one: str | None, other: str | None) -> bool:
    """Whether both are named, and alike, however their characters are composed and spaced; case counts, for ids may differ in it."""
    return one is not None and other is not None and tidy(one) == tidy(other)


# --- locks and covers --------------------------------------------------------------------------------------------------------


def not_the_askers(put_on: Iterable[PutOn], asks: str | None) -> tuple[PutOn, ...]:
    """The locks and covers that are in other hands than those of whoever asks: all of them, where that is not said."""
    return tuple(each for each in put_on if not same_person(each.who, asks))


def takes_off(makes: Mapping[str, str], each: PutOn) -> bool:
    """Whether an action makes the fact another than the state that was put on."""
    state = makes.get(key(each.fact))
    return state is not None and key(state) != key(each.state)


def reported_off(facts: Mapping[str, Fact], evidence: Iterable[Evidence], now: datetime, put_on: Iterable[PutOn]) -> Iterator[Doubt]:
    """
    The facts of which the reports say otherwise than what was put on: which of them is so is not known. Whatever puts it on tells no time,
    so the report may be older than it is. Reports passed check_evidence.
    """
    named = {key(each.fact): facts[key(each.fact)] for each in put_on}
    found = weigh(named, (r for r in evidence if key(r.fact) in named), now) if named else {}
    for each in put_on:
        known = found[key(each.fact)]
        if isinstance(known, Known) and known.value != key(each.state):
            fact = known.fact
            text = (
                f"`{fact.name}` was put on `{state_of(fact.states, each.state)}` by `{each.by}`, and what was reported says `{known.said}`."
            )
            off = f"Where it is off, `{each.who}` takes it off the list: leave it out of `put_on`, or on a kept machine send `taken-off`."
            how = f"{off} {how_to_find_out(fact)}"
            yield Doubt(Missing(fact.name, "contradictory", text, how))


# --- open work ---------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Holding:
    """Open work, and what it holds or may hold: its task's holds and a step's."""

    work: OpenWork
    holds: Condition

    @property
    def whose(self) -> str:
        """`w-7` of `p-4`, in words."""
        return f"`{self.work.work}`" + (f" of `{self.work.who}`" if self.work.who else "")

    def broken(self, values: Mapping[str, Value]) -> Condition:
        """Those of its holds that are not true of these values; all of them where that can't be told apart."""
        return together(part for part in parts_of(self.holds) if evaluate(part, values) is not Truth.YES) or self.holds


def holding(
    book: CheckedRulebook, works: Sequence[OpenWork], asks: str | None, task: str | None, step: int | None, begun: bool = False
) -> tuple[Holding, ...]:
    """
    The open work that holds anything. Who asks for a step of a task that they have open themselves goes on with it: what its last step
    held ends as the next begins, and what the task holds is asked for anyway, so that this work is left out. It is one work and no more.

    Work that says no step may be at any of its task's: it stands here once for each of the holds that it may have.
    """
    found = []
    own = goes_on_with(works, asks, task, step, begun)
    for work in works:
        if work is own:
            continue
        of = book.tasks[key(work.task)]
        steps = laid_out(of.steps, book.works.procedures)
        at = steps if work.step is None else steps[work.step - 1 : work.step]
        several = dict.fromkeys(together((of.holds, each)) for each in ([step.holds for step in at] or [None]))
        found += [Holding(work, holds) for holds in several if holds is not None]
    return tuple(found)


def goes_on_with(works: Sequence[OpenWork], asks: str | None, task: str | None, step: int | None, begun: bool = False) -> OpenWork | None:
    """
    The open work that a step goes on with: of whoever asks, of the same task, and at the step before or at this one (which of them comes
    first by whether this one is begun), else at one that it does not say. At any other step it is another, which holds for oneself too.
    """
    if task is None or step is None:
        return None
    alike = [w for w in works if same_person(w.who, asks) and key(w.task) == key(task)]
    places = (step, step - 1, None) if begun else (step - 1, step, None)
    return next((w for at in places for w in alike if w.step == at), None)


def own_holds(
    book: CheckedRulebook, works: Sequence[OpenWork], asks: str | None, task: str | None, step: int | None, begun: bool = False
) -> Condition | None:
    """
    What is held until this step begins by the work that it goes on with: what the task holds and what its last step held. That is the step
    before, or this one where it is begun or its own work says that it is at it. None for what is no step, and before the first.
    """
    if task is None or step is None:
        return None
    own = goes_on_with(works, asks, task, step, begun)
    last = max(step if begun else step - 1, (own.step or 0) if own is not None else 0)
    if last == 0:
        return None
    of = book.tasks[key(task)]
    return together((of.holds, laid_out(of.steps, book.works.procedures)[last - 1].holds))


def parts_of(c: Condition) -> tuple[Condition, ...]:
    """What an `and` is made of; else the condition itself."""
    return c.parts if isinstance(c, Joined) and c.op == "and" else (c,)


def never_together(
    mine: Condition | None, theirs: Condition, facts: Mapping[str, Fact], values: Mapping[str, Value], effort: Effort
) -> Condition | None:
    """
    Those of their holds that no state allows together with mine; None where some state allows all. values: a state to look at first.

    A fact `per: person` never decides: theirs is another person's. Where the effort does not do, it is all of theirs: what is not shown to
    go together does not. A condition that no state allows by itself keeps nobody else out.
    """
    if mine is None or not set(names_of(mine)) & set(names_of(theirs)):
        return None
    if all_of((evaluate(mine, values), evaluate(theirs, values))) is Truth.YES:
        return None

    def possible(own: Condition | None, other: Condition | None) -> bool:
        """Whether there is a state in which both are true. Raises TooLarge."""
        tests = by_fact([c for c in (own, other) if c is not None])
        choices = {name: values_of(facts[name], each) for name, each in tests.items()}
        another = {name: f"{name}\0" for name in tests if facts[name].per_person}  # no declared name holds this character
        choices |= {name: choices[of] for of, name in another.items()}

        def both(state: Mapping[str, Value]) -> Truth:
            found = Truth.YES if own is None else evaluate(own, state)
            return found if other is None else all_of((found, evaluate(other, {**state, **{f: state.get(n) for f, n in another.items()}})))

        return find_state(both, choices, sum(len(each) for each in tests.values()), effort) is not None

    try:
        if possible(mine, theirs) or not possible(None, theirs) or not possible(mine, None):
            return None
        return together(part for part in parts_of(theirs) if not possible(mine, part)) or theirs
    except TooLarge:
        return theirs


def apart_later(book: CheckedRulebook, task: Task, holding: Sequence[Holding]) -> Iterator[tuple[int, Holding, Condition]]:
    """The steps of a task that can't be open together with open work: their number, that work, and which of its holds can't."""
    effort = Effort(MOST_TESTS)
    for number, step in enumerate(laid_out(task.steps, book.works.procedures), 1):
        for work in holding if step.holds is not None else ():
            holds = never_together(together((task.holds, step.holds)), work.holds, book.vocabulary.facts, {}, effort)
            if effort.left < 0:  # what is not shown is not told here: the step will be asked for itself
                return
            if holds is not None:
                yield number, work, holds
