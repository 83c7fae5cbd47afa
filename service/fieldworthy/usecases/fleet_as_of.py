"""Where the tasks of the fleet stood at an earlier moment, by what was known then: computed when it is asked for, and the same for ever."""

import asyncio
import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.usecases.as_of import refuse_ahead
from fieldworthy.usecases.ask_kept_due import read_kept
from fieldworthy.usecases.asking import Finders
from fieldworthy.usecases.compute_standings import Compute, Writing
from fieldworthy.usecases.kept import KeepStore, Machine
from fieldworthy.usecases.kept_standings import FITNESS, URGENCY, Computed, Place, Row, Scope, Summary, Wanted
from fieldworthy.usecases.standings import AT_ONCE, SHOWN, Fleet, Standing

MOST_AS_OF = 500
"""Machines that one such question may be about: each costs some milliseconds."""

_PAGE = 1000


class AskFleetAsOf:
    """The page that `AskFleet` gives, as of an earlier moment."""

    def __init__(self, store: KeepStore, find: Finders, writing: Writing) -> None:
        self._store = store
        self._find = find
        self._writing = writing

    async def __call__(self, organisation: int, wanted: Wanted, after: Place | None, limit: int, as_of: int) -> Fleet:
        """as_of: what was known then, and the moment asked about. Raises QuestionDoesNotFit where it lies ahead, Refused for too many."""
        machines = await self._machines(organisation, wanted.scope, as_of)
        compute = Compute(self._find.of(organisation), self._writing)
        made: list[tuple[Machine, Computed, Sequence[Row]]] = []
        thinned = as_of
        for i in range(0, len(machines), AT_ONCE):
            async with self._store.look(organisation) as kept:
                reads = await read_kept(kept, machines[i : i + AT_ONCE], as_of, back=True)
            for read in reads:
                each = await compute(read, as_of)
                computed, rows = each.computed, each.rows
                if _by_rulebook(computed, wanted.scope):
                    made.append((replace(read.machine, site=read.told.document.get("site")), computed, rows))
                    thinned = max(thinned, read.thinned or as_of)
                await asyncio.sleep(0)  # others have their turn
        return replace(_fleet(made, wanted, after, limit, as_of), thinned=thinned if thinned > as_of else None)

    async def _machines(self, organisation: int, scope: Scope, as_of: int) -> Sequence[Machine]:
        """Those of a scope at that moment. What a machine's site was then its document of then says."""
        found: list[Machine] = []
        last: str | None = None
        async with self._store.look(organisation, as_of) as kept:
            refuse_ahead(as_of, await kept.moment())
            while True:
                if scope.machine is None:
                    page = await kept.machines.page(last, _PAGE)
                else:
                    one = await kept.machines.find(scope.machine)
                    page = [] if one is None else [one]
                then = await kept.entries.documents([machine.key for machine in page], as_of)
                found += [m for m in page if m.key in then and _in_scope(json.loads(then[m.key].body), scope)]
                if len(found) > MOST_AS_OF:
                    mend = "name a `site`, a `rulebook` or a `machine`, or leave `as_of` out"
                    message = f"`as_of` is answered of {MOST_AS_OF} machines at most, and there are more"
                    raise Refused([Finding("request.parameter", message, mend)])
                if len(page) < _PAGE:
                    return found
                last = page[-1].id


def _in_scope(document: Mapping[str, Any], scope: Scope) -> bool:
    """Whether a machine's document of then may be meant; by which version it is answered is seen later."""
    if scope.site is not None and document.get("site") != scope.site:
        return False
    reference: str = document["rulebook"]
    return scope.rulebook is None or ":" in reference or reference.partition("@")[0] == scope.rulebook.partition("@")[0]


def _by_rulebook(computed: Computed, scope: Scope) -> bool:
    if scope.rulebook is None:
        return True
    name, _, version = scope.rulebook.partition("@")
    return computed.rulebook == name and (not version or computed.version == int(version))


def _fleet(made: Sequence[tuple[Machine, Computed, Sequence[Row]]], wanted: Wanted, after: Place | None, limit: int, as_of: int) -> Fleet:
    """What `storage.standings` filters, orders and counts in the database."""
    all_ = [
        Standing(row, machine, computed)
        for machine, computed, rows in made
        if not wanted.fits or computed.fit in wanted.fits
        for row in rows
        if _is_wanted(row, wanted)
    ]
    all_.sort(key=_place)
    ahead = [item for item in all_ if after is None or item.row.place > after]
    fits = Counter(computed.fit for _, computed, _ in made)
    problems = [(machine.id, computed) for machine, computed, _ in made if computed.problem is not None]
    not_fit = sorted(
        ((machine, computed) for machine, computed, _ in made if computed.fit is not None and computed.fit != "fit"),
        key=lambda each: (FITNESS.index(str(each[1].fit)), each[0].id),
    )
    return Fleet(
        ahead[:limit],
        ahead[limit - 1].row.place if len(ahead) > limit else None,
        Summary(0, as_of if made else None, len(problems), [0] * len(URGENCY), [fits[word] for word in FITNESS]),
        Counter(item.row.urgency for item in all_),
        problems[:SHOWN],
        not_fit[:SHOWN],
    )


def _place(item: Standing) -> Place:
    return item.row.place


def _is_wanted(row: Row, wanted: Wanted) -> bool:
    return (
        (not wanted.urgencies or row.urgency in wanted.urgencies)
        and (wanted.kind is None or row.kind == wanted.kind)
        and (wanted.skill is None or row.skill == wanted.skill)
        and (wanted.before is None or (row.due_on is not None and row.due_on < wanted.before))
    )
