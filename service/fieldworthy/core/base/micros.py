"""Instants as whole microseconds since 1970, UTC: how the store keeps time."""

from datetime import UTC, datetime, timedelta

SECOND = 1_000_000
HOUR = 3600 * SECOND
DAY = 24 * HOUR

AHEAD = 120 * SECOND
"""How far the clock of whoever tells something may be ahead."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def micros_of(at: datetime) -> int:
    """The microseconds of an aware time, exact."""
    since = at - _EPOCH
    return since.days * DAY + since.seconds * SECOND + since.microseconds


def at_micros(micros: int) -> datetime:
    """The instant in UTC."""
    return _EPOCH + timedelta(0, 0, micros)


def micros_text(micros: int) -> str:
    """The instant as an RFC 3339 text in UTC; the fraction of a second only where there is one."""
    return at_micros(micros).isoformat().replace("+00:00", "Z")
