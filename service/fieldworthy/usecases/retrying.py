"""When an attempt that failed is tried again. Pure: time and chance are arguments."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from email.utils import parsedate_to_datetime

MINUTE, HOUR, DAY = 60.0, 3600.0, 86400.0

USUAL = (0.0, 5.0, 5 * MINUTE, 30 * MINUTE, 2 * HOUR, 5 * HOUR, 10 * HOUR, 14 * HOUR, 20 * HOUR, 24 * HOUR)
"""Seconds before each attempt, counted from the one before: those of Standard Webhooks 1.0.0, whose last is 75 h 35 min after the first."""

BY_MAIL = (0.0, 5.0, 5 * MINUTE, 30 * MINUTE, HOUR, *(2 * HOUR,) * 36)
"""
By mail: what comes up meanwhile waits behind a mail that failed, so the waits do not grow on; the last is three days after the first
(RFC 5321, 4.5.4.1: at least 30 min between tries).
"""

MOST_RETRY_AFTER = DAY
"""Longer than this nobody's `Retry-After` [s] is heeded."""

JITTER = 0.1
"""The share of a wait by which it may be longer, so that what failed together does not come back together."""


@dataclass(frozen=True, slots=True)
class Schedule:
    """waits: seconds before each attempt, the first of which is made at once; so many attempts there are."""

    waits: Sequence[float] = USUAL
    jitter: float = JITTER

    @property
    def most(self) -> int:
        """Attempts in all."""
        return len(self.waits)

    def wait(self, tries: int, chance: float, retry_after: float | None = None) -> float | None:
        """
        Seconds until the next attempt; None where there is none: it is given up.

        tries: attempts made so far, from 1; chance: 0 to 1; retry_after: seconds that the receiver asks for, which never make it sooner.
        """
        if tries >= self.most:
            return None
        usual = self.waits[tries] * (1 + self.jitter * chance)
        return max(usual, min(retry_after or 0.0, MOST_RETRY_AFTER))


def read_retry_after(text: str | None, now: datetime) -> float | None:
    """Seconds that a `Retry-After` asks for (RFC 9110, 10.2.3): a number of them or a date; None where it can't be read."""
    if text is None:
        return None
    text = text.strip()
    if text.isascii() and text.isdigit():
        return float(text) if len(text) <= 9 else MOST_RETRY_AFTER
    try:
        at = parsedate_to_datetime(text)
    except (ValueError, OverflowError):
        return None
    if at.tzinfo is None:  # `-0000`, or the old form of asctime, which is UTC too (RFC 9110, 5.6.7)
        at = at.replace(tzinfo=now.tzinfo)
    return max(0.0, (at - now).total_seconds())
