"""A machine's life as steps over the real routes, and what was told at each, in short."""

import json
from collections.abc import Mapping, Sequence
from typing import Any

from fieldworthy.rest.fleet import writing
from fieldworthy.usecases.events import Event, WantedEvents
from fieldworthy.usecases.find_rulebook import FindRulebooks
from fieldworthy.usecases.kept import HOME
from fieldworthy.usecases.standings import Recompute
from tests.keep.histories import publish
from tests.keep.service import Service

BOOK: dict[str, Any] = {
    "rulebook": "combine",
    "title": "A machine of the tests",
    "meters": {"bales": {"unit": "bales", "default": True}},
    "tasks": {
        "oil": {"title": "Change the oil", "kind": "replace", "interval": "every 250 bales, within 10 % late"},
        "look": {
            "title": "Look around",
            "kind": "inspect",
            "interval": "every 1000 bales",
            "if_found": {"a crack": {"then": "weld", "unfit": True}},
        },
        "weld": {"title": "Weld it", "kind": "adjust"},
    },
}
"""oil: upcoming within 10 % before 250 bales, due from there, overdue behind 275. weld: asked for only where a crack was found."""

HARVEST = {**BOOK, "seasons": {"harvest": {"from": "06-01", "to": "08-31"}}}
OF_OTHERS = {**BOOK, "applies_to": {"models": ["R5"]}}
"""Not for this machine: a problem in place of its standings."""

SOONER = {**BOOK, "tasks": {**BOOK["tasks"], "oil": {**BOOK["tasks"]["oil"], "interval": "every 100 bales, within 10 % late"}}}
WITHOUT_OIL = {**BOOK, "tasks": {name: task for name, task in BOOK["tasks"].items() if name != "oil"}}

Step = tuple[str, Any]


class Life:
    """One machine, `c-1`. Each step gives what was told since the step before, in the order of the events."""

    def __init__(self, service: Service, machine: str = "c-1") -> None:
        self.service, self.machine = service, machine
        self._seen, self._records = 0, 0
        self._shown: int | None = None

    async def do(self, step: Step) -> list[str]:
        """A deed with `quietly` before it: nothing is computed yet."""
        deed, value = step
        await getattr(self, f"_{deed.removeprefix('quietly ')}")(value)
        if not deed.startswith("quietly "):
            await self.compute()
        return [short(event) for event in await self.since()]

    async def compute(self) -> None:
        await Recompute(self.service.store, FindRulebooks(self.service.store), writing())(HOME, 100)

    async def since(self) -> Sequence[Event]:
        async with self.service.store.look(HOME) as kept:
            found = await kept.events.page(WantedEvents(), self._seen, 1000)
        self._seen = found[-1].n if found else self._seen
        return found

    async def _publish(self, book: Mapping[str, Any]) -> None:
        await publish(self.service, book)

    async def _machine(self, document: Mapping[str, Any]) -> None:
        await self.service.put(f"/v1/machines/{self.machine}", {"rulebook": "combine", "model": "C1", **document})

    async def _reads(self, bales: int) -> None:
        self.service.later(minutes=1)
        self._shown = bales
        reading = {"machine": self.machine, "meter": "bales", "value": bales, "at": self._now()}
        await self.service.post("/v1/readings", {"readings": [reading]})

    async def _done(self, told: Any) -> None:
        """A record of a task; with what was found, or under an id."""
        task, more = told if isinstance(told, tuple) else (told, {})
        self._records += 1
        self.service.later(minutes=1)
        record = {"task": task, "at": self._now(), **({} if self._shown is None else {"meters": {"bales": self._shown}}), **more}
        id = record.pop("id", f"d-{self._records}")
        await self.service.put(f"/v1/machines/{self.machine}/done/{id}", record)

    async def _deferred(self, task: str) -> None:
        self.service.later(minutes=1)
        told = {"task": task, "at": self._now(), "by": "p-1", "why": "Rain"}
        await self.service.put(f"/v1/machines/{self.machine}/deferrals/d-{self.service.now:%d%H%M}", told)

    async def _later(self, by: Mapping[str, float]) -> None:
        self.service.later(**by)

    async def _compute(self, times: int) -> None:
        for _ in range(times):
            await self.compute()

    def _now(self) -> str:
        return self.service.now.isoformat()


def short(event: Event) -> str:
    """`oil: clear > due`, `fit: null > unfit`, `silent engine`, `done oil`, `aside 2`, …"""
    told = json.loads(event.body)
    what = event.type.removeprefix("fieldworthy.")
    match what.split("."):
        case "task", "done":
            return f"done {told['task']}"
        case "task", standing:
            assert (told["standing"], event.standing, event.task) == (standing, standing, told["task"])
            return f"{told['task']}: {told['was']} > {standing}"
        case "machine", _:
            return f"fit: {told['was']} > {told['fit']}"
        case "meter", _:
            return f"silent {told['meter']}"
        case "readings", _:
            return f"aside {told['count']} {','.join(told['by_reason'])}"
    return what
