"""What goes on: events as they are written, and standings that changed.

Events come from the database, in the order of their numbers, as `events` lists them: so every replica tells of all of them, and whoever
goes on from a cursor misses none. A process looks for new ones of an organisation once a second, however many ask, and only while somebody
does; each subscription then reads what it wants from where it was, once it has told what it read before.
"""

from collections.abc import AsyncGenerator
from typing import Annotated, Any

import strawberry
from strawberry.types.field import StrawberryField

from fieldworthy.graph.context import Info
from fieldworthy.graph.pages import query_of
from fieldworthy.graph.shapes import make_type, member, type_of
from fieldworthy.graph.words import enum_of, nullable
from fieldworthy.usecases.events import TASK, TYPES, Event, WantedEvents
from fieldworthy.usecases.kept_standings import URGENCY
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.wire import event_answers
from fieldworthy.wire.cursor import read_place, write_cursor
from fieldworthy.wire.parameters import one_of, read_name

_AT_ONCE = 100

SCOPES = {"events": KeyScope.READ, "standings": KeyScope.READ}
"""The scope that each subscription needs."""


After = Annotated[
    str | None,
    strawberry.argument(description="from behind this cursor on, also what was written before; absent: what is written from now on"),
]
Machine = Annotated[str | None, strawberry.argument(description="about the machine of this id")]

EVENT = make_type(
    "EventNews",
    [member("cursor", str, "as `after` it goes on behind this one"), member("event", type_of(event_answers.CloudEvent))],
    "An event that was written.",
)
STANDING = make_type(
    "StandingNews",
    [
        member("cursor", str, "as `after` it goes on behind this one"),
        member("machine", nullable(str)),
        member("site", nullable(str)),
        member("task", nullable(str)),
        member("kind", nullable(str), "of the task"),
        member("standing", enum_of(URGENCY, "Standing"), "the one that it has now"),
        member("event", type_of(event_answers.CloudEvent), "that tells of it, and why"),
    ],
    "A task whose standing changed.",
)


async def _follow(info: Info, wanted: WantedEvents, after: str | None) -> AsyncGenerator[Event, None]:
    """Events that are wanted, one after the other, without an end."""
    context = info.context
    store, news, organisation = context.asked.keeping.store, context.asked.news, context.organisation
    place = read_place(query_of(after=after), int)
    n = await news.newest(organisation) if place is None else int(place[0])
    while True:
        async with store.look(organisation) as kept:
            newest = await kept.events.newest()  # first: what is written after it stands behind it
            found = await kept.events.page(wanted, n, _AT_ONCE)
        for event in found:
            context.taken.anew()
            yield event
        n = found[-1].n if len(found) == _AT_ONCE else max([n, newest, *(event.n for event in found[-1:])])
        if len(found) < _AT_ONCE:
            await news.beyond(organisation, n)


async def _events(
    info: Info,
    type: Annotated[str | None, strawberry.argument(description="of this type")] = None,
    machine: Machine = None,
    after: After = None,
) -> AsyncGenerator[Any, None]:
    info.context.needs(SCOPES["events"])
    wanted = WantedEvents(None if type is None else one_of("type", type, TYPES), read_name(query_of(machine=machine), "machine", 120))
    async for event in _follow(info, wanted, after):
        yield {"cursor": write_cursor([event.n]), "event": event.to_json()}


async def _standings(info: Info, machine: Machine = None, after: After = None) -> AsyncGenerator[Any, None]:
    info.context.needs(SCOPES["standings"])
    wanted = WantedEvents(None, read_name(query_of(machine=machine), "machine", 120))
    async for event in _follow(info, wanted, after):
        if event.type.startswith(TASK) and event.standing is not None and event.type == TASK + event.standing:
            told = {"machine": event.machine_id, "site": event.site, "task": event.task, "kind": event.kind, "standing": event.standing}
            yield {"cursor": write_cursor([event.n]), **told, "event": event.to_json()}


def _subscription(name: str, of: Any, resolver: Any, description: str) -> StrawberryField:
    made: StrawberryField = strawberry.subscription(resolver=resolver, name=name, description=description, graphql_type=of)
    made.python_name = name
    return made


SUBSCRIPTIONS = [
    _subscription("events", EVENT, _events, "Events as they are written, each a CloudEvent, in their order, none left out."),
    _subscription("standings", STANDING, _standings, "Tasks whose standing changed, as it is told of them."),
]
