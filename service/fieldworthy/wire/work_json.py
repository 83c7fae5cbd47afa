"""Open work, as it is asked and answered."""

from collections.abc import Iterable
from datetime import UTC
from typing import Any

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.core.base.micros import micros_of, micros_text
from fieldworthy.usecases.open_work import Work
from fieldworthy.usecases.work_changes import Change
from fieldworthy.usecases.work_deeds import Deed
from fieldworthy.wire.scalars import instant


def moment_of(given: Any, member: str) -> int | None:
    """A moment of a request [microseconds]; None where it says none. Raises Refused."""
    if member not in given:
        return None
    try:
        return micros_of(instant(given[member], "/" + member).astimezone(UTC))  # which there may be none of at the end of time
    except OverflowError:
        raise Refused([Finding("time.unreadable", "there is no such time in UTC", "give a time that exists", path="/" + member)]) from None


def work_json(work: Work | None) -> dict[str, Any] | None:
    """A piece of work."""
    if work is None:
        return None
    told = work.to_json()
    if told["closed"] is not None:
        told["closed"] = {"why": None, "leave": None, **told["closed"]}
    return told


def said_json(deed: Deed) -> Any:
    """What was answered with a deed; None where nothing was."""
    return None if deed.answer is None else deed.answer.to_json()


def opened_json(deed: Deed) -> dict[str, Any]:
    """What came of opening work."""
    return {"opened": deed.done, "work": work_json(deed.work), "clearance": said_json(deed), "overtaken": overtaken_json(deed.overtaken)}


def stepped_json(deed: Deed) -> dict[str, Any]:
    """What came of a step."""
    return {"so": deed.done, "work": work_json(deed.work), "procedure": said_json(deed), "overtaken": overtaken_json(deed.overtaken)}


def overtaken_json(changes: Iterable[Change]) -> list[dict[str, Any]]:
    """Facts that other work changed after they were reported."""
    return [{"fact": c.fact, "work": c.work, "by": c.by, "at": micros_text(c.at)} for c in changes]
