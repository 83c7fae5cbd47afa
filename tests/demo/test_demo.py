"""The demo's world: its rulebooks publish, its answers are a good mix, its pages fit 80 columns."""

import io
import re
from collections import Counter
from collections.abc import Iterator

import pytest

from fieldworthy.core.answer.examples import run_example
from fieldworthy.core.base.finding import Severity
from fieldworthy.core.interval.ast import (
    Anchor,
    Combined,
    EachSeason,
    EveryAmount,
    EveryOccurrence,
    EveryWord,
    EveryWorkingDay,
    FirstThen,
    OnceAfter,
    OnceAt,
    Rule,
    Timing,
)
from fieldworthy.core.rulebook.check import check_text
from fieldworthy.core.rulebook.model import CheckedRulebook
from fieldworthy.demo.show import show
from fieldworthy.demo.world import RULEBOOKS, load


def book_of(name: str) -> CheckedRulebook:
    book, findings = check_text(load().texts[name], run_example)
    assert [f.message for f in findings if f.severity is Severity.ERROR] == []
    assert book is not None
    return book


@pytest.fixture(scope="module")
def books() -> dict[str, CheckedRulebook]:
    return {name: book_of(name) for name in RULEBOOKS}


@pytest.fixture(scope="module")
def shown() -> str:
    out = io.StringIO()
    show(out)
    return out.getvalue()


@pytest.mark.parametrize("name", RULEBOOKS)
def test_a_rulebook_has_no_finding_at_all(name: str) -> None:
    _, findings = check_text(load().texts[name], run_example)
    assert [(f.line, f.message) for f in findings] == []


def test_the_rulebooks_are_as_large_as_real_ones(books: dict[str, CheckedRulebook]) -> None:
    for book in books.values():
        assert len(book.tasks) >= 25
        assert len(book.examples) >= 4
        assert len(book.works.hazards) >= 4


def rules(books: dict[str, CheckedRulebook]) -> Iterator[Rule]:
    for book in books.values():
        for task in book.tasks.values():
            if task.interval is not None:
                yield from task.interval.rules


def bases(timing: Timing) -> Iterator[Timing]:
    yield timing
    if isinstance(timing, Combined):
        for part in timing.parts:
            yield from bases(part)
    if isinstance(timing, FirstThen):
        yield from bases(timing.then)


def test_every_form_of_the_grammar_is_used(books: dict[str, CheckedRulebook]) -> None:
    found = [base for rule in rules(books) for base in bases(rule.timing)]
    assert {type(base) for base in found} == {
        EveryAmount,
        EveryWord,
        EveryWorkingDay,
        EveryOccurrence,
        EachSeason,
        Combined,
        OnceAt,
        OnceAfter,
        FirstThen,
    }
    assert {base.anchor for base in found if isinstance(base, EveryAmount)} == set(Anchor)
    assert {base.word for base in found if isinstance(base, EveryWord)} == {"daily", "weekly", "monthly", "yearly"}
    assert {base.when for base in found if isinstance(base, EachSeason)} == {"before", "after", "once"}
    assert {base.op for base in found if isinstance(base, Combined)} == {"and", "or"}
    assert any(isinstance(part, Combined) for base in found if isinstance(base, Combined) for part in base.parts)
    assert {base.after is None for base in found if isinstance(base, FirstThen)} == {True, False}
    allowances = [a for rule in rules(books) for a in rule.within]
    assert {a.way for a in allowances} == {"early", "late", None}
    assert {(a.percent is None, len(a.caps)) for a in allowances} >= {(True, 0), (False, 0), (False, 1), (False, 2)}
    assert any(rule.when for rule in rules(books))
    assert any(rule.during for rule in rules(books))


def test_every_member_of_a_task_is_used(books: dict[str, CheckedRulebook]) -> None:
    tasks = [task for book in books.values() for task in book.tasks.values()]
    assert {task.kind for task in tasks} == {"inspect", "clean", "lubricate", "adjust", "replace", "couple"}
    assert {task.says for task in tasks} == {"law", "maker", "house"}
    assert {task.skill for task in tasks} == {"operator", "workshop", "specialist"}
    for member in ("only_with", "needs", "holds", "may_defer", "covers", "causes", "notice", "minutes", "tools", "uses", "steps", "leaves"):
        assert any(getattr(task, member) for task in tasks), member


def test_the_standings_are_a_good_mix(shown: str) -> None:
    counted: Counter[str] = Counter()
    for count, standing in re.findall(r"(\d+) (overdue|due|unknown|upcoming|clear|of them resting)\b", " ".join(shown.split())):
        counted[standing] += int(count)
    assert all(counted[s] >= 2 for s in ("overdue", "due", "unknown", "upcoming", "clear", "of them resting")), counted


def test_one_clearance_is_granted_and_one_withheld_for_a_lock_that_nobody_saw(shown: str) -> None:
    withheld, granted = shown.split("WITHHELD")[1].split("GRANTED")
    assert "Nobody and nothing has reported `cylinder stop`." in withheld
    assert "once `cylinder stop` is known" in " ".join(withheld.split())
    assert "valid until 06:30:30" in granted
    looked = " ".join(shown.split("WITHHELD")[2].split())
    assert "do first: set cylinder stop, and confirm: cylinder stop is set" in looked
    assert "handbook" in shown


def test_the_parts_list_uses_stock_and_follows_replaced_numbers(shown: str) -> None:
    parts = shown.split("Parts for r5-17")[1]
    assert re.search(r"PL-1181 +Bale belt \(textured\) +5 each +0 each +5 each", parts)
    assert "Not used from stock" in parts


def test_no_line_is_wider_than_80_columns_and_none_holds_control_codes(shown: str) -> None:
    assert max(len(line) for line in shown.splitlines()) <= 80
    assert "\x1b" not in shown
