"""Who is told: listeners, what each chose, and when it wants to hear. Times are whole microseconds since 1970, UTC."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, time, timedelta
from enum import IntEnum
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from fieldworthy.core.base.micros import at_micros, micros_of
from fieldworthy.usecases.events import FITNESS_UNKNOWN, TEST, UNFIT, NewEvent

PREFIX = "lst_"
"""Of a listener's id; 24 hex digits follow."""

ON, OFF, GONE, REMOVED = "on", "off", "gone", "removed"
"""States: it is told; its owner turned it off; its receiver said 410; its owner removed it (it is in no list, its deliveries stay)."""


class Lane(IntEnum):
    """How an event goes out to a listener. In each lane what is of one machine goes in order; one lane does not wait for another."""

    ORDER = 0
    URGENT = 1  # ahead of quiet hours and digests
    DIGEST = 2  # several in one: of a day, or of what came up since the last mail


@dataclass(frozen=True, slots=True)
class Choice:
    """
    What a listener's owner says of it.

    url or email: where to. types, sites, kinds, standings: () for all; an event that has no kind (site, standing) passes only where none is
    chosen. timezone: an IANA name. quiet: local times (from, to), the same day or over midnight; digest: the local time of the daily one;
    urgent: types that wait for neither, nor for the next mail.
    """

    url: str | None = None
    email: str | None = None
    types: tuple[str, ...] = ()
    sites: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()
    standings: tuple[str, ...] = ()
    timezone: str = "UTC"
    quiet: tuple[time, time] | None = None
    digest: time | None = None
    urgent: tuple[str, ...] = (UNFIT, FITNESS_UNKNOWN)

    def wants(self, event: NewEvent) -> bool:
        """Whether an event is among what was chosen."""
        return (
            _among(event.type, self.types)
            and _among(event.site, self.sites)
            and _among(event.kind, self.kinds)
            and _among(event.standing, self.standings)
        )

    def lane(self, type: str) -> Lane:
        if type == TEST:
            return Lane.URGENT
        if self.digest is None and self.quiet is None and self.email is None:
            return Lane.ORDER
        if type in self.urgent:
            return Lane.URGENT
        return Lane.ORDER if self.digest is None and self.email is None else Lane.DIGEST

    def when(self, lane: Lane, moment: int) -> int:
        """When what comes up at a moment may go out: then, when the quiet hours end, or with the next digest."""
        if lane == Lane.URGENT:
            return moment
        zone = ZoneInfo(self.timezone)
        if lane == Lane.DIGEST and self.digest is not None:
            return _next(moment, self.digest, zone)
        if self.quiet is None:
            return moment
        start, end = self.quiet
        now = at_micros(moment).astimezone(zone).time()
        inside = start <= now < end if start <= end else now >= start or now < end
        return _next(moment, end, zone, twice=True) if inside else moment

    def to_json(self) -> dict[str, Any]:
        """As it is kept; `of` reads it."""
        return {
            "url": self.url,
            "email": self.email,
            "types": list(self.types),
            "sites": list(self.sites),
            "kinds": list(self.kinds),
            "standings": list(self.standings),
            "timezone": self.timezone,
            "quiet_hours": None if self.quiet is None else {"from": _time(self.quiet[0]), "to": _time(self.quiet[1])},
            "digest": None if self.digest is None else {"at": _time(self.digest)},
            "urgent": list(self.urgent),
        }

    @staticmethod
    def of(told: Mapping[str, Any]) -> "Choice":
        """From what `to_json` gives."""
        quiet, digest = told["quiet_hours"], told["digest"]
        return Choice(
            told["url"],
            told["email"],
            tuple(told["types"]),
            tuple(told["sites"]),
            tuple(told["kinds"]),
            tuple(told["standings"]),
            told["timezone"],
            None if quiet is None else (time.fromisoformat(quiet["from"]), time.fromisoformat(quiet["to"])),
            None if digest is None else time.fromisoformat(digest["at"]),
            tuple(told["urgent"]),
        )


@dataclass(frozen=True, slots=True)
class Listener:
    """
    One listener. key: the store's own; id: `lst_…`; revision: of name, choice and state, from 1.

    secret: as it is, to sign with; secret_before: the one before it, which signs too until that moment. failing: since when no try
    succeeded; hold: until when nothing is tried. Neither secret stands in a trail, and `repr` shows none.
    """

    key: int
    id: str
    revision: int
    name: str
    choice: Choice
    state: str
    secret: str = field(repr=False)
    secret_before: str | None = field(repr=False)
    secret_before_until: int | None
    failing: int | None
    hold: int | None
    made_at: int
    changed_at: int

    def secrets(self, moment: int) -> tuple[str, ...]:
        """Those that sign at a moment, the newest first."""
        before, until = self.secret_before, self.secret_before_until
        return (self.secret,) if before is None or until is None or moment >= until else (self.secret, before)


class Listeners(Protocol):
    """
    The listeners of one organisation, inside one transaction. What was removed is found by `by_key` alone.

    Whoever changes one locks it first (`find(id, lock=True)`); where deliveries are changed too, the listener's lock is taken before.
    Changes by people are noted in the trail as kind `listener`: revision, name, state, choice; never a secret.
    """

    async def add(self, name: str, choice: Choice, secret: str, moment: int, id: str | None = None) -> Listener:
        """
        A new one, on, at revision 1. id: the caller's own; None: one is made. Raises `listener_refusals.ListenerTaken` where one has it,
        or had it and was removed, and what went to it is still kept.
        """

    async def find(self, id: str, lock: bool = False) -> Listener | None: ...

    async def by_key(self, keys: Sequence[int]) -> Mapping[int, Listener]:
        """Those that there are, by key; removed ones too."""

    async def page(self, after: str | None, limit: int) -> Sequence[Listener]:
        """In the order of their ids, from behind `after` on."""

    async def count(self, lock: bool = False) -> int:
        """How many there are. lock: nobody makes another one until this transaction ends."""

    async def change(self, listener: Listener, name: str, choice: Choice, state: str, moment: int) -> Listener:
        """
        The next revision of a locked one; `failing` and `hold` begin anew, and what was never tried goes by its new hours. On: ON again;
        OFF: what waits is dropped; GONE (the worker, after 410): what waits is undelivered; REMOVED: what waits is dropped, and its secrets
        and its address are forgotten.
        """

    async def rotate(self, listener: Listener, secret: str, until: int, moment: int) -> Listener:
        """A new secret of a locked one; the one of now signs too until that moment, and one before it no more. Noted, without either."""

    async def tidy(self, moment: int) -> None:
        """Forgets secrets that sign no more, and removed ones of which no delivery is kept."""

    async def tested(self, listener: Listener, moment: int, most: int, within: int) -> int | None:
        """
        Notes a test of a locked one, if it had less than so many in the time before; None then, else when it may have the next: then
        nothing is noted.
        """

    async def health(self, key: int, failing: int | None, hold: int | None) -> None:
        """Notes how its receiver does; no change that people are told of."""


def _among(value: str | None, chosen: tuple[str, ...]) -> bool:
    return not chosen or value in chosen


def _time(at: time) -> str:
    return at.strftime("%H:%M")


def _next(moment: int, at: time, zone: ZoneInfo, twice: bool = False) -> int:
    """
    The first time after a moment that clocks there show `at`; where they skip it, as long after midnight as on the day before.

    twice: where clocks show it twice in one night, the second time counts too.
    """
    local = at_micros(moment).astimezone(zone)
    for days in range(3):
        then = datetime.combine(local.date() + timedelta(days=days), at, tzinfo=zone)
        first, second = (micros_of(then.replace(fold=fold).astimezone(UTC)) for fold in (0, 1))
        if first > moment:
            return first
        if twice and second > moment and second > first:  # (where clocks skip it, fold 1 is the earlier)
            return second
    raise AssertionError("within two days every time of day comes")
