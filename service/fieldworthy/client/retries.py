"""When a request is sent again, and after how long. Pure: clocks and chance are given."""

import random
import re
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime

_SECONDS = re.compile(r"[0-9]{1,9}\Z")


@dataclass(frozen=True, slots=True)
class Retries:
    """
    How a request that may be repeated is repeated, in s.

    within: from the first try on, none begins later; 0: it is sent once. first, longest: the n-th wait is a random part of
    `first * 2**n`, of `longest` at most, beside what `Retry-After` asks for.
    """

    within: float = 60.0
    first: float = 0.25
    longest: float = 20.0

    def pause(self, tries: int, chance: float, asked: float | None) -> float:
        """How long to wait. tries: so many have failed, from 1; chance: from 0 to 1; asked: by `Retry-After`, a wait is never shorter."""
        backoff: float = self.first * 2.0 ** min(tries - 1, 60)
        return (asked or 0.0) + chance * min(self.longest, backoff)


@dataclass(frozen=True, slots=True)
class Clock:
    """now: for dates in `Retry-After`; running: s that never run backward, for the time limit; chance: from 0 to 1."""

    now: Callable[[], datetime] = lambda: datetime.now(UTC)
    running: Callable[[], float] = time.monotonic
    chance: Callable[[], float] = random.random


def retry_after(headers: Mapping[str, str], now: datetime) -> float | None:
    """
    What `Retry-After` asks for, in s; None where it is not there or can't be read.

    A date is held to the answer's own `Date` where there is one: then it does not matter whether the two clocks agree.
    Source: RFC 9110, 10.2.3.
    """
    text = headers.get("retry-after", "").strip()
    if _SECONDS.match(text):
        return float(text)
    until = _date(text)
    if until is None:
        return None
    return max(0.0, (until - (_date(headers.get("date", "")) or now)).total_seconds())


def _date(text: str) -> datetime | None:
    try:
        found = parsedate_to_datetime(text)
    except ValueError:
        return None
    return found if found.tzinfo is not None else found.replace(tzinfo=UTC)
