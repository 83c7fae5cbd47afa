"""A calendar as text: iCalendar (RFC 5545, with NAME, DESCRIPTION and REFRESH-INTERVAL of RFC 7986), written by the icalendar library.

Every time in it is a day or UTC, so that no time zone need be described. A task's event is the same one in every feed (UID); where its
day moves, SEQUENCE grows, and a calendar moves the event it has. The library is loaded with the first calendar: that takes as long as
half of all else that a start takes.
"""

import re
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from fieldworthy.core.answer.cleared import DISCLAIMER
from fieldworthy.core.base.micros import at_micros, micros_text
from fieldworthy.core.forecast.outlook import SHARE
from fieldworthy.usecases.calendar import Calendar, Dated
from fieldworthy.usecases.kept_standings import Scope

if TYPE_CHECKING:
    import icalendar

MEDIA_TYPE = "text/calendar; charset=utf-8; method=PUBLISH"
"""With `method`, because the calendar has METHOD: RFC 5545, 3.7.2."""

REFRESH = timedelta(hours=1)
"""How often a calendar may ask again; most ask by a rule of their own, some only once a day."""

_CONTROLS = re.compile(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u2028\u2029]+")  # of which a TEXT may hold none but a tab
_EVENTS_AT_ONCE = 50


def calendar_parts(calendar: Calendar) -> Iterator[bytes]:
    """The calendar's text, some events at a time. It must have events, or an empty list of them."""
    assert calendar.events is not None
    whole = _head(calendar).to_ical()
    head, end = whole[: -len(_END)], whole[-len(_END) :]
    assert end == _END
    yield head
    for i in range(0, len(calendar.events), _EVENTS_AT_ONCE):
        yield b"".join(_event(each).to_ical() for each in calendar.events[i : i + _EVENTS_AT_ONCE])
    if not calendar.events:
        yield _utc().to_ical()  # a calendar holds one component at least (RFC 5545, 3.6), and this one says nothing
    yield end


_END = b"END:VCALENDAR\r\n"


def called(scope: Scope) -> str:
    """The name of a calendar, as people see it."""
    return f"Due: {scope.machine or scope.site or 'all machines'}"


def _head(calendar: Calendar) -> "icalendar.Calendar":
    import icalendar

    made = icalendar.Calendar()
    made.add("prodid", "-//Fieldworthy//Due tasks//EN")
    made.add("version", "2.0")
    made.add("calscale", "GREGORIAN")
    made.add("method", "PUBLISH")
    name, told = _text(called(calendar.scope)), _text(notes(calendar))
    for property in ("name", "x-wr-calname"):  # a name of its own is not escaped unless it is said to be a text
        made.add(property, icalendar.vText(name))
    for property in ("description", "x-wr-caldesc"):
        made.add(property, icalendar.vText(told))
    if calendar.changed is not None:
        made.add("last-modified", _second(calendar.changed))
    made.add("refresh-interval", icalendar.vDuration(REFRESH), parameters={"VALUE": "DURATION"})
    made.add("x-published-ttl", icalendar.vDuration(REFRESH))
    return made


def notes(calendar: Calendar) -> str:
    """What a calendar can't show, in sentences: it must not look as if there were no more."""
    where = "GET /v1/due"
    if calendar.scope.machine is not None:
        where = f"GET /v1/machines/{calendar.scope.machine}/due"
    told = [f"Tasks that have a day. What is due or overdue stands on today until it is done; every task is listed by {where}."]
    if calendar.unknown:
        told.append(f"Tasks in no event because it is not known whether they are due: {calendar.unknown} ({where}, standing `unknown`).")
    if calendar.undated:
        told.append(f"Tasks in no event because nothing tells a day yet: {calendar.undated}.")
    if calendar.more:
        told.append(f"Tasks that are too many for one calendar: {calendar.more}; the soonest are shown.")
    if calendar.problems:
        told.append(f"Machines without standings: {calendar.problems} (`problems` of GET /v1/due).")
    if calendar.computed_at is not None:
        told.append(f"The oldest of these standings were computed at {micros_text(calendar.computed_at)}.")
    if calendar.stale:
        told.append(f"Machines whose standings are being computed anew: {calendar.stale}; ask again in a moment.")
    return "\n".join([*told, DISCLAIMER])


def _event(task: Dated) -> "icalendar.Event":
    import icalendar

    made = icalendar.Event()
    day = date.fromisoformat(task.day)
    made.add("uid", task.uid)
    made.add("dtstamp", _second(task.changed))
    made.add("last-modified", _second(task.changed))
    made.add("sequence", task.sequence)
    made.add("dtstart", day)
    made.add("dtend", day + timedelta(days=1))  # the day after the last one
    state = "" if task.standing in ("clear", "upcoming") else f" ({task.standing})"
    made.add("summary", _text(f"{task.machine}: {task.title}{state}"))
    made.add("description", _text(_described(task)))
    if task.site:
        made.add("location", _text(task.site))
    made.add("categories", [task.kind])
    made.add("status", "TENTATIVE" if task.expected else "CONFIRMED")
    made.add("transp", "TRANSPARENT")  # nobody is busy by it
    return made


def _described(task: Dated) -> str:
    told = [f"{task.standing.capitalize()}."]
    if task.fit == "unfit":
        told.append(f"The machine must not work: GET /v1/machines/{task.machine}/due says why.")
    told += task.reasons
    if task.expected:
        between = f", in {SHARE:.0%} of the outcomes between {task.between[0]} and {task.between[1]}" if task.between else ""
        told.append(f"Expected on {task.day}{between}: a forecast, which moves with each reading.")
    if task.rule:
        told.append(f"Rule: {task.rule}, of {task.rulebook}.")
    if task.parts:
        told.append(f"Parts that it may take: {', '.join(task.parts)}. POST /v1/parts says which, how much and in which packs.")
    if task.needs:
        told.append(f"Before it starts: {task.needs}.")
    told.append(f"Computed at {micros_text(task.changed)} from what was known at {micros_text(task.as_of)}.")
    return "\n".join([*told, DISCLAIMER])


def _utc() -> "icalendar.Timezone":
    import icalendar

    zone = icalendar.Timezone()
    zone.add("tzid", "Etc/UTC")
    standard = icalendar.TimezoneStandard()
    standard.add("dtstart", datetime(1970, 1, 1))  # noqa: DTZ001  # local, as the property wants it
    standard.add("tzoffsetfrom", timedelta(0))
    standard.add("tzoffsetto", timedelta(0))
    zone.add_component(standard)
    return zone


def _second(micros: int) -> datetime:
    return at_micros(micros).replace(microsecond=0)


def _text(text: str) -> str:
    return _CONTROLS.sub(" ", text)
