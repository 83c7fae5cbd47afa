"""Names and closed lists of words, as GraphQL writes them."""

import re
from collections.abc import Sequence
from enum import Enum
from functools import cache
from keyword import iskeyword
from typing import Any, Optional

import strawberry

_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*\Z", re.ASCII)
_NO_WORDS = frozenset({"true", "false", "null"})  # June 2018 specification, 2.9.6 and 3.9: no values of an enum

_CALLED: dict[frozenset[str], str] = {
    frozenset(words.split()): name
    for name, words in {
        "Standing": "clear upcoming due overdue unknown",
        "StandingAtLeast": "clear upcoming due overdue",
        "TaskKind": "inspect clean lubricate adjust replace couple",
        "Fitness": "fit unfit unknown",
        "NotFitness": "unfit unknown",
        "MayStartWord": "granted withheld",
        "Signal": "danger warning caution notice",
        "Severity": "error warning",
        "Via": "sensor seen",
        "BoughtAs": "new used",
        "MachineOutcome": "kept same changed",
        "RecordOutcome": "kept same corrected",
        "ExpressionKind": "interval condition",
        "StepState": "done next later",
        "ListenerState": "on off gone",
        "ListenerSwitch": "on off",
        "SettledAs": "accepted dismissed kept",
        "ChangeKind": "removed added changed",
        "RecordsNeeded": "none newest all",
        "IdentityMember": "model serial options",
    }.items()
}


def camel(name: str) -> str:
    """The GraphQL name of a member: `due_at` is `dueAt`."""
    first, *rest = name.strip("_").split("_")
    return first + "".join(part[:1].upper() + part[1:] for part in rest)


def nullable(hint: Any) -> Any:
    """The annotation of what may be null; of a type that is made while the service starts."""
    return Optional[hint]  # noqa: UP045


def listed(hint: Any) -> Any:
    """The annotation of a list; of a type that is made while the service starts."""
    return list[hint]


def attribute(name: str) -> str:
    """A name that Python can have for a member called so."""
    return name + "_" if iskeyword(name) else name


def capital(name: str) -> str:
    """The same with its first letter large, as the names of types have it."""
    said = camel(name)
    return said[:1].upper() + said[1:]


def is_enum(words: Sequence[Any]) -> bool:
    """Whether GraphQL can have these words as an enum."""
    return len(words) > 1 and all(isinstance(word, str) and _NAME.match(word) and word not in _NO_WORDS for word in words)


def enum_of(words: Sequence[str], where: str) -> Any:
    """The enum of these words. where: the type and member that it is met at, by which it is called where it has no name of its own."""
    return _enum(_CALLED.get(frozenset(words), where), tuple(words) if frozenset(words) not in _CALLED else tuple(sorted(words)))


@cache
def _enum(name: str, words: tuple[str, ...]) -> Any:
    made: Any = Enum(name, {word: word for word in words})  # type: ignore[misc]  # told from the shape
    return strawberry.enum(made, name=name)
