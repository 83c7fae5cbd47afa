"""Refusals in answers: as entries of `errors`, or as data where a caller can act on them. They say what a problem of REST says."""

from collections.abc import Mapping
from typing import Any

from graphql import GraphQLError

from fieldworthy.graph.own_words import spoken_problem
from fieldworthy.graph.shapes import make_type, members_of
from fieldworthy.wire.problems import Problem


class Refused(dict[str, Any]):
    """A problem that is answered as data."""


def _refusal() -> Any:
    made = make_type(
        "Refusal",
        members_of(Problem),
        "A refusal, told as REST tells its problems (RFC 9457): `code` for programs, `mend` for people, `errors` with places.",
    )
    made.__strawberry_definition__.is_type_of = lambda value, _info: isinstance(value, Refused)
    return made


REFUSAL = _refusal()


def is_answer(value: Any, _info: Any) -> bool:
    """Whether a value is what a mutation is to answer, beside a refusal."""
    return not isinstance(value, Refused)


def error_of(problem: Mapping[str, Any], retry_after: int | None = None) -> GraphQLError:
    """A problem as an entry of `errors`: its detail is the message, all else stands in `extensions`."""
    problem = spoken_problem(problem)
    told = {name: problem[name] for name in ("code", "status", "type", "title", "mend", "errors")}
    told |= {name: value for name, value in problem.items() if name == "violated-policies"}
    if retry_after is not None:
        told["retryAfter"] = retry_after
    return GraphQLError(str(problem["detail"]), extensions=told)
