"""The questions: what is due, may it start, what to take along; and one expression read back."""

from collections.abc import Awaitable, Callable
from typing import Any

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.core.answer.due import DueAnswer
from fieldworthy.rest.answers import json_answer, written_due
from fieldworthy.rest.body import JSON_TYPES, Declined, RawRoute, media_type, whole_body
from fieldworthy.rest.described import BODY, RULEBOOK, described
from fieldworthy.rest.keeping import organisation_of
from fieldworthy.usecases.all_uses import AllUses, Uses
from fieldworthy.usecases.asking import Answered, ask
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.refusals import RulebookHasErrors
from fieldworthy.usecases.tally import Tally
from fieldworthy.wire import answers, procedure_answers, requests
from fieldworthy.wire.expressions import document_of, read_back
from fieldworthy.wire.problems import of_refusal
from fieldworthy.wire.questions import clearance_question, parts_question, procedure_question
from fieldworthy.wire.reading import Shape

TAG = "evaluate"
QUESTION = (*BODY, *RULEBOOK, "question.does_not_fit")


def evaluate_router(uses: AllUses) -> APIRouter:
    """The routes of the stateless half."""
    router = APIRouter(route_class=RawRoute)

    def uses_of(request: Request) -> Uses:
        return uses.of(organisation_of(request))

    async def answered(
        request: Request, kind: str, shape: Shape[Any], question: Callable[[Any], Any], use: Callable[[Any, Any], Awaitable[Answered[Any]]]
    ) -> dict[str, Any]:
        """Body to question to answer; the same for all of them."""
        media_type(request, JSON_TYPES)
        given = shape.read(await whole_body(request))
        rulebook = given["rulebook"]
        asked = question(given)
        try:
            with uses.tally.evaluating(kind):
                return (await use(rulebook, asked)).to_json()
        except RulebookHasErrors as refusal:
            if isinstance(rulebook, str):
                raise
            raise Declined(of_refusal(refusal, "/rulebook")) from None

    @router.post(
        "/v1/due",
        **described(
            "askDue",
            TAG,
            KeyScope.READ,
            "What is due on this machine, and why",
            "Where every task of one machine stands at `now`, the most urgent first. Stateless: the same request gets the same bytes.",
            answers.DueAnswer,
            requests.DUE,
            QUESTION,
        ),
    )
    async def ask_due(request: Request) -> Response:
        find = uses_of(request).find

        async def ask_for_due(rulebook: Any, given: dict[str, Any]) -> Answered[DueAnswer]:
            return ask(await find(rulebook), given, written_due)

        return json_answer(await answered(request, "due", requests.DUE, dict, ask_for_due))

    @router.post(
        "/v1/clearance",
        **described(
            "askClearance",
            TAG,
            KeyScope.READ,
            "May this task, step or action start now",
            "`granted` only when everything that must be known is known and nothing stands against it. The machine's handbook, local "
            "rules and trained people come first.",
            answers.ClearanceAnswer,
            requests.CLEARANCE,
            QUESTION,
        ),
    )
    async def ask_clearance(request: Request) -> Response:
        return json_answer(await answered(request, "clearance", requests.CLEARANCE, clearance_question, uses_of(request).clearance))

    @router.post(
        "/v1/procedure",
        **described(
            "askProcedure",
            TAG,
            KeyScope.READ,
            "What comes after the steps that are done",
            "Every step of a task, the next one and whether it may start now, what interrupts the work and how to make it safe, and what "
            "must still be put back. Stateless: the steps done and the evidence come with the request. The machine's handbook, local rules "
            "and trained people come first.",
            procedure_answers.ProcedureAnswer,
            requests.PROCEDURE,
            QUESTION,
        ),
    )
    async def ask_procedure(request: Request) -> Response:
        return json_answer(await answered(request, "procedure", requests.PROCEDURE, procedure_question, uses_of(request).procedure))

    @router.post(
        "/v1/parts",
        **described(
            "askParts",
            TAG,
            KeyScope.READ,
            "What to take along for these tasks",
            "The parts list for these tasks on this machine on a day: amounts, packs, replaced numbers, what comes from stock.",
            answers.PartsAnswer,
            requests.PARTS,
            QUESTION,
        ),
    )
    async def ask_parts(request: Request) -> Response:
        return json_answer(await answered(request, "parts", requests.PARTS, parts_question, uses_of(request).parts))

    @router.post(
        "/v1/expressions/check",
        **described(
            "checkExpression",
            TAG,
            KeyScope.READ,
            "Read an interval or a condition back",
            "The canonical text, the tree, a reading aloud and every finding, with line and column inside the expression. "
            "An expression with errors is answered (200) with its findings.",
            answers.ExpressionAnswer,
            requests.EXPRESSION,
            (*BODY, *RULEBOOK),
        ),
    )
    async def check_expression(request: Request) -> Response:
        return json_answer(await _check_expression(request, uses_of(request), uses.tally))

    return router


async def _check_expression(request: Request, uses: Uses, tally: Tally) -> dict[str, Any]:
    media_type(request, JSON_TYPES)
    given = requests.EXPRESSION.read(await whole_body(request))
    try:
        with tally.evaluating("expression"):
            return await read_back(given, uses.expression)
    except RulebookHasErrors as refusal:
        document, where = document_of(given)
        if isinstance(document, str):
            raise
        raise Declined(of_refusal(refusal, where)) from None
