"""The questions: what is due, may it start, what comes next, what to take along. Stateless: all that counts is sent along."""

from collections.abc import Awaitable, Callable
from typing import Annotated, Any

import strawberry

from fieldworthy.core.answer.due import DueAnswer
from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.graph.context import Info
from fieldworthy.graph.errors import error_of
from fieldworthy.graph.fields import field
from fieldworthy.graph.inputs import Given, Input, input_of
from fieldworthy.graph.scalars import Json
from fieldworthy.graph.shapes import type_of
from fieldworthy.usecases.ask_due import due as ask_due
from fieldworthy.usecases.asking import Answered, ask
from fieldworthy.usecases.refusals import RulebookHasErrors
from fieldworthy.wire import answers, procedure_answers, requests, shelf_answers
from fieldworthy.wire.expressions import document_of, read_back
from fieldworthy.wire.problems import of_refusal
from fieldworthy.wire.questions import clearance_question, parts_question, procedure_question
from fieldworthy.wire.shelf_json import checked_json

DUE = input_of(requests.DUE)
CLEARANCE = input_of(requests.CLEARANCE)
PROCEDURE = input_of(requests.PROCEDURE)
PARTS = input_of(requests.PARTS)
EXPRESSION = input_of(requests.EXPRESSION)

_CAUTION = "The machine's handbook, local rules and trained people come first."


async def _answered(
    info: Info, kind: str, takes: Input, given: Given, question: Callable[[Any], Any], use: Callable[[Any, Any], Awaitable[Answered[Any]]]
) -> dict[str, Any]:
    """What was sent to question to answer; the same for all of them."""
    read = takes.read(given)
    rulebook = read["rulebook"]
    asked = question(read)
    try:
        with info.context.asked.uses.tally.evaluating(kind):
            return (await use(rulebook, asked)).to_json()
    except RulebookHasErrors as refusal:
        if isinstance(rulebook, str):
            raise
        raise error_of(of_refusal(refusal, f"/{takes.argument}/rulebook")) from None


@field("askDue", type_of(answers.DueAnswer), "Where every task of one machine stands at `now`, the most urgent first.", DUE)
async def due(info: Info, input: Annotated[Given, strawberry.argument(graphql_type=DUE.type)]) -> Any:
    async def use(rulebook: Any, asked: dict[str, Any]) -> Answered[DueAnswer]:
        return ask(await info.context.uses.find(rulebook), asked, ask_due)

    return await _answered(info, "due", DUE, input, dict, use)


@field(
    "askClearance",
    type_of(answers.ClearanceAnswer),
    "May this task, step or action start now. `granted` only when everything that must be known is known and nothing stands against it. "
    + _CAUTION,
    CLEARANCE,
)
async def clearance(info: Info, input: Annotated[Given, strawberry.argument(graphql_type=CLEARANCE.type)]) -> Any:
    return await _answered(info, "clearance", CLEARANCE, input, clearance_question, info.context.uses.clearance)


@field(
    "askProcedure",
    type_of(procedure_answers.ProcedureAnswer),
    "Every step of a task, the next one and whether it may start now, what interrupts the work and how to make it safe, and what must "
    "still be put back. " + _CAUTION,
    PROCEDURE,
)
async def procedure(info: Info, input: Annotated[Given, strawberry.argument(graphql_type=PROCEDURE.type)]) -> Any:
    return await _answered(info, "procedure", PROCEDURE, input, procedure_question, info.context.uses.procedure)


@field(
    "askParts",
    type_of(answers.PartsAnswer),
    "What to take along for these tasks on this machine on a day: amounts, packs, replaced numbers, what comes from stock.",
    PARTS,
)
async def parts(info: Info, input: Annotated[Given, strawberry.argument(graphql_type=PARTS.type)]) -> Any:
    return await _answered(info, "parts", PARTS, input, parts_question, info.context.uses.parts)


@field(
    "checkExpression",
    type_of(answers.ExpressionAnswer),
    "Reads an interval or a condition back: its canonical text, its tree, a reading aloud, and every finding with its place in the text.",
    EXPRESSION,
)
async def check_expression(info: Info, input: Annotated[Given, strawberry.argument(graphql_type=EXPRESSION.type)]) -> Any:
    read = EXPRESSION.read(input)
    try:
        with info.context.asked.uses.tally.evaluating("expression"):
            return await read_back(read, info.context.uses.expression)
    except RulebookHasErrors as refusal:
        document, where = document_of(read)
        if isinstance(document, str):
            raise
        raise error_of(of_refusal(refusal, f"/{EXPRESSION.argument}{where}")) from None


@field("checkRulebook", type_of(shelf_answers.CheckAnswer), "Every finding of a rulebook, without storing it.")
async def check_rulebook(
    info: Info,
    document: Annotated[Json, strawberry.argument(description="its text (YAML or JSON), or an object; only a text has lines")],
) -> Any:
    check = info.context.uses.check
    with info.context.asked.uses.tally.evaluating("rulebook"):
        if isinstance(document, str):
            return checked_json(await check(document))
        if isinstance(document, dict):
            return checked_json(await check.data(document))
    wrong = "`document` must be an object or a text"
    raise Refused([Finding("request.not_an_object", wrong, "send the rulebook", path="/document")])


QUERIES = [due, clearance, procedure, parts, check_expression, check_rulebook]
