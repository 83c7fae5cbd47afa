"""POST /v1/clearance: may this task, step or action start now."""

from fieldworthy.core.answer.clearance import ClearanceAnswer, ClearanceQuestion, answer_clearance
from fieldworthy.usecases.asking import Ask, Finder


class AskClearance(Ask[ClearanceQuestion, ClearanceAnswer]):
    """May this task, step or action start now."""

    def __init__(self, find: Finder) -> None:
        super().__init__(find, answer_clearance)
