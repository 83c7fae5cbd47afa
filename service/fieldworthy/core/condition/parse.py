"""Text in, condition or one finding out. No text makes it raise, and no token's name reaches a person."""

from collections.abc import Iterable
from fractions import Fraction
from functools import cache
from importlib.resources import files
from typing import Literal, cast

from lark import Lark, Token, Tree
from lark.exceptions import UnexpectedToken

from fieldworthy.core.base.finding import Finding
from fieldworthy.core.base.names import CONDITION_WORDS, tidy
from fieldworthy.core.base.quantity import find_unit
from fieldworthy.core.base.span import Span
from fieldworthy.core.condition.ast import Condition, IfThen, Joined, Not, NumberTest, StateTest
from fieldworthy.core.condition.lexer import MOST_WORDS, TROUBLE, Words, tokens, word_end

MAX_TEXT = 2000
MAX_DEPTH = 20

GRAMMAR = files(__package__).joinpath("grammar.lark").read_text("utf-8")


@cache
def _lark() -> Lark:
    """The parser, built when the first condition is read."""
    return Lark(GRAMMAR, parser="lalr", lexer=Words)


SAY = {
    "FACT": "the name of a fact",
    "STATE": "a state (`closed`)",
    "IS": "`is` and a state",
    "COMPARE": "a comparison (`<`, `<=`, `>`, `>=`, `=`) and a number",
    "NUMBER": "a number",
    "UNIT": "a unit (`degC`, `min`, `kPa`)",
    "AND": "`and`",
    "OR": "`or`",
    "NOT": "`not`",
    "IF": "`if`",
    "THEN": "`then`",
    "OPEN": "`(`",
    "CLOSE": "`)`",
    "$END": "the end of the condition",
}
_HINTS = {
    "==": "write `=` for equal",
    "!=": "write `is not` for a state; for a number write `not … = …`",
    "<>": "write `is not` for a state; for a number write `not … = …`",
    "&&": "write `and`",
    "&": "write `and`",
    "||": "write `or`",
    "|": "write `or`",
    "!": "write `not`",
    "=>": "write `>=` for at least, or `if … then …`",
    "->": "write `if … then …`",
    "≤": "write `<=`",
    "≥": "write `>=`",
    "≠": "write `is not` for a state; for a number write `not … = …`",
    "[": "write `(`",
    "]": "write `)`",
    ",": "join tests by `and` or `or`",
    ";": "join tests by `and` or `or`",
    "'": 'put a name in double quotes (`"`) where it needs any',
    "#": "in YAML `#` begins a comment: leave it out",
}


class _Brackets(Exception):
    """Carries the finding about missing brackets out of the tree."""

    def __init__(self, finding: Finding) -> None:
        super().__init__(finding.message)
        self.finding = finding


def parse(text: str, start: int = 0, end: int | None = None) -> Condition | Finding:
    """
    The condition in text[start:end], with places in the coordinates of the whole text, or the one syntax finding.

    Names are tidied and otherwise as written; a unit is our name for it, or the author's word where no unit is known
    (check.check_condition reports that). Raises nothing, whatever the text.
    """
    end = len(text) if end is None else max(0, min(end, len(text)))
    start = max(0, min(start, end))
    if end - start > MAX_TEXT:
        message = f"a condition has at most {MAX_TEXT} characters, and this one has {end - start}"
        return Finding("condition.too_long", message, "split it, or declare a fact that says the same in one word", span=Span(start, end))
    if not text[start:end].strip():
        return Finding(
            "condition.empty", "the condition is empty", "write a test, as in `engine is stopped`, or leave it out", span=Span(start, end)
        )
    cut = tokens(text, start, end)
    deep = _too_deep(cut)
    if deep is not None:
        message = f"brackets, `not` and `if` stand in each other more than {MAX_DEPTH} deep"
        return Finding("condition.too_deep", message, "write it flatter, or declare a fact for a part of it", span=_span(deep))
    try:
        tree = _lark().parse(cast(str, cut))
        return _build_chain(text, tree.children)
    except UnexpectedToken as trouble:
        return _syntax(text, cut, trouble, end)
    except _Brackets as trouble:
        return trouble.finding


def _span(token: Token) -> Span:
    return Span(cast(int, token.start_pos), cast(int, token.end_pos))


def _too_deep(cut: Iterable[Token]) -> Token | None:
    """The first token that stands too deep: open brackets, `if`s, then-parts and `not`s all count."""
    open_ones: list[str] = []
    for token in cut:
        kind = token.type
        if kind in ("OPEN", "NOT", "IF"):
            open_ones.append(kind)
            if len(open_ones) > MAX_DEPTH:
                return token
        elif kind in ("FACT", "STATE", "NUMBER") and open_ones[-1:] == ["NOT"]:
            while open_ones[-1:] == ["NOT"]:  # a `not` ends with its test (also the one of `is not`)
                open_ones.pop()
        elif kind in ("AND", "OR", "CLOSE", "THEN"):
            while open_ones and open_ones[-1] in ("NOT", "THEN"):
                open_ones.pop()
            if kind == "CLOSE":
                while open_ones and open_ones.pop() != "OPEN":
                    pass
            elif kind == "THEN" and open_ones[-1:] == ["IF"]:
                open_ones[-1] = "THEN"
    return None


# --- tree to nodes -----------------------------------------------------------------------------------------------------------

_Item = Token | Tree[Token]


def _build_chain(text: str, children: list[_Item]) -> Condition:
    items = [child for child in children if isinstance(child, Tree)]
    joiners = [child for child in children if isinstance(child, Token)]
    if len(items) == 1:
        return _build(text, items[0])
    ops = [cast(Literal["and", "or"], joiner.type.lower()) for joiner in joiners]
    for number, item in enumerate(items):
        if _open_if(item) is not None:
            raise _Brackets(_if_joined(text, items, ops, number))
    if len(set(ops)) > 1:
        raise _Brackets(_mixed(text, items, ops, next(j for j in joiners if j.type.lower() != ops[0])))
    parts = tuple(_build(text, item) for item in items)
    return Joined(ops[0], parts, Span(_extent(items[0]).start, _extent(items[-1]).end))


def _build(text: str, item: Tree[Token]) -> Condition:
    children, span = item.children, _extent(item)
    match item.data:
        case "bracket":
            return _build_chain(text, children[1:-1])
        case "not_item":
            return Not(_build(text, cast("Tree[Token]", children[1])), span)
        case "if_then":
            given, then = cast("Tree[Token]", children[1]), cast("Tree[Token]", children[3])
            return IfThen(_build_chain(text, given.children), _build(text, then), span)
        case "state_test":
            return StateTest(tidy(str(children[0])), tidy(str(children[-1])), len(children) == 4, span)
        case _:
            unit = tidy(str(children[3])) if len(children) == 4 else None
            known = None if unit is None else find_unit(unit)
            op = cast(Literal["<", "<=", ">", ">=", "="], str(children[1]))
            return NumberTest(tidy(str(children[0])), op, Fraction(str(children[2])), known.name if known else unit, span)


def _extent(item: _Item) -> Span:
    first: _Item = item
    while isinstance(first, Tree):
        first = first.children[0]
    last: _Item = item
    while isinstance(last, Tree):
        last = last.children[-1]
    return Span(_span(first).start, _span(last).end)


def _open_if(item: _Item) -> Tree[Token] | None:
    """The `if` without brackets whose then-part is at the item's right edge, if there is one."""
    while isinstance(item, Tree) and item.data == "not_item":
        item = item.children[1]
    return item if isinstance(item, Tree) and item.data == "if_then" else None


def _words_of(text: str, item: _Item) -> str:
    span = _extent(item)
    return " ".join(text[span.start : span.end].split())


def _written(words: list[str], ops: list[str]) -> str:
    return words[0] + "".join(f" {op} {word}" for op, word in zip(ops, words[1:], strict=True))


def _grouped(words: list[str], ops: list[str], tight: str) -> str:
    """The chain with brackets round each run that is joined by `tight`."""
    runs, between = [[words[0]]], []
    for op, word in zip(ops, words[1:], strict=True):
        if op == tight:
            runs[-1].append(word)
        else:
            between.append(op)
            runs.append([word])
    joined = [f" {tight} ".join(run) for run in runs]
    return _written([f"({words})" if len(run) > 1 else words for words, run in zip(joined, runs, strict=True)], between)


def _mixed(text: str, items: list[Tree[Token]], ops: list[Literal["and", "or"]], at: Token) -> Finding:
    words = [_words_of(text, item) for item in items]
    one, other = _grouped(words, list(ops), "and"), _grouped(words, list(ops), "or")
    message = f"`and` and `or` are mixed without brackets: it could mean `{one}` or `{other}`"
    return Finding("condition.mixed", message, f"write `{one}` or `{other}`", span=_span(at))


def _if_joined(text: str, items: list[Tree[Token]], ops: list[Literal["and", "or"]], number: int) -> Finding:
    words = [_words_of(text, item) for item in items]
    apart = _written([f"({word})" if _open_if(item) is not None else word for word, item in zip(words, items, strict=True)], list(ops))
    span = _extent(items[number])
    if number == len(items) - 1:
        message = f"an `if … then …` that is joined by `{ops[-1]}` stands in brackets"
        return Finding("condition.if_joined", message, f"write `{apart}`", span=span)
    inner: _Item = items[number]
    while (found := _open_if(inner)) is not None:
        inner = found.children[3]
    then = _extent(inner)
    head = " ".join(text[span.start : then.start].split())
    tail = _written(words[number + 1 :], list(ops[number + 1 :]))
    taken = f"{head} ({_words_of(text, inner)} {ops[number]} {tail})"
    before = _written(words[:number], list(ops[: number - 1])) + f" {ops[number - 1]} ({taken})" if number else taken
    message = f"it is not clear where the then-part ends: it could mean `{apart}` or `{before}`"
    return Finding("condition.if_joined", message, f"write `{apart}` or `{before}`", span=span)


# --- what went wrong ---------------------------------------------------------------------------------------------------------


def _syntax(text: str, cut: list[Token], trouble: UnexpectedToken, end: int) -> Finding:
    token = cast(Token, trouble.token)
    at_end = token.type == "$END"
    number = len(cut) if at_end else next(i for i, each in enumerate(cut) if each is token)
    span = Span(end, end) if at_end else _span(token)
    found = "the condition ends" if at_end else f"found `{_short(token)}`"
    kinds = _accepted(cut[:number])
    could = _could_stand(kinds)
    repair = _repair(text, cut, number, end)
    if repair is not None:
        place, word, keyword = repair
        message = f"`{word}` is not understood here, where {could} could stand"
        return Finding("condition.syntax", message, f"did you mean `{keyword}` for `{word}`?", span=place)
    message, mend = f"{found}, where {could} could stand", f"put {could} here"
    last = cut[number - 1].type if number else ""
    if token.type == "OPEN_QUOTE":
        message, mend = f"{found}, which is no name in quotes", 'a name in quotes is not empty, and ends on its line with `"`'
    elif token.type == "LONG_NAME":
        message = f"`{_short(token)}` has more than {MOST_WORDS} words, which no name has"
        mend = "join tests by `and` or `or`, and put `is` between a fact and its state"
    elif token.type == "ODD" and str(token) in _HINTS:
        mend = _HINTS[str(token)]
    elif token.type == "ODD" and str(token)[0] in "0123456789":
        mend = "write a number with a decimal point, as in `0.5`, at most 15 digits before it and 12 after it, and no comma or blank"
    elif last == "COMPARE" and token.type == "FACT":
        message, mend = f"a number is missing before `{_short(token)}`", f"write a number after `{cut[number - 1]}`, or `is` for a state"
    elif last == "IS" and token.type == "NUMBER":
        mend = f"a number is compared: write `= {token}`"
    elif at_end and last == "FACT":
        mend = f"write `is` and a state after `{_short(cut[-1])}`"
    elif at_end and "CLOSE" in kinds:
        mend = "close each `(` with `)`"
    elif token.type == "CLOSE" and "AND" in kinds:
        mend = "take this `)` away, or open its `(`"
    return Finding("condition.syntax", message, mend, span=span)


def _short(token: Token) -> str:
    words = "".join(c if c.isprintable() else f"U+{ord(c):04X}" for c in " ".join(str(token).split()))
    return words if len(words) <= 60 else words[:57] + "…"


def _could_stand(kinds: set[str]) -> str:
    said = [words for kind, words in SAY.items() if kind in kinds]
    return said[0] if len(said) == 1 else ", ".join(said[:-1]) + " or " + said[-1]


def _accepted(before: list[Token]) -> set[str]:
    """The terminals that can stand after these tokens (the trouble itself may have closed what was open)."""
    parser = _lark().parse_interactive(cast(str, []))
    for token in before:
        parser.feed_token(token)
    return set(parser.accepts())  # type: ignore[no-untyped-call]


_LOOK_BACK = 8  # tokens
_MOST_TRIES = 16  # each parses the text anew


def _repair(text: str, cut: list[Token], number: int, end: int) -> tuple[Span, str, str] | None:
    """A word at the trouble or before it that is nearly a keyword, where that keyword gets the parser beyond the trouble."""
    trouble, tries = _span(cut[number]).start if number < len(cut) else end, 0
    for token in reversed(cut[max(0, number - _LOOK_BACK) : number + 1]):
        if token.type not in ("FACT", "STATE", "UNIT", "LONG_NAME"):
            continue
        at, stop = _span(token).start, _span(token).end
        while at < stop:
            word_stop = max(word_end(text, at, stop), at + 1)
            word = text[at:word_stop]
            for keyword in sorted(k for k in CONDITION_WORDS if _nearly(word.casefold(), k)):
                tries += 1
                if tries > _MOST_TRIES:
                    return None
                lo = cut[0].start_pos or 0
                mended = text[lo:at] + keyword + text[word_stop:end]
                if _reached(mended) > max(trouble, word_stop) - lo + len(keyword) - len(word):
                    return Span(at, word_stop), word, keyword
            at = word_stop
    return None


def _reached(text: str) -> int:
    """How far the parser gets: the offset of the first token it can't take, or past the end."""
    try:
        _lark().parse(cast(str, tokens(text, 0, len(text))))
    except UnexpectedToken as trouble:
        token = cast(Token, trouble.token)
        return len(text) if token.type == "$END" else token.start_pos or 0
    return len(text) + 1


def _nearly(word: str, keyword: str) -> bool:
    """One letter too many, too few, wrong, or two neighbours changed over."""
    if word == keyword or abs(len(word) - len(keyword)) > 1:
        return False
    if len(word) == len(keyword):
        differ = [i for i, (a, b) in enumerate(zip(word, keyword, strict=True)) if a != b]
        swapped = len(differ) == 2 and differ[1] == differ[0] + 1 and sorted(word) == sorted(keyword)
        return len(differ) == 1 or swapped
    longer, shorter = (word, keyword) if len(word) > len(keyword) else (keyword, word)
    return any(longer[:i] + longer[i + 1 :] == shorter for i in range(len(longer)))


__all__ = ["GRAMMAR", "MAX_DEPTH", "MAX_TEXT", "SAY", "TROUBLE", "parse"]
