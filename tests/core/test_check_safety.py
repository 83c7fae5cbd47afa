"""The exploration's findings at the check: the table, bounds, what is not explored again, and tasks that are never open together."""

import tomllib
from collections.abc import Mapping
from itertools import combinations, product
from typing import Any

import pytest

from fieldworthy.core.answer.examples import run_example
from fieldworthy.core.base.finding import Finding, Severity
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.condition.search import by_fact, values_of
from fieldworthy.core.condition.walk import evaluate
from fieldworthy.core.procedure.explore import MOST_STATES
from fieldworthy.core.rulebook import check_safety as module
from fieldworthy.core.rulebook import together
from fieldworthy.core.rulebook.check import check_rulebook, check_text
from fieldworthy.core.rulebook.together import never_together
from fieldworthy.demo.world import RULEBOOKS, load
from tests.core.books import CASES, book_of, differs, document_of

TABLE = tomllib.loads((CASES / "rulebook" / "safety.toml").read_text("utf-8"))
MEMBERS = ("facts", "actions", "hazards", "happenings")


def pieces(case: Mapping[str, Any]) -> dict[str, Any]:
    found = {member: {**TABLE["base"][member], **case.get(member, {})} for member in MEMBERS}
    found |= {member: {} for member in MEMBERS if case.get(member) == {}}
    return {**found, **{member: case[member] for member in ("tasks", "procedures") if member in case}}


def found_by_exploring(findings: list[Finding]) -> list[Finding]:
    return [f for f in findings if f.code.startswith("procedure.") or f.code in ("condition.never_true", "condition.always_true")]


@pytest.mark.parametrize("case", TABLE["case"], ids=lambda case: case["name"])
def test_the_table(case: dict[str, Any]) -> None:
    book, findings = check_rulebook(document_of(pieces(case)), None, run_example, case.get("states", MOST_STATES))
    told = found_by_exploring(findings)
    assert [[f.code, f.path] for f in told] == case["want"]
    assert (book is None) == any(f.severity is Severity.ERROR for f in told)
    for finding in told:
        assert finding.mend
        assert not finding.message.endswith(".")
    if told:
        assert case.get("says", "") in told[0].message
        assert case.get("mend", "") in told[0].mend
        trace: Any = told[0].trace or {}
        assert differs({k: case[k] for k in ("start", "steps", "hazard") if k in case}, trace) is None


@pytest.mark.parametrize(
    ("number", "said"),
    [
        (10**12 - 1, "999,999,999,999"),
        (10**12, "at least 10^12"),
        (10**13 - 1, "at least 10^12"),
        (10**13, "at least 10^13"),
        (2**64, "at least 10^19"),  # 18,446,744,073,709,551,616
        (10**30_000 - 1, "at least 10^29999"),
        (10**30_000, "at least 10^30000"),
    ],
    ids=lambda each: each if isinstance(each, str) else "",  # pytest could not write the numbers out either
)
def test_how_many_is_said_truly_however_many_it_is(number: int, said: str) -> None:
    assert module._many(number) == said


def test_of_more_states_than_python_would_write_out_the_number_is_told() -> None:
    """5,000 facts of three states, of two persons each: 3^10,000 states; no `str` writes more than 4,300 digits."""
    names = [f"f{a}{b}{c}" for a, b, c in product("abcdefghijklmnopqr", repeat=3)][:5_000]
    facts = {name: {"states": ["a", "b", "c"], "per": "person"} for name in names}
    steps = [{"do": "Look.", "holds": " and ".join(f"{name} is a" for name in names[n : n + 100])} for n in range(0, len(names), 100)]
    _, findings = check_rulebook(document_of({"facts": facts, "tasks": {"look": {"steps": steps}}}), None, run_example)
    told = found_by_exploring(findings)
    assert [f.code for f in told] == ["procedure.not_shown_safe"]
    assert f"it has at least 10^{10_000 * 0.477_121_254_7:.0f} states" in told[0].message  # log10(3): a handbook's table


def test_a_trace_has_its_three_members_and_only_findings_with_a_way_have_one() -> None:
    codes = {"procedure.hazard_reached", "procedure.step_cannot_start", "procedure.left_changed"}
    for case in TABLE["case"]:
        _, findings = check_rulebook(document_of(pieces(case)), None, run_example, case.get("states", MOST_STATES))
        for finding in found_by_exploring(findings):
            assert (finding.trace is not None) == (finding.code in codes)
            if finding.trace is not None:
                assert isinstance(finding.trace, dict)
                assert list(finding.trace) == ["start", "steps", "hazard"]
                assert (finding.trace["hazard"] is not None) == (finding.code == "procedure.hazard_reached")


UNSAFE = next(case for case in TABLE["case"] if case["name"].startswith("nothing held"))


def test_a_rulebook_that_was_published_is_not_explored_again(monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*_: object) -> None:
        raise AssertionError("it was explored")

    monkeypatch.setattr("fieldworthy.core.rulebook.check.check_safety", never)
    book, _ = check_rulebook(document_of(pieces(UNSAFE)))
    assert book is not None


def test_nothing_is_explored_where_something_else_is_wrong() -> None:
    document = document_of({**pieces(UNSAFE), "options": "none"})
    _, findings = check_rulebook(document, None, run_example)
    assert [f.code for f in findings if f.severity is Severity.ERROR] == ["rulebook.wrong_type"]


def test_findings_have_their_place_in_a_text() -> None:
    text = load().texts[next(iter(RULEBOOKS))]
    lines = text.splitlines()
    loose = "\n".join("" if line.startswith("    needs: ") else line for line in lines)
    book, findings = check_text(loose, run_example)
    assert book is None
    reached = [f for f in findings if f.code == "procedure.hazard_reached"]
    assert reached
    for finding in reached:
        assert finding.line is not None
        assert lines[finding.line - 1].startswith(("      - ", "    steps: [", "    holds: "))


def test_all_procedures_together_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    steps = ["take panel off", {"do": "Grease it."}, "put panel on"]
    held = {"needs": "engine is stopped", "holds": "engine is stopped"}
    others = {f"t{n}": {**held, "steps": [*steps[:1], {"do": f"Grease part {n}."}, *steps[2:]]} for n in range(4)}
    document = document_of({**pieces({}), "tasks": others})
    assert check_rulebook(document, None, run_example)[0] is not None
    book = book_of({**pieces({}), "tasks": others})
    works = [module.explore(book.works, book.vocabulary.facts, t.steps, needs=t.needs, holds=t.holds) for t in book.tasks.values()]
    work = {verdict.figures.work for verdict in works}
    assert len(work) == 1
    monkeypatch.setattr(module, "WORK_PER_STATE", max(work) / 8 * 1.1)  # so each one of eight states may be explored alone
    monkeypatch.setattr(module, "MOST_WORK_IN_ALL", 2)
    refused, findings = check_rulebook(document, None, run_example, 8)
    assert refused is None
    told = [f for f in findings if f.code == "procedure.not_shown_safe"]
    assert [f.path for f in told] == ["/tasks/t2/steps", "/tasks/t3/steps", "/hazards/crushed"]
    assert "more work to explore than a check may do" in told[0].message


def test_a_very_long_way_is_told_with_its_middle_left_out() -> None:
    count = 9  # a counter of nine binary figures that the machine moves by itself: 511 happenings to its end
    facts = {f"f{n}": {"states": ["off", "on"]} for n in range(count)}
    happenings = {
        f"h{n}": {
            "needs": " and ".join([*(f"f{low} is on" for low in range(n)), f"f{n} is off"]),
            "makes": " and ".join([*(f"f{low} is off" for low in range(n)), f"f{n} is on"]),
        }
        for n in range(count)
    }
    never = " and ".join(f"f{n} is on" for n in range(count))
    hazards = {"full": {"never": never, "signal": "notice", "avoid": "Stop it."}}
    start = " and ".join(f"f{n} is off" for n in range(count))
    document = document_of({"facts": facts, "happenings": happenings, "hazards": hazards, "tasks": {"t": {"needs": start}}})
    _, findings = check_rulebook(document, None, run_example)
    (found,) = [f for f in findings if f.code == "procedure.hazard_reached"]
    assert isinstance(found.trace, dict)
    steps = found.trace["steps"]
    assert len(steps) == 201
    assert steps[0] == "step 1: the work"
    assert steps[100] == f"… {2**count - 200} more …"  # the start of the work, and one happening less than there are states
    assert steps[-1] == "h0"


def test_what_is_alike_is_explored_once(monkeypatch: pytest.MonkeyPatch) -> None:
    made = []

    def counted(*given: Any, **named: Any) -> Any:
        made.append(given)
        return explore(*given, **named)

    explore = module.explore
    monkeypatch.setattr(module, "explore", counted)
    alike = {f"t{n}": {"needs": "side panel is on", "holds": "side panel is on"} for n in range(50)}
    assert check_rulebook(document_of({**pieces({}), "tasks": alike}), None, run_example)[0] is not None
    assert len(made) == 2, "the tasks, and a hazard that has nothing to do with them"


# --- never open together -----------------------------------------------------------------------------------------------------

FACTS = {
    "engine": {"states": ["stopped", "running"]},
    "gate": {"states": ["closed", "raised", "between"]},
    "oil": {"unit": "degC"},
    "person": {"states": ["clear", "under gate"], "per": "person"},
}


def apart(**holds: str) -> list[tuple[str, str, str]]:
    book = book_of({"facts": FACTS, "tasks": {name: {"holds": text} for name, text in holds.items()}})
    found = never_together(book)
    assert found.complete
    return [(*pair.tasks, pair.because) for pair in found.found]


@pytest.mark.parametrize(
    ("a", "b", "contradicts"),
    [
        ("gate is closed", "gate is raised", ("gate is closed", "gate is raised")),
        ("engine is stopped and gate is closed", "gate is not closed and engine is stopped", ("gate is closed", "gate is not closed")),
        ("gate is not closed", "gate is not raised", None),  # `between` does for both
        ("gate is closed", "engine is stopped", None),
        ("oil < 50 degC", "oil > 122 degF", ("oil < 50 degC", "oil > 122 degF")),  # 122 degF are 50 degC
        ("oil <= 50 degC", "oil >= 122 degF", None),
        ("person is clear", "person is under gate", None),  # two tasks, two persons
        ("person is clear and gate is closed", "person is under gate and gate is raised", ("gate is closed", "gate is raised")),
        ("gate is closed or engine is stopped", "gate is raised and engine is running", "whole"),
        ("if gate is raised then engine is stopped", "gate is raised and engine is running", "whole"),
        ("if gate is raised then engine is stopped", "gate is raised", None),
    ],
)
def test_pairs_whose_holds_contradict(a: str, b: str, contradicts: Any) -> None:
    told = apart(one=a, two=b)
    if contradicts is None:
        assert told == []
        return
    first, second = (a, b) if contradicts == "whole" else contradicts
    assert told == [("one", "two", f"`one` holds `{first}` and `two` holds `{second}`, which are never true at once")]


def test_every_pair_of_several_in_the_order_of_declaration() -> None:
    told = apart(a="gate is closed", b="gate is raised", c="gate is closed", d="gate is between")
    assert [(x, y) for x, y, _ in told] == [("a", "b"), ("a", "d"), ("b", "c"), ("b", "d"), ("c", "d")]
    assert told[2][2].startswith("`b` holds `gate is raised` and `c` holds `gate is closed`")


@pytest.mark.parametrize("name", RULEBOOKS)
def test_the_demo_pair_by_pair_over_all_states(name: str) -> None:
    book, _ = check_text(load().texts[name])
    assert book is not None
    facts = book.vocabulary.facts
    told = {pair.tasks for pair in never_together(book).found}
    held = [(task.name, task.holds) for task in book.tasks.values() if task.holds is not None]
    assert len(held) > 5
    for (a, one), (b, other) in combinations(held, 2):
        tests = by_fact([one, other])
        if any(facts[fact].per_person for fact in tests):
            continue
        choices = [values_of(facts[fact], several) for fact, several in tests.items()]
        states = [dict(zip(tests, values, strict=True)) for values in product(*choices)]
        meet = any(evaluate(one, s) is Truth.YES and evaluate(other, s) is Truth.YES for s in states)
        assert ((a, b) in told) == (not meet), (a, b)


def test_too_many_pairs_are_said_to_be_more(monkeypatch: pytest.MonkeyPatch) -> None:
    book = book_of({"facts": FACTS, "tasks": {f"t{n}": {"holds": f"gate is {'closed' if n % 2 else 'raised'}"} for n in range(8)}})
    whole = never_together(book)
    assert (len(whole.found), whole.complete) == (16, True)
    monkeypatch.setattr(together, "MOST_PAIRS", 5)
    cut = never_together(book)
    assert (cut.found, cut.complete) == (whole.found[:5], False)
    monkeypatch.setattr(together, "MOST_EFFORT", 0)
    assert not never_together(book).complete
