"""What is sent again, when, and what is not: against a real server that answers as it is told."""

import json
import socket
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest

from fieldworthy.client import (
    Conflict,
    Failed,
    FieldworthyError,
    NotAllowed,
    NotFound,
    PreconditionFailed,
    Refused,
    Retries,
    Unavailable,
)
from fieldworthy.client.bulk import MOST_BYTES
from fieldworthy.client.retries import retry_after
from tests.client.both import Both, Time
from tests.client.scripted import Answer, Asked, problem, scripted

NOW = datetime(2026, 7, 14, 6, 0, tzinfo=UTC)
QUESTION = {"rulebook": "r", "now": "2026-07-14T06:00:00Z", "machine": {}}
SECRET = "fw_never-shown-4711"


@pytest.mark.parametrize(
    ("headers", "wanted"),
    [
        ({}, None),
        ({"retry-after": "7"}, 7),
        ({"retry-after": " 0 "}, 0),
        ({"retry-after": "-1"}, None),
        ({"retry-after": "1.5"}, None),  # RFC 9110, 10.2.3: whole seconds
        ({"retry-after": "soon"}, None),
        ({"retry-after": "99999999999999999999"}, None),
        ({"retry-after": "Tue, 14 Jul 2026 06:00:09 GMT"}, 9),
        ({"retry-after": "Tue, 14 Jul 2026 05:00:00 GMT"}, 0),
        ({"retry-after": "Tuesday, 14-Jul-26 06:00:09 GMT"}, 9),  # the obsolete form of RFC 9110, 5.6.7, is read too
        ({"retry-after": "Tue, 14 Jul 2026 09:30:05 GMT", "date": "Tue, 14 Jul 2026 09:30:00 GMT"}, 5),  # its clock, not ours
    ],
)
def test_retry_after_is_read(headers: dict[str, str], wanted: float | None) -> None:
    assert retry_after(headers, NOW) == wanted


def test_the_backoff_doubles_to_its_longest_and_all_of_it_is_chance() -> None:
    retries = Retries(first=0.5, longest=4)
    assert [retries.pause(n, 1.0, None) for n in range(1, 6)] == [0.5, 1, 2, 4, 4]
    assert [retries.pause(n, 0.0, None) for n in range(1, 6)] == [0] * 5
    assert retries.pause(3, 0.5, 10) == 11
    assert retries.pause(10_000, 1.0, None) == 4


@pytest.mark.parametrize(
    ("answers", "waits"),
    [
        ([], []),
        ([problem(429, retry_after="3")], [3.25]),
        ([problem(503, retry_after="Tue, 14 Jul 2026 06:00:09 GMT")], [9.25]),
        ([problem(503, retry_after="Tue, 14 Jul 2026 09:00:09 GMT", date="Tue, 14 Jul 2026 09:00:00 GMT")], [9.25]),
        ([problem(408, "request.too_slow", connection="close")], [0.25]),  # RFC 9110, 15.5.9: on another connection
        ([problem(503), problem(502), problem(504), problem(429)], [0.25, 0.5, 1, 2]),
        ([Answer(503, b"<html>busy</html>", {"content-type": "text/html"})], [0.25]),
        ([Answer(0), Answer(0)], [0.25, 0.5]),
        ([Answer(200, {"tasks": []}, cut=3)], [0.25]),  # the answer broke off
    ],
)
def test_what_may_be_repeated_is_sent_again(both: Both, answers: list[Answer], waits: list[float]) -> None:
    with scripted(*answers, Answer(200, {"tasks": []})) as server:
        time = Time()
        assert both(server.url, "due", QUESTION, time=time) == {"tasks": []}
        assert time.waits == waits
        assert len(server.asked) == len(waits) + 1
        assert {a.body for a in server.asked} == {json.dumps(QUESTION, separators=(",", ":")).encode()}


RECORD = {"task": "grease", "at": "2026-07-14T06:00:00Z"}
READING = {"machine": "m", "meter": "work", "value": 1, "at": "2026-07-14T06:00:00Z"}
KEPT = {"kept": 1, "same": 0, "set_aside": 0, "readings": ["kept"], "aside": []}


@pytest.mark.parametrize(
    ("method", "args", "answer"),
    [
        ("put_machine", ("m", {"rulebook": "r"}), {}),
        ("post_machines", ([],), {}),
        ("done.put", ("m", "g", RECORD), {}),
        ("done.post", ("m", []), {}),
        ("done.withdraw", ("m", "g"), {}),
        ("post_readings", ([READING],), KEPT),
        ("post_reading_list", ([READING],), KEPT),
        ("post_telematics", ("<Fleet/>",), {}),
    ],
)
def test_a_change_has_one_key_at_each_try_and_another_the_next_time(both: Both, method: str, args: Any, answer: Any) -> None:
    with scripted(Answer(0), problem(503), problem(409, "request.in_flight"), *[Answer(200, answer)] * 2) as server:
        both(server.url, method, *args, time=Time())
        both(server.url, method, *args, time=Time())
        *first, second = [a.key for a in server.asked]
        assert len(first) == 4
        assert len(set(first)) == 1
        assert first[0]
        assert second not in (None, first[0])
        assert len({a.body for a in server.asked}) == 1


def test_a_change_that_can_not_be_told_from_its_repetition_is_sent_once(both: Both) -> None:
    with scripted(problem(503), Answer(0), Answer(200, {})) as server:
        for condition in ({"if_match": '"3"'}, {"if_new": True}):
            with pytest.raises(Unavailable):
                both(server.url, "put_draft", "r", "rulebook: r", time=Time(), **condition)
        assert len(server.asked) == 2
        both(server.url, "put_draft", "r", "rulebook: r", time=Time())


def test_it_gives_up_in_time(both: Both) -> None:
    with scripted() as server:
        server.rest = lambda asked: problem(503)
        time = Time()
        with pytest.raises(Unavailable):
            both(server.url, "due", QUESTION, time=time, client={"retries": Retries(within=10)})
        assert time.waits == [0.25, 0.5, 1, 2, 4]  # the next one would be 8 s: 15.75 s in all
        server.rest = lambda asked: problem(429, retry_after="3600")
        time = Time()
        with pytest.raises(Unavailable):
            both(server.url, "due", QUESTION, time=time)
        assert time.waits == []


@pytest.mark.parametrize(
    ("status", "code", "kind"),
    [
        (400, "body.unreadable", Refused),
        (401, "key.missing", NotAllowed),
        (403, "key.scope", NotAllowed),
        (404, "machine.unknown", NotFound),
        (405, "address.method_not_allowed", Refused),
        (409, "work.closed", Conflict),
        (412, "machine.changed", PreconditionFailed),
        (413, "body.too_large", Refused),
        (415, "body.media_type", Refused),
        (422, "request.does_not_fit", Refused),
        (428, "request.condition_required", PreconditionFailed),
        (500, "service.failed", Failed),
    ],
)
def test_each_refusal_has_its_kind_and_is_not_sent_again(both: Both, status: int, code: str, kind: type[FieldworthyError]) -> None:
    with scripted(problem(status, code, retry_after="1")) as server:
        time = Time()
        with pytest.raises(kind) as told:
            both(server.url, "machine", "m", time=time)
        assert type(told.value) is kind
        assert (told.value.status, told.value.code, told.value.type) == (status, code, f"/problems/{code}")
        assert (told.value.title, told.value.detail, told.value.mend) == ("Something", "it is not so", "make it so")
        assert str(told.value) == "it is not so; make it so"
        assert time.waits == []


def test_what_is_no_answer_of_the_service_is_said(both: Both) -> None:
    redirect = Answer(302, b"", {"location": "http://127.0.0.1:9/"})
    page = Answer(200, b"<html></html>", {"content-type": "text/html"})
    with scripted(
        page, redirect, Answer(418, b"[]"), Answer(404, {"title": 7}), Answer(422, {"title": "No", "errors": [{"pointer": 7}, 7]})
    ) as server:
        for kind, words in ((Failed, "status 200"), (Failed, "leads elsewhere"), (Refused, "status 418"), (NotFound, "status 404")):
            with pytest.raises(kind, match=words) as told:
                both(server.url, "machine", "m", time=Time())
            assert told.value.problem is None
        with pytest.raises(Refused) as partly:
            both(server.url, "machine", "m", time=Time())
        assert (partly.value.title, partly.value.detail, partly.value.pointer, partly.value.code) == ("No", "No", "7", "")


def test_of_readings_that_the_answer_does_not_account_for_it_fails(both: Both) -> None:
    with scripted(Answer(200, KEPT)) as server, pytest.raises(Failed, match="of 2 readings the service told what became of 1"):
        both(server.url, "post_readings", [READING, READING], time=Time())


def test_posts_that_something_before_the_service_finds_too_large_are_halved(both: Both) -> None:
    def kept(asked: Asked) -> Answer:
        count = asked.body.count(b"\n") + 1
        if len(asked.body) > 400:
            return Answer(413, b"<html>too large</html>")
        return Answer(200, {"kept": count, "same": 0, "set_aside": 0, "readings": ["kept"] * count, "aside": []})

    readings = [{**READING, "value": n} for n in range(40)]
    with scripted() as server:
        server.rest = kept
        posted = both(server.url, "post_readings", readings, time=Time(), most=10)
        assert (posted.sent, posted.kept, posted.same, posted.set_aside) == (40, 40, 0, 0)
        taken = [a for a in server.asked if len(a.body) <= 400]
        assert [r for a in taken for r in json.loads(a.body)] == readings
        assert len({a.key for a in server.asked}) == len(server.asked)
        assert sum(len(a.body) > 400 for a in server.asked) <= 3  # it learns
        server.rest = lambda asked: Answer(413, b"")
        with pytest.raises(Refused):
            both(server.url, "post_readings", readings, time=Time())


def test_of_large_readings_no_more_is_taken_than_a_post_holds(both: Both) -> None:
    """A thousand readings of a million bytes are a thousand million; a post is cut at ten."""
    under_way = most = 0

    def readings() -> Iterator[Any]:
        nonlocal under_way, most
        for n in range(35):
            under_way += 1
            most = max(most, under_way)
            yield {**READING, "value": n, "unit": "h" * 1_000_000}

    def kept(asked: Asked) -> Answer:
        nonlocal under_way
        count = asked.body.count(b"\n") + 1
        under_way -= count
        return Answer(200, {"kept": count, "same": 0, "set_aside": 0, "readings": ["kept"] * count, "aside": []})

    with scripted() as server:
        server.rest = kept
        posted = both(server.url, "post_readings", readings(), time=Time(), skip=5)
        assert posted.sent == 35
        assert [a.body.count(b"\n") + 1 for a in server.asked] == [9, 9, 9, 3]
        assert max(len(a.body) for a in server.asked) <= MOST_BYTES
    assert most <= 5 + 9 + 1  # those that are passed over, a post, and the one that did not fit


def test_a_bulk_post_goes_on_while_it_is_limited_and_cut_off(both: Both) -> None:
    """Before every post the service is busy, or gone, or has done it already when the connection breaks; each is done once."""
    done: dict[str | None, Answer] = {}

    def busy(asked: Asked) -> Answer:
        match len(server.asked) % 4:
            case 0:
                return problem(429, "request.too_many", retry_after="2")
            case 1:
                return Answer(0)
        count = len(json.loads(asked.body))
        done.setdefault(asked.key, Answer(200, {"kept": count, "same": 0, "set_aside": 0, "readings": ["kept"] * count, "aside": []}))
        return Answer(0) if len(server.asked) % 4 == 2 else done[asked.key]

    with scripted() as server:
        server.rest = busy
        time = Time()
        posted = both(server.url, "post_readings", [{**READING, "value": n} for n in range(35)], time=time, most=10)
        assert (posted.sent, posted.kept) == (35, 35)
        assert [a.body["kept"] for a in done.values()] == [10, 10, 10, 5]
        assert sum(wait >= 2 for wait in time.waits) == sum(n % 4 == 0 for n in range(1, len(server.asked) + 1))


def test_two_posts_that_hold_the_same_are_two(both: Both) -> None:
    with scripted() as server:
        server.rest = lambda asked: Answer(200, KEPT)
        posted = both(server.url, "post_readings", [READING, READING], time=Time(), most=1)
        assert posted.kept == 2
        assert len({a.key for a in server.asked}) == 2


def test_a_run_goes_on_with_the_keys_that_it_would_have_had(both: Both) -> None:
    readings = [{**READING, "value": n} for n in range(5)]
    with scripted() as server:
        server.rest = lambda asked: Answer(200, KEPT)
        whole = both(server.url, "post_readings", readings, time=Time(), most=1, run="nightly")
        keys = [a.key for a in server.asked]
        rest = both(server.url, "post_readings", iter(readings), time=Time(), most=1, run="nightly", skip=3)
        assert [a.key for a in server.asked[5:]] == keys[3:]
        assert (whole.sent, whole.kept, rest.skipped, rest.sent, rest.kept) == (5, 5, 3, 5, 2)
        beyond = both(server.url, "post_readings", readings, time=Time(), skip=9)
        assert (beyond.sent, beyond.kept, len(server.asked)) == (9, 0, 7)


@pytest.mark.parametrize("wrong", [{"run": ""}, {"run": "two words"}, {"run": "x" * 121}, {"most": 0}, {"most": 50_001}, {"skip": -1}])
def test_a_bulk_post_that_can_not_be_is_refused_before_it_begins(both: Both, wrong: dict[str, Any]) -> None:
    with scripted() as server:
        with pytest.raises(ValueError):
            both(server.url, "post_readings", [READING], **wrong)
        assert server.asked == []


@pytest.mark.parametrize(
    ("record", "trouble"),
    [
        ({**RECORD, "at": datetime(2026, 7, 14, 6, 0)}, "has no offset"),  # noqa: DTZ001  # it is the mistake
        ({**RECORD, "meters": {"work": float("nan")}}, "not JSON compliant"),
        ({**RECORD, "at": object()}, "can't be written as JSON"),
        ({**RECORD, "by": "p\ud83d"}, r"half a sign \(U\+D83D\)"),
    ],
)
def test_what_json_can_not_say_is_not_sent(both: Both, record: Any, trouble: str) -> None:
    with scripted() as server:
        with pytest.raises((ValueError, TypeError), match=trouble):
            both(server.url, "done.put", "m", "g", record)
        assert server.asked == []


def test_who_looks_on_is_told_what_is_wrong_before_each_wait(both: Both) -> None:
    with scripted(Answer(0), problem(503, retry_after="3", x_request_id="r-17"), Answer(200, {})) as server:
        told: list[tuple[Any, ...]] = []
        client = {"waiting": lambda error, seconds: told.append((error.detail[:12], error.request_id, error.retry_after, seconds))}
        both(server.url, "machine", "m", time=Time(), client=client)
    assert told == [("no answer to", None, None, 0.25), ("it is not so", "r-17", 3, 3.5)]


def test_a_wait_that_is_over_says_what_was_waited_for_and_how_long(both: Both) -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        url = f"http://127.0.0.1:{silent.getsockname()[1]}"
        with pytest.raises(Unavailable, match=r"no answer to GET /v1/machines/m from .* \(the answer took more than 0\.2 s\)"):
            both(url, "machine", "m", client={"timeout": 0.2, "retries": Retries(within=0)})


@pytest.mark.parametrize(
    ("page", "kind", "sent"),
    [
        ("<Fleet/>", "application/xml", b"<Fleet/>"),
        (b"\n <Fleet/>", "application/xml", b"\n <Fleet/>"),
        ('{"Hour": 1.10}', "application/json", b'{"Hour": 1.10}'),  # as it was written
        (b' \r\n{"Hour": 1.10}', "application/json", b' \r\n{"Hour": 1.10}'),
        ({"Hour": 1.5}, "application/json", b'{"Hour":1.5}'),
    ],
)
def test_a_telematics_page_is_sent_as_what_it_is(both: Both, page: Any, kind: str, sent: bytes) -> None:
    with scripted(Answer(200, {})) as server:
        both(server.url, "post_telematics", page)
        assert (server.asked[0].headers["content-type"], server.asked[0].body) == (kind, sent)


def test_problems_of_another_make_are_no_fault(both: Both) -> None:
    with scripted(Answer(422, {"title": "no", "errors": 5}), Answer(422, {"title": "no", "errors": {"a": 1}})) as server:
        for _ in range(2):
            with pytest.raises(Refused, match="no"):
                both(server.url, "machine", "m")
