"""Machines that are kept, and what is due on them."""

from collections.abc import Sequence
from datetime import date
from typing import Never, TypedDict, Unpack

from fieldworthy.client.bound import Bound, D, many, one
from fieldworthy.client.calls import Moment, Query, get, path, write
from fieldworthy.client.shapes import (
    AuditLine,
    CloudEvent,
    EventsPage,
    FleetAnswer,
    FleetTask,
    KeptDueAnswer,
    KeptMachine,
    KeptMachineIn,
    MachineItem,
    MachinePut,
    MachinesPut,
)
from fieldworthy.client.steps import Flow


class MachineRead(KeptMachine):
    """A machine's document as it stands, and its `ETag`."""

    etag: str


class MachineKept(MachinePut):
    """What came of a put, and the state's `ETag`."""

    etag: str


class FleetFilter(TypedDict, total=False):
    """Which tasks of the fleet. standing, fit: words with commas between them; rulebook: `name` or `name@3`; before: a day."""

    standing: str
    kind: str
    skill: str
    site: str
    rulebook: str
    machine: str
    fit: str
    before: str | date
    as_of: Moment


class AuditFilter(TypedDict, total=False):
    """Which changes. who: a key's id, a token's subject, or a person; id: of the thing, or of the machine and all that belongs to it."""

    who: str
    kind: str
    id: str


class EventFilter(TypedDict, total=False):
    """Which events. type: as `fieldworthy.task.due`; machine: its id."""

    type: str
    machine: str


class Machines(Bound[D]):
    """What is told and asked of machines."""

    @one
    def put_machine(
        self,
        id: str,
        document: KeptMachineIn,
        *,
        if_match: str | None = None,
        if_new: bool = False,
        idempotency_key: str | None = None,
    ) -> Flow[Never, MachineKept]:
        """Keeps a machine, or changes it. if_match: only the state with this `etag`; if_new: only where there is none."""
        return self._caller.tagged(write("PUT", path("/v1/machines/{}", id), document, idempotency_key, if_match, if_new))

    @one
    def post_machines(self, items: Sequence[MachineItem], *, idempotency_key: str | None = None) -> Flow[Never, MachinesPut]:
        """Keeps up to 1,000 machines: all of them, or none."""
        return self._caller.json(write("POST", "/v1/machines", {"items": list(items)}, idempotency_key))

    @one
    def machine(self, id: str, *, as_of: Moment | None = None) -> Flow[Never, MachineRead]:
        """A machine's document as it stands, or as it stood."""
        return self._caller.tagged(get(path("/v1/machines/{}", id), {"as_of": as_of}))

    @many
    def machines(self, *, site: str | None = None, rulebook: str | None = None) -> Flow[KeptMachine, None]:
        """All machines, in the order of their ids."""
        return self._caller.pages("/v1/machines", {"site": site, "rulebook": rulebook})

    @one
    def machine_due(
        self,
        id: str,
        *,
        now: Moment | None = None,
        as_of: Moment | None = None,
        tasks: Sequence[str] | None = None,
        notice_share: float | None = None,
        notice_days: int | None = None,
    ) -> Flow[Never, KeptDueAnswer]:
        """What is due on a kept machine, and why. With the same `now` and `as_of` the answer stays the same for ever."""
        query: Query = {
            "now": now,
            "as_of": as_of,
            "tasks": None if tasks is None else ",".join(tasks),
            "notice_share": notice_share,
            "notice_days": notice_days,
        }
        return self._caller.json(get(path("/v1/machines/{}/due", id), query))

    @many
    def fleet_due(self, **wanted: Unpack[FleetFilter]) -> Flow[FleetTask, None]:
        """
        The tasks of all machines, the most urgent first.

        It tells tasks alone: which machines must not work, which can't be judged, and how many are still to be computed, tells `fleet`.
        """
        return self._caller.pages("/v1/due", wanted)

    @one
    def fleet(
        self,
        *,
        limit: int = 50,
        after: str | None = None,
        **wanted: Unpack[FleetFilter],
    ) -> Flow[Never, FleetAnswer]:
        """One page of the same, with the counts, the machines that must not work, those that have a problem, and how many are `stale`."""
        return self._caller.json(get("/v1/due", {**wanted, "limit": limit, "after": after}))

    @many
    def events(self, *, first: Moment | None = None, until: Moment | None = None, **wanted: Unpack[EventFilter]) -> Flow[CloudEvent, None]:
        """What happened, the oldest first, each event a CloudEvent. first: nothing earlier; until: nothing from then on."""
        return self._caller.pages("/v1/events", {"from": first, "to": until, **wanted})

    @one
    def events_page(
        self,
        *,
        first: Moment | None = None,
        until: Moment | None = None,
        limit: int = 50,
        after: str | None = None,
        **wanted: Unpack[EventFilter],
    ) -> Flow[Never, EventsPage]:
        """One page of the same. after: `resume` of an earlier page: only what came since, so that who asks now and then misses nothing."""
        return self._caller.json(get("/v1/events", {"from": first, "to": until, **wanted, "limit": limit, "after": after}))

    @many
    def audit(self, *, first: Moment | None = None, until: Moment | None = None, **wanted: Unpack[AuditFilter]) -> Flow[AuditLine, None]:
        """Who changed what, the newest first; for who may `administer`. first: nothing earlier; until: nothing from then on."""
        return self._caller.pages("/v1/audit", {"from": first, "to": until, **wanted})
