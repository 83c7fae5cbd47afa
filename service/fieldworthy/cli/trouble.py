"""What can go wrong for a person at the command line, in a line or two."""

import errno

from fieldworthy.core.base.finding import Finding, Refused, Severity
from fieldworthy.settings import SettingUnusable
from fieldworthy.usecases.refusals import QuestionDoesNotFit, Refusal

MOST_FINDINGS = 20


class Unanswerable(Exception):
    """A command that can't be carried out. The message says why, `; ` and the way out."""


def explain(trouble: Exception) -> list[str] | None:
    """Lines for standard error; None for what is a fault of ours."""
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


def finding_lines(findings: tuple[Finding, ...]) -> list[str]:
    """One line each: place, what, how to mend it."""
    lines = []
    for f in findings[:MOST_FINDINGS]:
        place = f"{f.line}:{f.column}" if f.line is not None else f.path or "the whole"
        lines.append(f"  {place}: {f.message}; {f.mend}")
    if len(findings) > MOST_FINDINGS:
        lines.append(f"  and {len(findings) - MOST_FINDINGS} more")
    return lines
