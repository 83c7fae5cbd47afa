"""What all questions share: find the rulebook, ask the core, say what the answer was made from."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Generic, Protocol, TypeVar

from fieldworthy.core.base.finding import Refused
from fieldworthy.core.rulebook.model import CheckedRulebook
from fieldworthy.usecases.find_rulebook import Found, RulebookSource
from fieldworthy.usecases.refusals import QuestionDoesNotFit


class Answer(Protocol):
    """Any answer of the core."""

    def to_json(self) -> dict[str, Any]: ...


class Finder(Protocol):
    """FindRulebook, or the same pinned for a batch."""

    async def __call__(self, source: RulebookSource) -> Found: ...


class Finders(Protocol):
    """A Finder for each organisation."""

    def of(self, organisation: int) -> Finder: ...


Q = TypeVar("Q")
A = TypeVar("A", bound=Answer)


@dataclass(frozen=True, slots=True)
class Answered(Generic[A]):
    """An answer and the rulebook that it was drawn from."""

    found: Found
    answer: A

    def to_json(self) -> dict[str, Any]:
        """The answer's own wire form, with `rulebook`: name, version (null for a document that was sent along) and digest."""
        return {"rulebook": self.found.provenance(), **self.answer.to_json()}


class Ask(Generic[Q, A]):
    """One question to one rulebook. Made for each kind of question in `ask_due`, `ask_clearance`, `ask_procedure` and `ask_parts`."""

    def __init__(self, find: Finder, answer: Callable[[CheckedRulebook, Q], A]) -> None:
        self._find = find
        self._answer = answer

    async def __call__(self, rulebook: RulebookSource, question: Q) -> Answered[A]:
        """Raises what FindRulebook raises, and QuestionDoesNotFit with a place for everything that does not fit."""
        return ask(await self._find(rulebook), question, self._answer)


def ask(found: Found, question: Q, answer: Callable[[CheckedRulebook, Q], A]) -> Answered[A]:
    """Asks a rulebook that was found. Raises QuestionDoesNotFit."""
    try:
        return Answered(found, answer(found.book, question))
    except Refused as refused:
        raise QuestionDoesNotFit(refused.findings) from refused
