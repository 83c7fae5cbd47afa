"""Readings: many at once, those that were set aside, and what is kept."""

from collections.abc import Mapping, Sequence
from typing import Any, Never

from fieldworthy.client.bound import Bound, D, many, one
from fieldworthy.client.bulk import MOST_READINGS, Progress, Readings, post_readings
from fieldworthy.client.calls import JSON, Ask, Moment, Query, encoded, path, write
from fieldworthy.client.posted import Posted
from fieldworthy.client.shapes import (
    AsideItem,
    CountersIn,
    KeptReading,
    NewDialIn,
    ReadAsIn,
    ReadingsAnswer,
    SentReadingIn,
    TelematicsAnswer,
)
from fieldworthy.client.steps import Flow

_BLANKS = b" \t\r\n"


class Intake(Bound[D]):
    """What is told and asked of readings."""

    @one
    def post_readings(
        self,
        readings: Readings,
        *,
        progress: Progress | None = None,
        skip: int = 0,
        run: str | None = None,
        most: int = MOST_READINGS,
    ) -> Flow[Never, Posted]:
        """
        Any number of readings, cut into posts; tells what became of them: kept, the same as what is kept, or set aside and why.

        readings: taken as they are sent, never all at once; progress: called after each post with what came of all so far; most: of one
        post. Nothing is lost or doubled when the service goes away in between: a post is sent with the same key until it is answered.
        Where that takes too long, the error has `posted`: the same call with `skip=posted.sent` and `run=posted.run` goes on from there.
        A reading that is malformed refuses its post, and `pointer` says which it is of all, from 0.
        """
        return post_readings(self._caller, readings, progress, skip, run, most)

    @one
    def post_reading_list(self, readings: Sequence[SentReadingIn], *, idempotency_key: str | None = None) -> Flow[Never, ReadingsAnswer]:
        """One post of up to 50,000 readings, with what became of each."""
        return self._caller.json(write("POST", "/v1/readings", list(readings), idempotency_key))

    @one
    def post_telematics(
        self,
        page: str | bytes | Mapping[str, Any],
        *,
        query: Mapping[str, str] | None = None,
        idempotency_key: str | None = None,
    ) -> Flow[Never, TelematicsAnswer]:
        """
        A page as ISO/TS 15143-3 has it: XML or JSON as text or bytes, or JSON as data. query: how its elements are read, by the contract.

        JSON as text keeps every number as it was written.
        """
        if isinstance(page, Mapping):
            body, kind = encoded(page), JSON
        else:
            body = page.encode() if isinstance(page, str) else page
            kind = JSON if body.lstrip(_BLANKS).startswith(b"{") else "application/xml"
        headers = {"content-type": kind, **write("POST", "/", key=idempotency_key).headers}
        return self._caller.json(Ask("POST", "/v1/readings/iso15143-3", query or {}, body, headers))

    @one
    def post_counters(self, counters: CountersIn, *, idempotency_key: str | None = None) -> Flow[Never, TelematicsAnswer]:
        """Counters as they come from the bus: SAE J1939 SPNs, ISO 11783-11 DDIs."""
        return self._caller.json(write("POST", "/v1/readings/counters", counters, idempotency_key))

    @many
    def readings(
        self,
        machine: str,
        *,
        meter: str | None = None,
        first: Moment | None = None,
        until: Moment | None = None,
        as_of: Moment | None = None,
    ) -> Flow[KeptReading, None]:
        """What is kept of a machine's meters, the newest first. first: nothing earlier; until: nothing from then on."""
        query: Query = {"meter": meter, "from": first, "to": until, "as_of": as_of}
        return self._caller.pages(path("/v1/machines/{}/readings", machine), query)

    @many
    def set_aside(self, *, machine: str | None = None, why: str | None = None, settled: bool = False) -> Flow[AsideItem, None]:
        """Readings that were set aside and wait, the oldest first; settled: those that were accepted or dismissed."""
        return self._caller.pages("/v1/set-aside", {"machine": machine, "why": why, "settled": "yes" if settled else "no"})

    @one
    def accept(
        self,
        id: str,
        *,
        by: str,
        why: str,
        read_as: ReadAsIn | None = None,
        replaced_meter: NewDialIn | None = None,
        idempotency_key: str | None = None,
    ) -> Flow[Never, AsideItem]:
        """Keeps a reading that was set aside. read_as: another value or unit in its place; replaced_meter: it was before."""
        given = {"by": by, "why": why, "as": read_as, "replaced_meter": replaced_meter}
        told = {name: value for name, value in given.items() if value is not None}
        return self._caller.json(write("POST", path("/v1/set-aside/{}/accept", id), told, idempotency_key))

    @one
    def dismiss(self, id: str, *, by: str, why: str, idempotency_key: str | None = None) -> Flow[Never, AsideItem]:
        """Does not keep it; it waits no longer."""
        return self._caller.json(write("POST", path("/v1/set-aside/{}/dismiss", id), {"by": by, "why": why}, idempotency_key))
