"""When it is tried again."""

from datetime import UTC, datetime
from itertools import accumulate

import pytest

from fieldworthy.usecases.retrying import DAY, USUAL, Schedule, read_retry_after

NOW = datetime(2026, 7, 14, 6, 0, tzinfo=UTC)


def test_the_schedule_is_the_standards() -> None:
    """Standard Webhooks 1.0.0, its example of retries: at 0:00:00, 0:00:05, 0:05:05, ... 75:35:05."""
    hours = ["0:00:00", "0:00:05", "0:05:05", "0:35:05", "2:35:05", "7:35:05", "17:35:05", "31:35:05", "51:35:05", "75:35:05"]
    wanted = [int(h) * 3600 + int(m) * 60 + int(s) for h, m, s in (each.split(":") for each in hours)]
    assert list(accumulate(USUAL)) == wanted


WAITS = [
    # tries, chance, Retry-After, seconds
    (1, 0.0, None, 5.0),
    (1, 1.0, None, 5.5),
    (2, 0.5, None, 315.0),
    (9, 0.0, None, DAY),
    (10, 0.0, None, None),
    (11, 0.0, None, None),
    (1, 0.0, 120.0, 120.0),
    (1, 0.0, 1.0, 5.0),  # it never makes it sooner
    (3, 0.0, 60.0, 1800.0),
    (1, 0.0, 10 * DAY, DAY),  # nor later than in a day
    (10, 0.0, 60.0, None),
]


@pytest.mark.parametrize(("tries", "chance", "asked", "wanted"), WAITS)
def test_waits(tries: int, chance: float, asked: float | None, wanted: float | None) -> None:
    assert Schedule().wait(tries, chance, asked) == pytest.approx(wanted)


AFTER = [
    (None, None),
    ("120", 120.0),  # RFC 9110, 10.2.3
    (" 0 ", 0.0),
    ("Tue, 14 Jul 2026 06:02:00 GMT", 120.0),
    ("Tuesday, 14-Jul-26 06:02:00 GMT", 120.0),  # the two old forms of a date (RFC 9110, 5.6.7)
    ("Tue Jul 14 06:02:00 2026", 120.0),
    ("Tue, 14 Jul 2026 05:00:00 GMT", 0.0),
    ("1" * 40, DAY),
    *((text, None) for text in ("", "-1", "1.5", "soon", "١٢", "Tue, 99 Jul 2026 06:02:00 GMT", "\x00")),
]


@pytest.mark.parametrize(("text", "wanted"), AFTER)
def test_retry_after(text: str | None, wanted: float | None) -> None:
    assert read_retry_after(text, NOW) == wanted
