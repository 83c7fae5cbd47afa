"""A procedure, run: the tables, and what holds of every answer."""

import json
from typing import Any

import pytest

from fieldworthy.core.answer.interrupted import MOST_PERSONS
from fieldworthy.core.answer.procedure import answer_procedure
from fieldworthy.core.base.finding import Refused
from tests.core.books import book_of, differs, tables
from tests.core.procedures import on_the_wire, question_of

CASES = tables("procedure")


@pytest.mark.parametrize("case", [case for _, case in CASES], ids=[name for name, _ in CASES])
def test_case(case: dict[str, Any]) -> None:
    book = book_of(case["books"][case["book"]])
    sent = on_the_wire(case["request"])
    if "refused" in case:
        with pytest.raises(Refused) as refusal:
            answer_procedure(book, question_of(sent))
        found = [{"code": f.code, "path": f.path, "message": f.message, "mend": f.mend} for f in refusal.value.findings]
        assert differs(case["refused"], found) is None, found
        assert all(f.mend and (f.message[0].islower() or f.message[0] == "`") for f in refusal.value.findings)
        return
    answer = answer_procedure(book, question_of(sent)).to_json()
    assert differs(case["expect"], answer) is None, json.dumps(answer, indent=1)
    json.dumps(answer)  # plain JSON values only
    hold(answer, len(sent["done"]))


def hold(answer: dict[str, Any], done: int) -> None:
    """What holds of every answer."""
    steps, following = answer["steps"], answer["next"]
    assert [s["step"] for s in steps] == list(range(1, len(steps) + 1))
    states = ["done"] * done + ["next", *["later"] * len(steps)]
    assert [s["state"] for s in steps] == states[: len(steps)]
    assert all(sum(s[kind] is not None for kind in ("action", "do", "wait")) == 1 for s in steps)
    assert (following is None) == (done == len(steps))
    assert "handbook" in answer["disclaimer"]
    assert answer["because"]
    if following is None:
        assert answer["valid_until"] is None
        return
    assert following["step"] == done + 1
    assert answer["valid_until"] == following["valid_until"]
    if following["clearance"] == "granted":
        assert not following["unmet"] + following["missing"] + following["blocked_by"]
        assert answer["interrupted"] is None
        assert answer["ready_at"] is None
    else:
        assert following["unmet"] or following["missing"] or following["blocked_by"] or answer["ready_at"], "withheld for no reason"
        assert following["valid_until"] is None


@pytest.mark.parametrize(("hazards", "refused"), [(10, False), (400, True)])
def test_cautions_beyond_the_limit_are_refused(hazards: int, refused: bool) -> None:
    """They grow with the steps times the hazards: 500 steps and 400 hazards would be answered with 11 MB."""
    near = {f"h{n}": {"never": "gate is raised", "signal": "danger", "avoid": "Keep away."} for n in range(hazards)}
    steps = [{"do": "Look.", "needs": "gate is closed"}] * 500
    book = book_of({"facts": {"gate": {"states": ["closed", "raised"]}}, "hazards": near, "tasks": {"long": {"steps": steps}}})
    question = question_of(on_the_wire({"task": "long", "evidence": [{"fact": "gate", "value": "closed"}]}))
    if not refused:
        assert len(answer_procedure(book, question).to_json()["steps"]) == 500
        return
    with pytest.raises(Refused, match="more than 1,000,000 characters"):
        answer_procedure(book, question)


def test_of_more_persons_than_are_looked_at_the_next_step_waits() -> None:
    """One of them is where the hazard is, and is not looked at: their reports contradict each other, so nothing is granted."""
    facts = {"dose": {"unit": "number", "per": "person"}}
    hazards = {"too much": {"never": "dose > 1000", "signal": "danger", "avoid": "Go out before."}}
    book = book_of(
        {"facts": facts, "hazards": hazards, "tasks": {"look": {"needs": "dose <= 1000", "steps": [{"do": "Look."}, {"do": "Look on."}]}}}
    )
    several = [{"fact": "dose", "value": n, "by": f"p-{n}", "ago": 1} for n in (*range(100, 100 + MOST_PERSONS), 9999)]

    def ask(reports: list[dict[str, Any]]) -> dict[str, Any]:
        return answer_procedure(
            book, question_of(on_the_wire({"task": "look", "done": [{"step": 1, "ago": 5}], "evidence": reports}))
        ).to_json()

    few, most, more = ask(several[-1:]), ask(several[1:]), ask(several)
    assert few["interrupted"] is not None
    assert most["interrupted"] is not None
    assert more["interrupted"] is None
    assert [m["why"] for m in more["next"]["missing"]] == ["contradictory"]
