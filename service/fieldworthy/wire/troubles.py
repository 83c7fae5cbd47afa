"""Exceptions that mean a refusal, as problems."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from fieldworthy.core.base.finding import Refused
from fieldworthy.usecases.ports import StoreUnavailable
from fieldworthy.usecases.refusals import Refusal
from fieldworthy.wire.problems import of_findings, of_refusal, of_unreadable, problem
from fieldworthy.wire.reading import Unreadable


def problem_of(trouble: Exception, place: Callable[[str], str] | None = None) -> dict[str, Any] | None:
    """
    The problem of an exception that means a refusal; None for any other. place: where a pointer into the request points, for a door that
    takes it in another form.
    """
    match trouble:
        case Unreadable():
            return of_unreadable(trouble.finding)
        case Refused():
            return of_findings([finding if place is None else replace(finding, path=place(finding.path)) for finding in trouble.findings])
        case Refusal():
            return of_refusal(trouble, place=place)
        case StoreUnavailable():
            return problem("service.unavailable", trouble.detail, trouble.remedy)
        case _:
            return None


def failed() -> dict[str, Any]:
    """The problem of an unexpected exception. It says nothing of what happened inside."""
    return problem("service.failed", "the service failed to answer; the fault is its own")
