"""A procedure, run: the tables, and what holds of every answer."""

import json
from collections.abc import Sequence
from itertools import product
from typing import Any

import pytest

from fieldworthy.core.answer.hazards import MOST_PERSONS
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


GATE = {
    "facts": {
        "gate": {"states": ["up", "coming down"]},
        "rotor": {"states": ["still", "turning"]},
        "person": {"states": ["clear", "under gate", "at rotor"], "per": "person"},
    },
    "actions": {
        "lower gate": {"makes": "gate is coming down"},
        "come out and lower gate": {"makes": "person is clear and gate is coming down"},
        "raise gate by rotor": {"makes": "gate is up and rotor is turning"},
        "raise gate by hand": {"makes": "gate is up"},
        "come out and turn rotor": {"makes": "person is clear and rotor is turning"},
        "stop rotor": {"makes": "rotor is still"},
        "come out": {"makes": "person is clear"},
    },
    "hazards": {
        "crushed": {"never": "person is under gate and gate is coming down", "signal": "danger", "avoid": "Keep clear."},
        "caught": {"never": "person is at rotor and rotor is turning", "signal": "danger", "avoid": "Keep clear."},
    },
    "tasks": {"lower": {"steps": ["lower gate", {"do": "Look."}, "raise gate by hand", "stop rotor"]}},
}


@pytest.mark.parametrize("left_out", [(), ("come out",), ("come out", "come out and lower gate", "come out and turn rotor")])
def test_the_way_to_safe_is_safe_for_everybody_wherever_each_is(left_out: Sequence[str]) -> None:
    """All places of two persons beside the worker: the first declared action after which nobody is in a hazard; where none is, no way."""
    actions = {name: each for name, each in GATE["actions"].items() if name not in left_out}
    book = book_of({**GATE, "actions": actions})

    def harmed(gate: str, rotor: str, persons: Sequence[str]) -> bool:
        return (gate == "coming down" and "under gate" in persons) or (rotor == "turning" and "at rotor" in persons)

    def mends(name: str, gate: str, rotor: str, persons: Sequence[str]) -> bool:
        made = dict(part.split(" is ") for part in actions[name]["makes"].split(" and "))
        after = made.get("gate", gate), made.get("rotor", rotor)
        follow = ["clear"] * 2 if "person" in made else persons
        return not harmed(*after, follow) and not any(harmed(*after, [p]) and not harmed(gate, rotor, [p]) for p in persons)

    lengths = []
    for gate, rotor, *persons in product(("up", "coming down"), ("still", "turning"), *[GATE["facts"]["person"]["states"]] * 2):
        reports = [{"fact": "gate", "value": gate, "ago": 1}, {"fact": "rotor", "value": rotor, "ago": 1}]
        reports += [{"fact": "person", "value": where, "by": f"p-{n}", "ago": n} for n, where in enumerate(persons, 2)]
        sent = {"task": "lower", "by": "p-1", "done": [{"step": 1, "ago": 60, "by": "p-1"}], "evidence": reports}
        stopped = answer_procedure(book, question_of(on_the_wire(sent))).to_json()["interrupted"]
        assert (stopped is not None) is harmed(gate, rotor, persons), sent
        if stopped is not None:
            expected = [name for name in actions if mends(name, gate, rotor, persons)][:1]
            assert [each["action"] for each in stopped["make_safe"]] == expected, sent
            lengths.append(len(expected))
    assert 1 in lengths
    assert (0 in lengths) is (len(left_out) == 3), "two in two hazards, and nobody comes out"
