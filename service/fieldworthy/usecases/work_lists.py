"""Lists of a machine's work and of its locks and covers, a page at a time, as they are or as they were."""

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from fieldworthy.core.base.micros import micros_text
from fieldworthy.usecases.as_of import refuse_ahead
from fieldworthy.usecases.keep_machines import known_machine
from fieldworthy.usecases.kept import Entry, Kept
from fieldworthy.usecases.open_work import WORK, Work, read_work
from fieldworthy.usecases.refusals import MachineNotYetKept
from fieldworthy.usecases.work_locks import PUT_ON, holder_of

Item = TypeVar("Item")


@dataclass(frozen=True, slots=True)
class Listed(Generic[Item]):
    """
    A page. next: (at, id) to go on before, None where there are no more; as_of: of the state of things that it shows; places: each item's.
    """

    items: Sequence[Item]
    next: tuple[int, str] | None
    as_of: int
    places: Sequence[tuple[int, str]]


async def list_work(kept: Kept, machine: str, closed: bool, limit: int, before: tuple[int, str] | None, as_of: int | None) -> Listed[Work]:
    """What is open, or what was closed; opened last first. Raises MachineUnknown, MachineNotYetKept, QuestionDoesNotFit."""
    return await _listed(kept, machine, WORK, not closed, limit, before, as_of, read_work)


async def list_locks(
    kept: Kept, machine: str, taken_off: bool, limit: int, before: tuple[int, str] | None, as_of: int | None
) -> Listed[dict[str, Any]]:
    """Those that are on, or those that were taken off since they were last put on; put on last first. Raises the same."""
    return await _listed(kept, machine, PUT_ON, not taken_off, limit, before, as_of, _lock)


async def _listed(
    kept: Kept,
    machine: str,
    kind: str,
    is_open: bool,
    limit: int,
    before: tuple[int, str] | None,
    as_of: int | None,
    read: Callable[[Entry], Item],
) -> Listed[Item]:
    of = await known_machine(kept, machine)
    if as_of is not None:
        refuse_ahead(as_of, await kept.moment(), of.known)
        if of.key not in await kept.entries.documents([of.key], as_of):
            raise MachineNotYetKept(machine, micros_text(as_of))
    page = await kept.entries.page(of.key, kind, limit + 1, before, as_of, open=is_open)
    shown = page[:limit]
    following = (shown[-1].at, shown[-1].id) if len(page) > limit else None
    return Listed([read(entry) for entry in shown], following, of.known if as_of is None else as_of, [(e.at, e.id) for e in shown])


def _lock(entry: Entry) -> dict[str, Any]:
    told = json.loads(entry.body)
    return {
        "fact": told["fact"],
        "state": told["state"],
        "by": told["by"],
        "hand_over": told.get("hand_over"),
        "holder": holder_of(told),
        "since": micros_text(entry.at),
        "known": micros_text(entry.known),
        "taken_off": told.get("taken_off"),
    }
