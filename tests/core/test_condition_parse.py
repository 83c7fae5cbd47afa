"""The condition language's texts: canonical forms, findings, and what holds of every text."""

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lark import Lark

from fieldworthy.core.base.finding import Finding
from fieldworthy.core.base.names import CONDITION_WORDS, tidy
from fieldworthy.core.base.span import Span
from fieldworthy.core.condition import walk
from fieldworthy.core.condition.ast import Condition, StateTest
from fieldworthy.core.condition.explain import aloud, render
from fieldworthy.core.condition.lexer import TROUBLE, Words
from fieldworthy.core.condition.parse import GRAMMAR, MAX_DEPTH, MAX_TEXT, SAY, parse
from tests.core.books import tables
from tests.core.conditions import conditions
from tests.effort import examples

TEXTS = [(name, case) for name, case in tables("condition") if "canonical" in case]
ERRORS = [(name, case) for name, case in tables("condition") if name.startswith("errors:")]


@pytest.mark.parametrize("case", [c for _, c in TEXTS], ids=[n for n, _ in TEXTS])
def test_canonical(case: dict[str, Any]) -> None:
    found = parse(case["text"])
    assert not isinstance(found, Finding), found
    assert render(found) == case["canonical"]
    assert parse(render(found)) == found
    if "aloud" in case:
        assert aloud(found) == case["aloud"]
    for test in walk.tests_of(found):
        assert case["text"][test.span.start] not in " \t\n"


@pytest.mark.parametrize("case", [c for _, c in ERRORS], ids=[n for n, _ in ERRORS])
def test_finding(case: dict[str, Any]) -> None:
    text = case["text"]
    found = parse(text)
    assert isinstance(found, Finding), found
    assert found.code == case["code"]
    assert found.span is not None
    if "at" in case:
        assert (found.span.start, found.span.end) == tuple(case["at"])
    if "here" in case:
        assert text[found.span.start : found.span.end] == case["here"]
    for part in case.get("message", []):
        assert part in found.message
    if "mend" in case:
        assert found.mend == case["mend"]
    no_inner_words(found)


def no_inner_words(found: Finding) -> None:
    """No token's or rule's name reaches a person; never empty, no full stop."""
    assert found.message
    assert found.mend
    assert not found.message.endswith(".")
    for word in (*(set(SAY) - {"$END"}), "$END", "state_test", "number_test", "not_item", "if_then", *TROUBLE):
        assert word not in found.message.split("`")[0::2], found
        assert word not in found.mend.split("`")[0::2], found


def test_grammar_has_no_conflict() -> None:
    Lark(GRAMMAR, parser="lalr", lexer=Words, strict=True)


def test_every_terminal_has_words() -> None:
    lark = Lark(GRAMMAR, parser="lalr", lexer=Words)
    used = {s.name for rule in lark.rules for s in rule.expansion if s.is_term}
    assert used | {"$END"} == set(SAY)


def test_a_slice_has_the_places_of_the_whole() -> None:
    text = "when dust is heavy, every 50 h"
    found = parse(text, 5, 18)
    assert found == StateTest("dust", "heavy")
    assert isinstance(found, StateTest)
    assert found.span == Span(5, 18)
    broken = parse(text, 5, 12)
    assert isinstance(broken, Finding)
    assert broken.span == Span(12, 12)


@pytest.mark.parametrize(
    ("opened", "closed"),
    [("(", ")"), ("not ", ""), ("if ", " then x is y"), ("if x is y then ", ""), ("not (", ")"), ("if not (", ") then x is y")],
)
def test_depth(opened: str, closed: str) -> None:
    each = 1 if opened.strip() in ("(", "not", "if", "if x is y then") else opened.count("(") + opened.count("not") + opened.count("if")
    fits = MAX_DEPTH // each
    assert not isinstance(parse(opened * fits + "a is b" + closed * fits), Finding)
    for many in (fits + 1, 300):
        found = parse((opened * many + "a is b" + closed * many)[:MAX_TEXT])
        assert isinstance(found, Finding)
        assert found.code == "condition.too_deep"


def test_many_brackets_beside_each_other_are_not_deep() -> None:
    assert not isinstance(parse(" and ".join(["(not a is not b)"] * 60)), Finding)
    assert not isinstance(parse(" and ".join(["(if a is b then c is d)"] * 60)), Finding)


def test_looking_for_a_misspelt_keyword_is_bounded() -> None:
    """Every word here is one letter from a keyword, and each guess would parse the text anew."""
    for text in ("i " * 900, "a is b and " * 150 + "i " * 150, "adn " * 450):
        found = parse(text)
        assert isinstance(found, Finding)
        assert found.code == "condition.syntax"


def test_signs_that_do_not_show_are_named() -> None:
    found = parse("gate is\u200b closed")
    assert isinstance(found, Finding)
    assert "U+200B" in found.message


def test_length() -> None:
    name = "x" * (MAX_TEXT - 5)
    assert not isinstance(parse(f"{name} is a"), Finding)
    found = parse(f"{name} is ab")
    assert isinstance(found, Finding)
    assert found.code == "condition.too_long"
    no_inner_words(found)


PIECES = [
    "a",
    "tailgate",
    "b",
    "is",
    "not",
    "and",
    "or",
    "if",
    "then",
    "(",
    ")",
    "<",
    ">=",
    "==",
    "5",
    "0,5",
    "-1.25",
    "degC",
    "h",
    '"',
    '"x y"',
    ",",
    "é",
    "IS",
    "adn",
    "\n",
]


@given(
    st.one_of(
        st.text(max_size=60),
        st.lists(st.sampled_from(PIECES), max_size=25).map(" ".join),
        st.lists(st.sampled_from(PIECES), max_size=12).map("".join),
    )
)
@settings(max_examples=examples(400), deadline=None)
def test_no_text_makes_it_raise(text: str) -> None:
    found = parse(text)
    if isinstance(found, Finding):
        no_inner_words(found)
        assert found.span is not None
        assert 0 <= found.span.start <= found.span.end <= len(text)
    else:
        assert parse(render(found)) == found


@given(st.text(max_size=30), st.integers(-5, 40), st.integers(-5, 40))
@settings(deadline=None)
def test_no_slice_makes_it_raise(text: str, start: int, end: int) -> None:
    parse(text, start, end)


@given(conditions())
@settings(max_examples=examples(200), deadline=None)
def test_reading_back_what_was_rendered(c: Condition) -> None:
    text = render(c)
    if len(text) > MAX_TEXT:
        return
    found = parse(text)
    if isinstance(found, Finding):
        assert found.code == "condition.too_deep"
    else:
        assert found == c


@given(conditions())
@settings(deadline=None)
def test_aloud_says_every_name(c: Condition) -> None:
    said = aloud(c)
    assert all(test.fact in said for test in walk.tests_of(c))


WORDS = st.from_regex(r"[a-zäßéñ][a-z0-9\-_/']{0,8}", fullmatch=True).filter(lambda w: w.casefold() not in CONDITION_WORDS)


@given(st.lists(WORDS, min_size=1, max_size=4).map(" ".join), st.lists(WORDS, min_size=1, max_size=4).map(" ".join), st.booleans())
@settings(deadline=None)
def test_every_well_formed_name_can_be_written(fact: str, state: str, negated: bool) -> None:
    found = parse(f"{fact} is {'not ' if negated else ''}{state}")
    assert found == StateTest(tidy(fact), tidy(state), negated)
