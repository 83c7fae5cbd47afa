"""Work on kept machines: asked and opened in one, step by step, handed over and closed; and the locks and covers that are on."""

from typing import Never

from fieldworthy.client.bound import Bound, D, many, one
from fieldworthy.client.calls import Moment, get, path, post, write
from fieldworthy.client.shapes import (
    CloseAnswer,
    CloseIn,
    KeptClearanceAnswer,
    KeptClearanceIn,
    KeptHandOverIn,
    KeptPutOnIn,
    Lock,
    OpenAnswer,
    OpenIn,
    PutOnAnswer,
    StepAnswer,
    StepIn,
    TakenOffIn,
    Work,
    WorkAnswer,
)
from fieldworthy.client.steps import Flow

_OF = "/v1/machines/{}/"
_WORK = _OF + "open-work/{}"


class OpenWork(Bound[D]):
    """
    What is asked and told of work. It advises people: the machine's handbook, local rules and trained people come first.

    What is told once is told again as it was at first, however often it is sent: heed `valid_until`, and ask again before anybody starts.
    """

    @one
    def clearance(self, machine: str, question: KeptClearanceIn) -> Flow[Never, KeptClearanceAnswer]:
        """May this start now, by what is kept of the machine and what is reported with the question."""
        return self._caller.json(post(path(_OF + "clearance", machine), question))

    @one
    def open(self, machine: str, work: OpenIn, *, idempotency_key: str | None = None) -> Flow[Never, OpenAnswer]:
        """Asks, and opens the work where it may start: two that exclude each other are never both opened."""
        return self._caller.json(write("POST", path(_OF + "open-work", machine), work, idempotency_key))

    @one
    def begin(self, machine: str, work: str, step: int, told: StepIn, *, idempotency_key: str | None = None) -> Flow[Never, StepAnswer]:
        """Asks whether a step may start, and begins it where it may."""
        return self._caller.json(write("POST", path(_WORK + "/steps/{}", machine, work, step), told, idempotency_key))

    @one
    def finish(self, machine: str, work: str, step: int, told: StepIn, *, idempotency_key: str | None = None) -> Flow[Never, StepAnswer]:
        """Says that a step is done."""
        return self._caller.json(write("POST", path(_WORK + "/steps/{}/done", machine, work, step), told, idempotency_key))

    @one
    def hand_over(self, machine: str, work: str, told: KeptHandOverIn, *, idempotency_key: str | None = None) -> Flow[Never, WorkAnswer]:
        """Gives it into other hands, by name and with the reason."""
        return self._caller.json(write("POST", path(_WORK + "/hand-over", machine, work), told, idempotency_key))

    @one
    def close(self, machine: str, work: str, told: CloseIn, *, idempotency_key: str | None = None) -> Flow[Never, CloseAnswer]:
        """Closes it; a done record is kept."""
        return self._caller.json(write("POST", path(_WORK + "/close", machine, work), told, idempotency_key))

    @one
    def get(self, machine: str, work: str) -> Flow[Never, WorkAnswer]:
        """One work, open or closed."""
        return self._caller.json(get(path(_WORK, machine, work)))

    @many
    def of(self, machine: str, *, closed: bool = False, as_of: Moment | None = None) -> Flow[Work, None]:
        """What is open on a machine; closed: what was closed."""
        return self._caller.pages(path(_OF + "open-work", machine), {"closed": "yes" if closed else "no", "as_of": as_of})

    @many
    def locks(self, machine: str, *, taken_off: bool = False, as_of: Moment | None = None) -> Flow[Lock, None]:
        """Locks and covers that are on, and whose they are; taken_off: those that are off."""
        return self._caller.pages(path(_OF + "locks", machine), {"taken_off": "yes" if taken_off else "no", "as_of": as_of})

    @one
    def put_on(self, machine: str, lock: KeptPutOnIn, *, idempotency_key: str | None = None) -> Flow[Never, PutOnAnswer]:
        """Says that a lock or cover was put on."""
        return self._caller.json(write("POST", path(_OF + "put-on", machine), lock, idempotency_key))

    @one
    def take_off(self, machine: str, lock: TakenOffIn, *, idempotency_key: str | None = None) -> Flow[Never, None]:
        """Says that a lock or cover was taken off, by whoever had it in hand."""
        return self._caller.json(write("POST", path(_OF + "taken-off", machine), lock, idempotency_key))
