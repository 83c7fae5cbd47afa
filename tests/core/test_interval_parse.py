"""From text to interval and back: the tables cases/interval/texts.toml and mistakes.toml, and what holds for every text."""

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from fieldworthy.core.base.finding import Finding
from fieldworthy.core.interval.ast import Allowance, EveryAmount, EveryOccurrence, Interval, Rule
from fieldworthy.core.interval.explain import aloud, render, render_allowance
from fieldworthy.core.interval.lexer import KEYWORDS, SAY, SPELT, tokens
from fieldworthy.core.interval.parse import MAX_DEPTH, MAX_TEXT, lark, parse, parse_allowance
from tests.core.intervals import allowances, intervals, names

TABLES = Path(__file__).parents[1] / "cases" / "interval"
TEXTS = tomllib.loads((TABLES / "texts.toml").read_text("utf-8"))["case"]
MISTAKES = tomllib.loads((TABLES / "mistakes.toml").read_text("utf-8"))["case"]
GOOD = [text for case in TEXTS for text in (case["text"], *case.get("also", []))]


def read(text: str) -> Interval:
    found = parse(text)
    assert isinstance(found, Interval), found
    return found


@pytest.mark.parametrize("case", TEXTS, ids=[c["text"] for c in TEXTS])
def test_a_text_is_written_back_in_its_canonical_form(case: dict[str, Any]) -> None:
    wanted = read(case["text"])
    assert render(wanted) == case["text"]
    for other in case.get("also", []):
        assert read(other) == wanted
        assert render(read(other)) == case["text"]


@pytest.mark.parametrize("case", MISTAKES, ids=[repr(c["text"]) for c in MISTAKES])
def test_a_mistake_is_told_with_its_place_and_its_remedy(case: dict[str, Any]) -> None:
    found = parse(case["text"])
    assert isinstance(found, Finding), render(found)
    assert found.code == case["code"]
    assert found.span is not None
    assert [found.span.start, found.span.end] == case["at"]
    assert case["says"] in found.message
    assert case["mend"] in found.mend


def test_the_grammar_has_no_conflicts() -> None:
    assert lark(strict=True).parse(list(tokens("every 250 h")))
    assert lark("allowance", strict=True).parse(list(tokens("10 %")))


def test_every_token_has_a_word_for_people() -> None:
    names_of_tokens = {
        symbol.name for start in ("start", "allowance") for rule in lark(start).rules for symbol in rule.expansion if symbol.is_term
    }
    assert names_of_tokens, "the grammar declares its terminals"
    assert names_of_tokens <= set(SAY)
    assert set(SAY) <= names_of_tokens | {"$END"}, "no word for a token that is gone"
    assert set(SPELT.values()) <= names_of_tokens


@pytest.mark.parametrize("word", sorted(SPELT))
def test_every_word_that_is_proposed_is_read(word: str) -> None:
    """Each keyword or phrase stands in one of the good texts."""
    assert any(word in " ".join(text.casefold().split()) for text in GOOD)


def test_depth_has_a_limit() -> None:
    deep = "(" * MAX_DEPTH + "daily" + ")" * MAX_DEPTH
    assert read(deep) == read("daily")
    found = parse("(" + deep + ")")
    assert isinstance(found, Finding)
    assert found.code == "interval.too_deep"
    assert found.span is not None
    assert (found.span.start, found.span.end) == (MAX_DEPTH, MAX_DEPTH + 1)


def test_length_has_a_limit() -> None:
    longest = "every 250 h" + " " * (MAX_TEXT - 11)
    assert read(longest) == read("every 250 h")
    found = parse(longest + " ")
    assert isinstance(found, Finding)
    assert found.code == "interval.too_long"
    assert f"{MAX_TEXT + 1} characters" in found.message


def test_spans_point_at_the_words() -> None:
    text = "when ground is stony, every 4 h of drum during silage, within 10 % late; every  250 h"
    interval = read(text)
    first, second = interval.rules
    assert text[first.span.start : first.span.end] == text[: text.index(";")]
    assert text[second.span.start : second.span.end] == "every  250 h"
    assert isinstance(first.timing, EveryAmount)
    assert text[first.timing.span.start : first.timing.span.end] == "every 4 h of drum"
    assert text[first.timing.amount.span.start : first.timing.amount.span.end] == "4 h"
    assert text[first.within[0].span.start : first.within[0].span.end] == "10 % late"


@given(intervals)
def test_what_is_written_is_read_back_as_the_same(interval: Interval) -> None:
    text = render(interval)
    assume(len(text) <= MAX_TEXT)
    assert parse(text) == interval
    assert render(read(text)) == text


@given(allowances)
def test_an_allowance_is_read_back_as_the_same(allowance: Allowance) -> None:
    assert parse_allowance(render_allowance(allowance)) == allowance


@given(names)
def test_a_name_that_holds_a_keyword_is_written_in_quotes(name: str) -> None:
    text = render(Interval((Rule(EveryOccurrence(name)),)))
    if KEYWORDS & set(name.casefold().split()):
        assert text == f'every "{name}"'
    assert parse(text) == Interval((Rule(EveryOccurrence(name)),))


@given(intervals)
def test_every_interval_can_be_read_aloud(interval: Interval) -> None:
    said = aloud(interval)
    assert said.endswith(".")
    assert "EveryAmount" not in said
    assert "Fraction" not in said


def fits(found: Interval | Finding, text: str) -> None:
    """Whatever the text: an interval that reads back, or one finding with its place inside the text."""
    if isinstance(found, Interval):
        return
    assert found.span is not None
    assert 0 <= found.span.start <= found.span.end <= len(text)
    assert found.message
    assert found.mend
    assert not found.message.endswith(".")
    assert not set(SAY) - {"$END"} & set(found.mend.replace("`", " ").split()), "a token's name reached a person"


@given(st.text(max_size=80))
def test_no_text_makes_it_raise(text: str) -> None:
    fits(parse(text), text)
    parse_allowance(text)


_SCRAPS = (
    "every",
    "or",
    "and",
    "(",
    ")",
    ";",
    ",",
    "%",
    '"',
    "first at",
    ", then",
    ", within",
    ", whichever first",
    "1e5",
    "-1",
    "h",
    "when",
    "\x00",
    "№",
    "𝟚",
    "²",
)


@given(st.sampled_from(GOOD), st.integers(0, 200), st.integers(0, 6), st.sampled_from(("", *_SCRAPS)))
def test_no_broken_text_makes_it_raise(text: str, at: int, gone: int, scrap: str) -> None:
    at = at % (len(text) + 1)
    broken = f"{text[:at]} {scrap} {text[at + gone :]}" if scrap else text[:at] + text[at + gone :]
    fits(parse(broken), broken)


@given(st.lists(st.sampled_from((*_SCRAPS, "10", "month", "belt fitted", "each", "daily", "once", "after", "during")), max_size=12))
def test_no_run_of_tokens_makes_it_raise(parts: list[str]) -> None:
    text = " ".join(parts)
    fits(parse(text), text)
