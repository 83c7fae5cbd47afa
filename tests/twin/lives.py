"""Small lives of a machine and two people, for the twin of the procedure: what truly was, what was told of it, and what may be so.

A life is fourteen seconds of a random small rulebook's task: steps are done, the machine does what it can by itself, somebody may change
anything, and each second tells something of what truly is. Some reports and steps say nothing of who it was. `open_worlds` goes through
the same seconds and keeps every state that those reports leave open which count; it knows nothing of how the service goes about it.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import cache, cached_property
from itertools import pairwise, product
from random import Random
from typing import Any

from fieldworthy.core.answer.clearance import ClearanceQuestion
from fieldworthy.core.answer.evidence import Evidence
from fieldworthy.core.answer.procedure import DoneStep, ProcedureQuestion
from fieldworthy.core.base.fit import Identity
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.condition.ast import Condition
from fieldworthy.core.condition.evaluate import evaluate, names_of
from fieldworthy.core.condition.parse import parse
from fieldworthy.core.condition.walk import judge, tests_of
from fieldworthy.core.rulebook.check import check_rulebook
from fieldworthy.core.rulebook.model import CheckedRulebook
from tests.core.books import NOW, document_of

NOW_AT = datetime.fromisoformat(NOW)
END = 14
MOST_AHEAD = 120
PEOPLE = ("p-1", "p-2")
OWN = ("who", "hand")  # facts that each person has of their own
NUMBERS = ("heat",)
KINDS: Sequence[Mapping[str, tuple[str, ...]]] = (
    {"a": ("p", "q"), "b": ("p", "q"), "who": ("clear", "cab", "under")},
    {"a": ("p", "q"), "heat": ("20", "50", "80"), "who": ("clear", "under")},
    {"a": ("p", "q"), "who": ("clear", "under"), "hand": ("out", "in")},
)
Slot = tuple[str, str | None]
World = tuple[str, ...]  # a value for each of a life's slots
Place = tuple[World, frozenset[Slot]]  # and which of them something that was told otherwise may have made otherwise


def a_test(draw: Random, states: Mapping[str, tuple[str, ...]], fact: str, rest: bool = True) -> str:
    if fact in NUMBERS:
        return f"{fact} {draw.choice('<>')} {draw.choice([35, 65])}"
    return f"{fact} is {draw.choice(states[fact] if rest else states[fact][1:])}"


def condition(draw: Random, states: Mapping[str, tuple[str, ...]], most: int = 2) -> str:
    facts = [draw.choice(list(states)) for _ in range(draw.randint(1, most))]
    tests = [a_test(draw, states, fact) for fact in facts]
    tests = [test.replace(" is ", " is not ") if draw.random() < 0.1 else test for test in tests]
    return draw.choice([" and ", " or "]).join(dict.fromkeys(tests))


def happens(draw: Random, states: Mapping[str, tuple[str, ...]]) -> dict[str, str]:
    """What happens by itself, by anybody where it hangs on where they are. That it moves nobody at rest is for the check to see to."""
    fact = draw.choice([fact for fact in states if fact not in NUMBERS])
    machine = [each for each in states if each not in OWN]
    of_people = fact in OWN or draw.random() < 0.3
    own = fact if fact in OWN else draw.choice([each for each in states if each in OWN])
    rest = fact not in OWN and draw.random() < 0.3
    needs = [a_test(draw, states, own, rest) if of_people else a_test(draw, states, draw.choice(machine))]
    needs += [a_test(draw, states, draw.choice(machine))] if draw.random() < 0.4 else []
    joined = " and " if fact in OWN or (of_people and draw.random() < 0.8) else draw.choice([" and ", " or "])
    return {"needs": joined.join(dict.fromkeys(needs)), "makes": f"{fact} is {draw.choice(states[fact])}"}


def pieces(draw: Random) -> dict[str, Any]:
    """A rulebook."""
    states = draw.choice(KINDS)
    made = [fact for fact in states if fact not in NUMBERS]
    actions: dict[str, dict[str, Any]] = {f"{f} {s}": {"makes": f"{f} is {s}"} for f in made for s in states[f]}
    for action in actions.values():
        action |= {"needs": condition(draw, states)} if draw.random() < 0.2 else {}
        action |= {"confirm": condition(draw, states)} if draw.random() < 0.25 else {}
    happenings = {name: happens(draw, states) for name in ("hap x", "hap y", "hap z")[: draw.choice([0, 1, 2, 2, 3])]}
    steps: list[dict[str, Any]] = []
    for _ in range(4):
        kind = draw.random()
        step: dict[str, Any] = {"action": draw.choice(list(actions))} if kind < 0.4 else {"do": "Look."}
        if kind > 0.9:
            step = {"wait": f"1 s until {condition(draw, states, 1)}" if draw.random() < 0.5 else "2 s"}
        else:
            step |= {"needs": condition(draw, states, 3)} if draw.random() < 0.5 else {}
            step |= {"holds": condition(draw, states)} if draw.random() < 0.25 else {}
        steps.append(step)
    facts: dict[str, dict[str, Any]] = {}
    for fact, several in states.items():
        facts[fact] = {"known_by": ["seen"], **({"unit": "number"} if fact in NUMBERS else {"states": list(several)})}
        facts[fact] |= {"good_for": f"{draw.choice([3, 6, 9])} s"} if draw.random() < 0.35 else {}
        facts[fact] |= {"per": "person"} if fact in OWN else {}
    hurt = " and ".join(a_test(draw, states, fact, rest=False) for fact in draw.sample(list(states), 2))
    hazards = {"harm": {"never": hurt, "signal": "danger", "avoid": "Keep clear."}}
    task: dict[str, Any] = {"steps": steps} | ({"holds": condition(draw, states)} if draw.random() < 0.2 else {})
    return {"facts": facts, "actions": actions, "happenings": happenings, "hazards": hazards, "tasks": {"job": task}}


@dataclass(frozen=True)
class Report:
    """
    value of a slot at a time (seconds; END is now); seen: by somebody, else by a sensor, which no fact here is known by. ahead: so many
    seconds the clock that told the time was ahead; what it said lies after now then.
    """

    slot: Slot
    value: str
    at: int
    seen: bool = True
    named: bool = True
    ahead: int = 0

    @property
    def counts(self) -> bool:
        return self.seen and self.at <= END


@dataclass
class Life:
    """done: the times of the steps done, who did each, and whether that is said; asks: who is at work now."""

    pieces: dict[str, Any]
    book: CheckedRulebook
    done: list[tuple[int, str, bool]]
    asks: str
    reports: list[Report] = field(default_factory=list)

    @cached_property
    def states(self) -> Mapping[str, tuple[str, ...]]:
        return next(kind for kind in KINDS if kind.keys() == self.pieces["facts"].keys())

    @cached_property
    def slots(self) -> Sequence[Slot]:
        return [(fact, who) for fact in self.states for who in (PEOPLE if fact in OWN else (None,))]

    @cached_property
    def happenings(self) -> "Sequence[Happens]":
        return [happens_in(tuple(self.states), each["needs"], each["makes"]) for each in self.pieces["happenings"].values()]

    @property
    def steps(self) -> list[dict[str, Any]]:
        return self.pieces["tasks"]["job"]["steps"]  # type: ignore[no-any-return]

    @property
    def next(self) -> dict[str, Any]:
        return self.steps[len(self.done)]

    def makes(self, step: Mapping[str, Any], by: str) -> tuple[Slot, str] | None:
        """What a step makes of which slot."""
        return self.made_by(step["action"], by) if "action" in step else None

    def made_by(self, action: str, by: str) -> tuple[Slot, str]:
        fact, state = self.pieces["actions"][action]["makes"].split(" is ")
        return (fact, by if fact in OWN else None), state

    def made(self) -> list[tuple[int, Slot, str]]:
        found = [(at, self.makes(step, by)) for step, (at, by, _) in zip(self.steps, self.done, strict=False)]
        return [(at, *each) for at, each in found if each is not None]

    def changed(self, world: World, slot: Slot, state: str) -> World:
        n = self.slots.index(slot)
        return (*world[:n], state, *world[n + 1 :])

    def of_one(self, world: World, person: str | None) -> dict[str, Any]:
        """What is so of the machine, and of this person."""
        return {f: int(v) if f in NUMBERS else v for (f, who), v in zip(self.slots, world, strict=True) if who in (None, person)}

    def whoever(self) -> Iterator["Life"]:
        """This life once for each way to say whose the reports and steps without a name are: the truth is one of these."""
        reports = [n for n, r in enumerate(self.reports) if r.slot[1] is not None and not r.named]
        steps = [n for n, (_, _, named) in enumerate(self.done) if not named and self.makes(self.steps[n], "p-1")]
        for people in product(PEOPLE, repeat=len(reports) + len(steps)):
            told, done = list(self.reports), list(self.done)
            for n, person in zip(reports, people, strict=False):
                told[n] = replace(told[n], slot=(told[n].slot[0], person))
            for n, person in zip(steps, people[len(reports) :], strict=True):
                done[n] = done[n][0], person, False
            yield replace(self, reports=told, done=done)

    def evidence(self) -> tuple[Evidence, ...]:
        told = (r for r in self.reports)
        return tuple(
            Evidence(
                r.slot[0],
                int(r.value) if r.slot[0] in NUMBERS else r.value,
                moment(r.at + r.ahead),
                "seen" if r.seen else "sensor",
                r.slot[1] if r.named else None,
            )
            for r in told
        )

    def question(self) -> ProcedureQuestion:
        done = tuple(DoneStep(n, moment(at), by if named else None) for n, (at, by, named) in enumerate(self.done, 1))
        return ProcedureQuestion(NOW_AT, Identity("m-1"), "job", done, by=self.asks, evidence=self.evidence())

    def asking(self, action: str | None = None, needs: str | None = None) -> ClearanceQuestion:
        """The same reports, and nothing of any step."""
        return ClearanceQuestion(NOW_AT, Identity("m-1"), action=action, needs=needs, by=self.asks, evidence=self.evidence())


def moment(at: int) -> datetime:
    return NOW_AT - timedelta(seconds=END - at)


def lived(draw: Random, book: CheckedRulebook, made_of: dict[str, Any]) -> Life:
    """A life of this rulebook, and what is told of it: the truth, and here and there what does not count."""
    count = draw.choice([1, 2, 2, 3])
    people = [draw.choice(["p-1", "p-1", "p-2"]) for _ in range(count + 1)]
    named = [draw.random() < 0.85 for _ in people]
    life = Life(
        made_of, book, list(zip(sorted(draw.sample(range(1, draw.choice([END, 5])), count)), people, named, strict=False)), people[-1]
    )
    slots, states = life.slots, life.states
    truth = tuple(draw.choice(states[fact]) for fact, _ in slots)
    happenings = life.happenings
    told = draw.choice([0.08, 0.15, 0.3])
    nameless = set(draw.sample(range(40), draw.choice([0, 0, 3, 8])))  # of the reports, counted
    for second in range(END + 1):
        for at, slot, state in life.made():
            truth = life.changed(truth, slot, state) if at == second else truth
        for n, slot in enumerate(slots):
            if draw.random() < told:
                life.reports.append(Report(slot, truth[n], second, named=slot[1] is None or len(life.reports) not in nameless))
        for happening in happenings:
            if draw.random() < 0.3:
                truth = draw.choice([truth, *(after for after, _ in happening.after(life, truth))])
        if draw.random() < 0.15:
            truth = _by_somebody(draw, life, truth)
    if draw.random() < 0.3:  # what never ages, for how old it is can't be told
        lasting = [n for n, r in enumerate(life.reports) if "good_for" not in made_of["facts"][r.slot[0]]]
        for n in draw.sample(lasting, min(len(lasting), draw.randint(1, 3))):
            life.reports[n] = replace(life.reports[n], ahead=draw.randint(END + 1 - life.reports[n].at, draw.choice([20, MOST_AHEAD])))
    for _ in range(draw.choice([0, 0, 1, 2])):
        slot = draw.choice(slots)
        early = draw.random() < 0.5
        life.reports.append(Report(slot, draw.choice(states[slot[0]]), draw.randint(0, END) if early else END + 600, not early))
    return life


def _by_somebody(draw: Random, life: Life, truth: World) -> World:
    """Somebody changes something; a number goes through what lies between."""
    slot = draw.choice(life.slots)
    several = life.states[slot[0]]
    if slot[0] in NUMBERS:
        now = several.index(truth[life.slots.index(slot)])
        return life.changed(truth, slot, several[max(0, min(len(several) - 1, now + draw.choice([-1, 1])))])
    return life.changed(truth, slot, draw.choice(several))


def lives(draw: Random, count: int, of_each: int = 8) -> Iterator[Life]:
    for _ in range(count):
        made_of = pieces(draw)
        book, _ = check_rulebook(document_of(made_of))
        if book is not None:
            yield from [lived(draw, book, made_of) for _ in range(of_each)]


# --- what may be so ----------------------------------------------------------------------------------------------------------


class Happens:
    """What the machine can do by itself, to any person where it is about people."""

    def __init__(self, needs: str, makes: str) -> None:
        self.needs, (self.fact, self.state) = read(needs), makes.split(" is ")
        self.named = names_of(self.needs)
        self.seen: dict[World, list[tuple[World, Slot]]] = {}

    def after(self, life: Life, world: World) -> list[tuple[World, Slot]]:
        if world not in self.seen:
            fits = [person for person in PEOPLE if evaluate(self.needs, life.of_one(world, person)) is Truth.YES]
            slots: list[Slot] = [(self.fact, person if self.fact in OWN else None) for person in fits]
            self.seen[world] = [(life.changed(world, slot, self.state), slot) for slot in dict.fromkeys(slots)]
        return self.seen[world]

    def hangs_on(self, slot: Slot) -> bool:
        return slot[0] in self.named


@cache
def happens_in(kind: tuple[str, ...], needs: str, makes: str) -> Happens:
    """One for all lives of a kind: what comes of each state is worked out once."""
    assert kind
    return Happens(needs, makes)


@cache
def read(text: str) -> Condition:
    found = parse(text)
    assert isinstance(found, Condition), text
    return found


def whatever_happens(life: Life, worlds: Iterable[World]) -> set[World]:
    """These, and every one that some order of happenings leads to."""
    happenings = life.happenings
    reached = set(worlds)
    ahead = list(reached)
    while ahead:
        here = ahead.pop()
        for then in {after for each in happenings for after, _ in each.after(life, here)} - reached:
            reached.add(then)
            ahead.append(then)
    return reached


def spoken_of(life: Life, fact: str = "who") -> list[str]:
    """The people of whom anything was said of this fact that counts, or for whom a step has made it otherwise."""
    told = {r.slot for r in life.reports if r.counts} | {slot for _, slot, _ in life.made()}
    return [person for person in PEOPLE if (fact, person) in told]


@dataclass
class Told:
    """What was said of a slot, in order: when, what (of a number what every happening would make of it), and whether by a report."""

    words: list[tuple[int, Any, bool]]

    def otherwise_after(self, second: int) -> bool:
        """Whether after this second it is told to be other than it was told before, at any time: what is told first was so before."""
        return any(one[1] != other[1] and other[0] > second for one, other in pairwise(self.words))

    def reported_after(self, second: int) -> bool:
        return any(at > second for at, _, report in self.words if report)


def open_worlds(life: Life) -> set[World]:
    """
    Every state that may be so now. A report that counts is true, and a step does what it makes. Up to the end of the last step the machine
    does by itself whatever it can; after that (what it may do from now on is asked of what is granted) what hangs on something that is told
    otherwise later, or that may have become otherwise so and is told again later. Somebody may have changed what nobody has told of, or no
    longer has (a person who was clear stays so), and what the next report tells otherwise; a number then was anything between. Of
    whom nobody has told something, that is at rest.
    """
    end = -1
    if life.done:
        step = life.steps[len(life.done) - 1]
        end = life.done[-1][0] + (int(str(step["wait"]).split()[0]) if "wait" in step else 0)
    slots, states, made = life.slots, life.states, life.made()
    counting = sorted((r for r in life.reports if r.counts), key=lambda r: r.at)
    told = {slot: _told(life, slot, counting, made) for slot in slots}
    happenings = life.happenings
    unknown = [slot for slot in slots if slot[1] is not None and slot[1] not in spoken_of(life, slot[0])]
    every = product(*(states[slot[0]] if slot not in unknown else states[slot[0]][:1] for slot in slots))
    places: set[Place] = {(world, frozenset()) for world in every}
    for second in range(END + 1):
        for at, slot, state in made:
            places = {(life.changed(w, slot, state), off) for w, off in places} if at == second else places
        for report in counting:
            if report.at == second:
                n = slots.index(report.slot)
                places = {(w, off - {report.slot}) for w, off in places if w[n] == report.value}
        if second == END:
            return {world for world, _ in places}
        free = {slot: several for slot in slots if slot not in unknown and (several := _free(life, slot, second, counting, made))}
        stirred = {slot for slot in slots if told[slot].otherwise_after(second)}
        again = {slot for slot in slots if told[slot].reported_after(second)}
        reached, ahead = set(places), list(places)
        while ahead:
            world, off = ahead.pop()
            then: list[Place] = [(life.changed(world, slot, state), off) for slot, several in free.items() for state in several]
            open_to = stirred | off & again
            for each in happenings:
                by = any(each.hangs_on(slot) for slot in open_to)
                if by or second < end:
                    then += [(after, off | {slot} if by else off) for after, slot in each.after(life, world)]
            new = set(then) - reached
            reached |= new
            ahead += new
        places = reached
    raise AssertionError


def _told(life: Life, slot: Slot, counting: list[Report], made: list[tuple[int, Slot, str]]) -> Told:
    words: list[tuple[int, Any, bool]] = [(at, state, False) for at, each, state in made if each == slot]
    words += [(r.at, r.value, True) for r in counting if r.slot == slot]
    if slot[0] in NUMBERS:
        tests = [test for each in life.happenings for test in tests_of(each.needs) if test.fact == slot[0]]
        words = [(at, [judge(test, int(value)) for test in tests], by) for at, value, by in words]
    return Told(sorted(words, key=lambda word: word[0]))


def _free(life: Life, slot: Slot, second: int, counting: list[Report], made: list[tuple[int, Slot, str]]) -> tuple[str, ...]:
    """What somebody may change it into after this second."""
    several = life.states[slot[0]]
    words = [(r.at, r.value) for r in counting if r.slot == slot and r.at <= second]
    words += [(at, state) for at, each, state in made if each == slot and at <= second]
    if not words:
        return several
    at, value = max(words, key=lambda word: word[0])
    good_for = life.pieces["facts"][slot[0]].get("good_for")
    if good_for is not None and second - at >= int(good_for.split()[0]) and (slot[1] is None or value != several[0]):
        return several
    later = next((r for r in counting if r.slot == slot and r.at > second), None)
    moved = [at for at, each, _ in made if each == slot and at > second]
    if later is None or later.value == value or (moved and min(moved) <= later.at):
        return ()
    first, last = sorted((several.index(value), several.index(later.value)))
    return several[first : last + 1] if slot[0] in NUMBERS else several
