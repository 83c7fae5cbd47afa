"""The due question: only its rulebook can tell what a machine's names and units mean, so it is read against it."""

from collections.abc import Mapping
from typing import Any

from fieldworthy.core.answer.due import DueAnswer, answer_due, read_due_question
from fieldworthy.core.rulebook.model import CheckedRulebook


def due(book: CheckedRulebook, given: Mapping[str, Any]) -> DueAnswer:
    """Answers a validated DueIn. Raises Refused with every fault and its place."""
    return answer_due(book, read_due_question(book, given))
