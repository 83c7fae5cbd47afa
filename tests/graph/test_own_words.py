"""Refusals in the words of GraphQL: no address of REST is named there, no member as REST writes it; and REST's own words stay."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import fieldworthy
from fieldworthy.core.base.finding import Finding
from fieldworthy.graph.own_words import code_of, spoken, spoken_problem
from fieldworthy.graph.schema import make_schema
from fieldworthy.graph.shapes import Spoken, member
from fieldworthy.usecases.feed_refusals import FeedUnknown, TooManyFeeds
from fieldworthy.usecases.listener_refusals import DeliveryUnknown, ListenerTaken, ListenerUnknown
from fieldworthy.usecases.listener_refusals import TestsTooMany as TooManyTests
from fieldworthy.usecases.once_refusals import ShownOnce
from fieldworthy.usecases.refusals import (
    AsideUnknown,
    DraftUnknown,
    KeyReused,
    MachineNotYetKept,
    MachineUnknown,
    NameDiffers,
    RecordUnknown,
    Refusal,
    RequestInFlight,
    RulebookHasErrors,
    RulebookUnknown,
    WorkClosed,
    WorkUnknown,
)
from fieldworthy.wire.problems import of_refusal

SOURCES = Path(fieldworthy.__file__).parent
KEY = "0" * 40

TEXTS_ELSEWHERE = {
    "usecases/tell.py",  # mails
    "wire/calendar.py",  # calendars
    "wire/feed_shapes.py",  # the form of a link
    "wire/catalogue.py",  # pages about problems, and ways out of what never comes to GraphQL
}
IN_PARTS = {f"/v1/machines/{KEY}/{KEY}", f"/v1/machines/{KEY}/done/{KEY}"}
"""Addresses that are put into another text: of `RecordUnknown` and `WorkClosed`, whose whole texts are below."""


def texts(path: Path) -> Iterator[str]:
    """Every text of a module but its docstrings, as it may be said: what is put into one is a key."""
    inside: set[int] = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            inside.add(id(node.value))
        elif isinstance(node, ast.JoinedStr):
            inside |= {id(part) for part in node.values}
            yield "".join(str(part.value) if isinstance(part, ast.Constant) else KEY for part in node.values)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in inside:
            yield node.value


def test_no_way_out_names_an_address_that_graphql_does_not_know() -> None:
    make_schema()
    found: list[str] = []
    for room in ("core", "usecases", "wire"):
        for path in sorted((SOURCES / room).rglob("*.py")):
            name = path.relative_to(SOURCES).as_posix()
            if name not in TEXTS_ELSEWHERE:
                found += [text for text in texts(path) if "/v1/" in text and text not in IN_PARTS]
    assert len(found) > 15
    assert [text for text in found if "/v1/" in spoken(text)] == []


@pytest.mark.parametrize(
    ("refusal", "detail", "mend"),
    [
        (RulebookUnknown("x"), None, "list the names (`rulebooks`), or send the document itself as `rulebook`"),
        (DraftUnknown("x"), None, "put one (`putDraft`)"),
        (MachineUnknown("x"), None, "list them (`machines`), or put it (`putMachine`)"),
        (MachineUnknown("/v1/machines"), "no machine is called `/v1/machines`", "list them (`machines`), or put it (`putMachine`)"),
        (MachineNotYetKept("x", "T"), None, "ask as of a later moment, or leave `asOf` out"),
        (WorkUnknown("x", "y"), None, "no work is open on it; open one (`openWork`)"),
        (AsideUnknown("x"), None, "list them (`setAside`)"),
        (RecordUnknown("a b", "done", "c"), None, "list what there is (`doneRecords`)"),
        (RecordUnknown("a", "meter-replacements", "c"), None, "list what there is (`meterReplacements`)"),
        (RecordUnknown("a", "found", "c d", "T"), None, "its states are in `foundStates`"),
        (
            WorkClosed("w", "T", "/v1/machines/a/done/w"),
            None,
            "this says of it otherwise than its done record: correct that one (`putDone`)",
        ),
        (RequestInFlight(), "a request with the same `idempotencyKey` is not finished yet", "send it again in a moment"),
        (
            KeyReused(),
            "this `idempotencyKey` was sent before, with another mutation or other arguments",
            "make a new key for every new request",
        ),
        (
            NameDiffers("a", "b"),
            "the document calls itself `b`, and the argument says `a`",
            "write `rulebook: a`, or send it under its own name (`putDraft`)",
        ),
        (FeedUnknown("x"), None, "`feeds` lists them with their ids"),
        (TooManyFeeds(3), None, "revoke one that is used no longer: `revokeFeed`"),
        (ListenerUnknown("x"), None, "list them (`listeners`)"),
        (ListenerTaken("x"), None, "change that listener (`putListener`), or take another id"),
        (DeliveryUnknown("x"), None, "list them (`deliveries`); old ones are forgotten after a while"),
        (TooManyTests("x", 10, "T"), None, "send the next one from T on; `deliveries` says what became of those"),
        (
            ShownOnce("made the link", "x", "m"),
            "a request with this `idempotencyKey` made the link `x`; its secret was shown in that answer and is shown once",
            "m",
        ),
    ],
    ids=lambda each: each.code if isinstance(each, Refusal) else "",
)
def test_what_a_refusal_says(refusal: Refusal, detail: str | None, mend: str) -> None:
    make_schema()
    rest = of_refusal(refusal)
    told = spoken_problem(rest)
    assert (told["detail"], told["mend"]) == (detail or refusal.detail, mend)
    assert {**told, "detail": "", "mend": "", "errors": []} == {**rest, "detail": "", "mend": "", "errors": []}
    assert (rest["detail"], rest["mend"]) == (refusal.detail, refusal.remedy)  # REST's stay as they are
    assert spoken_problem(told) == told


SAID = (
    f"if the reading of T is wrong, accept the one of 3 h at T, which was set aside, at /v1/set-aside/{KEY}/accept, without "
    "`replaced_meter`: that withdraws what contradicts it"
)
SPOKEN = (
    f'if the reading of T is wrong, accept the one of 3 h at T, which was set aside (`acceptSetAside(id: "{KEY}")`), without '
    "`replacedMeter`: that withdraws what contradicts it"
)
SEND = (
    "send the right one for that moment to /v1/readings and accept it at /v1/set-aside/ID/accept first: its ID stands in that answer and "
    "in /v1/set-aside?machine=a%20b"
)
SENT = (
    "send the right one for that moment (`keepReadings`) and accept it (`acceptSetAside`) first: its id stands in that answer and in "
    "`setAside`"
)
NOTHING = "no word of `an_author` changes, nor `POST /v1/else` of theirs"


OF_SOMEBODY = "no rulebook is called `the address says`"
TOO_LONG = f"{'at length, ' * 200}{SEND}"


@pytest.mark.parametrize(
    ("said", "spoken_so"), [(SAID, SPOKEN), (SEND, SENT), (NOTHING, NOTHING), (OF_SOMEBODY, OF_SOMEBODY), (TOO_LONG, TOO_LONG)]
)
def test_what_a_text_says(said: str, spoken_so: str) -> None:
    make_schema()
    assert spoken(said) == spoken_so


def test_a_problem_says_the_same_as_data_and_as_an_error() -> None:
    make_schema()
    told = {"code": "request.does_not_fit", "errors": [{"code": "rulebook.example"}], "mend": "leave `working_days` out"}
    said = member("mend", str, of=Spoken).get_result(told, None, [], {})
    assert said == spoken(told["mend"], code_of(told)) == told["mend"]
    assert spoken(told["mend"], told["code"]) == "leave `workingDays` out"


def test_what_is_said_of_a_rulebooks_document_names_its_members_as_they_are_in_it() -> None:
    make_schema()
    found = Finding("rulebook.example", "`working_days` of the example", "leave `working_days` out")
    (told,) = spoken_problem(of_refusal(RulebookHasErrors("x", [found])))["errors"]
    assert told["mend"] == "leave `working_days` out"
