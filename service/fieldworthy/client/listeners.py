"""Listeners and deliveries: who is told what, and what became of it. For keys that administer."""

from typing import Never, TypedDict, Unpack

from fieldworthy.client.bound import Bound, D, many, one
from fieldworthy.client.calls import Moment, get, path, write
from fieldworthy.client.shapes import (
    DeliveryAnswer,
    DeliveryWithAttempts,
    ListenerAnswer,
    ListenerMade,
    ListenerPostIn,
    ListenerPutIn,
    SecretRotated,
    SentAgain,
    TestSent,
)
from fieldworthy.client.steps import Flow

_ONE = "/v1/listeners/{}"


class ListenerRead(ListenerAnswer):
    """A listener as it stands, and its `ETag`."""

    etag: str


class DeliveryFilter(TypedDict, total=False):
    """Which deliveries. listener, machine: by their ids; state: `waiting`, `delivered`, `undelivered` or `dropped`."""

    listener: str
    machine: str
    state: str


class Listening(Bound[D]):
    """Who is told what. Secrets are shown when they are made, and by nothing else."""

    @one
    def add(self, listener: ListenerPostIn, *, idempotency_key: str | None = None) -> Flow[Never, ListenerMade]:
        """
        Makes a listener. The secret in the answer is what its receiver checks signatures by: keep it there.

        Where that answer was lost, the next try is refused (`request.shown_once`) and names the listener: give it another secret.
        """
        return self._caller.json(write("POST", "/v1/listeners", listener, idempotency_key))

    @one
    def get(self, id: str) -> Flow[Never, ListenerRead]:
        """One as it stands."""
        return self._caller.tagged(get(path(_ONE, id)))

    @many
    def all(self) -> Flow[ListenerAnswer, None]:
        """All, in the order of their ids."""
        return self._caller.pages("/v1/listeners", {})

    @one
    def put(
        self, id: str, listener: ListenerPutIn, *, if_match: str | None = None, idempotency_key: str | None = None
    ) -> Flow[Never, ListenerRead]:
        """Changes one: the whole of it. if_match: only the state with this `etag`."""
        return self._caller.tagged(write("PUT", path(_ONE, id), listener, idempotency_key, if_match))

    @one
    def remove(self, id: str, *, if_match: str | None = None, idempotency_key: str | None = None) -> Flow[Never, None]:
        """Removes one; what waits for it is dropped."""
        return self._caller.json(write("DELETE", path(_ONE, id), None, idempotency_key, if_match))

    @one
    def rotate(self, id: str, *, overlap_hours: int = 24, idempotency_key: str | None = None) -> Flow[Never, SecretRotated]:
        """A new secret; for so many hours the earlier one signs too."""
        return self._caller.json(write("POST", path(_ONE + "/secret", id), {"overlap_hours": overlap_hours}, idempotency_key))

    @one
    def test(self, id: str, *, idempotency_key: str | None = None) -> Flow[Never, TestSent]:
        """Sends it a test; `delivery` tells what became of that."""
        return self._caller.json(write("POST", path(_ONE + "/test", id), None, idempotency_key))

    @many
    def deliveries(
        self, *, first: Moment | None = None, until: Moment | None = None, **wanted: Unpack[DeliveryFilter]
    ) -> Flow[DeliveryAnswer, None]:
        """What went to whom, the newest event first. first, until: of the event's time, the former included."""
        return self._caller.pages("/v1/deliveries", {"from": first, "to": until, **wanted})

    @one
    def delivery(self, id: str) -> Flow[Never, DeliveryWithAttempts]:
        """What became of one, with each attempt."""
        return self._caller.json(get(path("/v1/deliveries/{}", id)))

    @one
    def again(
        self, listener: str, *, first: Moment | None = None, until: Moment | None = None, idempotency_key: str | None = None
    ) -> Flow[Never, SentAgain]:
        """Sends once more what stayed undelivered of a listener. first, until: of the event's time, the former included."""
        told = {"listener": listener, "from": first, "to": until}
        body = {name: value for name, value in told.items() if value is not None}
        return self._caller.json(write("POST", "/v1/deliveries/again", body, idempotency_key))
