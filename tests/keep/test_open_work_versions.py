"""What is told while work is open, and by what version it is read: a report is taken, and never taken for what it does not say.

The small rulebook and the cases are our own. That what can't be verified does not count: 29 CFR 1910.147(d)(6).
"""

from typing import Any

import pytest
import yaml

from fieldworthy.core.answer.evidence import check_evidence
from fieldworthy.usecases.find_rulebook import Found, checked
from fieldworthy.usecases.work_versions import NOTHING_ASKED, reads
from fieldworthy.wire.questions import clearance_question
from tests.keep.service import Service
from tests.keep.test_open_work import seen

DRUM = """rulebook: drum
title: A machine with a drum
language: 1
facts:
  engine: {states: [stopped, running], known_by: [seen]}
  person: {states: [clear, at drum], known_by: [seen], per: person}
actions:
  start engine: {needs: person is clear, makes: engine is running}
  stop engine: {makes: engine is stopped}
  go to drum: {needs: engine is stopped, makes: person is at drum}
  come out: {makes: person is clear}
hazards:
  caught by the drum: {never: person is at drum and engine is running, signal: danger, avoid: Stay clear of the drum.}
tasks:
  drum-look: {title: Look at the drum, kind: inspect, needs: engine is stopped, holds: engine is stopped, steps: [go to drum, come out]}
"""
STATE = DRUM.replace("running", "turning")
FACT = DRUM.replace("engine:", "motor:").replace("engine is", "motor is")
WORKER = DRUM.replace("person:", "worker:").replace("person is", "worker is")
PLACE = DRUM.replace("at drum", "in the drum").replace("clear", "away")
MORE = DRUM.replace("  person:", "  pressure: {unit: bar, known_by: [sensor]}\n  person:")
D = "/v1/machines/d-1"
REST = {"engine": "stopped", "person": "clear"}


async def look_open(service: Service, newer: str | None = None) -> None:
    """p-1 has opened the look at the drum; then a newer version is published."""
    await service.publish(DRUM, "drum")
    await service.put(D, {"rulebook": "drum"})
    told = {"work": "w", "task": "drum-look", "by": "p-1", "evidence": seen(service.now, **REST)}
    assert (await service.post(f"{D}/open-work", told))["opened"]
    service.later(seconds=5)
    if newer is not None:
        await service.publish(newer, "drum")


async def close(service: Service) -> None:
    told = {"by": "p-1", "result": "partly", "why": "x", "leave": "y"}
    assert (await service.post(f"{D}/open-work/w/close", told))["closed"]
    service.later(seconds=5)


async def start(service: Service, by: str = "p-3", evidence: Any = ()) -> Any:
    return await service.post(f"{D}/clearance", {"for": {"action": "start engine"}, "by": by, "evidence": list(evidence)})


@pytest.mark.parametrize(
    ("newer", "fact", "value", "with_step"),
    [
        (STATE, "engine", "turning", False),
        (STATE, "engine", "turning", True),
        (FACT, "motor", "running", False),
        (FACT, "motor", "running", True),
    ],
    ids=["a state", "a state, with the step", "a fact", "a fact, with the step"],
)
async def test_a_report_that_the_open_works_version_cannot_read_is_kept_and_its_fact_is_not_known(
    service: Service, newer: str, fact: str, value: str, with_step: bool
) -> None:
    await look_open(service, newer)
    told = seen(service.now, "p-2", **{fact: value})
    if not with_step:
        put = await service.put(f"{D}/evidence/e", told[0])
        assert put["rulebook"]["version"] == 2
    service.later(seconds=1)
    begun = await service.post(f"{D}/open-work/w/steps/1", {"by": "p-1", "evidence": told if with_step else []})
    assert not begun["so"]
    (missing,) = [m for m in begun["procedure"]["next"]["missing"] if m["fact"] == "engine"]
    assert fact in missing["text"]
    assert (await service.get(f"{D}/evidence?about={fact}"))["items"][0]["record"]["value"] == value
    service.later(seconds=5)
    again = seen(service.now, **REST)
    assert (await service.post(f"{D}/open-work/w/steps/1", {"by": "p-1", "evidence": again}))["so"], "seen anew, in words of the version"


async def test_what_the_open_works_version_can_read_is_taken_when_the_newest_cannot(service: Service) -> None:
    await look_open(service, STATE)
    put = await service.put(f"{D}/evidence/e", seen(service.now, "p-2", engine="running")[0])
    assert put["rulebook"]["version"] == 1
    service.later(seconds=1)
    begun = await service.post(f"{D}/open-work/w/steps/1", {"by": "p-1"})
    assert not begun["so"]
    assert [u["fact"] for u in begun["procedure"]["next"]["unmet"]] == ["engine"]


async def test_a_report_that_neither_version_can_read_is_refused(service: Service) -> None:
    await look_open(service, STATE)
    strange = seen(service.now, "p-2", engine="humming")[0]
    many = {"items": [{"id": "a", **seen(service.now, engine="stopped")[0]}, {"id": "b", **strange}]}
    step = {"by": "p-1", "evidence": [strange]}
    for answer, place in (
        (await service.http.put(f"{D}/evidence/e", json=strange), "#/value"),
        (await service.http.post(f"{D}/evidence", json=many), "#/items/1/value"),
        (await service.http.post(f"{D}/open-work/w/steps/1", json=step), "#/evidence/0/value"),
    ):
        assert (answer.status_code, answer.json()["code"]) == (422, "question.does_not_fit"), answer.text
        (error,) = answer.json()["errors"]
        assert error["pointer"] == place
        assert "`drum@1`" in error["detail"]
        assert "`drum@2`" in error["detail"]
        assert "`stopped` or `running`" in error["mend"]
    assert len((await service.get(f"{D}/evidence"))["items"]) == len(REST), "nothing of it is kept"


async def test_a_report_of_a_fact_that_is_new_puts_nothing_else_in_doubt(service: Service) -> None:
    await look_open(service, MORE)
    told = {"fact": "pressure", "value": {"value": 2, "unit": "bar"}, "at": service.now.isoformat(), "via": "sensor"}
    await service.put(f"{D}/evidence/e", told)
    assert (await service.post(f"{D}/open-work/w/steps/1", {"by": "p-1"}))["so"]


async def test_what_was_told_in_an_earlier_versions_words_counts_against_the_newest(service: Service) -> None:
    """Told of the motor first and of the engine later; when the work is closed, the version is asked that knows the motor alone."""
    await look_open(service, FACT)
    await service.put(f"{D}/evidence/e1", seen(service.now, "p-2", motor="stopped")[0])
    service.later(seconds=1)
    await service.put(f"{D}/evidence/e2", seen(service.now, "p-2", engine="running")[0])
    service.later(seconds=1)
    await close(service)
    asked = await service.post(f"{D}/clearance", {"for": {"task": "drum-look"}, "by": "p-3"})
    assert (asked["clearance"], asked["rulebook"]["version"]) == ("withheld", 2)
    assert [(m["fact"], "`engine` was reported" in m["text"]) for m in asked["missing"]] == [("motor", True)]
    service.later(seconds=1)
    fresh = {"for": {"task": "drum-look"}, "by": "p-3", "evidence": seen(service.now, "p-3", motor="stopped")}
    assert (await service.post(f"{D}/clearance", fresh))["clearance"] == "granted"


@pytest.mark.parametrize(("newer", "fact", "rest"), [(WORKER, "worker", "clear"), (PLACE, "person", "away")], ids=["fact", "state"])
async def test_nobody_is_forgotten_at_the_drum_by_another_name(service: Service, newer: str, fact: str, rest: str) -> None:
    await look_open(service)
    assert (await service.post(f"{D}/open-work/w/steps/1", {"by": "p-1"}))["so"]
    service.later(seconds=5)
    await close(service)
    await service.publish(newer, "drum")
    clear = {fact: rest}
    asked = await start(service, evidence=seen(service.now, "p-3", **clear))
    assert (asked["clearance"], asked["rulebook"]["version"]) == ("withheld", 2)
    assert [m["fact"] for m in asked["missing"]] == [fact]
    service.later(seconds=5)
    await service.put(f"{D}/evidence/out", seen(service.now, "p-1", **clear)[0])
    assert (await start(service))["clearance"] == "granted"


async def test_who_was_clear_in_an_earlier_versions_words_need_not_say_so_again(service: Service) -> None:
    await look_open(service)
    await service.put(f"{D}/evidence/e", seen(service.now, "p-2", person="clear")[0])
    await close(service)
    await service.publish(PLACE, "drum")
    assert (await start(service, evidence=seen(service.now, "p-3", person="away")))["clearance"] == "granted"


async def test_a_lock_in_the_newest_versions_words_stands_against_others(service: Service) -> None:
    await look_open(service, FACT)
    assert await service.post(f"{D}/put-on", {"fact": "motor", "state": "stopped", "by": "p-2"}) == {"new": True}
    step = {"by": "p-1", "evidence": seen(service.now, **REST)}
    begun = await service.post(f"{D}/open-work/w/steps/1", step)
    assert not begun["so"]
    assert [(b["fact"], b["by"]) for b in begun["procedure"]["next"]["blocked_by"]] == [("motor", "p-2")]
    assert (await service.http.post(f"{D}/taken-off", json={"fact": "motor", "by": "p-2"})).status_code == 204
    assert (await service.post(f"{D}/open-work/w/steps/1", step))["so"]


BAR = DRUM.replace("  person:", "  pressure: {unit: bar, known_by: [sensor]}\n  person:").replace(
    "needs: engine is stopped, holds", "needs: engine is stopped and pressure < 0.5 bar, holds"
)
PSI = BAR.replace("unit: bar", "unit: psi")


def measured(service: Service, value: Any) -> Any:
    return {"fact": "pressure", "value": value, "at": service.now.isoformat(), "via": "sensor"}


async def test_a_number_without_a_unit_is_not_read_in_a_later_versions_unit(service: Service) -> None:
    """3 bar are no 3 psi, which would be 0.2 bar."""
    await service.publish(BAR, "drum")
    await service.put(D, {"rulebook": "drum"})
    wanted = {"for": {"task": "drum-look"}, "by": "p-1", "evidence": seen(service.now, **REST)}
    await service.put(f"{D}/evidence/a", measured(service, 3))
    assert (await service.post(f"{D}/clearance", wanted))["unmet"][0]["fact"] == "pressure"
    service.later(seconds=5)
    await service.publish(PSI, "drum")
    asked = await service.post(f"{D}/clearance", wanted)
    assert asked["clearance"] == "withheld"
    assert [(m["fact"], m["why"]) for m in asked["missing"]] == [("pressure", "must-be-reported-again")]
    service.later(seconds=5)
    await service.put(f"{D}/evidence/b", measured(service, {"value": 0.2, "unit": "bar"}))
    assert (await service.post(f"{D}/clearance", wanted))["clearance"] == "granted"
    await service.publish(BAR, "drum")
    assert (await service.post(f"{D}/clearance", wanted))["clearance"] == "granted", "with its unit it is the same in each version"


async def test_while_two_versions_are_in_force_that_differ_in_unit_the_unit_is_said(service: Service) -> None:
    await service.publish(BAR, "drum")
    await service.put(D, {"rulebook": "drum"})
    told = {"work": "w", "task": "drum-look", "by": "p-1", "evidence": [*seen(service.now, **REST), measured(service, 0.1)]}
    assert (await service.post(f"{D}/open-work", told))["opened"]
    service.later(seconds=5)
    await service.publish(PSI, "drum")
    assert (await service.post(f"{D}/open-work/w/steps/1", {"by": "p-1"}))["so"], "what was told before counts on"
    answer = await service.http.put(f"{D}/evidence/e", json=measured(service, 3))
    assert (answer.status_code, answer.json()["errors"][0]["code"]) == (422, "question.unit_needed"), answer.text
    assert answer.json()["errors"][0]["pointer"] == "#/value"
    assert "`bar` or `psi`" in answer.json()["mend"]
    await service.put(f"{D}/evidence/e", measured(service, "3 psi"))


@pytest.mark.both_databases
async def test_what_is_asked_as_of_a_moment_is_the_same_after_a_newer_version(service: Service) -> None:
    await look_open(service, FACT)
    await service.put(f"{D}/evidence/e", seen(service.now, "p-2", motor="running")[0])
    question = {"for": {"action": "stop engine"}, "by": "p-2"}
    first = await service.http.post(f"{D}/clearance", json=question)
    service.later(seconds=5)
    await service.publish(MORE, "drum")
    again = {**question, "now": first.json()["now"], "as_of": first.json()["as_of"]}
    assert (await service.http.post(f"{D}/clearance", json=again)).content == first.content


HEAT = DRUM.replace("  person:", "  heat: {unit: degC, known_by: [sensor]}\n  strokes: {unit: cycles, known_by: [sensor]}\n  person:")
VALUES = [
    "stopped",
    "STOPPED",
    "humming",
    "",
    "20 degC",
    "20 bar",
    "-300 degC",
    20,
    -300,
    {"value": 5, "unit": "K"},
    {"value": 5, "unit": "h"},
]


def test_a_version_reads_what_its_check_finds_nothing_in() -> None:
    found = Found(checked(yaml.safe_load(HEAT)), 1)
    told = [
        {"fact": fact, "value": value, "at": "2026-07-14T06:00:00Z", "via": "sensor"}
        for fact in ("engine", "Engine", "heat", "strokes", "motor")
        for value in VALUES
    ]
    reports = clearance_question({**NOTHING_ASKED, "evidence": told}).evidence
    can = [reads(found, each) for each in reports]
    assert can == [not check_evidence(found.book.vocabulary.facts, [each]) for each in reports]
    assert 8 < sum(can) < 20
