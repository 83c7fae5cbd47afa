"""What can go wrong for a person at the command line, in a line or two."""

import errno
import os
import sys
import traceback
from collections.abc import Callable
from typing import TYPE_CHECKING
from urllib.parse import unquote

from fieldworthy.cli.unanswerable import NOT_NOW, REFUSED, Unanswerable
from fieldworthy.core.base.finding import Finding, Refused, Severity
from fieldworthy.settings import SettingUnusable
from fieldworthy.usecases.refusals import QuestionDoesNotFit, Refusal
from fieldworthy.wire.hiding import hide

if TYPE_CHECKING:
    from fieldworthy.client import FieldworthyError

MOST_FINDINGS = 20


def exit_code(trouble: Exception) -> int:
    """Of a command that ended so."""
    if isinstance(trouble, Unanswerable):
        return trouble.code
    client = sys.modules.get("fieldworthy.client")  # who did not load it can't have met its errors
    return NOT_NOW if client is not None and isinstance(trouble, client.Unavailable) else REFUSED


def explain(trouble: Exception) -> list[str] | None:
    """Lines for standard error; None for what is a fault of ours."""
    if "fieldworthy.client" in sys.modules:
        from fieldworthy.client import FieldworthyError

        if isinstance(trouble, FieldworthyError):
            return told_by_service(trouble)
    match trouble:
        case Refusal():
            # one finding says the same as the refusal itself: then one line is enough
            shown = trouble.findings if len(trouble.findings) > 1 or not isinstance(trouble, QuestionDoesNotFit) else ()
            shown = tuple(f for f in shown if f.severity is Severity.ERROR)  # warnings refuse nothing; `check` shows them
            head = f"{trouble.detail}; {trouble.remedy}"
            place = trouble.findings[0].path if isinstance(trouble, QuestionDoesNotFit) else ""
            return [f"fieldworthy: {place + ': ' if place else ''}{head}", *finding_lines(shown)]
        case Refused() if len(trouble.findings) == 1:
            return ["fieldworthy: " + finding_lines(trouble.findings)[0].strip()]
        case Refused():
            return ["fieldworthy: the request does not fit; mend each of these", *finding_lines(trouble.findings)]
        case Unanswerable() | SettingUnusable():
            return [f"fieldworthy: {trouble}"]
        case OSError() if trouble.filename is not None:
            why = {
                errno.ENOENT: "there is no such file; check its name",
                errno.EACCES: "it may not be read or written; check its rights",
                errno.EISDIR: "it is a folder; name a file in it",
            }
            return [f"fieldworthy: `{trouble.filename}`: {why.get(trouble.errno or 0, trouble.strerror)}"]
    return _of_the_store(trouble)


def told(trouble: Exception) -> list[str]:
    """What a person is told, a line each. No secrets, whatever was typed by mistake, and whatever the trouble says of itself."""
    secrets = (os.environ.get("FIELDWORTHY_KEY", ""), *passwords(os.environ.get("FIELDWORTHY_DATABASE_URL", "")))
    return [hide(line, secrets) for line in explain(trouble) or _fault(trouble)]


def _fault(trouble: BaseException) -> list[str]:
    """
    Of a fault of ours: one line; with FIELDWORTHY_LOG_LEVEL=debug the traceback, for whoever mends it, which names lines and no values of
    variables.
    """
    if os.environ.get("FIELDWORTHY_LOG_LEVEL", "").lower() == "debug":
        return "".join(traceback.format_exception(trouble)).splitlines()
    said = " ".join(str(trouble).split())[:300]
    return [f"fieldworthy: a fault of the program's own ({type(trouble).__name__}: {said}); FIELDWORTHY_LOG_LEVEL=debug shows where"]


def passwords(address: str) -> tuple[str, ...]:
    """The password of an address, as it is written there and as it is meant; none where it holds none."""
    _, colon, password = address.partition("://")[2].rpartition("@")[0].partition(":")
    return (password, unquote(password)) if colon else ()


def _of_the_store(trouble: Exception) -> list[str] | None:
    from sqlalchemy.exc import OperationalError

    from fieldworthy.storage.engine import AddressUnusable, OtherRevision
    from fieldworthy.usecases.ports import StoreUnavailable

    if isinstance(trouble, AddressUnusable | OtherRevision):
        return [f"fieldworthy: {trouble}"]
    if isinstance(trouble, StoreUnavailable):
        return [f"fieldworthy: {trouble.detail}; mend that, or check FIELDWORTHY_DATABASE_URL, and try again"]
    if isinstance(trouble, OperationalError):
        return [f"fieldworthy: the database can't be used ({trouble.orig}); check FIELDWORTHY_DATABASE_URL"]
    return None


def told_by_service(error: "FieldworthyError", place: Callable[[str], str] = str) -> list[str]:
    """
    What a service said, or that it said nothing: one line with the way out, and one more for each place where there are several.

    place: of a JSON Pointer as a URI fragment, what to call it.
    """
    said = [f"it asks to wait {error.retry_after:g} s"] if error.retry_after else []
    said += [f"request {error.request_id}"] if error.request_id else []
    number = f" ({', '.join(said)})" if said else ""
    way = error.mend or ("mend each of these" if error.findings else "see the service's log")
    errors = [e for e in error.findings if e["severity"] != "warning"]
    if len(errors) <= 1:
        head = "" if error.pointer in (None, "#") else f"{place(error.pointer or '')}: "
        return [f"fieldworthy: {head}{error.detail}; {way}{number}"]
    lines = [f"fieldworthy: {error.detail}; {way}{number}"]
    lines += [f"  {place(e['pointer'])}: {e['detail']}; {e['mend']}" for e in errors[:MOST_FINDINGS]]
    return lines + ([f"  and {len(errors) - MOST_FINDINGS} more"] if len(errors) > MOST_FINDINGS else [])


def finding_lines(findings: tuple[Finding, ...]) -> list[str]:
    """One line each: place, what, how to mend it."""
    lines = []
    for f in findings[:MOST_FINDINGS]:
        place = f"{f.line}:{f.column}" if f.line is not None else f.path or "the whole"
        lines.append(f"  {place}: {f.message}; {f.mend}")
    if len(findings) > MOST_FINDINGS:
        lines.append(f"  and {len(findings) - MOST_FINDINGS} more")
    return lines
