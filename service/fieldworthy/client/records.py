"""What is told of machines, one kind at a time: done records, working conditions, occurrences, evidence, findings, deferrals, meters."""

from collections.abc import Sequence
from typing import Generic, Never, TypeVar

from fieldworthy.client.bound import Bound, D, many, one
from fieldworthy.client.calls import Caller, Moment, get, path, write
from fieldworthy.client.shapes import Record, RecordPut, RecordsPut, RecordState
from fieldworthy.client.steps import Flow

In = TypeVar("In")
Item = TypeVar("Item")


class RecordRead(Record):
    """A record as it stands, and its `ETag`."""

    etag: str


class RecordKept(RecordPut):
    """What came of a put, and the state's `ETag`."""

    etag: str


class Told(Bound[D], Generic[D, In, Item]):
    """
    One kind of what is told of machines. In: one record; Item: the same with its id, one of many.

    Each has an id of your own: the same again changes nothing, and another body corrects what stood there, which stays readable.
    """

    def __init__(self, driver: D, caller: Caller, kind: str) -> None:
        super().__init__(driver, caller)
        self._kind = kind

    def __repr__(self) -> str:
        return f"<{self._kind} at {self._caller.address}>"

    @one
    def put(
        self, machine: str, id: str, record: In, *, if_match: str | None = None, if_new: bool = False, idempotency_key: str | None = None
    ) -> Flow[Never, RecordKept]:
        """Tells of one, or corrects it. if_match: only the state with this `etag`; if_new: only where there is none."""
        return self._caller.tagged(write("PUT", self._one(machine, id), record, idempotency_key, if_match, if_new))

    @one
    def post(self, machine: str, items: Sequence[Item], *, idempotency_key: str | None = None) -> Flow[Never, RecordsPut]:
        """Tells of up to 10,000 at once: all are kept, or none."""
        return self._caller.json(write("POST", self._all(machine), {"items": list(items)}, idempotency_key))

    @one
    def get(self, machine: str, id: str, *, as_of: Moment | None = None) -> Flow[Never, RecordRead]:
        """One as it stands, or as it stood."""
        return self._caller.tagged(get(self._one(machine, id), {"as_of": as_of}))

    @many
    def of(self, machine: str, *, about: str | None = None, as_of: Moment | None = None) -> Flow[Record, None]:
        """All of a machine, what happened last first. about: those of this task (fact, meter, ...)."""
        return self._caller.pages(self._all(machine), {"about": about, "as_of": as_of})

    @many
    def states(self, machine: str, id: str) -> Flow[RecordState, None]:
        """All states of one, the oldest first; `record` is None where it was withdrawn."""
        return self._caller.pages(f"{self._one(machine, id)}/states", {})

    @one
    def withdraw(self, machine: str, id: str, *, if_match: str | None = None, idempotency_key: str | None = None) -> Flow[Never, None]:
        """Says that it never was; what was told stays readable."""
        return self._caller.json(write("DELETE", self._one(machine, id), None, idempotency_key, if_match))

    def _all(self, machine: str) -> str:
        return path("/v1/machines/{}/" + self._kind, machine)

    def _one(self, machine: str, id: str) -> str:
        return path("/v1/machines/{}/" + self._kind + "/{}", machine, id)
