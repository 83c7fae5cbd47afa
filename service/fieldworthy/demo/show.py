"""`fieldworthy demo`: publishes the demo's rulebooks into an embedded database, asks about its machines, shows the answers."""

import asyncio
import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, TextIO

from fieldworthy.demo import page
from fieldworthy.demo.world import World, load
from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.storage.migrating import migrate
from fieldworthy.usecases.ask_clearance import AskClearance
from fieldworthy.usecases.ask_due import AskDue
from fieldworthy.usecases.ask_parts import AskParts
from fieldworthy.usecases.check_draft import CheckDraft
from fieldworthy.usecases.find_rulebook import FindRulebook
from fieldworthy.usecases.keep_drafts import PutDraft
from fieldworthy.usecases.ports import Clock, Store
from fieldworthy.usecases.publish import Publish
from fieldworthy.wire.questions import clearance_question, parts_question
from fieldworthy.wire.reading import Shape
from fieldworthy.wire.requests import CLEARANCE, DUE, PARTS

YAML = "application/yaml"

Json = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Told:
    """All answers of the demo, in their wire form. published: see page.show_published. clearances: named; parts: with the question."""

    published: Sequence[Json]
    due: Sequence[Json]
    clearances: Sequence[tuple[str, Json]]
    parts: Sequence[tuple[Json, Json]]


def show(out: TextIO | None = None) -> None:
    """The whole demo on `out` (standard output if None). The database is a file of its own, gone afterwards: nobody's data are touched."""
    world = load()
    with TemporaryDirectory(prefix="fieldworthy-demo-") as folder:
        address = f"sqlite:///{(Path(folder) / 'demo.db').as_posix()}"
        migrate(address)
        told = asyncio.run(_tell(world, address))
    print_all(world, told, sys.stdout if out is None else out)


async def _tell(world: World, address: str) -> Told:
    store = SqlStore(open_engine(address))
    try:
        return await tell(world, store, lambda: datetime.now(UTC))
    finally:
        await store.close()


async def tell(world: World, store: Store, clock: Clock) -> Told:
    """Publishes the rulebooks and asks all of the demo's questions, each read as a request from outside is.

    Raises what the use cases raise, which a test of the demo's data rules out.
    """
    check = CheckDraft()
    put_draft, publish = PutDraft(store, clock, check), Publish(store, clock, check)
    published = [await _publish(put_draft, publish, name, text) for name, text in world.texts.items()]
    find = FindRulebook(store)
    ask_due, ask_clearance, ask_parts = AskDue(find), AskClearance(find), AskParts(find)
    due = [(await ask_due(request["rulebook"], _read(DUE, request))).to_json() for request in world.due_requests()]
    clearances = [
        (name, (await ask_clearance(request["rulebook"], clearance_question(_read(CLEARANCE, request)))).to_json())
        for name, request in world.clearance_requests()
    ]
    parts = [
        (request, (await ask_parts(request["rulebook"], parts_question(_read(PARTS, request)))).to_json())
        for request in world.parts_requests(due)
    ]
    return Told(published, due, clearances, parts)


async def _publish(put_draft: PutDraft, publish: Publish, name: str, text: str) -> Json:
    await put_draft(name, text, YAML)
    version, checked = await publish(name)
    tasks = 0 if checked.book is None else len(checked.book.tasks)
    return {"name": version.name, "version": version.version, "digest": version.digest, "tasks": tasks, "warnings": len(checked.findings)}


def _read(shape: Shape[Any], request: Json) -> Any:
    return shape.read(json.dumps(request).encode("utf-8"))


def print_all(world: World, told: Told, out: TextIO) -> None:
    """The answers as pages of 80 columns."""
    to = page.page(out)
    page.heading(to, f"{world.contractor}, {datetime.fromisoformat(world.now):%A %d %B %Y, %H:%M}")
    page.say(
        to,
        f"A world of our own: the contractor, the make {world.make}, its machines, intervals and part numbers are invented. "
        "No machine may be kept by them.",
    )
    page.show_published(to, told.published)
    for one, answer in zip(world.machines, told.due, strict=True):
        page.show_due(to, one["machine"], answer)
    page.heading(to, "May this start now?")
    for name, answer in told.clearances:
        page.show_clearance(to, name, answer)
    page.say(to)
    page.say(to, told.clearances[0][1]["disclaimer"])
    for request, answer in told.parts:
        page.show_parts(to, request["machine"], [task["task"] for task in request["tasks"]], answer)
