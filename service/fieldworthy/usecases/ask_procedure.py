"""POST /v1/procedure: what comes after the steps that are done."""

from fieldworthy.core.answer.procedure import ProcedureAnswer, ProcedureQuestion, answer_procedure
from fieldworthy.usecases.asking import Ask, Finder


class AskProcedure(Ask[ProcedureQuestion, ProcedureAnswer]):
    """What comes after the steps that are done."""

    def __init__(self, find: Finder) -> None:
        super().__init__(find, answer_procedure)
