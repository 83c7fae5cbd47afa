"""Every procedure of the demo's rulebooks is run from its first step to its last, all facts reported anew before each."""

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from fieldworthy.core.answer.evidence import Evidence
from fieldworthy.core.answer.procedure import DoneStep, ProcedureQuestion, answer_procedure
from fieldworthy.core.base.fit import Identity
from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import Quantity, read_amount
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.condition.evaluate import evaluate
from fieldworthy.core.rulebook.check import check_rulebook
from fieldworthy.core.rulebook.model import CheckedRulebook
from fieldworthy.core.rulebook.text import read_document
from fieldworthy.demo.world import load

START = datetime(2026, 9, 12, 6, 30, tzinfo=UTC)


def books() -> list[CheckedRulebook]:
    found = []
    for text in load().texts.values():
        document = read_document(text)
        assert not isinstance(document, list)
        book, findings = check_rulebook(document.data)
        assert book is not None, findings
        found.append(book)
    return found


PROCEDURES = [(book, task.name) for book in books() for task in book.tasks.values() if task.steps]


@dataclass
class Machine:
    """A machine that does what it is told, and what it can do by itself while somebody waits."""

    book: CheckedRulebook
    task: str
    state: dict[str, Any]
    now: datetime = START
    done: list[DoneStep] = field(default_factory=list)

    def ask(self) -> dict[str, Any]:
        evidence = tuple(
            Evidence(fact.name, self.state[name], self.now, "seen" if "seen" in fact.known_by else "sensor", "p-1")
            for name, fact in self.book.vocabulary.facts.items()
        )
        told = next(one["machine"] for one in load().machines if one["rulebook"] == self.book.name)
        identity = Identity(told["id"], told["model"], told["serial"], frozenset(self.book.options))
        return answer_procedure(
            self.book, ProcedureQuestion(self.now, identity, self.task, tuple(self.done), by="p-1", evidence=evidence)
        ).to_json()

    def settle(self, unmet: list[dict[str, str]]) -> bool:
        """Brings about by itself what is asked for, if a happening can: whether anything changed."""
        for each in self.book.works.happenings.values():
            wanted = {key(u["fact"]): key(u["must_be"]) for u in unmet}
            makes = {name: key(state) for name, state in each.makes.items()}
            possible = each.needs is None or evaluate(each.needs, self.state) is Truth.YES
            if possible and any(wanted.get(name) == state for name, state in makes.items()):
                self.state |= makes
                return True
        return False

    def begin(self) -> None:
        """Brings the machine to where step 1 may start, as whoever works on it does before."""
        for _ in range(20):
            unmet = self.ask()["next"]["unmet"]
            if not unmet:
                return
            for each in unmet:
                fact = self.book.vocabulary.facts[key(each["fact"])]
                self.state[key(each["fact"])] = key(each["must_be"]) if fact.states else number(each["must_be"])


def number(must_be: str) -> Quantity:
    """A number that fits `< 50 degC` and the like: far enough on the right side."""
    sign, _, amount = must_be.partition(" ")
    read = read_amount(amount)
    assert read is not None
    return Quantity(read.value + (-1 if "<" in sign else 1 if ">" in sign else 0), read.unit)


def at_rest(book: CheckedRulebook) -> dict[str, Any]:
    return {n: key(f.states[0]) if f.states else Quantity(0, f.unit) if f.unit else 0 for n, f in book.vocabulary.facts.items()}


def test_the_demo_has_procedures() -> None:
    assert len(PROCEDURES) >= 8


@pytest.mark.parametrize(("book", "task"), PROCEDURES, ids=[f"{book.name}: {task}" for book, task in PROCEDURES])
def test_a_procedure_runs_to_its_end(book: CheckedRulebook, task: str) -> None:
    machine = Machine(book, task, at_rest(book))
    machine.begin()
    began = dict(machine.state)
    for _ in range(200):
        answer = machine.ask()
        following = answer["next"]
        assert answer["interrupted"] is None, answer["interrupted"]
        if following is None:
            break
        if answer["ready_at"]:
            machine.now = datetime.fromisoformat(answer["ready_at"])
            continue
        if following["clearance"] == "withheld":
            assert machine.settle(following["unmet"]), following
            continue
        step = answer["steps"][following["step"] - 1]
        if step["action"]:
            machine.state |= {name: key(state) for name, state in book.works.actions[key(step["action"])].makes.items()}
        machine.done.append(DoneStep(step["step"], machine.now, "p-1"))
        machine.now += timedelta(seconds=1)
    assert machine.ask()["next"] is None
    # what is left is what was neither so when it began nor is at rest, and the task does not say that it leaves it
    left = {key(each["fact"]) for each in machine.ask()["left"]}
    rest = at_rest(book)
    assert all(machine.state[name] not in (rest[name], began[name]) for name in left)
    assert not left, left
