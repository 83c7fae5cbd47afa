"""Words of a condition as clean tokens.

A name of several words, a quoted name, a number and a unit of several words are one token each, and what a name stands for
is told from the token before it: a FACT, a STATE (after `is`) or a UNIT (after a number). Every text has tokens: what can't
be read becomes ODD, LONG_NAME or OPEN_QUOTE, which no rule of the grammar takes, so that the parser reports the first trouble
in the order of the text.
"""

import re
import unicodedata
from collections.abc import Iterator
from typing import Any

from lark import Token
from lark.lexer import Lexer

from fieldworthy.core.base.names import CONDITION_WORDS
from fieldworthy.core.base.quantity import find_unit

MOST_WORDS = 4
_NUMBER = re.compile(r"-?[0-9]{1,15}(?:\.[0-9]{1,12})?(?![0-9])")
_COMPARE = re.compile(r"<=|>=|<|>|=")
_ODD = re.compile(r"==|!=|<>|&&|\|\||=>|->|[0-9]+(?:[.,][0-9]+)*|.", re.DOTALL)
_SIGN_UNIT = re.compile(r"%|1/min\b|° ?[CF]\b")
_QUOTED = re.compile(r'"([^"\n]{0,100})"')
TROUBLE = frozenset({"ODD", "LONG_NAME", "OPEN_QUOTE"})


class Words(Lexer):
    """Hands tokens that are already cut to the parser: depth is looked at before parsing begins."""

    def __init__(self, lexer_conf: Any) -> None:
        """Nothing to set up."""

    def lex(self, data: list[Token]) -> Iterator[Token]:  # type: ignore[override]
        return iter(data)


def tokens(text: str, start: int, end: int) -> list[Token]:
    """The tokens of text[start:end], with their places in the whole text. Never raises."""
    found: list[Token] = []
    at = start
    while True:
        while at < end and text[at].isspace():
            at += 1
        if at >= end:
            return found
        kind, value, stop = _next(text, at, end, found)
        found.append(Token(kind, value, start_pos=at, end_pos=stop))
        at = stop


def _next(text: str, at: int, end: int, before: list[Token]) -> tuple[str, str, int]:
    last = before[-1].type if before else ""
    if last == "NUMBER" and (sign := _SIGN_UNIT.match(text, at, end)):
        return "UNIT", sign[0], sign.end()
    if text[at] == '"':
        quoted = _QUOTED.match(text, at, end)
        if quoted is None or not quoted[1].strip():
            return "OPEN_QUOTE", text[at:end], end if quoted is None else quoted.end()
        return ("STATE" if _wants_state(before) else "FACT"), quoted[1], quoted.end()
    if text[at].isalpha():
        return _words(text, at, end, before)
    if text[at] in "()":
        return ("OPEN" if text[at] == "(" else "CLOSE"), text[at], at + 1
    if (number := _NUMBER.match(text, at, end)) and not _decimal_comma(text, number.end(), end):
        return "NUMBER", number[0], number.end()
    sign, odd = _COMPARE.match(text, at, end), _ODD.match(text, at, end)
    stop = at + 1 if odd is None else odd.end()
    if sign is not None and sign.end() >= stop:
        return "COMPARE", sign[0], sign.end()
    return "ODD", text[at:stop], stop


def _decimal_comma(text: str, at: int, end: int) -> bool:
    return at + 1 < end and text[at] in ",." and text[at + 1] in "0123456789"


def _wants_state(before: list[Token]) -> bool:
    kinds = [token.type for token in before[-2:]]
    return kinds[-1:] == ["IS"] or kinds == ["IS", "NOT"]


def word_end(text: str, at: int, end: int) -> int:
    """Where the word that begins at `at` ends: letters, digits, marks on letters, and `-`, `_`, `/`, `'` inside it."""
    while at < end and (text[at].isalnum() or text[at] in "-_/'" or unicodedata.category(text[at]) in ("Mn", "Mc")):
        at += 1
    return at


def _words(text: str, at: int, end: int, before: list[Token]) -> tuple[str, str, int]:
    first = word_end(text, at, end)
    keyword = text[at:first].casefold()
    if keyword in CONDITION_WORDS:
        return keyword.upper(), text[at:first], first
    run = [first]
    while True:
        begin = run[-1]
        while begin < end and text[begin].isspace():
            begin += 1
        if begin >= end or not text[begin].isalpha():
            break
        stop = word_end(text, begin, end)
        if text[begin:stop].casefold() in CONDITION_WORDS:
            break
        run.append(stop)
    if before and before[-1].type == "NUMBER":
        return _unit(text, at, end, run)
    if len(run) > MOST_WORDS:
        return "LONG_NAME", text[at : run[-1]], run[-1]
    return ("STATE" if _wants_state(before) else "FACT"), text[at : run[-1]], run[-1]


def _unit(text: str, at: int, end: int, run: list[int]) -> tuple[str, str, int]:
    """The longest known unit; else the whole run, unless a new test seems to begin in it (`50 foo engine is off`)."""
    for stop in reversed(run[:MOST_WORDS]):
        if find_unit(" ".join(text[at:stop].split())) is not None:
            return "UNIT", text[at:stop], stop
    rest = text[run[-1] : end].lstrip()
    begins_test = rest[:1] in ("<", ">", "=") or (rest[:2].casefold() == "is" and not rest[2:3].isalnum())
    stop = run[0] if begins_test or len(run) > MOST_WORDS else run[-1]
    return "UNIT", text[at:stop], stop
