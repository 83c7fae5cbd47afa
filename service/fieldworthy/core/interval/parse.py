"""From the text of an interval to its nodes, or to one finding with its place."""

from fractions import Fraction
from functools import cache
from typing import Any, cast

from lark import Lark, Token, Tree
from lark.exceptions import UnexpectedInput, UnexpectedToken

from fieldworthy.core.base.finding import Finding, nearest, or_list
from fieldworthy.core.base.quantity import find_unit
from fieldworthy.core.base.span import Span
from fieldworthy.core.condition.parse import parse as parse_condition
from fieldworthy.core.interval.ast import (
    Allowance,
    Amount,
    Anchor,
    Base,
    Combined,
    EachSeason,
    EveryAmount,
    EveryOccurrence,
    EveryWord,
    EveryWorkingDay,
    FirstThen,
    Interval,
    OnceAfter,
    OnceAt,
    Rule,
    Timing,
)
from fieldworthy.core.interval.lexer import SAY, SPELT, IntervalLexer, LexTrouble, tokens

MAX_TEXT = 2000
MAX_DEPTH = 20


class _Trouble(Exception):
    """A mistake seen while nodes are built."""

    def __init__(self, finding: Finding) -> None:
        super().__init__(finding.message)
        self.finding = finding


@cache
def lark(start: str = "start", strict: bool = False) -> Lark:
    """The parser; `strict` refuses a grammar with conflicts (a test builds it so)."""
    return Lark.open_from_package(
        "fieldworthy.core.interval",
        "grammar.lark",
        ("",),
        parser="lalr",
        lexer=IntervalLexer,
        start=start,
        propagate_positions=True,
        maybe_placeholders=False,
        strict=strict,
    )


def parse(text: str) -> Interval | Finding:
    """The interval that a text says, or its first mistake. Raises nothing, whatever the text."""
    trouble = _before(text)
    if trouble is not None:
        return trouble
    tree = _tree(text, "start")
    if isinstance(tree, Finding):
        return tree
    try:
        return Interval(tuple(_rule(text, part) for part in tree.children if isinstance(part, Tree)))
    except _Trouble as mistake:
        return mistake.finding


def parse_allowance(text: str) -> Allowance | Finding:
    """`10 % at most 8 h late` on its own, as in a rulebook's `allowance` or a task's `may_defer`."""
    trouble = _before(text)
    if trouble is not None:
        return trouble
    tree = _tree(text, "allowance")
    return tree if isinstance(tree, Finding) else _allowance(tree)


def _before(text: str) -> Finding | None:
    if not text.strip():
        return Finding(
            "interval.empty", "the interval is empty", "write when the task is due, as in `every 250 h`", span=Span(0, len(text))
        )
    if len(text) > MAX_TEXT:
        return Finding(
            "interval.too_long",
            f"the interval has {len(text)} characters, {MAX_TEXT} at most are read",
            "split it into several tasks or rules",
            span=Span(MAX_TEXT, len(text)),
        )
    depth = 0
    for at, char in enumerate(text):
        depth += (char == "(") - (char == ")")
        if depth > MAX_DEPTH:
            return Finding(
                "interval.too_deep",
                f"brackets stand more than {MAX_DEPTH} deep",
                "take out brackets that are not needed",
                span=Span(at, at + 1),
            )
    return None


def _tree(text: str, start: str) -> "Tree[Token] | Finding":
    try:
        cut = list(tokens(text))
        return _mixed(text, cut) or lark(start).parse(cast(str, cut))
    except LexTrouble as trouble:
        return trouble.finding
    except UnexpectedInput as unexpected:
        return _syntax(text, unexpected)


def _syntax(text: str, trouble: UnexpectedInput) -> Finding:
    token = trouble.token if isinstance(trouble, UnexpectedToken) else None
    accepts = set(trouble.accepts or ()) if isinstance(trouble, UnexpectedToken) else set()
    if token is None or token.type == "$END":
        span, found = Span(len(text.rstrip()), len(text.rstrip())), "the text ends too early"
        word = ""
    else:
        span = Span(token.start_pos or 0, token.end_pos or 0)
        word = text[span.start : span.end]
        found = f"`{word}` can't stand here"
    could = _could(accepts)
    if token is not None and token.type == "NAME" and find_unit(word) is not None and "NUMBER" in accepts:
        return Finding(
            "interval.number_missing", f"a number is missing before `{word}`", f"write how many, as in `every 250 {word}`", span=span
        )
    near: tuple[str, ...] = ()
    if token is not None and token.type in ("NAME", "UNIT"):
        near = _misspelt(word, accepts)
    elif token is not None and token.type == "COMMA":  # the word behind it may be a misspelt `within` or `then`
        near = _misspelt(text[span.end : span.end + 60], accepts & {"WHICHEVER_FIRST", "WHICHEVER_LAST", "WITHIN", "THEN"})
    mend = f"did you mean {or_list(near)}? " if near else ""
    return Finding("interval.syntax", found, f"{mend}here could stand {could}", span=span)


def _misspelt(word: str, accepts: set[str]) -> tuple[str, ...]:
    """The keyword or phrase nearest to what stands there, or to its first words, among those that could stand there."""
    words, could = word.split(), [spelt for spelt, token in SPELT.items() if token in accepts]
    found = (nearest(" ".join(words[:n]), could, 1) for n in range(min(len(words), 3), 0, -1))
    return next((near for near in found if near), ())


def _could(accepts: set[str]) -> str:
    words = [SAY[name] for name in SAY if name in accepts]
    return " or ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words) or "nothing more"


def _mixed(text: str, listed: list[Token]) -> Finding | None:
    """A finding where `and` and `or` join bases of one bracket without brackets between them."""
    stack: list[list[Token]] = [[]]
    for token, after in zip(listed, [*listed[1:], None], strict=True):
        if token.type == "LPAR":
            stack.append([])
        elif token.type == "RPAR" and len(stack) > 1:
            stack.pop()
        elif token.type in ("SEMICOLON", "THEN"):
            stack = [[]]
        elif token.type in ("AND", "OR") and after is not None and after.type != "NUMBER":
            stack[-1].append(token)
            if len({t.type for t in stack[-1]}) == 2:
                return _both_bracketings(text, listed, stack[-1])
    return None


def _both_bracketings(text: str, listed: list[Token], joins: list[Token]) -> Finding:
    first, last = joins[0], joins[-1]
    start = max(
        (
            t.end_pos or 0
            for t in listed
            if (t.start_pos or 0) < (first.start_pos or 0) and t.type in ("LPAR", "SEMICOLON", "THEN", "COMMA")
        ),
        default=0,
    )
    ends = [t.start_pos or 0 for t in listed if (t.start_pos or 0) > (last.start_pos or 0)]
    stops = [t.start_pos or 0 for t in listed if (t.start_pos or 0) > (last.start_pos or 0) and t.type in _STOPS]
    end = stops[0] if stops else len(text)
    del ends
    bounds = [start, *(p for t in joins for p in (t.start_pos or 0, t.end_pos or 0)), end]
    pieces = [text[a:b].strip() for a, b in zip(bounds[::2], bounds[1::2], strict=True)]
    ops = [t.type.lower() for t in joins]
    return Finding(
        "interval.mixed",
        "`and` and `or` are mixed without brackets",
        f"write `{_grouped(pieces, ops, 'and')}` or `{_grouped(pieces, ops, 'or')}`",
        span=Span(last.start_pos or 0, last.end_pos or 0),
    )


_STOPS = frozenset({"RPAR", "SEMICOLON", "WITHIN", "DURING", "WHICHEVER_FIRST", "WHICHEVER_LAST", "AND", "OR"})


def _grouped(pieces: list[str], ops: list[str], inner: str) -> str:
    groups: list[list[str]] = [[pieces[0]]]
    for op, piece in zip(ops, pieces[1:], strict=True):
        if op == inner:
            groups[-1].append(piece)
        else:
            groups.append([piece])
    outer = "or" if inner == "and" else "and"
    return f" {outer} ".join(f"({f' {inner} '.join(g)})" if len(g) > 1 else g[0] for g in groups)


# From tree to nodes.


def _span(tree: "Tree[Token]") -> Span:
    return Span(tree.meta.start_pos, tree.meta.end_pos)


def _rule(text: str, tree: "Tree[Token]") -> Rule:
    when = during = None
    within: list[Allowance] = []
    timing: Timing | None = None
    expect_season = False
    for child in tree.children:
        if isinstance(child, Token):
            if child.type == "CONDITION":
                condition = parse_condition(text, child.start_pos or 0, child.end_pos or 0)
                if isinstance(condition, Finding):
                    raise _Trouble(condition)
                when = condition
            elif child.type == "DURING":
                expect_season = True
            elif child.type == "NAME" and expect_season:
                during = str(child)
        elif child.data == "within":
            within.append(_allowance(_child(child)))
        else:
            timing = _timing(child)
    assert timing is not None
    return Rule(timing, when, during, tuple(within), _span(tree))


def _child(tree: "Tree[Token]") -> "Tree[Token]":
    return next(c for c in tree.children if isinstance(c, Tree))


def _timing(tree: "Tree[Token]") -> Timing:
    names = [str(t) for t in tree.children if isinstance(t, Token) and t.type == "NAME"]
    match tree.data:
        case "first_then":
            trees = [c for c in tree.children if isinstance(c, Tree)]
            return FirstThen(tuple(_amount(c) for c in trees[:-1]), names[0] if names else None, _base(trees[-1]), _span(tree))
        case "once_at":
            return OnceAt(_amount(_child(tree)), _span(tree))
        case "once_after":
            return OnceAfter(_amount(_child(tree)), names[0], _span(tree))
    return _base(tree)


def _base(tree: "Tree[Token]") -> Base:
    marks: dict[str, Token] = {t.type: t for t in tree.children if isinstance(t, Token)}
    span = _span(tree)
    match tree.data:
        case "every_amount":
            anchor = Anchor(" ".join(marks["ANCHOR"].lower().split())) if "ANCHOR" in marks else Anchor.SINCE_LAST
            return EveryAmount(_amount(_child(tree)), str(marks["NAME"]) if "NAME" in marks else None, anchor, span)
        case "every_word":
            return EveryWord(_word(marks["WORD"]), span)
        case "every_working_day":
            return EveryWorkingDay(span)
        case "every_occurrence":
            return EveryOccurrence(str(marks["NAME"]), span)
        case "each_season":
            which = next(w for w in ("before", "after", "once") if w.upper() in marks)
            return EachSeason(which, str(marks["NAME"]), span)  # type: ignore[arg-type]
        case "alone":
            raise _Trouble(
                _clarifier("`whichever` stands with a single time", "take it out, or add the other time with `or` or `and`", marks)
            )
        case "either" | "both":
            op = "or" if tree.data == "either" else "and"
            wrong = "WHICHEVER_LAST" if op == "or" else "WHICHEVER_FIRST"
            if wrong in marks:
                said = "last" if op == "or" else "first"
                other = "and" if op == "or" else "or"
                raise _Trouble(
                    _clarifier(
                        f"`whichever {said}` contradicts `{op}`", f"write `{other}` between the times, or take the clarifier out", marks
                    )
                )
            return Combined(op, tuple(_base(c) for c in tree.children if isinstance(c, Tree)), span)  # type: ignore[arg-type]
        case "base":
            return _base(_child(tree))  # a bracket
    raise AssertionError(tree.data)


def _clarifier(message: str, mend: str, marks: dict[str, Token]) -> Finding:
    mark = marks.get("WHICHEVER_FIRST") or marks["WHICHEVER_LAST"]
    return Finding("interval.clarifier", message, mend, span=Span(mark.start_pos or 0, mark.end_pos or 0))


def _word(token: Token) -> Any:
    return token.lower()


def _amount(tree: "Tree[Token]") -> Amount:
    number, unit = (t for t in tree.children if isinstance(t, Token))
    known = find_unit(str(unit))
    return Amount(Fraction(str(number)), known.name if known else str(unit), _span(tree))


def _allowance(tree: "Tree[Token]") -> Allowance:
    marks = {t.type: t for t in tree.children if isinstance(t, Token)}
    way = "early" if "EARLY" in marks else "late" if "LATE" in marks else None
    amounts = tuple(_amount(c) for c in tree.children if isinstance(c, Tree))
    if tree.data == "fixed":
        return Allowance(None, (), amounts[0], way, _span(tree))  # type: ignore[arg-type]
    return Allowance(Fraction(str(marks["NUMBER"])), amounts, None, way, _span(tree))  # type: ignore[arg-type]
