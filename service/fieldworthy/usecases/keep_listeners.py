"""Listeners and deliveries: who is told what, and what became of it. For who administers an organisation."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import time
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo, available_timezones

from fieldworthy.core.base.finding import Finding, did_you_mean
from fieldworthy.core.base.micros import HOUR, micros_text
from fieldworthy.usecases.alert_rules import AlertRules
from fieldworthy.usecases.deliveries import MOST_HURRIED, Attempt, Delivery
from fieldworthy.usecases.events import TEST, TYPES, NewEvent
from fieldworthy.usecases.kept import Kept
from fieldworthy.usecases.letters import is_mail_address
from fieldworthy.usecases.listener_refusals import (
    DeliveryUnknown,
    ListenerChanged,
    ListenerNotOn,
    ListenerRefused,
    ListenersTooMany,
    ListenerUnknown,
    NoSecret,
    TestsTooMany,
)
from fieldworthy.usecases.listeners import ON, REMOVED, Choice, Listener
from fieldworthy.usecases.only_if import ALWAYS, OnlyIf, tag_of
from fieldworthy.usecases.reachable import NotReachable
from fieldworthy.usecases.signing import secret_text

MOST_LISTENERS = 100
"""Of one organisation."""

MOST_TESTS = 10
"""Of one listener in an hour: whoever has the address did not ask for them."""

SECRET_BYTES = 32
USUAL_OVERLAP_HOURS, MOST_OVERLAP_HOURS = 24, 168
"""Of a rotation: for so long the earlier secret signs too."""

CHOSEN = tuple(type for type in TYPES if type != TEST)
"""The types that a listener may choose."""


_BY_MAIL_AT_ONCE = frozenset(Choice().urgent)  # each is a mail of its own: all else goes together


@dataclass(frozen=True, slots=True)
class Tested:
    """A test that is on its way. event, delivery: their ids."""

    event: str
    delivery: str


class KeepListeners:
    """The deeds, each inside a transaction that its caller begins and ends."""

    def __init__(self, rules: AlertRules) -> None:
        self._rules = rules

    def choice(self, told: Mapping[str, Any]) -> Choice:
        """What a request says of a listener, validated in its shape. Raises ListenerRefused."""
        url, email = told.get("url"), told.get("email")
        if (url is None) == (email is None):
            raise _refused(
                "/url", "a listener has one of `url` and `email`", "give where it is told: an address of software, or of a person"
            )
        if url is not None:
            try:
                self._rules.reach.receiver(url)
            except NotReachable as trouble:
                raise _refused("/url", f"that can't be a listener's address: {trouble.why}", trouble.mend) from None
        if email is not None:
            if not is_mail_address(email):
                raise _refused("/email", "that is no mail address", "write it alone, as in `foreman@farm.example`")
            if not _BY_MAIL_AT_ONCE.issuperset(told.get("urgent", ())):
                mend = f"leave `urgent` out, or choose of {', '.join(f'`{type}`' for type in Choice().urgent)}"
                raise _refused("/urgent", "by mail only what says whether a machine is fit for work goes at once", mend)
            if self._rules.mail is None:
                raise _refused("/email", "this service sends no mail", "give a `url`; whoever runs the service names a mail server")
        zone = told.get("timezone", "UTC")
        if not _is_zone(zone):
            mend = did_you_mean(zone, sorted(_zones()), "write a name of the IANA time zone database, as in `Europe/London`")
            raise _refused("/timezone", f"there is no time zone `{zone}`", mend)
        quiet, digest = told.get("quiet_hours"), told.get("digest")
        if quiet is not None and quiet["from"] == quiet["to"]:
            raise _refused(
                "/quiet_hours/to", "quiet hours that end when they begin are none, or all", "leave `quiet_hours` out, or turn it off"
            )
        types, sites, kinds, standings = (tuple(dict.fromkeys(told.get(name, ()))) for name in ("types", "sites", "kinds", "standings"))
        return Choice(
            url,
            email,
            types,
            sites,
            kinds,
            standings,
            zone,
            None if quiet is None else (time.fromisoformat(quiet["from"]), time.fromisoformat(quiet["to"])),
            None if digest is None else time.fromisoformat(digest["at"]),
            tuple(dict.fromkeys(told.get("urgent", Choice().urgent))),
        )

    async def add(self, kept: Kept, told: Mapping[str, Any]) -> Listener:
        """A new one; its secret is to be shown this once. Raises ListenerRefused, ListenersTooMany, ListenerTaken."""
        choice = self.choice(told)
        if await kept.listeners.count(lock=True) >= MOST_LISTENERS:
            raise ListenersTooMany(MOST_LISTENERS)
        return await kept.listeners.add(told["name"], choice, _secret(kept), await kept.moment(), told.get("id"))

    async def change(self, kept: Kept, id: str, told: Mapping[str, Any], only_if: OnlyIf = ALWAYS) -> Listener:
        """
        Puts what is told in place of what was; `state` may turn it on or off, and where it is not told it stays as it is. What failed
        before is tried at once: it may have been mended by this.

        Raises ListenerUnknown, ListenerChanged, ListenerRefused.
        """
        choice = self.choice(told)
        before = await self._locked(kept, id, only_if)
        state = told.get("state", before.state)
        if (told["name"], choice, state) == (before.name, before.choice, before.state):
            return before
        moment = await kept.moment()
        changed = await kept.listeners.change(before, told["name"], choice, state, moment)
        if before.failing is not None and changed.state == ON:
            await kept.deliveries.hurry(changed.key, moment, MOST_HURRIED)
        return changed

    async def remove(self, kept: Kept, id: str, only_if: OnlyIf = ALWAYS) -> None:
        """Ends it; what waits for it is dropped. Raises ListenerUnknown, ListenerChanged."""
        before = await self._locked(kept, id, only_if)
        await kept.listeners.change(before, before.name, before.choice, REMOVED, await kept.moment())

    async def rotate(self, kept: Kept, id: str, overlap_hours: int = USUAL_OVERLAP_HOURS) -> Listener:
        """A new secret, to be shown this once; for so many hours the earlier one signs too. Raises ListenerUnknown, NoSecret."""
        before = await self._locked(kept, id)
        if before.choice.url is None:
            raise NoSecret(id)
        moment = await kept.moment()
        return await kept.listeners.rotate(before, _secret(kept), moment + overlap_hours * HOUR, moment)

    async def test(self, kept: Kept, id: str) -> Tested:
        """Sends it a test, ahead of quiet hours and digests. Raises ListenerUnknown, ListenerNotOn, TestsTooMany."""
        listener = await self._locked(kept, id)
        if listener.state != ON:
            raise ListenerNotOn(id, listener.state)
        told, moment = {"listener": listener.id, "name": listener.name}, await kept.moment()
        later = await kept.listeners.tested(listener, moment, MOST_TESTS, HOUR)
        if later is not None:
            raise TestsTooMany(id, MOST_TESTS, micros_text(later))
        (made,) = kept.events.add([NewEvent(TEST, moment, f"listeners/{listener.id}", told)], only=listener.key)
        kept.trail.note("listener", listener.id, moment, {"test": None}, {"test": made})
        return Tested(made, f"{made}-{listener.id}")

    async def again(self, kept: Kept, id: str, first: int | None, until: int | None) -> int:
        """What stayed undelivered of that time goes out once more; how many. Raises ListenerUnknown, ListenerNotOn."""
        listener = await self._locked(kept, id)
        if listener.state != ON:
            raise ListenerNotOn(id, listener.state)
        moment = await kept.moment()
        sent = await kept.deliveries.again(listener.key, first, until, moment)
        if sent:
            told = {name: micros_text(at) for name, at in (("from", first), ("to", until)) if at is not None}
            kept.trail.note("listener", listener.id, moment, {"sent_again": None}, {"sent_again": sent, **told})
        return sent

    @staticmethod
    async def _locked(kept: Kept, id: str, only_if: OnlyIf = ALWAYS) -> Listener:
        found = await kept.listeners.find(id, lock=True)
        if found is None:
            raise ListenerUnknown(id)
        if not only_if.lets_change(tag_of(found.revision)):
            raise ListenerChanged(id, found.revision)
        return found


async def read_listener(kept: Kept, id: str) -> Listener:
    """Raises ListenerUnknown."""
    found = await kept.listeners.find(id)
    if found is None:
        raise ListenerUnknown(id)
    return found


async def read_delivery(kept: Kept, id: str) -> tuple[Delivery, list[Attempt]]:
    """With its attempts, the oldest first. Raises DeliveryUnknown."""
    found = await kept.deliveries.find(id)
    if found is None:
        raise DeliveryUnknown(id)
    return found, list(await kept.deliveries.attempts(found))


def _secret(kept: Kept) -> str:
    return secret_text(kept.chance(SECRET_BYTES))


def _refused(path: str, message: str, mend: str) -> ListenerRefused:
    return ListenerRefused(Finding("listener.does_not_fit", message, mend, path=path))


@cache
def _zones() -> frozenset[str]:
    """The names of time zones that there are: looked for once, for that reads a folder of some hundred files."""
    return frozenset(available_timezones())


def _is_zone(name: str) -> bool:
    if name not in _zones():
        return False
    ZoneInfo(name)
    return True
