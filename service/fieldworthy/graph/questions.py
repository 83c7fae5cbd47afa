"""The questions: what is due, may it start, what comes next, what to take along. Stateless: all that counts is sent along."""

from collections.abc import Awaitable, Callable
from typing import Annotated, Any

import strawberry

from fieldworthy.core.answer.due import DueAnswer
from fieldworthy.graph.context import Info
from fieldworthy.graph.errors import error_of
from fieldworthy.graph.fields import field
from fieldworthy.graph.inputs import Given, Input, input_of
from fieldworthy.graph.shapes import type_of
from fieldworthy.usecases.ask_due import due as ask_due
from fieldworthy.usecases.asking import Answered, ask
from fieldworthy.usecases.refusals import RulebookHasErrors
from fieldworthy.wire import answers, requests
from fieldworthy.wire.problems import of_refusal

DUE = input_of(requests.DUE)


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


QUERIES = [due]
