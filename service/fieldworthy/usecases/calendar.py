"""What a calendar shows: the tasks that have a day, from the standings that are kept ready."""

import json
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from hashlib import sha256
from typing import Any

from fieldworthy.usecases.asking import Finders
from fieldworthy.usecases.kept import KeepStore, Machine
from fieldworthy.usecases.kept_standings import URGENCY, Computed, Row, Scope
from fieldworthy.usecases.ports import StoreUnavailable
from fieldworthy.usecases.refusals import MachineUnknown, Refusal
from fieldworthy.usecases.standings import AT_A_REQUEST, Recompute

MOST_EVENTS = 10_000
"""Tasks of one calendar; of more the soonest are shown, and how many are not is told."""

_FORM = "1"
"""Of what the tag is made with: another where a calendar is written otherwise."""

_MOST_REASONS = 10
_UNKNOWN = URGENCY.index("unknown")


@dataclass(frozen=True, slots=True)
class Dated:
    """
    One task on one day. uid: of the task, the same in every feed; sequence: how often its day has moved; changed: when its standing was
    computed; expected: the day is a forecast; between: the days of its range; parts: titles and numbers of the parts that it may take.
    """

    uid: str
    day: str
    sequence: int
    changed: int
    as_of: int
    machine: str
    site: str | None
    fit: str | None
    title: str
    kind: str
    standing: str
    rule: str | None
    rulebook: str
    reasons: Sequence[str]
    expected: bool
    between: tuple[str, str] | None
    needs: str | None
    parts: Sequence[str]


@dataclass(frozen=True, slots=True)
class Calendar:
    """
    The tasks of a scope. tag: the same as long as nothing of it is another; events: None where the asker has that state already; unknown,
    undated, more: tasks whose standing is not known, that have no day, and that have one and are too many; problems: machines without
    standings; stale: machines that are being computed anew; computed_at: of the oldest standings; changed: of the newest.
    """

    scope: Scope
    tag: str
    events: Sequence[Dated] | None
    unknown: int
    undated: int
    more: int
    problems: int
    stale: int
    computed_at: int | None
    changed: int | None


class AskCalendar:
    """The calendar of a machine, of a site, or of the fleet."""

    def __init__(self, store: KeepStore, find: Finders, recompute: Recompute) -> None:
        self._store = store
        self._find = find
        self._recompute = recompute

    async def __call__(self, organisation: int, scope: Scope, has: Callable[[str], bool]) -> Calendar:
        """
        has: whether the asker has the state of that tag. What a few machines may have changed is computed first; what is left is told as
        stale, and computed soon after. Raises MachineUnknown.
        """
        async with self._store.look(organisation) as kept:
            if scope.machine is not None and await kept.machines.find(scope.machine) is None:
                raise MachineUnknown(scope.machine, await kept.machines.close_ids(scope.machine, 3))
            stale = (await kept.standings.summary(await kept.moment(), scope)).stale
        if stale:
            with suppress(StoreUnavailable):  # where nothing can be written, what there is can still be read
                await self._recompute(organisation, AT_A_REQUEST, scope)
        found: list[tuple[Row, int]] = []
        async with self._store.look(organisation) as kept:
            summary = await kept.standings.summary(await kept.moment(), scope)
            made = await kept.standings.made_of(scope)
            tag = _tag(organisation, scope, made, summary.stale)
            known = has(tag)
            if not known:  # who looks often knows it nearly always: so what is dear is read only here
                async for some in kept.standings.dated(scope, MOST_EVENTS):
                    found += some
            computed = await kept.standings.computed({row.machine for row, _ in found})
            dated = len(found) if len(found) < MOST_EVENTS else await kept.standings.count_dated(scope)
        if summary.stale:
            self._recompute.wanted.set()
        events = None if known else await self._events(organisation, found, computed)
        told, unknown = sum(summary.counts), summary.counts[_UNKNOWN]
        return Calendar(
            scope,
            tag,
            events,
            unknown,
            told - unknown - dated,
            dated - len(found),
            summary.problems,
            summary.stale,
            summary.computed_at,
            max((at for _, _, at, _, _ in made), default=None),
        )

    async def _events(
        self, organisation: int, found: Sequence[tuple[Row, int]], computed: Mapping[int, tuple[Machine, Computed]]
    ) -> Sequence[Dated]:
        parts: dict[str, Mapping[str, Sequence[str]]] = {}
        events = []
        for row, sequence in found:
            machine, made = computed[row.machine]
            rulebook = f"{made.rulebook}@{made.version}"
            if rulebook not in parts:
                parts[rulebook] = await self._parts(organisation, rulebook)
            events.append(_dated(organisation, row, sequence, machine, made, parts[rulebook].get(row.task, ())))
        return events

    async def _parts(self, organisation: int, rulebook: str) -> Mapping[str, Sequence[str]]:
        """What each task of a rulebook may take along: that of every option, for the exact list is asked for."""
        try:
            book = (await self._find.of(organisation)(rulebook)).book
        except Refusal:
            return {}
        return {
            name: list(dict.fromkeys(f"{book.parts[line.part].title} ({line.part})" for line in task.uses if line.part in book.parts))
            for name, task in book.tasks.items()
        }


def uid_of(organisation: int, machine: str, task: str) -> str:
    """The UID of a task's event: the same for ever and in every feed, and nothing can be read from it."""
    return sha256(json.dumps([organisation, machine, task]).encode()).hexdigest()[:32] + "@fieldworthy"


def _tag(organisation: int, scope: Scope, made: Sequence[Sequence[int]], stale: int) -> str:
    """Of all that goes into a calendar: standings that were computed at another moment may be others. made: `Standings.made_of`."""
    return sha256(json.dumps([_FORM, organisation, scope.machine, scope.site, stale, made]).encode()).hexdigest()[:32]


def _dated(organisation: int, row: Row, sequence: int, machine: Machine, made: Computed, parts: Sequence[str]) -> Dated:
    told: Mapping[str, Any] = json.loads(row.body)
    expected = told["expected"]
    is_ahead = told["standing"] in ("upcoming", "clear")
    between = (expected["from"], expected["to"]) if expected and expected["from"] and expected["to"] else None
    reasons = [reason["text"] for reason in told["because"]]
    if len(reasons) > _MOST_REASONS:
        reasons = [*reasons[:_MOST_REASONS], f"… and {len(reasons) - _MOST_REASONS} more reasons."]
    return Dated(
        uid_of(organisation, machine.id, row.task),
        str(row.day),
        sequence,
        made.at,
        made.as_of,
        machine.id,
        machine.site,
        made.fit,
        told["title"],
        told["kind"],
        told["standing"],
        told["rule"],
        f"{made.rulebook}@{made.version}",
        reasons,
        is_ahead and expected is not None and expected["date"] != told["due_at"]["date"],
        between if is_ahead else None,
        told["needs"],
        parts,
    )
