"""Refusals on the wire: problem details (RFC 9457)."""

from collections.abc import Callable, Iterable
from dataclasses import replace
from itertools import islice
from typing import Annotated, Any, Literal
from urllib.parse import quote

from pydantic import BaseModel, ConfigDict, Field

from fieldworthy.core.base.finding import Finding, Severity
from fieldworthy.usecases.key_refusals import Throttled
from fieldworthy.usecases.refusals import Refusal
from fieldworthy.wire.catalogue import KINDS, Kind
from fieldworthy.wire.hiding import hide

MEDIA_TYPE = "application/problem+json"

MOST_ERRORS_TOLD = 500
"""Entries of `errors`; `detail` says how many there are."""


class ProblemError(BaseModel):
    """One thing to mend."""

    model_config = ConfigDict(extra="forbid")
    detail: Annotated[str, Field(description="what is wrong, for people", max_length=4000)]
    severity: Annotated[
        Literal["error", "warning"], Field(description="a warning refuses nothing; it stands beside the errors of a rulebook")
    ]
    pointer: Annotated[str, Field(description="JSON Pointer into the body, as a URI fragment; `#` is the whole of it", max_length=2000)]
    code: Annotated[str, Field(description="stable, for programs", max_length=80)]
    mend: Annotated[str, Field(description="what to do about it", max_length=4000)]
    line: Annotated[
        int | None, Field(description="line in the text, counted from 1", ge=1, le=2**31 - 1, json_schema_extra={"format": "int32"})
    ]
    column: Annotated[
        int | None, Field(description="column in the text, counted from 1", ge=1, le=2**31 - 1, json_schema_extra={"format": "int32"})
    ]
    trace: Annotated[
        dict[str, Any] | None, Field(description="how it comes about: a shortest way to a hazard, or to what else is wrong in a procedure")
    ]


class Problem(BaseModel):
    """A refusal (RFC 9457, `application/problem+json`)."""

    model_config = ConfigDict(extra="forbid")
    type: Annotated[
        str,
        Field(
            description="`/problems/CODE`, stable; a GET of it explains the problem. Of a quota: the standard's own",
            max_length=200,
            json_schema_extra={"format": "uri-reference"},
        ),
    ]
    title: Annotated[str, Field(max_length=200)]
    status: Annotated[int, Field(ge=400, le=599, json_schema_extra={"format": "int32"})]
    detail: Annotated[str, Field(description="what happened this time, for people", max_length=4000)]
    code: Annotated[str, Field(description="stable, for programs; a GET of `/problems/CODE` explains it", max_length=80)]
    mend: Annotated[str, Field(description="what to do about it, for people", max_length=4000)]
    errors: Annotated[list[ProblemError], Field(description="each thing to mend; empty where there is no more to say", max_length=2000)]


class QuotaProblem(Problem):
    """A refusal of one request too many (draft-ietf-httpapi-ratelimit-headers, section 5)."""

    violated_policies: Annotated[
        list[Annotated[str, Field(max_length=80)]],
        Field(alias="violated-policies", description="the names of the policies, as `RateLimit-Policy` has them", max_length=10),
    ]


def fragment(path: str) -> str:
    """A JSON Pointer as a URI fragment (RFC 6901, section 6)."""
    return "#" + quote(path, safe="/~!$&'()*+,;=:@?-._")


def error_json(finding: Finding) -> dict[str, Any]:
    """One finding as an entry of `errors`."""
    return {
        "detail": hide(finding.message),
        "severity": finding.severity.value,
        "pointer": fragment(hide(finding.path)),
        "code": finding.code,
        "mend": hide(finding.mend),
        "line": finding.line,
        "column": finding.column,
        "trace": finding.trace,
    }


def finding_json(finding: Finding) -> dict[str, Any]:
    """One finding as an entry of a check's answer."""
    return {
        "severity": finding.severity.value,
        "code": finding.code,
        "path": hide(finding.path),
        "line": finding.line,
        "column": finding.column,
        "message": hide(finding.message),
        "mend": hide(finding.mend),
        "trace": finding.trace,
    }


def problem(code: str, detail: str, mend: str | None = None, findings: Iterable[Finding] = (), status: int | None = None) -> dict[str, Any]:
    """A problem as plain data. code: one of the catalogue; status: where it differs from its kind's."""
    kind: Kind = KINDS[code]
    return {
        "type": kind.type,
        "title": kind.title,
        "status": kind.status if status is None else status,
        "detail": hide(detail),
        "code": code,
        "mend": kind.mend if mend is None else hide(mend),
        "errors": [error_json(f) for f in islice(findings, MOST_ERRORS_TOLD)],
    }


def of_findings(findings: Iterable[Finding]) -> dict[str, Any]:
    """The problem of a request that does not fit: the first finding is its detail."""
    found = tuple(findings)
    more = "" if len(found) < 2 else f" (and {len(found) - 1} more)"
    return problem("request.does_not_fit", found[0].message + more, found[0].mend, found)


def of_refusal(refusal: Refusal, under: str = "", place: Callable[[str], str] | None = None) -> dict[str, Any]:
    """
    The problem of a use case's refusal. under: where in the request the findings' document is, as "/rulebook"; place: a pointer as the door
    writes it.
    """
    place = place or (lambda path: under + path)
    found = sorted((replace(f, path=place(f.path)) for f in refusal.findings), key=lambda f: f.severity is Severity.WARNING)
    told = problem(refusal.code, refusal.detail, refusal.remedy, found)
    if isinstance(refusal, Throttled):
        told["violated-policies"] = [refusal.quota.name]
    return told


def of_unreadable(finding: Finding) -> dict[str, Any]:
    """The problem of a body that is no JSON."""
    place = f", line {finding.line}, column {finding.column}" if finding.line else ""
    return problem("body.unreadable", finding.message + place, finding.mend, (finding,))
