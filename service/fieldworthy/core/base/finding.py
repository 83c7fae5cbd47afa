"""What a check reports, and how a question is refused.

A finding is a value: something that the author of a text or the sender of a question can mend. `Refused` is the
one exception of the core: a question that can't be answered because of its findings.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from enum import StrEnum
from functools import lru_cache
from heapq import nlargest
from itertools import pairwise

from fieldworthy.core.base.span import Span

MOST_ERRORS = 200
"""So many errors end a check: mending them comes first, and an answer stays short."""


class Severity(StrEnum):
    ERROR = "error"
    WARNING = "warning"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found: where, what, and how to mend it.

    code:    stable, for programs, `room.what` in snake case ("interval.unknown_meter").
    message: lower case, no full stop, the author's words in backticks.
    mend:    what to do about it; never empty.
    span:    its place inside the expression that it was found in, if any.
    path:    JSON Pointer into the document or the request ("/tasks/chain-oil/interval"), "" for the whole of it.
    line, column: place in the document's text, counted from 1; None where there is no text.
    trace:   {"start", "steps", "hazard"}: a shortest way to what the exploration of a procedure found (hazard: None where that is a step
             that can't start or a fact left changed); None where there is no way to tell of.
    """

    code: str
    message: str
    mend: str
    severity: Severity = Severity.ERROR
    span: Span | None = None
    path: str = ""
    line: int | None = None
    column: int | None = None
    trace: object | None = None

    def at(self, path: str, line: int | None = None, column: int | None = None) -> "Finding":
        """The same finding, placed in a document."""
        return replace(self, path=path, line=line, column=column)


class Refused(Exception):
    """A question that does not fit its rulebook: the sender can mend it. Carries one or more findings."""

    def __init__(self, findings: Iterable[Finding]) -> None:
        self.findings: tuple[Finding, ...] = tuple(findings)
        super().__init__("; ".join(f.message for f in self.findings))


def nearest(name: str, known: Iterable[str], most: int = 3) -> tuple[str, ...]:
    """Up to `most` known names that look like `name`, the best first."""
    wanted = name.casefold()[:80]
    by_key = {k.casefold(): k for k in known}
    candidates: Iterable[str] = by_key
    if len(by_key) > _MANY:  # the comparison takes long: only those that share the most pairs of letters are compared
        pairs = _pairs(wanted)
        candidates = nlargest(_MANY, by_key, key=lambda k: len(pairs & _pairs(k)))
    return tuple(by_key[k] for k in get_close_matches(wanted, candidates, n=most, cutoff=0.6))


_MANY = 40


@lru_cache(maxsize=10_000)
def _pairs(word: str) -> frozenset[str]:
    return frozenset(map("".join, pairwise(word)))


def did_you_mean(name: str, known: Iterable[str], declared_where: str) -> str:
    """The remedy for an unknown name: the nearest known ones, else where to declare it or what there is.

    declared_where: words for the case that nothing is near, as in "declare it under `meters`".
    """
    known = tuple(known)
    near = nearest(name, known)
    if near:
        return "did you mean " + or_list(near) + "?"
    if known and len(known) <= 8:
        return f"{declared_where}; known are {', '.join(f'`{k}`' for k in known)}"
    return declared_where


def or_list(words: Sequence[str]) -> str:
    """`a`, `b` or `c`, each in backticks."""
    ticked = [f"`{word}`" for word in words]
    return ticked[0] if len(ticked) == 1 else ", ".join(ticked[:-1]) + " or " + ticked[-1]


def pointer(*parts: str | int) -> str:
    """A JSON Pointer (RFC 6901) of these parts."""
    return "".join("/" + str(part).replace("~", "~0").replace("/", "~1") for part in parts)
