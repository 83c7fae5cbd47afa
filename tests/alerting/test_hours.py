"""When a listener is told: quiet hours and digests by local time, over the days on which clocks change."""

from datetime import datetime, time
from zoneinfo import ZoneInfo

import pytest

from fieldworthy.core.base.micros import at_micros, micros_of
from fieldworthy.usecases.listeners import Choice, Lane

NIGHT = (time(20), time(6))
NOON = (time(12), time(13, 30))
LONDON, KOLKATA, LORD_HOWE = "Europe/London", "Asia/Kolkata", "Australia/Lord_Howe"

QUIET = [
    # zone, from and to, comes up at, goes out at (local times)
    (LONDON, NIGHT, "2026-07-14 12:00", "2026-07-14 12:00"),
    (LONDON, NIGHT, "2026-07-14 19:59", "2026-07-14 19:59"),
    (LONDON, NIGHT, "2026-07-14 20:00", "2026-07-15 06:00"),
    (LONDON, NIGHT, "2026-07-15 05:59", "2026-07-15 06:00"),
    (LONDON, NIGHT, "2026-07-15 06:00", "2026-07-15 06:00"),
    (LONDON, NOON, "2026-07-14 12:00", "2026-07-14 13:30"),
    (LONDON, NOON, "2026-07-14 13:30", "2026-07-14 13:30"),
    (KOLKATA, NIGHT, "2026-07-14 23:45", "2026-07-15 06:00"),
    # clocks go forward in the night (29 March 2026, 01:00 to 02:00), and back (25 October 2026, 02:00 to 01:00)
    (LONDON, NIGHT, "2026-03-28 22:00", "2026-03-29 06:00"),
    (LONDON, NIGHT, "2026-10-24 22:00", "2026-10-25 06:00"),
    # by half an hour (4 October 2026, 02:00 to 02:30)
    (LORD_HOWE, NIGHT, "2026-10-03 22:00", "2026-10-04 06:00"),
    # an end that clocks skip: as long after midnight as on the day before, which is 02:30
    (LONDON, (time(20), time(1, 30)), "2026-03-28 22:00", "2026-03-29 02:30"),
]


@pytest.mark.parametrize(("zone", "quiet", "comes", "goes"), QUIET)
def test_quiet_hours(zone: str, quiet: tuple[time, time], comes: str, goes: str) -> None:
    choice = Choice(url="https://farm.example/", timezone=zone, quiet=quiet)
    assert out(choice, Lane.ORDER, zone, comes) == goes
    assert out(choice, Lane.URGENT, zone, comes) == comes


TWICE = [
    # clocks show 01:00 to 02:00 twice in that night: comes up at, quiet hours end at (UTC)
    ("2026-10-24T21:00", "2026-10-25T00:30"),  # 01:30 of British Summer Time
    ("2026-10-25T00:29", "2026-10-25T00:30"),
    ("2026-10-25T00:30", "2026-10-25T00:30"),  # they ended
    ("2026-10-25T01:00", "2026-10-25T01:30"),  # and clocks show 01:00 again
    ("2026-10-25T01:29", "2026-10-25T01:30"),
    ("2026-10-25T01:30", "2026-10-25T01:30"),
]


@pytest.mark.parametrize(("comes", "goes"), TWICE)
def test_an_end_that_comes_twice(comes: str, goes: str) -> None:
    choice = Choice(url="https://farm.example/", timezone=LONDON, quiet=(time(20), time(1, 30)))
    moment = micros_of(datetime.fromisoformat(f"{comes}+00:00"))
    assert f"{at_micros(choice.when(Lane.ORDER, moment)):%Y-%m-%dT%H:%M}" == goes


def test_a_digest_whose_time_comes_twice_goes_once() -> None:
    choice = Choice(url="https://farm.example/", timezone=LONDON, digest=time(1, 30))
    first = micros_of(datetime.fromisoformat("2026-10-25T00:30:00+00:00"))
    assert at_micros(choice.when(Lane.DIGEST, first)).isoformat() == "2026-10-26T01:30:00+00:00"


DIGEST = [
    (LONDON, time(6, 30), "2026-07-14 06:29", "2026-07-14 06:30"),
    (LONDON, time(6, 30), "2026-07-14 06:30", "2026-07-15 06:30"),
    (LONDON, time(6, 30), "2026-07-14 23:00", "2026-07-15 06:30"),
    (LONDON, time(6, 30), "2026-12-31 07:00", "2027-01-01 06:30"),
    (LONDON, time(6, 30), "2026-03-28 07:00", "2026-03-29 06:30"),  # 23 and a half hours later
    (LONDON, time(6, 30), "2026-10-24 07:00", "2026-10-25 06:30"),
    (LONDON, time(0), "2026-07-14 00:00", "2026-07-15 00:00"),
]


@pytest.mark.parametrize(("zone", "at", "comes", "goes"), DIGEST)
def test_digests(zone: str, at: time, comes: str, goes: str) -> None:
    choice = Choice(url="https://farm.example/", timezone=zone, digest=at)
    assert out(choice, Lane.DIGEST, zone, comes) == goes


LANES = [
    # quiet, digest, type, lane
    (None, None, "fieldworthy.machine.unfit", Lane.ORDER),
    (NIGHT, None, "fieldworthy.task.due", Lane.ORDER),
    (NIGHT, None, "fieldworthy.machine.unfit", Lane.URGENT),
    (None, time(6), "fieldworthy.task.due", Lane.DIGEST),
    (None, time(6), "fieldworthy.machine.unfit", Lane.URGENT),
    (NIGHT, time(6), "fieldworthy.listener.test", Lane.URGENT),
    (None, None, "fieldworthy.listener.test", Lane.URGENT),
]


@pytest.mark.parametrize(("quiet", "digest", "type", "lane"), LANES)
def test_lanes(quiet: tuple[time, time] | None, digest: time | None, type: str, lane: Lane) -> None:
    assert Choice(url="https://farm.example/", quiet=quiet, digest=digest).lane(type) is lane


def micros(zone: str, local: str) -> int:
    return micros_of(datetime.fromisoformat(local).replace(tzinfo=ZoneInfo(zone)))


def out(choice: Choice, lane: Lane, zone: str, comes: str) -> str:
    """When it goes out, as clocks there show it."""
    return f"{at_micros(choice.when(lane, micros(zone, comes))).astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M}"
