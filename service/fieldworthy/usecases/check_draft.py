"""Every finding of a rulebook, without storing it."""

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from fieldworthy.core.answer.examples import run_example
from fieldworthy.core.base.finding import Finding, Severity
from fieldworthy.core.rulebook import check
from fieldworthy.core.rulebook.model import CheckedRulebook
from fieldworthy.usecases.limits import MAX_STATES


@dataclass(frozen=True, slots=True)
class Checked:
    """What a check found. book: None where there are errors. text: as it was sent; findings: all, in the order of the text."""

    text: str
    book: CheckedRulebook | None
    findings: tuple[Finding, ...]

    @property
    def errors(self) -> int:
        return sum(f.severity is Severity.ERROR for f in self.findings)


def check_text(text: str | bytes, most_states: int = MAX_STATES) -> Checked:
    """Checks a rulebook's text, YAML 1.2 or JSON, explores its procedures and runs its worked examples. Never raises for what it says."""
    book, findings = check.check_text(text, run_example, most_states=most_states)
    return Checked(text if isinstance(text, str) else text.decode("utf-8", "replace"), book, tuple(findings))


class CheckDraft:
    """POST /v1/rulebooks/check. A check takes its time where it explores much or runs many worked examples, so it runs in a thread."""

    def __init__(self, most_states: int = MAX_STATES) -> None:
        """most_states: of one procedure; one with more is not shown safe, which is an error."""
        self._most_states = most_states

    async def __call__(self, text: str | bytes) -> Checked:
        return await asyncio.to_thread(check_text, text, self._most_states)

    async def data(self, document: Mapping[str, Any]) -> Checked:
        """The same for plain JSON data: findings have a path, but neither line nor column."""
        book, findings = await asyncio.to_thread(check.check_rulebook, document, None, run_example, self._most_states)
        return Checked("", book, tuple(findings))
