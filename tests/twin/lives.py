"""Small lives of a machine and two people, for the twin of the procedure: what truly was, what was told of it, and what may be so.

A life is fourteen seconds of a random small rulebook's task: steps are done, the machine does what it can by itself, somebody may change
anything, and each second tells something of what truly is. `open_worlds` goes through the same seconds and keeps every state that those
reports leave open which count; it knows nothing of how the service goes about it.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cache
from itertools import product
from random import Random
from typing import Any

from fieldworthy.core.answer.evidence import Evidence
from fieldworthy.core.answer.procedure import DoneStep, ProcedureQuestion
from fieldworthy.core.base.fit import Identity
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.condition.ast import Condition
from fieldworthy.core.condition.evaluate import evaluate
from fieldworthy.core.condition.parse import parse
from fieldworthy.core.rulebook.check import check_rulebook
from fieldworthy.core.rulebook.model import CheckedRulebook
from tests.core.books import NOW, document_of

NOW_AT = datetime.fromisoformat(NOW)
END = 14
STATES = {"a": ("p", "q"), "b": ("p", "q"), "who": ("clear", "cab", "under")}
SLOTS = (("a", None), ("b", None), ("who", "p-1"), ("who", "p-2"))
Slot = tuple[str, str | None]
World = tuple[str, ...]  # a value for each of SLOTS


def condition(draw: Random, most: int = 2) -> str:
    facts = [draw.choice(list(STATES)) for _ in range(draw.randint(1, most))]
    tests = [f"{fact} is {'not ' if draw.random() < 0.1 else ''}{draw.choice(STATES[fact])}" for fact in facts]
    return draw.choice([" and ", " or "]).join(dict.fromkeys(tests))


def pieces(draw: Random) -> dict[str, Any]:
    """A rulebook. What happens by itself neither moves nor needs people who are clear: that is looked at by the check alone."""
    actions: dict[str, dict[str, Any]] = {f"{f} {s}": {"makes": f"{f} is {s}"} for f, several in STATES.items() for s in several}
    for action in actions.values():
        action |= {"needs": condition(draw)} if draw.random() < 0.2 else {}
        action |= {"confirm": condition(draw)} if draw.random() < 0.25 else {}
    happenings = {}
    for name in ("hap x", "hap y", "hap z")[: draw.choice([0, 1, 2, 2, 3])]:
        fact = draw.choice(list(STATES))
        of_people = fact == "who" or draw.random() < 0.25
        needs = f"who is {draw.choice(['cab', 'under'])}" if of_people else f"{draw.choice('ab')} is {draw.choice('pq')}"
        more = f" and {draw.choice('ab')} is {draw.choice('pq')}" if draw.random() < 0.3 else ""
        happenings[name] = {"needs": needs + more, "makes": f"{fact} is {draw.choice(STATES[fact])}"}
    steps: list[dict[str, Any]] = []
    for _ in range(4):
        kind = draw.random()
        step: dict[str, Any] = {"action": draw.choice(list(actions))} if kind < 0.4 else {"do": "Look."}
        if kind > 0.9:
            step = {"wait": f"1 s until {condition(draw, 1)}" if draw.random() < 0.5 else "2 s"}
        else:
            step |= {"needs": condition(draw, 3)} if draw.random() < 0.5 else {}
            step |= {"holds": condition(draw)} if draw.random() < 0.25 else {}
        steps.append(step)
    facts: dict[str, dict[str, Any]] = {fact: {"states": list(several), "known_by": ["seen"]} for fact, several in STATES.items()}
    for fact in facts.values():
        fact |= {"good_for": f"{draw.choice([3, 6, 9])} s"} if draw.random() < 0.35 else {}
    facts["who"]["per"] = "person"
    hurt = " and ".join(f"{fact} is {draw.choice(STATES[fact][1:])}" for fact in draw.sample(list(STATES), 2))
    hazards = {"harm": {"never": hurt, "signal": "danger", "avoid": "Keep clear."}}
    task: dict[str, Any] = {"steps": steps} | ({"holds": condition(draw)} if draw.random() < 0.2 else {})
    return {"facts": facts, "actions": actions, "happenings": happenings, "hazards": hazards, "tasks": {"job": task}}


@dataclass(frozen=True)
class Report:
    """value of a slot at a time (seconds; END is now); seen: by somebody, else by a sensor, which no fact here is known by."""

    slot: Slot
    value: str
    at: int
    seen: bool = True

    @property
    def counts(self) -> bool:
        return self.seen and self.at <= END


@dataclass
class Life:
    """done: the times of the steps done, and who did each; asks: who is at work now. made: time -> what steps made then."""

    pieces: dict[str, Any]
    book: CheckedRulebook
    done: list[tuple[int, str]]
    asks: str
    reports: list[Report] = field(default_factory=list)

    @property
    def steps(self) -> list[dict[str, Any]]:
        return self.pieces["tasks"]["job"]["steps"]  # type: ignore[no-any-return]

    @property
    def next(self) -> dict[str, Any]:
        return self.steps[len(self.done)]

    def makes(self, step: Mapping[str, Any], by: str) -> tuple[Slot, str] | None:
        """What a step makes of which slot."""
        if "action" not in step:
            return None
        fact, state = self.pieces["actions"][step["action"]]["makes"].split(" is ")
        return (fact, by if fact == "who" else None), state

    def made(self) -> list[tuple[int, Slot, str]]:
        found = [(at, self.makes(step, by)) for step, (at, by) in zip(self.steps, self.done, strict=False)]
        return [(at, *each) for at, each in found if each is not None]

    def question(self) -> ProcedureQuestion:
        def moment(at: int) -> datetime:
            return NOW_AT - timedelta(seconds=END - at)

        done = tuple(DoneStep(n, moment(at), by) for n, (at, by) in enumerate(self.done, 1))
        told = (Evidence(r.slot[0], r.value, moment(r.at), "seen" if r.seen else "sensor", r.slot[1]) for r in self.reports)
        return ProcedureQuestion(NOW_AT, Identity("m-1"), "job", done, by=self.asks, evidence=tuple(told))


def lived(draw: Random, book: CheckedRulebook, made_of: dict[str, Any]) -> Life:
    """A life of this rulebook, and what is told of it: the truth, and here and there what does not count."""
    count = draw.choice([1, 2, 2, 3])
    people = [draw.choice(["p-1", "p-1", "p-2"]) for _ in range(count + 1)]
    life = Life(made_of, book, list(zip(sorted(draw.sample(range(1, END), count)), people, strict=False)), people[-1])
    truth = tuple(draw.choice(STATES[fact]) for fact, _ in SLOTS)
    happenings = [Happens(each) for each in made_of["happenings"].values()]
    told = draw.choice([0.08, 0.15, 0.3])
    for second in range(END + 1):
        for at, slot, state in life.made():
            truth = changed(truth, slot, state) if at == second else truth
        life.reports += [Report(slot, truth[n], second) for n, slot in enumerate(SLOTS) if draw.random() < told]
        for happening in happenings:
            if draw.random() < 0.3:
                truth = draw.choice([truth, *happening.after(truth)])
        if draw.random() < 0.1:
            slot = draw.choice(SLOTS)
            truth = changed(truth, slot, draw.choice(STATES[slot[0]]))
    for _ in range(draw.choice([0, 0, 1, 2])):
        slot = draw.choice(SLOTS)
        early = draw.random() < 0.5
        life.reports.append(Report(slot, draw.choice(STATES[slot[0]]), draw.randint(0, END) if early else END + 600, not early))
    return life


def lives(draw: Random, count: int, of_each: int = 8) -> Iterator[Life]:
    for _ in range(count):
        made_of = pieces(draw)
        book, _ = check_rulebook(document_of(made_of))
        if book is not None:
            yield from [lived(draw, book, made_of) for _ in range(of_each)]


# --- what may be so ----------------------------------------------------------------------------------------------------------


def changed(world: World, slot: Slot, state: str) -> World:
    return tuple(state if each == slot else value for each, value in zip(SLOTS, world, strict=True))


def of_one(world: World, person: str | None) -> dict[str, str]:
    """What is so of the machine, and of this person."""
    return {fact: value for (fact, who), value in zip(SLOTS, world, strict=True) if who in (None, person)}


class Happens:
    """What the machine can do by itself, to any person where it is about people."""

    def __init__(self, of: Mapping[str, str]) -> None:
        self.needs, (self.fact, self.state) = read(of["needs"]), of["makes"].split(" is ")

    def after(self, world: World) -> list[World]:
        fits = [person for person in ("p-1", "p-2") if evaluate(self.needs, of_one(world, person)) is Truth.YES]
        return [changed(world, (self.fact, person if self.fact == "who" else None), self.state) for person in fits]


@cache
def read(text: str) -> Condition:
    found = parse(text)
    assert isinstance(found, Condition), text
    return found


def whatever_happens(life: Life, worlds: set[World]) -> set[World]:
    """These, and every one that some order of happenings leads to."""
    happenings = [Happens(each) for each in life.pieces["happenings"].values()]
    reached, ahead = set(worlds), list(worlds)
    while ahead:
        here = ahead.pop()
        for then in {after for each in happenings for after in each.after(here)} - reached:
            reached.add(then)
            ahead.append(then)
    return reached


def spoken_of(life: Life) -> list[str]:
    """The people of whom anything was said that counts, or whom a step has moved."""
    told = {r.slot[1] for r in life.reports if r.counts} | {slot[1] for _, slot, _ in life.made()}
    return [person for person in ("p-1", "p-2") if person in told]


def open_worlds(life: Life) -> set[World]:
    """
    Every state that may be so now. A report that counts is true, and a step does what it makes. By itself the machine does what it can up
    to the end of the last step (what it may do later is asked of what is granted). Somebody may have changed what nobody has told of, or no
    longer has (a person who was clear stays so), and what the next report tells otherwise. A person of whom nobody has told is clear.
    """
    last = life.done[-1][0]
    step = life.steps[len(life.done) - 1]
    end = last + (int(str(step["wait"]).split()[0]) if "wait" in step else 0)
    counting = sorted((r for r in life.reports if r.counts), key=lambda r: r.at)
    made = life.made()
    unknown = [slot for slot in SLOTS if slot[1] is not None and slot[1] not in spoken_of(life)]
    worlds = set(product(*(STATES[slot[0]] if slot not in unknown else ("clear",) for slot in SLOTS)))
    for second in range(END + 1):
        for at, slot, state in made:
            worlds = {changed(w, slot, state) for w in worlds} if at == second else worlds
        for report in counting:
            if report.at == second:
                worlds = {w for w in worlds if w[SLOTS.index(report.slot)] == report.value}
        if second == END:
            return worlds
        free = [slot for slot in SLOTS if slot not in unknown and _free(life, slot, second, counting, made)]
        before: set[World] = set()
        while worlds != before:
            before = worlds
            worlds = whatever_happens(life, worlds) if second < end else worlds
            for slot in free:
                worlds = {changed(w, slot, state) for w in worlds for state in STATES[slot[0]]}
    raise AssertionError


def _free(life: Life, slot: Slot, second: int, counting: list[Report], made: list[tuple[int, Slot, str]]) -> bool:
    """Whether somebody may change it after this second."""
    words = [(r.at, r.value) for r in counting if r.slot == slot and r.at <= second]
    words += [(at, state) for at, each, state in made if each == slot and at <= second]
    if not words:
        return True
    at, value = max(words, key=lambda word: word[0])
    good_for = life.pieces["facts"][slot[0]].get("good_for")
    if good_for is not None and second - at >= int(good_for.split()[0]) and (slot[1] is None or value != "clear"):
        return True
    later = next((r for r in counting if r.slot == slot and r.at > second), None)
    moved = [at for at, each, _ in made if each == slot and at > second]
    return later is not None and later.value != value and not (moved and min(moved) <= later.at)
