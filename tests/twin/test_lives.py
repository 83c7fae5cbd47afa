"""Nothing that a procedure grants can harm in any truth which the reports that count leave open; and no stop ends without one.

Random small rulebooks that nobody has explored, and random lives of them (`lives`): people at work and beside it, reports that age, reports
that don't count, steps, happenings, hand-overs.
"""

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from functools import cache
from itertools import islice, product
from random import Random
from typing import Any

import pytest

from fieldworthy.core.answer.clearance import answer_clearance
from fieldworthy.core.answer.interrupted import unsettled
from fieldworthy.core.answer.meanwhile import TOLD_OTHERWISE
from fieldworthy.core.answer.procedure import answer_procedure
from fieldworthy.core.answer.progress import read_progress
from fieldworthy.core.answer.words import all_words
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.condition.ast import Condition
from fieldworthy.core.condition.evaluate import evaluate, names_of
from tests.twin.lives import (
    END,
    NOW_AT,
    NUMBERS,
    OWN,
    PEOPLE,
    Life,
    Report,
    Slot,
    World,
    lives,
    open_worlds,
    read,
    spoken_of,
    whatever_happens,
)

BOOKS = 75
MOST_WAYS = 8


def ask(life: Life) -> dict[str, Any]:
    return answer_procedure(life.book, life.question()).to_json()


def granted(answer: dict[str, Any]) -> bool:
    return bool(answer["next"]["clearance"] == "granted")


@cache
def answered() -> list[tuple[Life, dict[str, Any]]]:
    return [(life, ask(life)) for life in lives(Random("lived 12"), BOOKS)]


@cache
def cleared() -> list[tuple[Life, dict[str, str], dict[str, Any]]]:
    """What is asked for by the same kind of reports, with nothing said of any step: an action, and that it be as somebody reported."""
    draw, found = Random("asked without steps 12"), []
    for life in lives(Random("lived without steps 12"), BOOKS):
        alone = replace(life, done=[])
        asked = [{"action": draw.choice(sorted(life.pieces["actions"]))}]
        if seen := [f"{r.slot[0]} is {r.value}" for r in life.reports if r.counts and r.slot[0] not in NUMBERS]:
            asked.append({"needs": draw.choice(seen)})
        found += [(alone, each, answer_clearance(life.book, alone.asking(**each), way=False).to_json()) for each in asked]
    return found


def added_up(life: Life, world: World) -> dict[str, Any]:
    """What all reports add up to: who is at rest says nothing against another, and who differ otherwise leave it open."""
    found = {fact: value for fact, value in life.of_one(world, "p-1").items() if fact not in OWN}
    for fact in life.states.keys() & set(OWN):
        of_each = {life.of_one(world, person)[fact] for person in spoken_of(life, fact)}
        value = of_each if len(of_each) < 2 else of_each - {life.states[fact][0]}
        found |= {fact: value.pop()} if len(value) == 1 else {}
    return found


def some_of(life: Life) -> Iterable[Life]:
    """The life for every way to say whose what has no name is, up to so many."""
    return islice(life.whoever(), MOST_WAYS)


def told(life: Life, *more: Any) -> str:
    return f"{life.pieces}\n{life.done} {life.asks}\n" + "\n".join(map(str, [*sorted(life.reports, key=lambda r: r.at), *more]))


def harms(life: Life, needs: list[Condition], involved: set[str], makes: tuple[Slot, str] | None) -> str | None:
    """Whether it can, in any truth that the reports leave open: what is needed is not so, or the hazard is there or comes about."""
    worlds = open_worlds(life)
    for need in needs:
        for world in worlds:
            if evaluate(need, added_up(life, world)) is not Truth.YES:
                return told(life, "need", need, world)
    never = read(life.pieces["hazards"]["harm"]["never"])
    if involved.isdisjoint(names_of(never)):
        return None
    after = worlds if makes is None else {life.changed(world, *makes) for world in worlds}
    for world in whatever_happens(life, worlds | after):
        for person in PEOPLE:
            if evaluate(never, life.of_one(world, person)) is Truth.YES:
                return told(life, "harm", person, world)
    return None


def test_what_is_granted_is_safe_in_every_truth_that_the_reports_leave_open() -> None:
    for life, answer in answered():
        if granted(answer):
            step = answer["steps"][len(life.done)]
            needs = [read(text) for text in (step["needs"],) if text is not None]
            involved = {name for text in (step["needs"], step["holds"], step["makes"]) if text for name in names_of(read(text))}
            for each in some_of(life):
                found = harms(each, needs, involved, each.makes(each.next, each.asks))
                assert found is None, f"{life.reports}\n{life.done}\n{found}"


def test_what_is_cleared_is_safe_in_every_truth_that_the_reports_leave_open() -> None:
    for life, asked, answer in cleared():
        if answer["clearance"] == "granted":
            works = life.pieces["actions"][asked["action"]] if "action" in asked else asked
            needs = [read(works["needs"])] if "needs" in works else []
            involved = {name for text in (works.get("needs"), works.get("makes")) if text for name in names_of(read(text))}
            for each in some_of(life):
                found = harms(each, needs, involved, each.made_by(asked["action"], each.asks) if "action" in asked else None)
                assert found is None, f"{asked}\n{life.reports}\n{found}"


def last_words(life: Life, slot: Slot) -> set[Any]:
    """What may be so by the last report that counts, what steps made after it, and what does not count after it."""
    reports = [r for r in life.reports if r.slot == slot]
    last = max((r.at for r in reports if r.counts), default=-1)
    made = {state for at, each, state in life.made() if each == slot and at > last}
    return {int(value) if slot[0] in NUMBERS else value for value in made | {r.value for r in reports if r.at >= last}}


def test_nothing_is_granted_while_a_hazard_may_be_there_by_what_was_said_last() -> None:
    for life, answer in answered():
        never = read(life.pieces["hazards"]["harm"]["never"])
        texts = [step[kind] for step in answer["steps"] for kind in ("needs", "holds", "makes") if step[kind]]
        if not granted(answer) or {name for text in texts for name in names_of(read(text))}.isdisjoint(names_of(never)):
            continue
        for each in some_of(life):
            for person in PEOPLE:
                slots = [slot for slot in life.slots if slot[1] in (None, person)]
                for values in product(*(last_words(each, slot) or {None} for slot in slots)):
                    said = {fact: value for (fact, _), value in zip(slots, values, strict=True) if value is not None}
                    assert evaluate(never, said) is not Truth.YES, told(life, person, said)


def stops(life: Life, answer: dict[str, Any]) -> bool:
    """Whether the work is interrupted, or may have to be by what was said last."""
    progress = read_progress(life.book, life.question())
    return answer["interrupted"] is not None or bool(unsettled(progress, all_words(progress))[0])


def later(life: Life, seconds: int) -> Life:
    """The same, so much later."""
    done = [(at - seconds, by, named) for at, by, named in life.done]
    return replace(life, done=done, reports=[replace(r, at=r.at - seconds if r.at <= END else r.at) for r in life.reports])


@pytest.mark.parametrize("ended_by", ["time", "what does not count", "beginning", "one more person"])
def test_no_stop_ends_without_a_report_that_counts(ended_by: str) -> None:
    draw = Random(ended_by)
    for life, answer in answered():
        if not stops(life, answer) or answer["ready_at"] is not None or (ended_by == "time" and any(r.ahead for r in life.reports)):
            continue  # once its time has come, a report from a clock that is ahead ends a stop: nobody can tell then
        then, question = life, None
        slot = draw.choice(life.slots)
        value = draw.choice(life.states[slot[0]])
        match ended_by:
            case "time":
                then = later(life, draw.choice([1, 4, 7, 10, 100]))
            case "what does not count":
                more = Report(slot, value, END, seen=False) if draw.random() < 0.5 else Report(slot, value, END + 600)
                then = replace(life, reports=[*life.reports, more])
            case "beginning":
                question = replace(life.question(), begun=NOW_AT)
            case _:
                then = replace(life, reports=[*life.reports, Report((slot[0], "p-9"), value, END)] if slot[1] else life.reports)
        found = answer_procedure(then.book, question or then.question()).to_json()
        assert not granted(found), told(life, then.reports[-1:], ended_by)


@pytest.mark.parametrize(
    "kind",
    [
        "granted",
        "granted and needed",
        "granted near a hazard",
        "interrupted",
        "waits",
        "two people",
        "nameless",
        "a clock ahead",
        "looked at again",
        "cleared",
        "cleared near a hazard",
        "again before it is cleared",
    ],
)
def test_enough_of_each_kind(kind: str) -> None:
    counted = Counter[str]()
    for life, answer in answered():
        step = answer["steps"][len(life.done)]
        counted["granted"] += granted(answer)
        counted["granted and needed"] += granted(answer) and step["needs"] is not None
        counted["granted near a hazard"] += any(r["code"] == "hazard-excluded" for r in answer["next"]["because"]) and granted(answer)
        counted["interrupted"] += answer["interrupted"] is not None
        counted["waits"] += answer["interrupted"] is None and stops(life, answer)
        counted["two people"] += granted(answer) and len(spoken_of(life)) > 1
        counted["nameless"] += granted(answer) and len(list(life.whoever())) > 1
        counted["a clock ahead"] += granted(answer) and any(r.ahead for r in life.reports)
        counted["looked at again"] += any(TOLD_OTHERWISE in missing["text"] for missing in answer["next"]["missing"])
    for _, asked, answer in cleared():
        near = any(r["code"] == "hazard-excluded" for r in answer["because"])
        counted["cleared"] += answer["clearance"] == "granted" and "needs" in asked
        counted["cleared near a hazard"] += answer["clearance"] == "granted" and near
        counted["again before it is cleared"] += any(TOLD_OTHERWISE in missing["text"] for missing in answer["missing"])
    assert counted[kind] >= (3 if "again" in kind else 10), counted
