"""How errors are told: each with the code, the title and the remedy that the same refusal has as a problem; a fault without its words."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import structlog
from graphql import FormattedExecutionResult, GraphQLError, ValueNode

from fieldworthy.graph.own_words import spoken_problem
from fieldworthy.wire.hiding import hide
from fieldworthy.wire.problems import problem

MEMBERS = ("code", "status", "type", "title", "mend", "errors", "violated-policies")
"""What of a problem stands in an error's `extensions`; its `detail` is the message."""

MOST_TOLD = 100
"""Errors of one answer; what is more is left out, as their paths say nothing new."""

ProblemOf = Callable[[Exception], Mapping[str, Any] | None]
"""The problem of an exception that means a refusal; None for a fault."""

log = structlog.get_logger("fieldworthy.graph")


class Turned(Exception):
    """A request that is answered with errors alone: nothing of it was done."""

    def __init__(self, errors: Sequence[GraphQLError]) -> None:
        self.errors = errors
        super().__init__(errors[0].message)


def error(problem: Mapping[str, Any], nodes: Any = None) -> GraphQLError:
    """A problem as an error. nodes: where in the document."""
    problem = spoken_problem(problem)
    return GraphQLError(problem["detail"], nodes, extensions=extensions(problem))


def untaken(told: Mapping[str, Any]) -> GraphQLError:
    """What a request is told that is none of GraphQL's. told: the problem, of which the status is 400, whatever it is elsewhere."""
    return error({**told, "status": 400})


def turned(code: str, detail: str, mend: str | None = None, nodes: Any = None) -> Turned:
    """A request that is turned away whole. code: of the catalogue."""
    return Turned([error(problem(code, detail, mend), nodes)])


def extensions(problem: Mapping[str, Any]) -> dict[str, Any]:
    """What of a problem stands beside an error's message."""
    return {name: problem[name] for name in MEMBERS if name in problem}


def written(errors: Iterable[GraphQLError], problem_of: ProblemOf, usual: str = "query.does_not_fit") -> list[FormattedExecutionResult]:
    """
    Errors as they are sent. problem_of: as above; usual: the code of those that the language itself found.

    A fault is logged, once however many fields it took with it, and its text is told to nobody.
    """
    told: list[Any] = []
    seen: set[int | str] = set()
    for each in errors:
        if len(told) == MOST_TOLD:
            break
        told.append(_written(each, problem_of, usual, seen))
    return told


def _written(each: GraphQLError, problem_of: ProblemOf, usual: str, seen: set[int | str]) -> dict[str, Any]:
    cause = _cause(each) or _unfit(each)
    message, beside = each.message, dict(each.extensions or {})
    if cause is not None:
        told = problem_of(cause)
        if told is None:
            fault = cause.message if isinstance(cause, GraphQLError) else id(cause)
            if fault not in seen:
                seen.add(fault)
                _log(each, cause)
            told = problem("service.failed", "the service failed to answer; the fault is its own")
        told = spoken_problem(told)
        message, beside = told["detail"], extensions(told)
    elif "code" not in beside:
        message = hide(message)
        beside = extensions(problem(usual, message))
    made: dict[str, Any] = {"message": message}
    if each.locations:
        made["locations"] = [{"line": place.line, "column": place.column} for place in each.locations]
    if each.path:
        made["path"] = each.path
    return {**made, "extensions": beside}


def _log(each: GraphQLError, cause: Exception) -> None:
    """Of what the language found the first words alone: the rest of its text is the value, and a line of what was sent."""
    path = [str(step) for step in each.path or ()][:20]
    if isinstance(cause, GraphQLError):
        log.error("a field failed", path=path, why=cause.message.partition(":")[0][:200])
    else:
        log.error("a field failed", path=path, exc_info=cause)


def _unfit(each: GraphQLError) -> GraphQLError | None:
    """
    What the executor found while it answered, where it is a fault of ours: a value that its type can't have. None for a mistake of the
    asker: before it answers, and of an argument or a directive, it points to the value that was sent.
    """
    if not each.path or "code" in (each.extensions or {}):
        return None
    found: Exception | None = each
    while isinstance(found, GraphQLError):
        if any(isinstance(node, ValueNode) for node in found.nodes or ()):
            return None
        each, found = found, found.original_error
    return each


def _cause(each: GraphQLError) -> Exception | None:
    """What was raised below, where it is not an error of the language."""
    cause = each.original_error
    while isinstance(cause, GraphQLError):
        cause = cause.original_error
    return cause
