"""The kinds of things that are told of a machine, and how each is checked against the machine's rulebook by the core's own readers."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from fieldworthy.core.answer.due import read_due_question
from fieldworthy.core.answer.evidence import Evidence, check_evidence
from fieldworthy.core.answer.reader import Reader, read_quantity
from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.core.base.micros import micros_of, micros_text
from fieldworthy.core.base.names import key
from fieldworthy.core.rulebook.model import CheckedRulebook
from fieldworthy.usecases.assemble import ROOMS
from fieldworthy.usecases.find_rulebook import Found
from fieldworthy.usecases.kept import MOST_ABOUT
from fieldworthy.usecases.old_history import Days
from fieldworthy.usecases.work_versions import unfit_reports

Json = Mapping[str, Any]

MOST_FINDINGS = 100

_AT_SOME_TIME = "1970-01-01T00:00:00Z"  # stands in where old history says no time, while its names are checked


@dataclass(frozen=True, slots=True)
class Kind:
    """path: the part of the address; entry: the kind of the store; named_by: the member that says what it speaks of; when: its time."""

    path: str
    entry: str
    named_by: str
    when: str = "at"

    def about(self, body: Json) -> str:
        """What it speaks of, in the key form; empty where it names nothing."""
        return key(body.get(self.named_by, ""))[:MOST_ABOUT]

    def at(self, body: Json, days: Days) -> int:
        """When it happened [microseconds]; of a day: its beginning at the site; 0 where it is not said. Its time was read before."""
        if self.when == "at" and body.get("at") is None and body.get("on") is None:
            return 0
        return micros_of(days.when({"at": body[self.when]} if self.when in body else body))

    def when_member(self, body: Json) -> str:
        """The member that says when."""
        return self.when if self.when in body else "on"


KINDS: Mapping[str, Kind] = {
    kind.path: kind
    for kind in (
        Kind("done", "done", "task"),
        Kind("working-conditions", "working-condition", "condition", when="from"),
        Kind("occurrences", "occurrence", "occurrence"),
        Kind("evidence", "evidence", "fact"),
        Kind("found", "found", "task"),
        Kind("deferrals", "deferral", "task"),
        Kind("meter-replacements", "meter-replacement", "meter"),
    )
}
"""By the part of the address."""

FOUND, CONDITION = "found", "working-condition"

SETTLED = "settled"
"""A member of a finding that the store adds when it is settled; who told it does not send it, and a correction leaves it."""


@dataclass(frozen=True, slots=True)
class Checking:
    """
    What a check needs beside what was told. moment: now [microseconds]; ahead: how much later a time may be; reports: reads evidence;
    readers: the versions of which one must have a place for a report; none: `book` alone.
    """

    book: CheckedRulebook
    document: Json
    moment: int
    ahead: int
    reports: Callable[[Sequence[Json]], Sequence[Evidence]]
    readers: Sequence[Found] = ()

    @property
    def days(self) -> Days:
        return Days.of(self.document, self.book)


def check_told(checking: Checking, kind: Kind, told: Sequence[tuple[Json, str]], beside: Sequence[Json] = ()) -> Sequence[Finding]:
    """
    What can't be kept of these, with places. told: each body with the pointer to it. beside: kept ones that these must agree with.
    """
    bodies = [body for body, _ in told]
    if kind.entry == "evidence":
        found = list(_check_reports(checking, bodies))
    elif kind.entry == FOUND:
        found = list(_check_found(checking, bodies))
    else:
        found = list(_check_by_question(checking, kind, bodies, beside))
    if not found:
        found = list(_from_the_future(checking, kind, bodies))
    placed = [(i, finding) for i, finding in found if i >= 0]
    return [replace(finding, path=told[i][1] + finding.path) for i, finding in placed[:MOST_FINDINGS]]


Placed = Iterator[tuple[int, Finding]]
"""Which of the bodies, and what was found in it, with its place there."""


def _check_by_question(checking: Checking, kind: Kind, bodies: Sequence[Json], beside: Sequence[Json]) -> Placed:
    room = ROOMS[kind.entry]
    machine = {member: checking.document[member] for member in ("timezone", "day_starts") if member in checking.document}
    asked = [*beside, *(_with_some_time(kind, body) for body in bodies)]
    try:
        read_due_question(checking.book, {"now": micros_text(checking.moment), "machine": {**machine, room: asked}})
    except Refused as refused:
        yield from _by_index(refused, f"/machine/{room}/", len(beside))


def _with_some_time(kind: Kind, body: Json) -> Json:
    timeless = kind.entry == "done" and body.get("meters") and body.get("at") is None and body.get("on") is None
    return {**body, "at": _AT_SOME_TIME} if timeless else body


def _by_index(refused: Refused, before: str, skip: int = 0) -> Placed:
    """Findings of a list by their index in it; skip: so many first ones are none of the sender's (their index is below 0)."""
    for finding in refused.findings:
        index, slash, rest = finding.path.removeprefix(before).partition("/")
        assert index.isdigit(), finding.path  # what the question says beside the list was read before
        yield int(index) - skip, replace(finding, path=slash + rest)


def _check_reports(checking: Checking, bodies: Sequence[Json]) -> Placed:
    try:
        reports = checking.reports(bodies)
        if checking.readers:
            findings = unfit_reports(checking.readers, reports)
        else:
            findings = check_evidence(checking.book.vocabulary.facts, reports)
        if findings:
            raise Refused(findings)
    except Refused as refused:
        yield from _by_index(refused, "/evidence/")
        return
    reader = Reader(checking.book)
    try:
        for i, body in enumerate(bodies):
            reader.instant(body["at"], f"/{i}/at")
        reader.done()
    except Refused as refused:
        yield from _by_index(refused, "/")


def _check_found(checking: Checking, bodies: Sequence[Json]) -> Placed:
    reader = Reader(checking.book)
    try:
        for i, body in enumerate(bodies):
            if ("at" in body) is ("on" in body):
                reader.fault("question.when", "exactly one of `at` and `on` says when it was", "send one of them", f"/{i}")
            if "at" in body:
                reader.instant(body["at"], f"/{i}/at")
            if "on" in body:
                reader.day(body["on"], f"/{i}/on")
            for member in ("task", "then"):
                if member in body:
                    reader.known(body[member], checking.book.tasks, "task", f"/{i}/{member}")
            if "within" in body:
                read_quantity(body["within"], reader, f"/{i}/within")
                if "then" not in body:
                    reader.fault("question.within", "`within` says how soon, and nothing says what", "name the task in `then`", f"/{i}")
        reader.done()
    except Refused as refused:
        yield from _by_index(refused, "/")


def _from_the_future(checking: Checking, kind: Kind, bodies: Sequence[Json]) -> Placed:
    days, latest = checking.days, checking.moment + checking.ahead
    for i, body in enumerate(bodies):
        if kind.at(body, days) > latest:
            member = kind.when_member(body)
            message = f"`{body[member]}` is later than now"
            mend = "tell what has happened, when it has; or set the clock right that gave the time"
            yield i, Finding("question.from_the_future", message, mend, path=f"/{member}")


def same(kind: Kind, kept: Any, told: Json) -> bool:
    """Whether a kept body says the same as what is told."""
    if kind.entry == FOUND and isinstance(kept, dict):
        return {k: v for k, v in kept.items() if k != SETTLED} == told
    return bool(kept == told)
