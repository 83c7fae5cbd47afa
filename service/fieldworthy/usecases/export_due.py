"""The fleet's standings, all of them and of one state of everything, for tables."""

from collections.abc import AsyncIterator, Sequence
from contextlib import suppress

from fieldworthy.usecases.fleet_as_of import AskFleetAsOf
from fieldworthy.usecases.kept import KeepStore, Machine
from fieldworthy.usecases.kept_standings import Computed, Wanted
from fieldworthy.usecases.ports import StoreUnavailable
from fieldworthy.usecases.standings import AT_A_REQUEST, Recompute, Standing

_ALL = 2**31


class ExportDue:
    """Gives the rows of the fleet's list, the most urgent first, some at a time."""

    def __init__(self, store: KeepStore, recompute: Recompute, as_of: AskFleetAsOf) -> None:
        self._store = store
        self._recompute = recompute
        self._as_of = as_of

    async def __call__(self, organisation: int, wanted: Wanted, as_of: int | None) -> AsyncIterator[Sequence[Standing]]:
        """
        As of a moment, or as kept ready: what a few machines may have changed is computed first.

        The transaction is open until the last row is taken: so take them quickly, and not as fast as somebody listens.
        """
        if as_of is not None:
            yield (await self._as_of(organisation, wanted, None, _ALL, as_of)).items
            return
        async with self._store.look(organisation) as kept:
            stale = (await kept.standings.summary(await kept.moment(), wanted.scope)).stale
        if stale:
            with suppress(StoreUnavailable):  # where nothing can be written, what there is can still be read
                await self._recompute(organisation, AT_A_REQUEST, wanted.scope)
            self._recompute.wanted.set()
        async with self._store.look(organisation) as kept:
            whose: dict[int, tuple[Machine, Computed]] = {}
            async for rows in kept.standings.rows(wanted):
                named = {row.machine for row in rows}  # those of the piece before may be named again, and no more are held
                there = {key: whose[key] for key in named & whose.keys()}
                whose = {**there, **await kept.standings.computed(named - there.keys())}
                yield [Standing(row, *whose[row.machine]) for row in rows]
