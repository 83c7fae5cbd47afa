"""Calendars of what is due: which day a task stands on, how an event moves, what is told of what has no day, and how all of it is written.

Source: RFC 5545, from memory: 3.1 (lines of 75 octets, CRLF, folding), 3.3.11 (escapes of TEXT), 3.6 (one component at least), 3.6.1 (an
event without time lasts its day), 3.7.2 (METHOD and the media type's `method`), 3.8.4.7 (UID), 3.8.7.4 (SEQUENCE); RFC 7986, from memory:
5.7 (REFRESH-INTERVAL). Read by two libraries that know nothing of each other, icalendar and vobject.
"""

from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any

import icalendar
import pytest
import vobject

from fieldworthy.core.answer.cleared import DISCLAIMER
from fieldworthy.rest.calendars import Drawn
from fieldworthy.usecases.calendar import Calendar, uid_of
from fieldworthy.usecases.standings import AT_A_REQUEST
from fieldworthy.wire.calendar import calendar_parts
from tests.keep.histories import publish, put_machine, read, tell
from tests.keep.service import Service
from tests.keep.test_standings import BOOK, ago, show

HARD = "Nördliches Öhr, Hof; „Ü“ \\ 3 " + "äöü" * 25


async def machine(service: Service, id_: str, shows: float, **more: Any) -> None:
    """A machine whose tasks were done ten days ago at 1,000 h, that works 5 h a day, and whose meter shows so much now."""
    usage = {"engine": {"per_day": 5, "unit": "h"}}
    await put_machine(service, id_, {"rulebook": "combine", "timezone": "Europe/London", "usage": usage, **more})
    done = {"at": ago(service, 240), "meters": {"engine": 1000}}
    await tell(service, id_, [("done", t, {"task": t, **done}, t) for t in BOOK["tasks"]])
    await show(service, id_, shows)


@pytest.fixture
async def combine(service: Service) -> Service:
    """One machine: oil is due at 1,250 h, greasing at 1,050 h, the look after a week, the belt after three months."""
    await publish(service, BOOK)
    service.later(minutes=1)
    await machine(service, "c-1", 1052)
    service.later(minutes=1)
    return service


async def events(service: Service, path: str = "/v1/machines/c-1/due.ics") -> dict[str, Any]:
    """The events by their summary, as icalendar reads them; vobject reads the same."""
    answer = await service.http.get(path)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "text/calendar; charset=utf-8; method=PUBLISH"
    calendar = icalendar.Calendar.from_ical(answer.content)
    assert not calendar.errors
    found = {str(event["SUMMARY"]): event for event in calendar.walk("VEVENT")}
    other = vobject.readOne(answer.content.decode())
    seen = {event.summary.value: event for event in other.contents.get("vevent", [])}
    assert found.keys() == seen.keys()
    for name, event in found.items():
        assert (seen[name].uid.value, seen[name].dtstart.value, seen[name].dtend.value) == (event["UID"], event.start, event.end)
        assert seen[name].description.value == str(event["DESCRIPTION"])
    uids = [event["UID"] for event in found.values()]
    assert len(uids) == len(set(uids)) == len(calendar.walk("VEVENT"))
    return found


def days(found: dict[str, Any]) -> dict[str, tuple[str, int]]:
    """Of each event its day and how often that moved."""
    return {name: (event.start.isoformat(), int(event["SEQUENCE"])) for name, event in found.items()}


async def test_each_task_stands_on_its_day(combine: Service) -> None:
    found = await events(combine)
    assert days(found) == {
        "c-1: Change the oil": ("2026-08-22", 0),  # 198 h to go, 5 h a day
        "c-1: Grease (due)": ("2026-07-14", 0),  # due since 1,050 h: on today
        "c-1: Look around (overdue)": ("2026-07-14", 0),  # due since the 11th: on today
        "c-1: Check the belt": ("2026-10-04", 0),  # the calendar's own date
    }
    oil, belt = found["c-1: Change the oil"], found["c-1: Check the belt"]
    assert (oil["STATUS"], belt["STATUS"]) == ("TENTATIVE", "CONFIRMED")  # a forecast, and a date
    for event in found.values():
        assert event.end - event.start == timedelta(days=1)
        assert event["TRANSP"] == "TRANSPARENT"
        assert event["DTSTAMP"].dt == event["LAST-MODIFIED"].dt == combine.now.replace(second=0, microsecond=0)
        assert event["UID"].endswith("@fieldworthy")
        assert str(event["DESCRIPTION"]).endswith(DISCLAIMER)
        assert "URL" not in event
    assert oil["CATEGORIES"].to_ical() == b"replace"
    assert "Rule: every 250 h, within 10 % late, of combine@1." in oil["DESCRIPTION"]
    assert "198 h to go" in oil["DESCRIPTION"]


async def test_the_calendar_itself_says_what_it_is(combine: Service) -> None:
    answer = await combine.http.get("/v1/machines/c-1/due.ics")
    calendar = icalendar.Calendar.from_ical(answer.content)
    assert (calendar["VERSION"], calendar["METHOD"], calendar["CALSCALE"]) == ("2.0", "PUBLISH", "GREGORIAN")
    assert calendar["PRODID"] == "-//Fieldworthy//Due tasks//EN"
    assert b"REFRESH-INTERVAL;VALUE=DURATION:PT1H\r\n" in answer.content
    assert b"X-PUBLISHED-TTL:PT1H\r\n" in answer.content
    assert str(calendar["NAME"]) == str(calendar["X-WR-CALNAME"]) == "Due: c-1"
    assert f"computed at {combine.now.isoformat()[:19]}" in calendar["DESCRIPTION"]
    assert DISCLAIMER in calendar["DESCRIPTION"]


async def test_a_reading_moves_the_event_and_makes_no_second_one(combine: Service) -> None:
    before = await events(combine)
    combine.later(hours=2)
    await show(combine, "c-1", 1152)
    after = await events(combine)
    assert after.keys() == {*before.keys() - {"c-1: Grease (due)"}, "c-1: Grease (overdue)"}
    moved, was = after["c-1: Change the oil"], before["c-1: Change the oil"]
    assert moved["UID"] == was["UID"] == uid_of(1, "c-1", "oil")
    assert moved.start < was.start
    assert (was["SEQUENCE"], moved["SEQUENCE"]) == (0, 1)
    assert moved["LAST-MODIFIED"].dt == was["LAST-MODIFIED"].dt + timedelta(hours=2)
    still = after["c-1: Check the belt"]
    assert (still.start, still["SEQUENCE"]) == (before["c-1: Check the belt"].start, 0)
    combine.later(hours=1)
    await tell(combine, "c-1", [("done", "g2", {"task": "grease", "at": ago(combine, 0.5), "meters": {"engine": 1152}}, "grease")])
    done = (await events(combine))["c-1: Grease"]
    assert done["UID"] == before["c-1: Grease (due)"]["UID"]
    assert done.start > date(2026, 7, 14)
    assert done["SEQUENCE"] == 1


async def test_what_is_due_goes_on_with_the_days_until_it_is_done(combine: Service) -> None:
    uid = (await events(combine))["c-1: Look around (overdue)"]["UID"]
    for n in (1, 2):
        combine.later(days=1)
        look = (await events(combine))["c-1: Look around (overdue)"]
        assert (look["UID"], look.start, look["SEQUENCE"]) == (uid, date(2026, 7, 14 + n), n)


@pytest.mark.parametrize(
    ("zone", "at", "today"),
    [  # zones and when clocks change: the tz database, which Python's own zoneinfo reads
        ("Europe/London", datetime(2026, 10, 25, 0, 30, tzinfo=UTC), "2026-10-25"),  # 01:30, the first of two
        ("Europe/London", datetime(2026, 10, 24, 23, 30, tzinfo=UTC), "2026-10-25"),  # 00:30, by summer time
        ("Europe/London", datetime(2026, 10, 25, 23, 30, tzinfo=UTC), "2026-10-25"),  # 23:30, by winter time: a day of 25 hours
        ("Pacific/Auckland", datetime(2026, 9, 26, 12, 30, tzinfo=UTC), "2026-09-27"),  # 00:30, the night of a day of 23 hours
        ("America/St_Johns", datetime(2026, 11, 1, 2, 0, tzinfo=UTC), "2026-10-31"),  # 23:30 of the day before
    ],
)
@pytest.mark.parametrize("address", ["sqlite"], indirect=True)
async def test_today_is_that_of_the_machines_site(service: Service, zone: str, at: datetime, today: str) -> None:
    await publish(service, BOOK)
    service.now = at
    await machine(service, "c-1", 1052, timezone=zone)
    found = await events(service)
    assert found["c-1: Look around (overdue)"].start.isoformat() == today


async def test_what_is_not_known_gets_no_day_and_is_told_where_it_is_listed(service: Service) -> None:
    await publish(service, BOOK)
    await put_machine(service, "c-1", {"rulebook": "combine", "site": "North/South"})
    for path in ("/v1/machines/c-1/due.ics", "/v1/due.ics?site=North/South", "/v1/sites/nowhere/due.ics", "/v1/due.ics"):
        assert await events(service, path) == {}
        content = (await service.http.get(path)).content
        calendar = icalendar.Calendar.from_ical(content)
        assert [component.name for component in calendar.subcomponents] == ["VTIMEZONE"]  # RFC 5545, 3.6: one at least
        unknown = "not known whether they are due: 4 (GET /v1/"
        assert (unknown in calendar["DESCRIPTION"]) is ("nowhere" not in path)
    answer = await service.http.get("/v1/machines/c-2/due.ics")
    assert (answer.status_code, answer.json()["code"]) == (404, "machine.unknown")
    assert (await service.http.get("/v1/due.ics?sites=x")).json()["errors"][0]["mend"] == "did you mean `site`?"


async def test_an_event_that_was_gone_comes_back_with_a_higher_count(combine: Service) -> None:
    was = (await events(combine))["c-1: Check the belt"]
    combine.later(minutes=1)
    await combine.http.delete("/v1/machines/c-1/done/belt")
    assert "c-1: Check the belt" not in await events(combine)
    combine.later(minutes=1)
    await tell(combine, "c-1", [("done", "b2", {"task": "belt", "at": ago(combine, 240)}, "belt")])
    again = (await events(combine))["c-1: Check the belt"]
    assert (again["UID"], again.start) == (was["UID"], was.start)
    assert (was["SEQUENCE"], again["SEQUENCE"]) == (0, 2)


async def test_a_calendar_that_is_known_is_not_sent_again(combine: Service) -> None:
    first = await combine.http.get("/v1/due.ics")
    tag = first.headers["etag"]
    combine.later(hours=1)
    again = await combine.http.get("/v1/due.ics", headers={"if-none-match": tag})
    assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
    assert (await combine.http.get("/v1/due.ics")).content == first.content
    await show(combine, "c-1", 1060)
    changed = await combine.http.get("/v1/due.ics", headers={"if-none-match": tag})
    assert (changed.status_code, changed.headers["etag"] != tag) == (200, True)
    assert changed.headers["cache-control"] == "private, no-cache"


async def test_a_calendar_is_written_once_for_all_who_ask(combine: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    written = []

    def parts(calendar: Calendar) -> Iterator[bytes]:
        written.append(calendar.scope)
        return calendar_parts(calendar)

    monkeypatch.setattr("fieldworthy.rest.calendars.calendar_parts", parts)
    first = await combine.http.get("/v1/due.ics")
    again = await combine.http.get("/v1/due.ics", headers={"if-none-match": '"another"'})
    assert (again.content, again.headers["etag"], again.headers["content-type"], len(written)) == (
        *(first.content, first.headers["etag"], first.headers["content-type"]),
        1,
    )
    assert (await combine.http.get("/v1/machines/c-1/due.ics")).content != first.content, "of its own scope"
    combine.later(hours=2)
    await show(combine, "c-1", 1060)
    assert (await combine.http.get("/v1/due.ics")).content != first.content, "and of its own state"
    assert len(written) == 3


def test_so_many_bytes_of_calendars_are_kept() -> None:
    drawn = Drawn(10)
    for tag in "abc":
        drawn.keep(tag, [b"1", b"234"])
        assert drawn.get("a") == b"1234"
    assert [drawn.get(tag) for tag in "abc"] == [b"1234", None, b"1234"], "what was not asked for longest is gone"
    drawn.keep("d", [b"x" * 11])
    assert drawn.get("d") is None


async def test_a_task_has_one_uid_in_every_feed_and_another_elsewhere(combine: Service) -> None:
    await machine(combine, "c-2", 1010, site="north")
    combine.later(minutes=1)
    of_site, of_fleet = await events(combine, "/v1/sites/north/due.ics"), await events(combine, "/v1/due.ics")
    assert of_site.keys() == {name for name in of_fleet if name.startswith("c-2")}
    assert all(of_site[name]["UID"] == of_fleet[name]["UID"] for name in of_site)
    assert len({uid_of(1, "a", "b"), uid_of(2, "a", "b"), uid_of(1, "a b", ""), uid_of(1, "a", "b ")}) == 4


def unfolded(content: bytes) -> Sequence[str]:
    """The content lines; fails where a line is longer than it may be, or no text by itself."""
    lines = content.split(b"\r\n")
    assert lines.pop() == b""
    assert not [line for line in lines if len(line) > 75 or b"\n" in line or b"\r" in line]
    return b"\r\n".join(lines).decode().replace("\r\n ", "").split("\r\n")


async def test_hard_names_are_escaped_and_folded(service: Service) -> None:
    book = {**BOOK, "tasks": {"look": {"title": HARD, "kind": "inspect", "interval": "weekly"}}}
    await publish(service, book)
    service.later(minutes=1)
    await put_machine(service, "c,1;x", {"rulebook": "combine", "site": HARD})
    await tell(service, "c,1;x", [("done", "l", {"task": "look", "at": ago(service, 24)}, "look")])
    content = (await service.http.get("/v1/machines/c,1;x/due.ics")).content
    (event,) = (await events(service, "/v1/machines/c,1;x/due.ics")).values()
    assert (str(event["SUMMARY"]), str(event["LOCATION"])) == (f"c,1;x: {HARD}", HARD)
    lines = unfolded(content)
    escaped = HARD.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")
    assert f"SUMMARY:c\\,1\\;x: {escaped}" in lines
    assert f"LOCATION:{escaped}" in lines
    (told,) = [line for line in lines if line.startswith("DESCRIPTION:Clear")]
    assert "\\nRule: weekly" in told


@pytest.mark.parametrize("address", ["sqlite"], indirect=True)
async def test_many_machines_are_told_of_as_stale_until_they_are_computed(service: Service) -> None:
    await publish(service, BOOK)
    items = [{"id": f"c-{n}", "rulebook": "combine"} for n in range(AT_A_REQUEST + 3)]
    await service.post("/v1/machines", {"items": items})
    first = await service.http.get("/v1/due.ics")
    assert "being computed anew: 3" in str(icalendar.Calendar.from_ical(first.content)["DESCRIPTION"])
    second = await service.http.get("/v1/due.ics", headers={"if-none-match": first.headers["etag"]})
    assert second.status_code == 200
    assert "anew" not in str(icalendar.Calendar.from_ical(second.content)["DESCRIPTION"])


async def test_what_is_too_much_is_told_and_what_has_no_day_beside_it(combine: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also where there are just as many as a calendar shows."""
    await put_machine(combine, "c-2", {"rulebook": "combine"})
    await tell(combine, "c-2", [("done", "oil", {"task": "oil", "at": ago(combine, 1), "meters": {"engine": 10}}, "oil")])
    too_many, no_day = "Tasks that are too many for one calendar: {}; the soonest are shown.", "because nothing tells a day yet: 1."
    for most, more in ((5, None), (4, None), (3, 1), (1, 3)):
        monkeypatch.setattr("fieldworthy.usecases.calendar.MOST_EVENTS", most)
        monkeypatch.setattr("fieldworthy.usecases.calendar._FORM", most)  # the tag too: what was written before is kept as text
        calendar = icalendar.Calendar.from_ical((await combine.http.get("/v1/due.ics")).content)
        assert len(calendar.walk("VEVENT")) == min(4, most)
        said = str(calendar["DESCRIPTION"])
        assert no_day in said, (most, said)
        assert too_many.format(more) in said if more else "too many" not in said, (most, said)


async def test_readings_tell_a_range_and_parts_are_named(service: Service) -> None:
    """A forecast by readings has its range in the description; of parts the calendar only says which there may be."""
    parts = {"PL-0400": {"title": "Engine oil", "unit": "l", "packs": ["5 l"]}}
    oil = {**BOOK["tasks"]["oil"], "uses": [{"part": "PL-0400", "amount": "12 l"}]}
    await publish(service, {**BOOK, "parts": parts, "tasks": {"oil": oil}})
    service.later(minutes=1)
    await put_machine(service, "c-1", {"rulebook": "combine", "timezone": "Europe/London"})
    await tell(service, "c-1", [("done", "o", {"task": "oil", "at": ago(service, 24 * 60)}, "oil")])
    at = [(service.now - timedelta(days=n), 4000 - 2 * n + n % 3) for n in range(800, 0, -4)]  # two years, two hours a day or so
    await read(service, "c-1", [("engine", int(t.timestamp()) * 10**6, shown * 10**6, None) for t, shown in at])
    due = await service.get("/v1/machines/c-1/due")
    expected = due["tasks"][0]["expected"]
    (event,) = (await events(service)).values()
    told = str(event["DESCRIPTION"])
    assert event.start.isoformat() == expected["date"]
    assert f"in 80% of the outcomes between {expected['from']} and {expected['to']}" in told
    assert "Parts that it may take: Engine oil (PL-0400). POST /v1/parts says which" in told
