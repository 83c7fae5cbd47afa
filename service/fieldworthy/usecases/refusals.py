"""Requests that are refused. Every leaf has a stable code, a status, a title (the cause) and a remedy.

    Refusal
    ├── NoKey 401                                             (usecases.key_refusals)
    │   ├── KeyMissing               key.missing
    │   ├── KeyRefused               key.refused
    │   ├── KeyEnded                 key.ended
    │   ├── TokenRefused             token.refused
    │   └── TokenEnded               token.ended
    ├── TokenOrganisationUnknown 403 token.organisation_unknown
    ├── ScopeMissing 403             key.scope_missing
    ├── FromElsewhere 403            request.from_elsewhere
    ├── Throttled 429                                         (usecases.key_refusals)
    │   ├── QuotaExceeded            quota.exceeded
    │   └── TooManyWrongKeys         key.too_many_wrong
    ├── NotFound 404
    │   ├── KeyUnknown, OrganisationUnknown    key.unknown, organisation.unknown
    │   ├── FeedUnknown              feed.unknown        (usecases.feed_refusals)
    │   ├── RulebookUnknown          rulebook.unknown
    │   ├── VersionUnknown           rulebook.version_unknown
    │   ├── DraftUnknown, WorkUnknown          rulebook.draft_unknown, work.unknown
    │   ├── MachineUnknown           machine.unknown
    │   ├── AsideUnknown             set_aside.unknown
    │   ├── RecordUnknown            record.unknown
    │   ├── MachineNotYetKept        machine.not_yet_kept
    │   └── ListenerUnknown, DeliveryUnknown   listener.unknown, delivery.unknown   (usecases.listener_refusals)
    ├── AtOdds 409
    │   ├── DraftChanged             rulebook.draft_changed   (412: the sender's own condition failed)
    │   ├── VersionTaken             rulebook.version_taken
    │   ├── MeterUnitChanged         rulebook.meter_unit_changed   (carries the findings)
    │   ├── MachineTaken             machine.taken
    │   ├── MachineChanged           machine.changed          (412)
    │   ├── RecordChanged            record.changed           (412)
    │   ├── RecordTaken              record.taken
    │   ├── WorkTaken                work.taken
    │   ├── WorkClosed               work.closed
    │   ├── WorkOfAnother            work.of_another
    │   ├── StepOutOfOrder, StepBegun          work.step_out_of_order, work.step_begun
    │   ├── AsideSettled, AsideUnacceptable    set_aside.settled, set_aside.unacceptable
    │   ├── TooManyFeeds             feed.too_many       (usecases.feed_refusals)
    │   ├── ListenerChanged          listener.changed         (412)
    │   ├── ListenerNotOn, ListenerTaken       listener.not_on, listener.taken
    │   ├── ListenersTooMany, TestsTooMany, NoSecret    listener.too_many, listener.tests_too_many, listener.no_secret
    │   └── RequestInFlight, ShownOnce         request.in_flight, request.shown_once   (usecases.once_refusals)
    ├── TooLarge 413                 request.too_large
    └── DoesNotFit 422
        ├── KeyImpossible            key.impossible
        ├── KeyReused                request.key_reused
        ├── ListenerRefused          listener.does_not_fit    (carries the finding)
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
    retry_after: int | None = None  # whole s after which it is worth another try, where that is known

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


class WorkUnknown(NotFound):
    """No work of this id is kept on the machine."""

    code, title = "work.unknown", "no such work"

    def __init__(self, machine: str, work: str, is_open: Sequence[str] = ()) -> None:
        remedy = f"open on it is {or_list(is_open)}" if is_open else "no work is open on it; open one at its `open-work`"
        super().__init__(f"`{shorten(machine)}` has no work `{shorten(work)}`", remedy)


class MachineNotYetKept(NotFound):
    """The machine was put in later than the moment that is asked about."""

    code, title = "machine.not_yet_kept", "no such machine at that moment"

    def __init__(self, id: str, as_of: str) -> None:
        super().__init__(f"nothing was kept of the machine `{shorten(id)}` as of {as_of}", "ask as of a later moment, or leave `as_of` out")


class AsideUnknown(NotFound):
    """No reading was set aside under this id."""

    code, title = "set_aside.unknown", "no such reading set aside"

    def __init__(self, key: str) -> None:
        super().__init__(f"no reading is set aside as `{shorten(key)}`", "list them at /v1/set-aside")


class RecordUnknown(NotFound):
    """Nothing of this kind and id was told of the machine, or it was withdrawn."""

    code, title = "record.unknown", "no such record"

    def __init__(self, machine: str, room: str, id: str, withdrawn: str | None = None) -> None:
        """room: the part of the address, `done`; withdrawn: since when."""
        address = f"/v1/machines/{shorten(machine)}/{room}"
        if withdrawn is not None:
            detail, remedy = f"`{shorten(id)}` was withdrawn at {withdrawn}", f"its states are at {address}/{shorten(id)}/states"
        else:
            detail, remedy = f"nothing of the id `{shorten(id)}` is kept there", f"list what there is at {address}"
        super().__init__(detail, remedy)


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


class MeterUnitChanged(AtOdds):
    """A version would count a meter in another unit than an earlier one: numbers that are kept without a unit would be read in that."""

    code, title = "rulebook.meter_unit_changed", "a meter would count in another unit"

    def __init__(self, findings: Sequence[Finding]) -> None:
        super().__init__(*_first_of(findings), findings)


class MachineTaken(AtOdds):
    """Two callers added a machine of the same id at the same moment."""

    code, title = "machine.taken", "somebody else added this machine at the same moment"

    def __init__(self, id: str) -> None:
        super().__init__(f"the machine `{shorten(id)}` is there already", "read it, and send the change again")


class MachineChanged(AtOdds):
    """The machine's document is no longer the one that the sender had seen."""

    code, title = "machine.changed", "the machine has changed meanwhile"
    status = 412

    def __init__(self, id: str, revision: int | None) -> None:
        now = "is not kept" if revision is None else f"is at revision {revision}"
        super().__init__(f"the machine `{shorten(id)}` {now}", "read it again and repeat the change on it")


class RecordChanged(AtOdds):
    """The record is no longer the one that the sender had seen."""

    code, title = "record.changed", "the record has changed meanwhile"
    status = 412

    def __init__(self, id: str, known: str | None) -> None:
        now = "is not kept" if known is None else f"is known since {known} as it stands"
        super().__init__(f"the record `{shorten(id)}` {now}", "read it again and repeat the change on it")


class RecordTaken(AtOdds):
    """A done record has the id that the record of this work needs, and was made by something else."""

    code, title = "record.taken", "this id belongs to another record"

    def __init__(self, record: str, remedy: str) -> None:
        super().__init__(f"a done record `{shorten(record)}` is there already, and is not of this work", remedy)


class WorkTaken(AtOdds):
    """The id of the work belongs to another one already."""

    code, title = "work.taken", "this id belongs to other work"

    def __init__(self, work: str, task: str) -> None:
        super().__init__(f"the work `{shorten(work)}` is there already, for the task `{shorten(task)}`", "choose another id for new work")


class WorkClosed(AtOdds):
    """The work is closed: nothing more is done in it."""

    code, title = "work.closed", "the work is closed"

    def __init__(self, work: str, at: str, record: str | None = None) -> None:
        """record: the address of its done record, where another one was told."""
        remedy = "open new work for what is still to be done"
        if record is not None:
            remedy = f"this says of it otherwise than its done record: correct that one at {shorten(record, 300)}"
        super().__init__(f"the work `{shorten(work)}` was closed at {at}", remedy)


class WorkOfAnother(AtOdds):
    """The work, lock or cover is in somebody else's hands."""

    code, title = "work.of_another", "it is in somebody else's hands"

    def __init__(self, what: str, whose: str) -> None:
        super().__init__(f"{what} is in the hands of `{shorten(whose)}`", "let them do it, or hand it over with a name and a reason first")


class StepOutOfOrder(AtOdds):
    """The steps of a task are done in their order."""

    code, title = "work.step_out_of_order", "this step is not the next one"

    def __init__(self, work: str, asked: int, following: int | None) -> None:
        remedy = "all its steps are done: close it" if following is None else f"its next step is {following}"
        super().__init__(f"step {asked} is not the next one of the work `{shorten(work)}`", remedy)


class StepBegun(AtOdds):
    """Somebody is in the middle of a step: only they know where it stands, and where they are."""

    code, title = "work.step_begun", "a step is begun and not done"

    def __init__(self, work: str, step: int, by: str) -> None:
        super().__init__(
            f"`{shorten(by)}` has begun step {step} of the work `{shorten(work)}`",
            "let them say that the step is done and report where they are, or close the work, before it is handed over",
        )


class AsideSettled(AtOdds):
    """A reading that was set aside is settled once, and was settled otherwise."""

    code, title = "set_aside.settled", "it was settled otherwise"

    def __init__(self, deed: str, by: str | None) -> None:
        whose = f" by `{shorten(by)}`" if by is not None else ""
        super().__init__(f"this reading was {deed} already{whose}", "to change what is kept, send the right reading, and accept that one")


class AsideUnacceptable(AtOdds):
    """A reading that was set aside can't be kept as it is accepted."""

    code, title = "set_aside.unacceptable", "it can't be kept like that"


class RequestInFlight(AtOdds):
    """A request with the same `Idempotency-Key` is being worked on."""

    code, title = "request.in_flight", "the same request is being worked on"

    def __init__(self) -> None:
        super().__init__("a request with the same `Idempotency-Key` is not finished yet", "send it again in a moment")


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

    def __init__(self) -> None:
        super().__init__("this `Idempotency-Key` was sent before, with another address or body", "make a new key for every new request")


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
        super().__init__(*_first_of(findings), findings)


def _first_of(findings: Sequence[Finding]) -> tuple[str, str]:
    """What is wrong with the first, and how many more there are; and how to mend the first."""
    more = f" (and {len(findings) - 1} more)" if len(findings) > 1 else ""
    return findings[0].message + more, findings[0].mend


def shorten(text: str, most: int = 80) -> str:
    """A sender's words as they may stand in a message: one line, not too long, nothing that moves a terminal's cursor."""
    plain = "".join(c if c.isprintable() else " " for c in text[: most + 1])
    return plain if len(plain) <= most else plain[: most - 1] + "…"


def leaves(of: type[Refusal] = Refusal) -> tuple[type[Refusal], ...]:
    """Every refusal that can be raised: for the catalogue, and for the test that each has its code."""
    below = [leaf for sub in of.__subclasses__() for leaf in leaves(sub)]
    return tuple(below) if below else (of,)
