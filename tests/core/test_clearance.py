"""Clearance: the tables, and what holds of every answer."""

import json
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldworthy.core.answer import hazards as hazards_module
from fieldworthy.core.answer.clearance import ClearanceQuestion, Evidence, OpenWork, answer_clearance
from fieldworthy.core.base.finding import Refused
from fieldworthy.core.base.fit import Identity
from fieldworthy.core.base.names import key
from fieldworthy.core.base.vocabulary import Vocabulary
from fieldworthy.core.condition.ast import Joined
from fieldworthy.core.condition.explain import render
from fieldworthy.core.procedure.model import Action, Happening, Hazard, Works
from fieldworthy.core.rulebook.model import CheckedRulebook, Task
from tests.core.books import NOW, book_of, differs, on_the_wire, question_of, tables
from tests.core.conditions import FACTS, STATES, conditions, single_tests, values
from tests.core.ways import followed
from tests.effort import examples

CASES = tables("clearance")
WAY = {"way-to-safe", "no-way-to-safe", "way-needs-evidence"}


@pytest.mark.parametrize("case", [case for _, case in CASES], ids=[name for name, _ in CASES])
def test_case(case: dict[str, Any]) -> None:
    book = book_of(case["books"][case["book"]])
    sent = on_the_wire(case["request"])
    if "refused" in case:
        with pytest.raises(Refused) as refusal:
            answer_clearance(book, question_of(sent))
        found = [
            {"code": f.code, "path": f.path, "message": f.message, "mend": f.mend, "line": f.line, "column": f.column}
            for f in refusal.value.findings
        ]
        assert differs(case["refused"], found) is None
        assert all(f.mend and (f.message[0].islower() or f.message[0] == "`") for f in refusal.value.findings)
        return
    answer = answer_clearance(book, question_of(sent)).to_json()
    assert differs(case["expect"], answer) is None, json.dumps(answer, indent=1)
    json.dumps(answer)  # plain JSON values only
    if answer["clearance"] == "granted":
        assert not answer["unmet"]
        assert not answer["missing"]
        assert not answer["blocked_by"]
    else:
        assert answer["unmet"] or answer["missing"] or answer["blocked_by"], "withheld for no reason"
        assert answer["valid_until"] is None
    told = [r["code"] for r in answer["because"] if r["code"] in WAY]
    assert len(told) == (answer["clearance"] == "withheld"), "a withheld clearance says whether there is a way, and that once"
    assert bool(answer["do_first"]) is (told == ["way-to-safe"])
    if answer["do_first"]:
        assert followed(book, question_of(sent), [first["action"] for first in answer["do_first"]]).granted
    assert "handbook" in answer["disclaimer"]
    assert answer["because"]


# --- what holds of every answer ----------------------------------------------------------------------------------------------

NOW_AT = datetime.fromisoformat(NOW)
AGES = {"gate": 60, "lock": 3600, "engine": 30}
MACHINE = Identity("m-1")


@st.composite
def situations(draw: st.DrawFn) -> tuple[CheckedRulebook, ClearanceQuestion]:
    """
    A rulebook with an action, two hazards, some happenings and a task that somebody has open, and a question with at most one report a
    fact.
    """
    facts = {name: replace(f, good_for=timedelta(seconds=AGES[name]) if name in AGES else None) for name, f in FACTS.items()}
    makes = draw(st.dictionaries(st.sampled_from(list(STATES)), st.integers(0, 1), min_size=1, max_size=2))
    made = {name: STATES[name][which] for name, which in makes.items()}
    never = [Joined("and", tuple(draw(st.lists(single_tests(), min_size=3, max_size=4)))) for _ in range(2)]
    happenings = {}
    for n in range(draw(st.sampled_from([0, 0, 0, 1, 2]))):
        name = draw(st.sampled_from(list(STATES)))
        happenings[f"e{n}"] = Happening(f"e{n}", draw(st.one_of(st.none(), conditions(2))), {name: draw(st.sampled_from(STATES[name]))})
    works = Works(
        happenings=happenings,
        actions={"act": Action("act", draw(conditions(3)), made)},
        hazards={f"h{i}": Hazard(f"h{i}", c, "danger", "Keep away.") for i, c in enumerate(never)},
    )
    task = Task("open-one", "Open", "inspect", 0, holds=draw(st.one_of(st.none(), conditions(3))))
    book = CheckedRulebook("b", "B", 1, "sha256:0", {}, Vocabulary(facts=facts), {"open-one": task}, {}, works)
    reports = [
        Evidence(name, value, NOW_AT - timedelta(seconds=draw(st.integers(0, 70))), draw(st.sampled_from(["seen", "sensor"])))  # type: ignore[arg-type]
        for name, value in draw(values()).items()
        if value is not None
    ]
    what: dict[str, str] = {"action": "act"} if draw(st.booleans()) else {"needs": render(draw(conditions(3)))}
    open_work = (OpenWork("w-1", "open-one"),) if draw(st.booleans()) else ()
    return book, ClearanceQuestion(NOW_AT, MACHINE, evidence=tuple(reports), open_work=open_work, **what)  # type: ignore[arg-type]


@given(situations(), st.data())
@settings(max_examples=examples(60), deadline=None)
def test_learning_what_was_not_known_never_turns_an_answer_round(
    asked: tuple[CheckedRulebook, ClearanceQuestion], data: st.DataObject
) -> None:
    """More knowledge keeps a grant, and keeps what a known fact withheld."""
    book, question = asked
    before = answer_clearance(book, question)
    reported = {key(e.fact) for e in question.evidence}
    learnt = [
        Evidence(name, value, NOW_AT, "seen")  # type: ignore[arg-type]
        for name, value in data.draw(values()).items()
        if value is not None and name not in reported
    ]
    after = answer_clearance(book, replace(question, evidence=question.evidence + tuple(learnt)))
    if before.granted:
        assert after.granted
    if before.unmet:
        assert not after.granted


@given(situations())
@settings(max_examples=examples(60), deadline=None)
def test_withheld_always_says_why_and_granted_never_lacks(asked: tuple[CheckedRulebook, ClearanceQuestion]) -> None:
    answer = answer_clearance(*asked)
    assert answer.granted is not bool(answer.unmet or answer.missing or answer.blocked_by)


@given(situations())
@settings(max_examples=examples(60), deadline=None)
def test_a_grant_stands_exactly_as_long_as_it_says(asked: tuple[CheckedRulebook, ClearanceQuestion]) -> None:
    book, question = asked
    answer = answer_clearance(book, question)
    if not answer.granted:
        return
    if answer.valid_until is None:
        assert answer_clearance(book, replace(question, now=NOW_AT + timedelta(days=4000))).granted
        return
    assert answer_clearance(book, replace(question, now=answer.valid_until)).granted
    assert not answer_clearance(book, replace(question, now=answer.valid_until + timedelta(microseconds=1))).granted


@given(situations())
@settings(max_examples=examples(40), deadline=None)
def test_the_order_of_evidence_does_not_matter(asked: tuple[CheckedRulebook, ClearanceQuestion]) -> None:
    book, question = asked
    turned = replace(question, evidence=tuple(reversed(question.evidence)))
    assert answer_clearance(book, question).to_json() == answer_clearance(book, turned).to_json()


def test_enough_of_the_random_questions_are_granted() -> None:
    """Else the properties above would say nothing."""
    granted = []

    @given(situations())
    @settings(max_examples=100, deadline=None, database=None, derandomize=True)
    def count(asked: tuple[CheckedRulebook, ClearanceQuestion]) -> None:
        granted.append(answer_clearance(*asked).granted)

    count()
    assert 8 < sum(granted) < len(granted) - 8


# --- persons -----------------------------------------------------------------------------------------------------------------

PLACES = ("clear", "in cab", "under gate")


@given(
    st.sampled_from(PLACES),
    st.sampled_from(PLACES),
    st.lists(st.tuples(st.sampled_from(["p-1", "p-2", "p-3"]), st.sampled_from(PLACES)), min_size=1, max_size=4),
    st.sampled_from(["p-1", "p-3", None]),
)
@settings(max_examples=examples(200), deadline=None)
def test_nobody_is_harmed_by_what_another_is_granted(makes: str, harmed: str, seen: list[tuple[str, str]], asks: str | None) -> None:
    """Everybody is where they themselves reported last, but for the one who does it."""
    book = book_of(
        {
            "facts": {"gate": {"states": ["up", "down"]}, "person": {"states": list(PLACES), "per": "person"}},
            "actions": {"act": {"makes": f"person is {makes} and gate is down"}},
            "hazards": {"crushed": {"never": f"person is {harmed} and gate is down", "signal": "danger", "avoid": "Keep clear."}},
            "tasks": {"look": {}},
        }
    )
    reports = [Evidence("person", place, NOW_AT - timedelta(seconds=9 - n), "seen", by) for n, (by, place) in enumerate(seen)]
    question = ClearanceQuestion(NOW_AT, MACHINE, action="act", by=asks, evidence=(Evidence("gate", "up", NOW_AT, "seen"), *reports))
    answer = answer_clearance(book, question)
    where = {**dict(seen), asks: makes} if asks is not None else {**dict(seen), "whoever": makes}
    away = [place for by, place in where.items() if place != "clear" or by in (asks, "whoever")]
    assert answer.granted is (harmed not in away)
    if not answer.granted:
        assert [u.fact for u in answer.unmet] in (["person"], ["gate"], ["person", "gate"]), answer


# --- what the machine can do by itself ----------------------------------------------------------------------------------------


def test_what_was_not_looked_at_to_its_end_is_not_granted(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten valves that may open by themselves, and a hazard once all are open; the tank is empty, so that it can't be."""
    valves = [f"valve {letter}" for letter in "abcdefghij"]
    book = book_of(
        {
            "facts": {**{valve: {"states": ["shut", "open"]} for valve in valves}, "tank": {"states": ["empty", "full"]}},
            "happenings": {f"{valve} opens": {"makes": f"{valve} is open"} for valve in valves},
            "hazards": {
                "flood": {"never": " and ".join(f"{v} is open" for v in valves) + " and tank is full", "signal": "danger", "avoid": "Run."}
            },
            "tasks": {"look": {"needs": "tank is empty"}},
        }
    )
    reports = tuple(Evidence(valve, "shut", NOW_AT, "seen") for valve in valves) + (Evidence("tank", "empty", NOW_AT, "seen"),)
    question = ClearanceQuestion(NOW_AT, MACHINE, task="look", evidence=reports)
    assert answer_clearance(book, question).granted
    monkeypatch.setattr(hazards_module, "MOST_LOOKS", 1000)
    answer = answer_clearance(book, question)
    assert not answer.granted
    assert [m.why for m in answer.missing] == ["not-shown"]
