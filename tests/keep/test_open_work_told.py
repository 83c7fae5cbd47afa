"""What was told is no longer so: work of another, clocks ahead, locks taken off, many readings, locks told with a step.

That what may have changed is verified again, and that a lock is its own person's: 29 CFR 1910.147(d)(5), (e)(3). The cases are our own.
"""

from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest

from tests.keep.service import Service

M = "/v1/machines/m-1"


def report(service: Service, fact: str, value: Any, by: str = "p-1", ahead: float = 0, via: str = "seen") -> dict[str, Any]:
    """A report made now, by a clock that is so many seconds ahead."""
    return {"fact": fact, "value": value, "at": (service.now + timedelta(seconds=ahead)).isoformat(), "via": via, "by": by}


async def a_machine(service: Service, book: str, **facts: str) -> None:
    """A machine of this rulebook, all of it reported by p-1 now."""
    await service.publish("rulebook: book\ntitle: A small machine\nlanguage: 1\n" + book, "book")
    await service.put(M, {"rulebook": "book"})
    for fact, value in facts.items():
        await keep(service, fact, value)


async def keep(service: Service, fact: str, value: Any, **more: Any) -> None:
    await service.put(f"{M}/evidence/{uuid4()}", report(service, fact, value, **more))


async def asked(service: Service, action: str, by: str = "p-1", *evidence: dict[str, Any]) -> tuple[str, list[tuple[str, str]]]:
    """Whether it is granted, and what is missing and why."""
    answer = await service.post(f"{M}/clearance", {"for": {"action": action}, "by": by, "evidence": list(evidence)})
    return answer["clearance"], missing(answer)


def missing(answer: Any) -> list[tuple[str, str]]:
    return [(each["fact"], each["why"]) for each in answer["missing"]]


async def opened(service: Service, work: str, task: str, by: str) -> None:
    answer = await service.post(f"{M}/open-work", {"work": work, "task": task, "by": by})
    assert answer["opened"], answer["clearance"]
    service.later(seconds=5)


async def step(service: Service, work: str, number: int, by: str, *evidence: dict[str, Any]) -> Any:
    return await service.post(f"{M}/open-work/{work}/steps/{number}", {"by": by, "evidence": list(evidence)})


async def did(service: Service, work: str, number: int, by: str) -> None:
    """Begins the step, and has done it 5 s later."""
    begun = await step(service, work, number, by)
    assert begun["so"], begun["procedure"]["next"]
    service.later(seconds=5)
    await service.post(f"{M}/open-work/{work}/steps/{number}/done", {"by": by})
    service.later(seconds=5)


async def over(service: Service, work: str, **told: Any) -> None:
    """p-2 closes it."""
    assert (await service.post(f"{M}/open-work/{work}/close", {"by": "p-2", **told}))["closed"]


# --- the work of another made a happening possible -----------------------------------------------------------------------------------
# 29 CFR 1910.147(d)(5): energy that can build up again is verified until the work is done.

LINE = """facts:
  engine: {states: [stopped, running], known_by: [sensor, seen]}
  line: {states: [free, pressed], known_by: [seen]}
  cap: {states: ["on", "off"], known_by: [seen]}
actions:
  start engine: {needs: cap is on, makes: engine is running}
  stop engine: {makes: engine is stopped}
  free line: {needs: engine is stopped, makes: line is free}
  take cap off: {needs: line is free and engine is stopped, makes: cap is off}
  put cap on: {makes: cap is on}
happenings:
  pressure builds: {needs: engine is running, makes: line is pressed}
hazards:
  sprayed: {never: line is pressed and cap is off, signal: danger, avoid: Free the line before the cap comes off.}
tasks:
  clean: {title: Clean, kind: inspect, steps: [free line, take cap off, put cap on]}
  run: {title: Run, kind: inspect, needs: cap is on, steps: [start engine, stop engine]}
"""


async def p_2_runs_the_engine(service: Service, *, told: bool, closed: bool) -> None:
    """For 5 minutes, and stops it again; told: that it ran was reported as well."""
    await opened(service, "r", "run", "p-2")
    await did(service, "r", 1, "p-2")
    if told:
        await keep(service, "engine", "running", by="p-2")
    service.later(minutes=5)
    await did(service, "r", 2, "p-2")
    await keep(service, "engine", "stopped")
    if closed:
        await over(service, "r", result="done", evidence=[report(service, "engine", "stopped", "p-2")])
    service.later(seconds=5)


RAN = [(told, closed) for told in (True, False) for closed in (True, False)]


@pytest.mark.parametrize(("told", "closed"), RAN)
async def test_what_was_seen_before_another_ran_the_engine_is_verified_again(service: Service, told: bool, closed: bool) -> None:
    await a_machine(service, LINE, engine="stopped", line="free", cap="on")
    assert await asked(service, "take cap off") == ("granted", [])
    service.later(seconds=5)
    await p_2_runs_the_engine(service, told=told, closed=closed)
    assert await asked(service, "take cap off") == ("withheld", [("line", "must-be-verified-again")])
    service.later(hours=1)
    await keep(service, "engine", "stopped")
    assert await asked(service, "take cap off") == ("withheld", [("line", "must-be-verified-again")])
    await keep(service, "line", "free")
    assert await asked(service, "take cap off") == ("granted", [])


@pytest.mark.parametrize(("told", "closed"), RAN)
async def test_nor_does_a_step_of_own_work_begin_by_it(service: Service, told: bool, closed: bool) -> None:
    await a_machine(service, LINE, engine="stopped", line="pressed", cap="on")
    service.later(seconds=5)
    await opened(service, "w", "clean", "p-1")
    await did(service, "w", 1, "p-1")
    await keep(service, "line", "free")
    await keep(service, "engine", "stopped")
    service.later(seconds=5)
    await p_2_runs_the_engine(service, told=told, closed=closed)
    answer = await step(service, "w", 2, "p-1")
    assert (answer["so"], missing(answer["procedure"]["next"])) == (False, [("line", "must-be-verified-again")])
    assert (await step(service, "w", 2, "p-1", report(service, "line", "free")))["so"]


async def test_work_that_cannot_press_the_line_asks_for_nothing_anew(service: Service) -> None:
    await a_machine(service, LINE, engine="stopped", line="free", cap="on")
    await opened(service, "r", "run", "p-2")
    await over(service, "r", result="skipped", why="rain")
    assert await asked(service, "take cap off") == ("granted", [])


# --- clocks ahead --------------------------------------------------------------------------------------------------------------------

GATE = """facts:
  person: {states: [clear, under], known_by: [seen], per: person}
  gate: {states: [raised, lowered], known_by: [seen]}
  engine: {states: [stopped, running], known_by: [seen]}
actions:
  lower: {needs: person is clear, makes: gate is lowered}
  raise: {makes: gate is raised}
  start: {makes: engine is running}
  stop: {makes: engine is stopped}
  go under: {needs: gate is raised, makes: person is under}
  come out: {makes: person is clear}
hazards:
  crushed: {never: person is under and gate is lowered, signal: danger, avoid: Come out before the gate is lowered.}
tasks:
  lower-and-run: {title: Lower, kind: inspect, needs: person is clear, holds: person is clear, steps: [lower, start, stop, raise]}
"""
TANK = """facts:
  tank: {states: [free, pressed], known_by: [seen]}
  cap: {states: ["on", "off"], known_by: [seen]}
actions:
  vent: {makes: tank is free}
  press: {needs: cap is on, makes: tank is pressed}
  open cap: {needs: tank is free, makes: cap is off}
hazards:
  blow: {never: tank is pressed and cap is off, signal: danger, avoid: Vent the tank before the cap comes off.}
tasks:
  press-and-open: {title: Open, kind: inspect, steps: [press, vent, open cap], leaves: cap is off}
  press-it: {title: Press, kind: inspect, steps: [press], leaves: tank is pressed}
"""
CLOCK = "a report whose clock is ahead may be from before it"


@pytest.mark.both_databases
async def test_of_two_reports_of_a_clock_ahead_the_one_that_came_last_is_not_the_newer(service: Service) -> None:
    """Made before it, and sent again after it."""
    await a_machine(service, GATE, gate="raised")
    clear = report(service, "person", "clear", "p-2", ahead=100)
    service.later(seconds=5)
    under = report(service, "person", "under", "p-2", ahead=100)
    service.later(seconds=1)
    await service.put(f"{M}/evidence/u", under)
    service.later(seconds=1)
    await service.put(f"{M}/evidence/c", clear)
    for seconds in (1, 1, 30, 100, 200, 3600):
        service.later(seconds=seconds)
        assert (await asked(service, "lower"))[0] == "withheld", f"{CLOCK}: {seconds}"
    await keep(service, "person", "clear", by="p-2")
    assert await asked(service, "lower") == ("granted", [])


@pytest.mark.parametrize("wait", [0, 5])
@pytest.mark.parametrize("ahead", [40, 100])
async def test_what_was_seen_before_anothers_step_counts_neither_once_nor_twice(service: Service, wait: int, ahead: int) -> None:
    await a_machine(service, TANK, cap="on")
    free = report(service, "tank", "free", ahead=ahead)
    service.later(seconds=5)
    await opened(service, "w", "press-it", "p-2")
    await did(service, "w", 1, "p-2")
    await over(service, "w", result="done", leave="it is pressed")
    service.later(seconds=wait)
    assert (first := await asked(service, "open cap", "p-1", free))[0] == "withheld", CLOCK
    service.later(seconds=1)
    assert await asked(service, "open cap", "p-1", free) == first, "the same request is answered the same"
    await service.put(f"{M}/evidence/t", free)
    for seconds in (1, 130, 3600):
        service.later(seconds=seconds)
        assert (await asked(service, "open cap"))[0] == "withheld", CLOCK
    await keep(service, "tank", "free")
    assert await asked(service, "open cap") == ("granted", [])


async def test_nor_what_was_seen_before_a_step_of_own_work(service: Service) -> None:
    """29 CFR 1910.147(d)(5): it is verified after it was vented."""
    await a_machine(service, TANK, cap="on")
    service.later(seconds=5)
    await opened(service, "w", "press-and-open", "p-1")
    free = report(service, "tank", "free", ahead=100)
    await did(service, "w", 1, "p-1")
    await did(service, "w", 2, "p-1")
    for seconds in (1, 1, 1, 130, 3600):
        service.later(seconds=seconds)
        told = () if seconds > 100 else (free,)  # a request says again what it said before
        answer = await step(service, "w", 3, "p-1", *told)
        assert (answer["so"], missing(answer["procedure"]["next"])) == (False, [("tank", "must-be-reported-again")]), CLOCK
    assert (await step(service, "w", 3, "p-1", report(service, "tank", "free")))["so"]


async def test_a_stop_does_not_end_by_a_report_of_a_clock_ahead(service: Service) -> None:
    await a_machine(service, GATE, gate="raised", engine="stopped", person="clear")
    await opened(service, "w", "lower-and-run", "p-1")
    await did(service, "w", 1, "p-1")
    clear = report(service, "person", "clear", "p-2", ahead=110)
    service.later(seconds=10)
    await keep(service, "person", "under", by="p-2")
    service.later(seconds=1)
    assert (await step(service, "w", 2, "p-1"))["procedure"]["interrupted"] is not None
    answers = []
    for seconds in (1, 1, 1, 130, 3600):
        service.later(seconds=seconds)
        told = () if seconds > 100 else (clear,)
        answer = await step(service, "w", 2, "p-1", *told)
        assert not answer["so"], f"{CLOCK}: {seconds}"
        following = answer["procedure"]["next"]
        answers.append((missing(following), [each["fact"] for each in following["unmet"]], answer["procedure"]["interrupted"] is None))
    assert answers[1:3] == answers[:1] * 2, "the same request is answered the same"
    assert (await step(service, "w", 2, "p-1", report(service, "person", "clear", "p-2")))["so"]


async def test_a_report_ahead_counts_where_even_two_minutes_earlier_is_after_the_step(service: Service) -> None:
    await a_machine(service, TANK, cap="on")
    service.later(seconds=5)
    await opened(service, "w", "press-it", "p-2")
    await did(service, "w", 1, "p-2")
    await over(service, "w", result="done", leave="it is pressed")
    service.later(seconds=121)
    await keep(service, "tank", "free", ahead=5)
    service.later(seconds=1)
    assert await asked(service, "open cap") == ("granted", [])


# --- a lock or a cover that was taken off --------------------------------------------------------------------------------------------

COVER = """facts:
  engine: {states: [stopped, running], known_by: [sensor, seen]}
  side panel: {states: ["on", "off"], known_by: [seen]}
  prop: {states: [released, engaged], known_by: [seen]}
  person: {states: [clear, under], known_by: [seen], per: person}
actions:
  take side panel off: {needs: engine is stopped, makes: side panel is off}
  put side panel on: {makes: side panel is on}
  start engine: {needs: side panel is on, makes: engine is running}
  stop engine: {makes: engine is stopped}
  release prop: {makes: prop is released}
  go under: {needs: prop is engaged, makes: person is under}
  come out: {makes: person is clear}
hazards:
  caught: {never: side panel is off and engine is running, signal: danger, avoid: Stop the engine first.}
  crushed: {never: person is under and prop is released, signal: danger, avoid: Engage the prop first.}
tasks:
  run: {title: Run, kind: inspect, needs: engine is stopped, steps: [start engine, stop engine]}
  look: {title: Look, kind: inspect, needs: prop is engaged, holds: prop is engaged, steps: [go under, come out]}
"""


@pytest.mark.parametrize(
    ("fact", "on", "off", "action"), [("side panel", "on", "off", "start engine"), ("prop", "engaged", "released", "go under")]
)
async def test_what_was_reported_before_a_lock_was_taken_off_grants_nothing(
    service: Service, fact: str, on: str, off: str, action: str
) -> None:
    """A lock is taken off by whoever put it on: 29 CFR 1910.147(e)(3). It says no more of how it is then."""
    await a_machine(service, COVER, engine="stopped", person="clear")
    await keep(service, fact, on)
    await service.post(f"{M}/put-on", {"fact": fact, "state": on, "by": "p-1"})
    service.later(minutes=10)
    late = report(service, fact, on, by="p-2")
    service.later(seconds=1)
    assert await asked(service, action, "p-2") == ("granted", [])
    assert (await service.http.post(f"{M}/taken-off", json={"fact": fact, "by": "p-1"})).status_code == 204
    for seconds in (1, 3600):
        service.later(seconds=seconds)
        assert await asked(service, action, "p-2") == ("withheld", [(fact, "must-be-reported-again")])
    assert await asked(service, action, "p-2", late) == ("withheld", [(fact, "must-be-reported-again")]), "it was seen before"
    await service.put(f"{M}/evidence/late", late)
    service.later(seconds=1)
    if action == "start engine":  # the task is opened, and its first step does not begin
        await opened(service, "w", "run", "p-2")
        assert not (await step(service, "w", 1, "p-2"))["so"]
    assert (await asked(service, action, "p-2", report(service, fact, off)))[0] == "withheld"
    await keep(service, fact, on, by="p-2")
    assert await asked(service, action, "p-2") == ("granted", [])


# --- many readings: 29 CFR 1910.147(d)(5), as above ----------------------------------------------------------------------------------

SPEED = LINE.replace("engine: {states: [stopped, running], known_by: [sensor, seen]}", "speed: {unit: number, known_by: [sensor]}")
SPEED = "".join(row for row in SPEED.splitlines(keepends=True) if "start engine" not in row and "stop engine" not in row)
SPEED = SPEED.replace("engine is stopped", "speed = 0").replace("engine is running", "speed > 0")


async def readings(service: Service, *speeds: float) -> None:
    """One each second, sent at once."""
    items = []
    for speed in speeds:
        items.append({"id": str(uuid4()), "fact": "speed", "value": speed, "at": service.now.isoformat(), "via": "sensor"})
        service.later(seconds=1)
    await service.post(f"{M}/evidence", {"items": items})


async def test_no_number_of_later_readings_hides_one_that_made_a_happening_possible(service: Service) -> None:
    await a_machine(service, SPEED, line="free", cap="on")
    service.later(minutes=1)
    await readings(service, 0)
    assert await asked(service, "take cap off") == ("granted", [])
    await readings(service, 900)
    for _ in range(11):
        await readings(service, *[0] * 100)
        assert await asked(service, "take cap off") == ("withheld", [("line", "must-be-verified-again")])
    await keep(service, "line", "free")
    assert await asked(service, "take cap off") == ("granted", [])


# --- an own lock, told with the step that takes it off -------------------------------------------------------------------------------

LOCK = """facts:
  lock: {states: [released, engaged], known_by: [seen], good_for: 4 h}
actions:
  engage: {makes: lock is engaged}
  release: {makes: lock is released}
tasks:
  take-off: {title: Take off, kind: inspect, steps: [release, do: Look.]}
"""
OWN = {"fact": "lock", "state": "engaged", "by": "p-1"}
HANDED = {"hand_over": {"to": "p-2", "by": "p-1", "why": "shift"}}
TOLD = {"as it was": {}, "written Lock": {"fact": "Lock"}, "with a space": {"by": " p-1"}, "handed over": HANDED}


async def locks(service: Service) -> list[str]:
    return [each["fact"] for each in (await service.get(f"{M}/locks"))["items"]]


async def release_begun(service: Service) -> None:
    """p-1 has begun to take off the lock that they put on."""
    await a_machine(service, LOCK, lock="engaged")
    await service.post(f"{M}/put-on", OWN)
    service.later(seconds=5)
    await opened(service, "w", "take-off", "p-1")
    assert (await step(service, "w", 1, "p-1"))["so"]
    service.later(seconds=5)


async def test_the_step_alone_takes_the_own_lock_off(service: Service) -> None:
    await release_begun(service)
    await service.post(f"{M}/open-work/w/steps/1/done", {"by": "p-1"})
    assert await locks(service) == []


@pytest.mark.parametrize("how", ["done", "next", "meanwhile"])
@pytest.mark.parametrize("told", TOLD)
async def test_an_own_lock_told_with_the_step_that_takes_it_off_stays_on(service: Service, how: str, told: str) -> None:
    """Each lock is its own person's to take off: 29 CFR 1910.147(e)(3)."""
    await release_begun(service)
    on, to = {**OWN, **TOLD[told]}, "2" if how == "next" else "1/done"
    if how == "meanwhile":
        assert (await service.http.post(f"{M}/put-on", json=on)).status_code < 300
        service.later(seconds=5)
    more = {} if how == "meanwhile" else {"put_on": [on]}
    answer = await service.http.post(f"{M}/open-work/w/steps/{to}", json={"by": "p-1", **more})
    assert answer.status_code < 300, answer.text
    for seconds in (1, 600):
        service.later(seconds=seconds)
        assert await locks(service) == ["lock"]
        stranger = {"for": {"action": "release"}, "by": "p-9", "evidence": [report(service, "lock", "engaged", "p-9")]}
        asked = await service.post(f"{M}/clearance", stranger)
        assert (asked["clearance"], [each["fact"] for each in asked["blocked_by"]]) == ("withheld", ["lock"])
