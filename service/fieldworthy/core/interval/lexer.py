"""From the text of an interval to its tokens: keywords in any case, names of several words, quoted names, units after numbers.

A lexer of our own, because a name is a run of words that are no keyword, a unit is whatever follows a number, and a comma belongs
to the `whichever`, `within` or `then` behind it.
"""

import re
from collections.abc import Iterator
from functools import lru_cache

from lark import Token
from lark.lexer import Lexer

from fieldworthy.core.base.finding import Finding
from fieldworthy.core.base.names import tidy
from fieldworthy.core.base.quantity import find_unit
from fieldworthy.core.base.span import Span

# Phrases before single words; each pattern ends at a word's end.
PHRASES: tuple[tuple[str, str], ...] = (
    ("ANCHOR", r"since\s+last\s+due|since\s+last|on\s+schedule|on\s+the\s+meter|on\s+the\s+calendar"),
    ("WORKING_DAY", r"working\s+days?"),
    ("FIRST_AT", r"first\s+at"),
    ("ONCE_AT", r"once\s+at"),
    ("AT_MOST", r"at\s+most"),
    ("WORD", r"daily|weekly|monthly|yearly"),
    ("EVERY", r"every|each"),
    ("WHEN", r"when"),
    ("DURING", r"during"),
    ("AFTER", r"after"),
    ("BEFORE", r"before"),
    ("ONCE", r"once"),
    ("AND", r"and"),
    ("OR", r"or"),
    ("OF", r"of"),
    ("EARLY", r"early"),
    ("LATE", r"late"),
)
AFTER_COMMA: tuple[tuple[str, str], ...] = (
    ("WHICHEVER_FIRST", r"whichever\s+(?:comes\s+)?first"),
    ("WHICHEVER_LAST", r"whichever\s+(?:comes\s+)?last"),
    ("WITHIN", r"within"),
    ("THEN", r"then"),
)
MARKS = {"(": "LPAR", ")": "RPAR", ";": "SEMICOLON", "%": "PERCENT"}


def _plain(pattern: str) -> str:
    """One alternative of a pattern as a person spells it."""
    return pattern.replace(r"(?:comes\s+)?", "").replace(r"\s+", " ").replace("days?", "day")


# Each keyword and phrase as a person spells it, and its token: to name the nearest one for a misspelt word.
SPELT = {_plain(one): name for name, pattern in (*PHRASES, *AFTER_COMMA) for one in pattern.split("|")}
KEYWORDS = frozenset(word for spelt in SPELT for word in spelt.split()) - {"day", "meter", "calendar", "working", "at", "on", "the", "last"}

# What each token is called to a person; a test holds it to the grammar.
SAY = {
    "SEMICOLON": "`;`",
    "COMMA": "a comma",
    "WHEN": "`when`",
    "CONDITION": "a condition",
    "DURING": "`during`",
    "NAME": "a name",
    "FIRST_AT": "`first at`",
    "ONCE_AT": "`once at`",
    "ONCE": "`once`",
    "AND": "`and`",
    "OR": "`or`",
    "AFTER": "`after`",
    "BEFORE": "`before`",
    "THEN": "`, then`",
    "WHICHEVER_FIRST": "`, whichever first`",
    "WHICHEVER_LAST": "`, whichever last`",
    "EVERY": "`every`",
    "OF": "`of` and a meter",
    "ANCHOR": "`since last`, `since last due`, `on schedule`, `on the meter` or `on the calendar`",
    "WORD": "`daily`, `weekly`, `monthly` or `yearly`",
    "WORKING_DAY": "`working day`",
    "NUMBER": "a number",
    "UNIT": "a unit (h, days, months, ha, bales)",
    "PERCENT": "`%`",
    "WITHIN": "`, within`",
    "AT_MOST": "`at most`",
    "EARLY": "`early`",
    "LATE": "`late`",
    "LPAR": "`(`",
    "RPAR": "`)`",
    "$END": "the end of the text",
}


def _alternatives(table: tuple[tuple[str, str], ...]) -> str:
    return "|".join(rf"(?P<{name}>(?:{pattern})(?![\w-]))" for name, pattern in table)


_BLANK = re.compile(r"\s+")
_PHRASE = re.compile(_alternatives(PHRASES), re.IGNORECASE)
_COMMA = re.compile(r",\s*(?:" + _alternatives(AFTER_COMMA) + ")?", re.IGNORECASE)
_BARE_AFTER_COMMA = re.compile(_alternatives(AFTER_COMMA), re.IGNORECASE)
_NUMBER = re.compile(r"[0-9]{1,15}(?:\.[0-9]{1,12})?(?![0-9])")
_ODD_NUMBER = re.compile(r"[-+]\s*\d|\d+,\d|\.\d|\d+\.(?!\d)|\d[\d.]*[eE][-+]?\d|[0-9]{16}|[0-9]+\.[0-9]{13}|[^\D0-9]")
_UNIT = re.compile(r"\[[a-zA-Z_]+\]|\{[a-zA-Z]+\}|[^\W\d][\w°/]*|°\w")
_TWO_WORD_UNIT = re.compile(r"[^\W\d_]+\s+[^\W\d_]+(?![\w-])")
_WORD = re.compile(r"[^\W\d_][\w\-/']*")
_CONDITION = re.compile(r'(?:"[^"]*"|[^,;"])*')


class LexTrouble(Exception):
    """A character or number that can't be read; carries its finding."""

    def __init__(self, finding: Finding) -> None:
        super().__init__(finding.message)
        self.finding = finding


def _trouble(code: str, start: int, end: int, message: str, mend: str) -> LexTrouble:
    return LexTrouble(Finding(code, message, mend, span=Span(start, end)))


class IntervalLexer(Lexer):
    """Hands tokens that are already cut to the parser: they are looked at before parsing begins."""

    def __init__(self, lexer_conf: object) -> None:
        del lexer_conf

    def lex(self, data: list[Token]) -> Iterator[Token]:  # type: ignore[override]
        return iter(data)


def tokens(text: str) -> Iterator[Token]:
    """The tokens of a text, each with its place. Raises LexTrouble."""
    pos, last = 0, ""
    while pos < len(text):
        blank = _BLANK.match(text, pos)
        if blank:
            pos = blank.end()
            continue
        kind, value, end = _next(text, pos, last)
        yield Token(kind, value, start_pos=pos, end_pos=end)
        pos, last = end, kind


def _next(text: str, pos: int, last: str) -> tuple[str, str, int]:
    char = text[pos]
    if last == "WHEN":
        found = _CONDITION.match(text, pos)
        end = found.end() if found else pos
        return "CONDITION", text[pos:end], max(end, pos + 1)
    if char == ",":
        comma = _COMMA.match(text, pos)
        assert comma is not None
        kind = comma.lastgroup or "COMMA"
        return kind, text[pos : comma.end()], comma.end() if comma.lastgroup else pos + 1
    if char in MARKS:
        return MARKS[char], char, pos + 1
    odd = _ODD_NUMBER.match(text, pos)
    if odd:
        raise _trouble(
            "interval.odd_number",
            pos,
            odd.end(),
            f"`{odd[0][:40]}` is not a number that can stand here",
            "write a number above 0 with the digits 0 to 9 and a point, as in 2.5, at most 15 before it and 12 after it",
        )
    number = _NUMBER.match(text, pos)
    if number:
        return "NUMBER", number[0], number.end()
    if char == '"':
        end = text.find('"', pos + 1)
        if end < 0:
            raise _trouble("interval.open_quote", pos, len(text), "a quoted name does not end", 'close it with `"`')
        return "NAME", tidy(text[pos + 1 : end]), end + 1
    if last == "NUMBER":
        long = _TWO_WORD_UNIT.match(text, pos)  # `UK gallons`
        if long and find_unit(tidy(long[0])) is not None:
            return "UNIT", tidy(long[0]), long.end()
        unit = _UNIT.match(text, pos)
        if unit and not (_PHRASE.match(text, pos) or _BARE_AFTER_COMMA.match(text, pos)):
            return "UNIT", unit[0], unit.end()
    phrase = _PHRASE.match(text, pos) or _BARE_AFTER_COMMA.match(text, pos)
    if phrase:
        kind = phrase.lastgroup or ""
        return kind, phrase[0], phrase.end()
    return _name(text, pos)


def _name(text: str, pos: int) -> tuple[str, str, int]:
    end = pos
    while True:
        word = _WORD.match(text, end)
        if word is None or (end > pos and (_PHRASE.match(text, end) or _BARE_AFTER_COMMA.match(text, end))):
            break
        end = word.end()
        blank = _BLANK.match(text, end)
        if blank is None:
            return "NAME", tidy(text[pos:end]), end
        end = blank.end()
    if end == pos:
        raise _trouble(
            "interval.odd_character",
            pos,
            pos + 1,
            f"`{text[pos]}` can't stand in an interval",
            "take it out, or put a name that holds it in double quotes",
        )
    while text[end - 1].isspace():
        end -= 1
    return "NAME", tidy(text[pos:end]), end


@lru_cache(4096)  # a rulebook has few names, and its intervals say them often
def needs_quotes(name: str) -> bool:
    """Whether a name stands in double quotes in an interval: it holds a keyword, or as bare words it would be read otherwise."""
    if KEYWORDS & set(name.casefold().split()):
        return True
    try:
        listed = list(tokens(f"x; {name}"))[2:]
    except LexTrouble:
        return True
    return [(t.type, str(t)) for t in listed] != [("NAME", tidy(name))]
