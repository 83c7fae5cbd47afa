"""Requests that are refused. Every leaf has a stable code, a status, a title (the cause) and a remedy.

    Refusal
    ├── NotFound 404
    │   ├── RulebookUnknown          rulebook.unknown
    │   ├── VersionUnknown           rulebook.version_unknown
    │   ├── DraftUnknown             rulebook.draft_unknown
    │   └── MachineUnknown           machine.unknown
    ├── AtOdds 409
    │   ├── DraftChanged             rulebook.draft_changed   (412: the sender's own condition failed)
    │   ├── VersionTaken             rulebook.version_taken
    │   ├── MachineTaken             machine.taken
    │   └── RequestInFlight          request.in_flight
    ├── TooLarge 413                 request.too_large
    └── DoesNotFit 422
        ├── KeyReused                request.key_reused
        ├── ReferenceMalformed       rulebook.reference_malformed
        ├── NameDiffers              rulebook.name_differs
        ├── RulebookHasErrors        rulebook.has_errors      (carries the findings)
        └── QuestionDoesNotFit       question.does_not_fit    (carries the findings)

A door turns one into its problem shape; what can be wrong with a request before a use case is asked (bytes that are no
JSON, an unknown member) is the door's own.
"""

from collections.abc import Iterable, Sequence
from typing import ClassVar

from fieldworthy.core.base.finding import Finding, or_list, pointer


class Refusal(Exception):
    """A request that is not answered. detail: what is wrong with this one; remedy: the way out; findings: where, if places are known."""

    code: ClassVar[str]
    status: ClassVar[int]
    title: ClassVar[str]

    def __init__(self, detail: str, remedy: str, findings: Iterable[Finding] = ()) -> None:
        self.detail = detail
        self.remedy = remedy
        self.findings: tuple[Finding, ...] = tuple(findings)
        super().__init__(f"{detail}; {remedy}")


class NotFound(Refusal):
    status = 404


class RulebookUnknown(NotFound):
    """No rulebook of this name, or no published version with this digest."""

    code, title = "rulebook.unknown", "no such rulebook"

    def __init__(self, reference: str, near: Sequence[str] = ()) -> None:
        remedy = f"did you mean {or_list(near)}?" if near else "list the names at /v1/rulebooks, or send the document itself as `rulebook`"
        super().__init__(f"no published rulebook is `{shorten(reference)}`", remedy)


class VersionUnknown(NotFound):
    """The rulebook has no version of this number."""

    code, title = "rulebook.version_unknown", "no such version"

    def __init__(self, name: str, version: int, newest: int) -> None:
        super().__init__(f"`{name}` has no version {version}", f"its newest is `{name}@{newest}`")


class DraftUnknown(NotFound):
    """There is no draft to read or to publish."""

    code, title = "rulebook.draft_unknown", "no such draft"

    def __init__(self, name: str) -> None:
        super().__init__(f"there is no draft of `{shorten(name)}`", f"put one at /v1/rulebooks/{shorten(name)}/draft")


class MachineUnknown(NotFound):
    """No machine of this id is kept."""

    code, title = "machine.unknown", "no such machine"

    def __init__(self, id: str, near: Sequence[str] = ()) -> None:
        remedy = f"did you mean {or_list(near)}?" if near else "list them at /v1/machines, or put it at /v1/machines/ID"
        super().__init__(f"no machine is called `{shorten(id)}`", remedy)


class AtOdds(Refusal):
    status = 409


class DraftChanged(AtOdds):
    """The draft is no longer the one that the sender had seen."""

    code, title = "rulebook.draft_changed", "the draft has changed meanwhile"
    status = 412

    def __init__(self, name: str, seen: int, now: int) -> None:
        super().__init__(f"the draft of `{name}` is at revision {now}, not {seen}", "read the draft again and repeat the change on it")


class VersionTaken(AtOdds):
    """Two publications of one name at the same moment."""

    code, title = "rulebook.version_taken", "somebody else published at the same moment"

    def __init__(self, name: str, version: int) -> None:
        super().__init__(f"`{name}` already has a version {version}, and a published version is never changed", "publish again")


class MachineTaken(AtOdds):
    """Two callers added a machine of the same id at the same moment."""

    code, title = "machine.taken", "somebody else added this machine at the same moment"

    def __init__(self, id: str) -> None:
        super().__init__(f"the machine `{shorten(id)}` is there already", "read it, and send the change again")


class RequestInFlight(AtOdds):
    """A request with the same `Idempotency-Key` is being worked on."""

    code, title = "request.in_flight", "the same request is being worked on"

    def __init__(self, key: str) -> None:
        super().__init__(f"a request with the key `{shorten(key)}` is not finished yet", "send it again in a moment")


class TooLarge(Refusal):
    """More than is taken at once."""

    code, status, title = "request.too_large", 413, "too large"

    def __init__(self, what: str, most: int, unit: str) -> None:
        super().__init__(f"{what} may hold at most {most:,} {unit}", "send less at once")


class DoesNotFit(Refusal):
    status = 422


class KeyReused(DoesNotFit):
    """The `Idempotency-Key` belongs to another request."""

    code, title = "request.key_reused", "this key was sent with another request"

    def __init__(self, key: str) -> None:
        super().__init__(f"the key `{shorten(key)}` was sent before, with another address or body", "make a new key for every new request")


class ReferenceMalformed(DoesNotFit):
    """What names a rulebook has none of the forms that it may have."""

    code, title = "rulebook.reference_malformed", "this does not name a rulebook"

    def __init__(self, reference: str, path: str = pointer("rulebook")) -> None:
        remedy = 'write "name", "name@3" or "sha256:" and 64 hex digits, or send the whole document'
        super().__init__(
            f"`{shorten(reference)}` does not name a rulebook",
            remedy,
            [Finding(self.code, f"`{shorten(reference)}` does not name a rulebook", remedy, path=path)],
        )


class NameDiffers(DoesNotFit):
    """A document was put under another name than its own."""

    code, title = "rulebook.name_differs", "the document has another name"

    def __init__(self, asked: str, own: str) -> None:
        super().__init__(
            f"the document calls itself `{shorten(own)}`, and the address says `{shorten(asked)}`",
            f"write `rulebook: {shorten(asked)}`, or send it to /v1/rulebooks/{shorten(own)}",
            [Finding(self.code, f"the address says `{shorten(asked)}`", f"write `rulebook: {shorten(asked)}`", path=pointer("rulebook"))],
        )


class RulebookHasErrors(DoesNotFit):
    """A rulebook that does not pass its check answers nothing and is not published."""

    code, title = "rulebook.has_errors", "the rulebook has errors"

    def __init__(self, name: str, findings: Sequence[Finding]) -> None:
        errors = sum(f.severity == "error" for f in findings)
        some = "1 error" if errors == 1 else f"{errors} errors"
        called = f"rulebook `{shorten(name)}`" if name else "the rulebook"
        super().__init__(f"{called} has {some}", "mend what the findings name; `check` shows them without storing anything", findings)


class QuestionDoesNotFit(DoesNotFit):
    """The question names something that its rulebook does not declare, or can't be computed as it was put."""

    code, title = "question.does_not_fit", "the question does not fit its rulebook"

    def __init__(self, findings: Sequence[Finding]) -> None:
        first = findings[0]
        more = f" (and {len(findings) - 1} more)" if len(findings) > 1 else ""
        super().__init__(first.message + more, first.mend, findings)


def shorten(text: str, most: int = 80) -> str:
    """A sender's words as they may stand in a message: one line, not too long, nothing that moves a terminal's cursor."""
    plain = "".join(c if c.isprintable() else " " for c in text[: most + 1])
    return plain if len(plain) <= most else plain[: most - 1] + "…"


def leaves(of: type[Refusal] = Refusal) -> tuple[type[Refusal], ...]:
    """Every refusal that can be raised: for the catalogue, and for the test that each has its code."""
    below = [leaf for sub in of.__subclasses__() for leaf in leaves(sub)]
    return tuple(below) if below else (of,)
