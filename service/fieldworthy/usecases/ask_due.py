"""POST /v1/due: what is due on this machine, and why."""

import json
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any

from fieldworthy.core.answer.due import DueAnswer, answer_due, read_due_question
from fieldworthy.core.meter.series import Reading
from fieldworthy.core.rulebook.model import CheckedRulebook
from fieldworthy.usecases.asking import Ask, Finder


def due(
    book: CheckedRulebook,
    request: Mapping[str, Any],
    embed: Callable[[str], Any] = json.loads,
    ready: Mapping[str, list[Reading]] = MappingProxyType({}),
) -> DueAnswer:
    """
    Reads a request against its rulebook, for only that tells what a machine's names and units mean, and answers it. Raises Refused.

    embed: for a door that can take JSON text into its answer as it is. ready: see `read_due_question`.
    """
    answer = answer_due(book, read_due_question(book, request, ready))
    answer.embed = embed
    return answer


class AskDue(Ask[Mapping[str, Any], DueAnswer]):
    """What is due on this machine, and why. The question is the request as on the wire, its shape checked by the door."""

    def __init__(self, find: Finder) -> None:
        super().__init__(find, due)
