"""What goes wrong, one class for each kind that a caller treats alike.

    FieldworthyError
    ├── NotFound             404
    ├── NotAllowed           401, 403
    ├── Conflict             409            at odds with what is stored
    ├── PreconditionFailed   412, 428       it has changed since it was read
    ├── Refused              other 4xx      the request has to be mended
    ├── Unavailable          408, 429, 502 to 504, and where no answer came: later it may work
    └── Failed               500, and what is no answer of this service

Each carries the service's problem (RFC 9457) where there is one.
"""

from collections.abc import Mapping
from typing import Any

import httpx

from fieldworthy.client.posted import Posted
from fieldworthy.client.shapes import Problem, ProblemError


class FieldworthyError(Exception):
    """
    Something was not done. detail: what is wrong; mend: what to do about it.

    status: of the answer, None where none came; problem: as it was answered, None where the answer held none; posted: of a bulk post, what
    had been told by then; request_id: where something before the service numbers requests (`X-Request-Id`), this one's; retry_after: the
    s for which it asks to be left alone, where it does.
    """

    def __init__(self, detail: str, mend: str = "", status: int | None = None, problem: Problem | None = None) -> None:
        self.detail = detail
        self.mend = mend
        self.status = status
        self.problem = problem
        self.posted: Posted | None = None
        self.request_id: str | None = None
        self.retry_after: float | None = None
        super().__init__(detail, mend)

    def __str__(self) -> str:
        """All of it in one line."""
        head = self.detail if self.pointer in (None, "#") else f"{self.pointer}: {self.detail}"
        return f"{head}; {self.mend}" if self.mend else head

    @property
    def type(self) -> str | None:
        """The problem's `type`, stable."""
        return None if self.problem is None else self.problem["type"]

    @property
    def title(self) -> str | None:
        return None if self.problem is None else self.problem["title"]

    @property
    def code(self) -> str | None:
        """Stable, for programs; most often the last part of `type`."""
        return None if self.problem is None else self.problem["code"]

    @property
    def findings(self) -> tuple[ProblemError, ...]:
        """Each thing to mend, with its place."""
        return () if self.problem is None else tuple(self.problem["errors"])

    @property
    def pointer(self) -> str | None:
        """The place of the first of them: a JSON Pointer as a URI fragment."""
        return self.findings[0]["pointer"] if self.findings else None


class NotFound(FieldworthyError):
    """There is no such thing."""


class NotAllowed(FieldworthyError):
    """The key is missing, is not known, or does not allow this."""


class Conflict(FieldworthyError):
    """It is at odds with what is stored."""


class PreconditionFailed(FieldworthyError):
    """What was to be changed has changed since it was read. Read it again."""


class Refused(FieldworthyError):
    """The request has to be mended; sent again as it is, it is refused again."""


class Unavailable(FieldworthyError):
    """No answer came, or one that says: not now. It was tried again for as long as it may be."""


class Failed(FieldworthyError):
    """The service failed, or what answered is not this service."""


NOT_NOW = frozenset({408, 429, 502, 503, 504})
_KINDS: Mapping[int, type[FieldworthyError]] = {
    401: NotAllowed,
    403: NotAllowed,
    404: NotFound,
    409: Conflict,
    412: PreconditionFailed,
    428: PreconditionFailed,
    **dict.fromkeys(NOT_NOW, Unavailable),
}


def error_of(response: httpx.Response) -> FieldworthyError:
    """What an answer that is no success says. The answer has been read."""
    error = _error_of(response)
    error.request_id = response.headers.get("x-request-id", "")[:_MOST_ID] or None
    return error


_MOST_ID = 200


def _error_of(response: httpx.Response) -> FieldworthyError:
    status = response.status_code
    kind = _KINDS.get(status, Refused if 400 <= status < 500 else Failed)
    problem = _problem(response)
    if problem is not None:
        return kind(problem["detail"], problem["mend"], status, problem)
    asked = f"{response.request.method} {response.request.url.path}"
    if 300 <= status < 400:
        return Failed(f"{asked} leads elsewhere (status {status})", "give the address of the service itself", status)
    return kind(f"{asked} was answered with status {status} and no problem", "see whether it is this service that answers there", status)


def _problem(response: httpx.Response) -> Problem | None:
    try:
        said: Any = response.json()
    except ValueError:
        return None
    if not isinstance(said, dict) or not isinstance(said.get("title", said.get("detail")), str):
        return None
    listed = said.get("errors")
    errors = [e for e in listed if isinstance(e, dict)] if isinstance(listed, list) else []
    title = str(said.get("title", ""))
    return {
        "type": str(said.get("type", "about:blank")),
        "title": title,
        "status": response.status_code,
        "detail": str(said.get("detail") or title),
        "code": str(said.get("code", "")),
        "mend": str(said.get("mend", "")),
        "errors": [{**_NO_ERROR, **e, "pointer": str(e.get("pointer", "#"))} for e in errors],  # members that are not known are let through
    }


_NO_ERROR: ProblemError = {
    "detail": "",
    "severity": "error",
    "pointer": "#",
    "code": "",
    "mend": "",
    "line": None,
    "column": None,
    "trace": None,
}
