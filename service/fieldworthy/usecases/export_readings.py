"""All readings of a machine, of a site, or of the fleet, for tables: by machine, then by meter, the oldest first.

However many there are, a few thousand are in memory, and no transaction waits for whoever listens: each piece is read by one of its own,
as of the moment at which the first one began, so that all of them are of one state of everything.
"""

from collections import deque
from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.core.base.names import key as key_of
from fieldworthy.core.base.vocabulary import Meter as Declared
from fieldworthy.usecases.find_rulebook import FindWithin
from fieldworthy.usecases.kept import KeepStore, Kept, Machine
from fieldworthy.usecases.refusals import MachineUnknown, Refusal, shorten

AT_ONCE = 5_000
"""Readings of one piece."""

_MACHINES = 200

Line = tuple[str, str, int, str | None, int, int]
"""One reading: machine, meter, value [millionths], unit, at, kept at [microseconds since 1970]."""


@dataclass(frozen=True, slots=True)
class Chosen:
    """Which readings. machine: its id, or site; meter: its name; first: nothing earlier; until: nothing from then on."""

    machine: str | None = None
    site: str | None = None
    meter: str | None = None
    first: int | None = None
    until: int | None = None


class _Meter(NamedTuple):
    """A meter whose readings are to be given. unit: where a reading has none."""

    machine: str
    key: int
    name: str
    unit: str | None


@dataclass(slots=True)
class _Place:
    """
    How far it came. last: the machine that the last page ended with, None before the first; waiting: meters of that page; after: the last
    reading that was given of the first of them.
    """

    last: str | None = None
    is_over: bool = False
    waiting: deque[_Meter] = field(default_factory=deque)
    after: int | None = None


class ExportReadings:
    """Gives the readings, some at a time."""

    def __init__(self, store: KeepStore, find: FindWithin) -> None:
        self._store = store
        self._find = find

    async def __call__(self, organisation: int, chosen: Chosen) -> AsyncIterator[Sequence[Line]]:
        """Raises MachineUnknown, and Refused for a meter that the one machine has not, before anything is given."""
        place = _Place()
        async with self._store.look(organisation) as kept:
            as_of = max(await kept.moment(), await kept.machines.newest_known())
        settled: int | None = as_of  # whoever is keeping something by then is waited for once: so all pieces are of one state
        while not place.is_over or place.waiting:
            async with self._store.look(organisation, settled) as kept:
                lines = await self._some(kept, chosen, place, as_of)
            settled = None
            if lines:
                yield lines

    async def _some(self, kept: Kept, chosen: Chosen, place: _Place, as_of: int) -> Sequence[Line]:
        lines: list[Line] = []
        while len(lines) < AT_ONCE:
            if not place.waiting:
                if place.is_over:
                    break
                await self._next_page(kept, chosen, place)
                continue
            meter = place.waiting[0]
            limit = AT_ONCE - len(lines)
            first = chosen.first if place.after is None else place.after + 1
            found = await kept.readings.onward(meter.key, limit, first, chosen.until, as_of)
            lines += [(meter.machine, meter.name, r.value, r.unit or meter.unit, r.at, r.known) for r in found]
            if len(found) < limit:
                place.waiting.popleft()
                place.after = None
            else:
                place.after = found[-1].at
        return lines

    async def _next_page(self, kept: Kept, chosen: Chosen, place: _Place) -> None:
        if chosen.machine is not None:
            machine = await kept.machines.find(chosen.machine)
            if machine is None:
                raise MachineUnknown(chosen.machine, await kept.machines.close_ids(chosen.machine, 3))
            page: Sequence[Machine] = [machine] if chosen.site in (None, machine.site) else []
            place.is_over = True
        else:
            page = await kept.machines.page(place.last, _MACHINES, chosen.site)
            place.is_over = len(page) < _MACHINES
            place.last = page[-1].id if page else None
        names: dict[int, dict[int, str]] = {machine.key: {} for machine in page}
        for meter in (await kept.readings.meters_of(names)).values():
            if chosen.meter is None or meter.name == key_of(chosen.meter):
                names[meter.machine][meter.key] = meter.name
        books: dict[str, Mapping[str, Declared]] = {}
        for machine in page:
            if machine.rulebook not in books:
                books[machine.rulebook] = await self._declared(kept, machine)
            declared = books[machine.rulebook]
            if chosen.machine is not None and chosen.meter is not None and not names[machine.key] and key_of(chosen.meter) not in declared:
                mend = "name a meter of the machine's rulebook"
                raise Refused([Finding("request.parameter", f"the machine has no meter `{shorten(chosen.meter)}`", mend)])
            place.waiting += [_Meter(machine.id, k, *_told(name, declared)) for k, name in sorted(names[machine.key].items())]

    async def _declared(self, kept: Kept, machine: Machine) -> Mapping[str, Declared]:
        """The meters of its rulebook: what was told without a unit is told in that one's; none where it can't be found."""
        try:
            return (await self._find.within(kept.rulebooks, machine.rulebook)).book.vocabulary.meters
        except Refusal:
            return {}


def _told(name: str, declared: Mapping[str, Declared]) -> tuple[str, str | None]:
    """A meter's name as it is declared, and its own unit."""
    own = declared.get(name)
    return (name, None) if own is None else (own.name, own.unit.name)
