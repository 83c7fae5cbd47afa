"""POST /v1/parts: what to take along for these tasks."""

from fieldworthy.core.answer.parts_list import PartsAnswer, PartsQuestion, answer_parts
from fieldworthy.usecases.asking import Ask, Finder


class AskParts(Ask[PartsQuestion, PartsAnswer]):
    """What to take along for these tasks."""

    def __init__(self, find: Finder) -> None:
        super().__init__(find, answer_parts)
