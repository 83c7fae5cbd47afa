"""Nothing that a procedure grants can harm in any truth which the reports that count leave open; and no stop ends without one.

Random small rulebooks that nobody has explored, and random lives of them (`lives`): people at work and beside it, reports that age, reports
that don't count, steps, happenings, hand-overs.
"""

from collections import Counter
from dataclasses import replace
from functools import cache
from itertools import product
from random import Random
from typing import Any

import pytest

from fieldworthy.core.answer.interrupted import unsettled
from fieldworthy.core.answer.procedure import answer_procedure
from fieldworthy.core.answer.progress import read_progress
from fieldworthy.core.answer.words import all_words
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.condition.ast import Condition
from fieldworthy.core.condition.evaluate import evaluate, names_of
from tests.twin.lives import (
    END,
    NOW_AT,
    SLOTS,
    STATES,
    Life,
    Report,
    World,
    changed,
    lives,
    of_one,
    open_worlds,
    read,
    spoken_of,
    whatever_happens,
)

BOOKS = 90


def ask(life: Life) -> dict[str, Any]:
    return answer_procedure(life.book, life.question()).to_json()


def granted(answer: dict[str, Any]) -> bool:
    return bool(answer["next"]["clearance"] == "granted")


@cache
def answered() -> list[tuple[Life, dict[str, Any]]]:
    return [(life, ask(life)) for life in lives(Random("lived"), BOOKS)]


def added_up(world: World, people: list[str]) -> dict[str, str]:
    """What all reports add up to: who is at rest says nothing against another, and who differ otherwise leave it open."""
    of_each = {of_one(world, person)["who"] for person in people}
    value = of_each if len(of_each) < 2 else of_each - {"clear"}
    machine = {fact: v for fact, v in of_one(world, "p-1").items() if fact != "who"}
    return machine | ({"who": value.pop()} if len(value) == 1 else {})


def needed(life: Life, answer: dict[str, Any]) -> list[Condition]:
    step = answer["steps"][len(life.done)]
    return [read(text) for text in (step["needs"],) if text is not None]


def told(life: Life, *more: Any) -> str:
    return f"{life.pieces}\n{life.done} {life.asks}\n" + "\n".join(map(str, [*sorted(life.reports, key=lambda r: r.at), *more]))


def test_what_is_granted_is_safe_in_every_truth_that_the_reports_leave_open() -> None:
    for life, answer in answered():
        if not granted(answer):
            continue
        worlds, people = open_worlds(life), spoken_of(life)
        step = answer["steps"][len(life.done)]
        for need in needed(life, answer):
            for world in worlds:
                assert evaluate(need, added_up(world, people)) is Truth.YES, told(life, "need", need, world)
        involved = {name for text in (step["needs"], step["holds"], step["makes"]) if text for name in names_of(read(text))}
        never = read(life.pieces["hazards"]["harm"]["never"])
        if involved.isdisjoint(names_of(never)):
            continue
        makes = life.makes(life.next, life.asks)
        after = worlds if makes is None else {changed(world, *makes) for world in worlds}
        for world in whatever_happens(life, worlds) | whatever_happens(life, after):
            for person in people:
                assert evaluate(never, of_one(world, person)) is not Truth.YES, told(life, "harm", person, world)


def last_words(life: Life, slot: tuple[str, str | None]) -> set[str]:
    """What may be so by the last report that counts, what steps made after it, and what does not count after it."""
    reports = [r for r in life.reports if r.slot == slot]
    last = max((r.at for r in reports if r.counts), default=-1)
    made = {state for at, each, state in life.made() if each == slot and at > last}
    return made | {r.value for r in reports if r.at >= last}


def test_nothing_is_granted_while_a_hazard_may_be_there_by_what_was_said_last() -> None:
    for life, answer in answered():
        never = read(life.pieces["hazards"]["harm"]["never"])
        texts = [step[kind] for step in answer["steps"] for kind in ("needs", "holds", "makes") if step[kind]]
        if granted(answer) and not {name for text in texts for name in names_of(read(text))}.isdisjoint(names_of(never)):
            for person in ("p-1", "p-2"):
                slots = [slot for slot in SLOTS if slot[1] in (None, person)]
                for values in product(*(last_words(life, slot) or {None} for slot in slots)):
                    said = {fact: value for (fact, _), value in zip(slots, values, strict=True) if value is not None}
                    assert evaluate(never, said) is not Truth.YES, told(life, person, said)


def stops(life: Life, answer: dict[str, Any]) -> bool:
    """Whether the work is interrupted, or may have to be by what was said last."""
    progress = read_progress(life.book, life.question())
    return answer["interrupted"] is not None or bool(unsettled(progress, all_words(progress))[0])


def later(life: Life, seconds: int) -> Life:
    """The same, so much later."""
    done = [(at - seconds, by) for at, by in life.done]
    return replace(life, done=done, reports=[replace(r, at=r.at - seconds if r.at <= END else r.at) for r in life.reports])


@pytest.mark.parametrize("ended_by", ["time", "what does not count", "beginning", "one more person"])
def test_no_stop_ends_without_a_report_that_counts(ended_by: str) -> None:
    draw = Random(ended_by)
    for life, answer in answered():
        if not stops(life, answer) or answer["ready_at"] is not None:
            continue
        then, question = life, None
        slot = draw.choice(SLOTS)
        value = draw.choice(STATES[slot[0]])
        match ended_by:
            case "time":
                then = later(life, draw.choice([1, 4, 7, 10, 100]))
            case "what does not count":
                more = Report(slot, value, END, seen=False) if draw.random() < 0.5 else Report(slot, value, END + 600)
                then = replace(life, reports=[*life.reports, more])
            case "beginning":
                question = replace(life.question(), begun=NOW_AT)
            case _:
                then = replace(life, reports=[*life.reports, Report(("who", "p-9"), value, END)] if slot[1] else life.reports)
        found = answer_procedure(then.book, question or then.question()).to_json()
        assert not granted(found), told(life, then.reports[-1:], ended_by)


@pytest.mark.parametrize("kind", ["granted", "granted and needed", "granted near a hazard", "interrupted", "waits", "two people"])
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
    assert counted[kind] >= 20, counted
