"""Questions: nothing is kept, and every answer is drawn from what is sent."""

from collections.abc import Mapping
from typing import Any, Never

from fieldworthy.client.batch import BatchAnswer, Questions, due_batch
from fieldworthy.client.bound import Bound, D, many, one
from fieldworthy.client.calls import Ask, Moment, post
from fieldworthy.client.rulebooks import Document, written
from fieldworthy.client.shapes import (
    CheckAnswer,
    ClearanceAnswer,
    ClearanceIn,
    DueAnswer,
    DueIn,
    ExpressionAnswer,
    ExpressionIn,
    PartsAnswer,
    PartsIn,
    ProcedureAnswer,
    ProcedureIn,
)
from fieldworthy.client.steps import Flow


class Asks(Bound[D]):
    """What can be asked."""

    @one
    def due(self, question: DueIn) -> Flow[Never, DueAnswer]:
        """Where every task of one machine stands, the most urgent first, and why."""
        return self._caller.json(post("/v1/due", question))

    @many
    def due_batch(
        self, questions: Questions, *, rulebook: str | Mapping[str, Any] | None = None, now: Moment | None = None
    ) -> Flow[BatchAnswer, None]:
        """
        The same for many machines, answered in order while they come; a question that is refused answers with its `problem`.

        questions: any number, taken some hundred at a time; rulebook, now: of those that do not say their own. What is cut off is gone on
        with where it was.
        """
        return due_batch(self._caller, questions, rulebook, now)

    @one
    def clearance(self, question: ClearanceIn) -> Flow[Never, ClearanceAnswer]:
        """May this start now. It advises people: the machine's handbook, local rules and trained people come first."""
        return self._caller.json(post("/v1/clearance", question))

    @one
    def procedure(self, question: ProcedureIn) -> Flow[Never, ProcedureAnswer]:
        """Which step of a task comes next, and whether it may start; as `clearance`, it advises."""
        return self._caller.json(post("/v1/procedure", question))

    @one
    def parts(self, question: PartsIn) -> Flow[Never, PartsAnswer]:
        """What to take along."""
        return self._caller.json(post("/v1/parts", question))

    @one
    def check_expression(self, expression: ExpressionIn) -> Flow[Never, ExpressionAnswer]:
        """An interval or a condition, read back, with every finding."""
        return self._caller.json(post("/v1/expressions/check", expression))

    @one
    def check_rulebook(self, document: Document) -> Flow[Never, CheckAnswer]:
        """Every finding of a rulebook, which is not stored."""
        body, kind = written(document)
        return self._caller.json(Ask("POST", "/v1/rulebooks/check", {}, body, {"content-type": kind}))
