"""Whether what was said last speaks against a procedure under way, and the way to safe.

Held against what was said last (`words`): what the task and its open step hold, what confirms the last step done, and every hazard that
names a fact of the task. The open step is the one begun, else the last one done: what it holds stays true until the next step begins; what
was broken by then stands until it is reported anew. Only what is known interrupts; what may be so lets the next step wait. Of a fact
`per: person` what one person's own reports say is said of that person, whatever others report of themselves.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from fieldworthy.core.answer.asked import Asked, Labelled
from fieldworthy.core.answer.clearance import one_state
from fieldworthy.core.answer.ended import Reports, missing_of
from fieldworthy.core.answer.evidence import Known, Missing, how_to_find_out, said, weigh
from fieldworthy.core.answer.first import First, FirstAction, Situation, do_first
from fieldworthy.core.answer.hazards import OfOne, Persons, persons_of
from fieldworthy.core.answer.held import Held, all_held, confirmation, hazards_of, of_worker, open_holds
from fieldworthy.core.answer.left import made_so_far
from fieldworthy.core.answer.others import holding, not_the_askers, parts_of
from fieldworthy.core.answer.progress import Progress
from fieldworthy.core.answer.words import ALL, EVER, Span, Told, Words, may_be
from fieldworthy.core.base.names import key, tidy
from fieldworthy.core.base.reason import Reason
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.base.vocabulary import Fact, state_of
from fieldworthy.core.condition.ast import Condition, Not, StateTest
from fieldworthy.core.condition.evaluate import Value, evaluate, names_of, shortfall
from fieldworthy.core.condition.explain import render
from fieldworthy.core.procedure.model import Hazard
from fieldworthy.core.procedure.steps import together


@dataclass(frozen=True, slots=True)
class Contradicts:
    """A known fact that stands against what is open: what it is, what it must be, and what asks for that, in words."""

    fact: str
    is_: str
    must_be: str
    held_by: str

    def to_json(self) -> dict[str, Any]:
        return {"fact": self.fact, "is": self.is_, "must_be": self.must_be, "held_by": self.held_by}


@dataclass(frozen=True, slots=True)
class Interrupted:
    """The work must stop. missing: facts not known, without which no way to safe is named; make_safe: that way, in order."""

    text: str
    contradicts: tuple[Contradicts, ...]
    missing: tuple[Missing, ...]
    make_safe: tuple[FirstAction, ...]
    because: tuple[Reason, ...]

    def to_json(self) -> dict[str, Any]:
        """The wire form, without `because`: that stands with the procedure's."""
        return {
            "text": self.text,
            "contradicts": [c.to_json() for c in self.contradicts],
            "missing": [m.to_json() for m in self.missing],
            "make_safe": [each.to_json() for each in self.make_safe],
        }


@dataclass(frozen=True, slots=True)
class Now:
    """
    What is known now by some reports. found: by names.key; values: of the known facts. persons: of each alone; each_person: what is known
    where one of them is meant.
    """

    reports: Reports
    found: Mapping[str, Known | Missing]
    values: Mapping[str, Value]
    persons: Persons
    each_person: Sequence[OfOne]


def known_now(progress: Progress, reports: Reports) -> Now:
    """What these reports say."""
    facts, now = progress.book.vocabulary.facts, progress.question.now
    found = {**weigh(facts, reports.kept, now), **reports.doubted()}
    values = {name: each.value for name, each in found.items() if isinstance(each, Known)}
    persons = persons_of(facts, reports.kept, now, reports.doubts)
    return Now(reports, found, values, persons, persons.each(values, _worker(progress)))


def _worker(progress: Progress) -> str | None:
    """Who is at work: whoever asks, else who did the last step."""
    return progress.question.by or (None if progress.last is None else progress.last.by)


# --- what speaks against it --------------------------------------------------------------------------------------------------


def _of_whom(
    progress: Progress, now: Now, condition: Condition, everybody: bool = False, confirms: bool = False
) -> Sequence[Mapping[str, Value]]:
    """What is known of each person whom a condition is about. () where it names nothing of a person, or nothing is known of them."""
    facts = progress.book.vocabulary.facts
    if not now.each_person or not any(facts[name].per_person for name in names_of(condition)):
        return ()
    worker = not everybody and of_worker(progress, condition, confirms)
    return [each.values for each in now.each_person if each.worker or not worker]


def _told(progress: Progress, words: Words, held: Held, may: bool = False) -> Iterator[Told]:
    """
    What was said last of what is held, of whom it is held. Where it is not said who did the step it is held of whoever asks and of whoever
    reports without a name; that it may be broken (may), of anybody.
    """
    of: tuple[str, ...] | None = None
    if of_worker(progress, held.condition, held.confirms) and (held.worker or not may):
        of = (held.worker,) if held.worker else (ALL, *((tidy(by),) if (by := _worker(progress)) else ()))
    return (told.without(held.coming) for told in words.told(held.condition, held.span, of))


def find_interruption(progress: Progress, words: Words, sure: Now) -> Interrupted | None:
    """
    What is known to speak against it by what was said last (words); None where nothing does, and before anything was done.

    sure: the reports on which a step may start, for the way to safe.
    """
    if not progress.done and progress.question.begun is None:
        return None
    facts = progress.book.vocabulary.facts
    against: list[Contradicts] = []
    because: dict[str, Reason] = {}
    broken: list[Labelled] = []
    for held in all_held(progress):
        for told in _told(progress, words, held):
            known = told.without(held.may_have_come).known
            if evaluate(held.condition, known) is Truth.NO:
                against += _contradicts(facts, held.condition, known, known, held.label)
                text = f"{_upper(held.label)}: `{render(held.condition)}` is not true."
                because[text] = _reason(held.code, text, held.label, held.condition)
                broken.append((held.label, held.condition))
                break
    for hazard in hazards_of(progress):
        for told in words.told(hazard.never):
            if evaluate(hazard.never, told.known) is Truth.YES:
                against += _present(facts, hazard, told.known, against)
                text = f"Hazard `{hazard.name}` is present: `{render(hazard.never)}`."
                because[text] = Reason("hazard-present", text, {"hazard": hazard.name, "never": render(hazard.never)})
                break
    if not against:
        return None
    once = tuple(dict.fromkeys(against))
    way = _make_safe(progress, sure, broken)
    missing = tuple(missing_of(m, sure.reports.ended) for n in way.missing if isinstance(m := sure.found[n], Missing))
    text = "The work must stop: " + "; ".join(_sentences(once)) + "."
    if way.reason.code == "at-rest":
        text += f" {way.reason.text}"
    elif not way.actions and not missing:
        text += " No declared action makes it safe: keep everybody clear, and do what the machine's handbook says."
    return Interrupted(text, once, missing, way.actions, (*because.values(), way.reason))


def unsettled(progress: Progress, words: Words) -> tuple[tuple[Reason, ...], tuple[Missing, ...]]:
    """
    What may speak against it by what was said last, and is not known: a stop does not end by itself. And what must be found out before
    anything comes next. () before anything was done.
    """
    because: dict[str, Reason] = {}
    missing: dict[str, Missing] = {}
    facts = progress.book.vocabulary.facts

    def look_at(condition: Condition, told: Told, span: Span, of: str) -> None:
        for name in names_of(condition):
            why = words.why(name, told, span, of)
            if why is not None:
                missing.setdefault(name, why)

    if not progress.done and progress.question.begun is None:
        return (), ()
    for held in all_held(progress):
        for told in _told(progress, words, held, may=True):
            if may_be(held.condition, False, told.may):
                text = f"{_upper(held.label)}: `{render(held.condition)}` is not known."
                because[text] = _reason("holds-not-known", text, held.label, held.condition)
                look_at(held.condition, told, held.span, held.label)
                for name in names_of(held.condition) if not held.worker and of_worker(progress, held.condition, held.confirms) else ():
                    if facts[name].per_person:
                        missing.setdefault(name, _nobody_named(facts[name], held.label))
    for hazard in hazards_of(progress):
        for told in words.told(hazard.never):
            if may_be(hazard.never, True, told.may):
                text = f"Hazard `{hazard.name}` can't be excluded: whether `{render(hazard.never)}` is not known."
                because[text] = Reason("hazard-not-excluded", text, {"hazard": hazard.name, "never": render(hazard.never)})
                look_at(hazard.never, told, EVER, hazard.name)
    return tuple(because.values()), tuple(missing.values())


def _nobody_named(fact: Fact, label: str) -> Missing:
    text = f"It is not said of whom `{fact.name}` is meant ({label}), and what was reported of it may be of them."
    how = "Send who did each step (`by`), and with each report who reports it."
    return Missing(fact.name, "must-be-reported-again", text, f"{how_to_find_out(fact)} {how}")


def _make_safe(progress: Progress, now: Now, broken: Sequence[Labelled]) -> First:
    """
    The shortest way to where what is open (and what is broken) holds again and no hazard is; where there is none, to where no hazard is
    and all that the procedure has changed is at rest. A fact not known comes first: then there is no way, and it is missing. On the way
    no action breaks what is open and still holds: on the first one all of it, on the second what the task holds, which then goes on to its
    end. Where the reports of several persons differ it is sought from what is known of the one against whom something stands.
    """
    facts = progress.book.vocabulary.facts
    values = _against(progress, now)
    wanted = dict.fromkeys((*open_holds(progress), *confirmation(progress), *broken))
    first = _way_to(progress, now, values, tuple(wanted), open_holds(progress))
    if first.actions or first.missing or first.reason.values.get("why") == "bound":
        return first
    at_rest = tuple(("what is at rest", StateTest(facts[name].name, facts[name].states[0])) for name, _ in made_so_far(progress))
    task = progress.task.holds
    second = _way_to(progress, now, values, at_rest, () if task is None else (("holds of the task", task),))
    return second if second.actions or second.missing or second.reason.code == "at-rest" else first


def _against(progress: Progress, now: Now) -> Mapping[str, Value]:
    """What all reports add up to, or, where nothing stands against that, what is known of the first person against whom something does."""
    wrong = [(h.never, Truth.YES, _of_whom(progress, now, h.never, everybody=True)) for h in hazards_of(progress)]
    wrong += [(c, Truth.NO, _of_whom(progress, now, c)) for _, c in open_holds(progress)]
    wrong += [(c, Truth.NO, _of_whom(progress, now, c, confirms=True)) for _, c in confirmation(progress)]

    def stands(c: Condition, truth: Truth, known: Mapping[str, Value]) -> bool:
        return evaluate(c, known if truth is Truth.YES else _without_what_comes(progress, known)) is truth

    if any(stands(c, truth, now.values) for c, truth, _ in wrong):
        return now.values
    return next((known for c, truth, persons in wrong for known in persons if stands(c, truth, known)), now.values)


def _way_to(progress: Progress, now: Now, values: Mapping[str, Value], wanted: tuple[Labelled, ...], kept: tuple[Labelled, ...]) -> First:
    """The way from these values to where `wanted` is so, on which what is true of `kept` stays so, of anybody of whom it is meant."""
    question, hazards = progress.question, hazards_of(progress)

    def of_each(part: Condition) -> Sequence[Mapping[str, Value]]:
        return () if values is now.values else _of_whom(progress, now, part)

    judged = [(c, Truth.YES) for _, c in wanted] + [(h.never, Truth.NO) for h in hazards]
    if all(evaluate(c, known) is truth for c, truth in judged for known in (values, now.values)):
        return First((), Reason("at-rest", "No hazard is present, and what the procedure has changed is at rest.", {}))
    return do_first(
        Situation(
            book=progress.book,
            asked=Asked("the way to safe", wanted),
            values=values,
            after=values,
            hazards=hazards,
            holding=holding(
                progress.book, question.open_work, question.by, question.task, progress.next or progress.done, question.begun is not None
            ),
            apart=(),
            locks=not_the_askers(question.put_on, question.by),
            own=together(
                part
                for _, c in kept
                for part in parts_of(c)
                if any(evaluate(part, known) is Truth.YES for known in (values, *of_each(part)))
            ),
            persons=now.persons.places(_worker(progress), values),
        )
    )


def _without_what_comes(progress: Progress, values: Mapping[str, Value]) -> Mapping[str, Value]:
    """The known facts without those that the action of the step begun is just changing: it is under way, and not against itself."""
    changing = {name for _, name in progress.changing()}
    return {n: v for n, v in values.items() if n not in changing}


def _contradicts(
    facts: Mapping[str, Fact], condition: Condition, values: Mapping[str, Value], known: Mapping[str, Value], held_by: str
) -> Iterator[Contradicts]:
    """What a condition lacks by these values. known: what is so in truth."""
    for change in shortfall(condition, values).changes:
        fact = facts[change.fact]
        yield Contradicts(fact.name, said(fact, known.get(change.fact)), one_state(fact.states, change.must_be), held_by)


def _present(facts: Mapping[str, Fact], hazard: Hazard, known: Mapping[str, Value], against: Sequence[Contradicts]) -> list[Contradicts]:
    """What must change for a hazard to be gone. What stands against it already is taken as mended: no second way out is asked for."""
    held_by, named = f"hazard `{hazard.name}`", names_of(hazard.never)
    states = {key(c.fact): state_of(facts[key(c.fact)].states, c.must_be) for c in against}
    mended = {**known, **{name: key(state) for name, state in states.items() if state is not None}}
    if evaluate(hazard.never, mended) is not Truth.NO:
        return list(_contradicts(facts, Not(hazard.never), mended, known, held_by))
    return [replace(c, held_by=held_by) for c in against if key(c.fact) in named]


def _sentences(against: Sequence[Contradicts]) -> Iterator[str]:
    """One for each fact and what it must be, with all that asks for it."""
    by: dict[tuple[str, str, str], list[str]] = {}
    for each in against:
        by.setdefault((each.fact, each.is_, each.must_be), []).append(each.held_by)
    for (fact, is_, must_be), held_by in by.items():
        yield f"`{fact}` is `{is_}` and must be `{must_be}` ({', '.join(held_by)})"


def _reason(code: str, text: str, label: str, condition: Condition) -> Reason:
    return Reason(code, text, {"of": label, "condition": render(condition)})


def _upper(words: str) -> str:
    return words[:1].upper() + words[1:]
