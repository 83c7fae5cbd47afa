"""Readings: many at once, those that were set aside, and what is kept of each machine."""

from collections.abc import Awaitable, Callable, Mapping, Sequence
from functools import partial
from typing import Annotated, Any

import orjson
import strawberry
from strawberry.dataloader import DataLoader

from fieldworthy.graph.context import Context, Info
from fieldworthy.graph.fields import field, mutation
from fieldworthy.graph.inputs import Given, input_of
from fieldworthy.graph.pages import AFTER, FIRST, PAGE, connection_of, first_of, page, query_of
from fieldworthy.graph.repeats import ONCE, Key, once
from fieldworthy.graph.scalars import DateTime
from fieldworthy.graph.shapes import members_of, type_of
from fieldworthy.usecases.aside_words import WHY
from fieldworthy.usecases.keep_readings import Intake, keep_readings
from fieldworthy.usecases.kept import Kept
from fieldworthy.usecases.kept_readings import ACCEPTED, DISMISSED, PastReading
from fieldworthy.usecases.list_readings import Asked, KeptPage, list_readings_of
from fieldworthy.usecases.settle_readings import settle
from fieldworthy.wire import readings_answers, requests, telematics_answers
from fieldworthy.wire.counters import read_counters
from fieldworthy.wire.cursor import read_place, write_cursor
from fieldworthy.wire.moments import read_moment
from fieldworthy.wire.parameters import one_of
from fieldworthy.wire.readings import read_readings
from fieldworthy.wire.readings_json import CountedReadings, aside_json, intake_json, kept_page_json, settlement_of, telematics_json

READINGS = input_of(requests.READINGS)
COUNTERS = input_of(requests.COUNTERS)
ACCEPT = input_of(requests.ACCEPT)
DISMISS = input_of(requests.DISMISS)

ASIDE = type_of(readings_answers.AsideItem)
ASIDES = connection_of(ASIDE, "SetAside", "A page of readings that were set aside.")
KEPT = connection_of(
    type_of(readings_answers.KeptReading),
    "KeptReading",
    "A page of kept readings of one machine, the newest first.",
    members_of(readings_answers.KeptReadingsPage, leave=("items", "next")),
)


async def _taken_in(
    info: Info, key: str | None, given: Mapping[str, Any], work: Callable[[Kept], Awaitable[tuple[Intake, dict[str, Any]]]]
) -> dict[str, Any]:
    """`once`, and counts what became of the readings, once it is committed; not where the answer is one that was given before."""
    done: list[Intake] = []

    async def noted(kept: Kept) -> dict[str, Any]:
        intake, answer = await work(kept)
        done.append(intake)
        return {**answer, "readings": list(answer["readings"])}

    told = await once(info, key, given, noted)
    for intake in done:
        intake.count(info.context.asked.keeping.tally)
    return told


@mutation(
    "keepReadings",
    type_of(readings_answers.ReadingsAnswer),
    "Keeps many readings of many machines, in any order, and twice over if need be. Each is answered by itself: kept, the same as what is "
    "kept, or set aside and why.",
    READINGS,
    (*ONCE, "request.too_large"),
)
async def keep_many(info: Info, input: Annotated[Given, strawberry.argument(graphql_type=READINGS.type)], key: Key = None) -> Any:
    body = orjson.dumps(READINGS.thing.request(input))
    sent, context = read_readings(body, False), info.context

    async def work(kept: Kept) -> tuple[Intake, dict[str, Any]]:
        return await keep_readings(kept, context.asked.keeping.find, sent, lambda it: (it, intake_json(it, context.caller)))

    return await _taken_in(info, key, {"input": input}, work)


@mutation(
    "keepCounters",
    type_of(telematics_answers.TelematicsAnswer),
    "Keeps readings as a machine's bus counts them: a suspect parameter number of SAE J1939 or a data dictionary identifier of ISO "
    "11783-11, with the raw number or its bytes.",
    COUNTERS,
    (*ONCE, "request.too_large"),
)
async def keep_counters(info: Info, input: Annotated[Given, strawberry.argument(graphql_type=COUNTERS.type)], key: Key = None) -> Any:
    read, context = CountedReadings.of(read_counters(COUNTERS.read(input))), info.context

    async def work(kept: Kept) -> tuple[Intake, dict[str, Any]]:
        kin = await keep_readings(kept, context.asked.keeping.find, read.sent, read.taken)
        return kin.intake, telematics_json(kin, context.caller)

    return await _taken_in(info, key, {"input": input}, work)


@field(
    "listSetAside", ASIDES, "Readings that were set aside: those that wait, the oldest first, or those that were settled, in that order."
)
async def set_aside(
    info: Info,
    first: Annotated[int, strawberry.argument(description=FIRST)] = PAGE,
    after: Annotated[str | None, strawberry.argument(description=AFTER)] = None,
    machine: Annotated[str | None, strawberry.argument(description="of this machine alone")] = None,
    why: Annotated[str | None, strawberry.argument(description=f"for this reason alone: {', '.join(f'`{word}`' for word in WHY)}")] = None,
    settled: Annotated[bool, strawberry.argument(description="those that were settled, in place of those that wait")] = False,
) -> Any:
    limit, place = first_of(first), read_place(query_of(after=after), int, int, str)
    reason = None if why is None else one_of("why", why, WHY)
    async with info.context.asked.keeping.store.look(info.context.organisation) as kept:
        found = await kept.aside.page(limit + 1, settled, place, machine, reason)
    shown = found[:limit]
    cursors = [write_cursor([item.settled or 0, item.known, item.key]) for item in shown]
    return page([aside_json(item) for item in shown], cursors, len(found) > limit)


_SETTLED = (*ONCE, "set_aside.unknown", "set_aside.settled")
AsideId = Annotated[str, strawberry.argument(description="the reading's id")]


@mutation(
    "acceptSetAside",
    ASIDE,
    "Accepts a reading that was set aside: every answer is as if it had been kept at first. What is kept and contradicts it is withdrawn, "
    "and told. With `as` another value or unit is kept in its place; with `replacedMeter` the meter was replaced before it.",
    ACCEPT,
    (*_SETTLED, "set_aside.unacceptable"),
)
async def accept_set_aside(
    info: Info, id: AsideId, input: Annotated[Given, strawberry.argument(graphql_type=ACCEPT.type)], key: Key = None
) -> Any:
    return await _settled(info, id, ACCEPTED, ACCEPT.read(input), key)


@mutation(
    "dismissSetAside",
    ASIDE,
    "Dismisses a reading that was set aside: it is not kept, and waits no longer; sent again, it stays dismissed.",
    DISMISS,
    _SETTLED,
)
async def dismiss_set_aside(
    info: Info, id: AsideId, input: Annotated[Given, strawberry.argument(graphql_type=DISMISS.type)], key: Key = None
) -> Any:
    return await _settled(info, id, DISMISSED, DISMISS.read(input), key)


async def _settled(info: Info, id: str, deed: str, read: Mapping[str, Any], key: str | None) -> dict[str, Any]:
    settlement = settlement_of(deed, read)

    async def work(kept: Kept) -> dict[str, Any]:
        return aside_json(await settle(kept, info.context.asked.keeping.find, id, settlement))

    return await once(info, key, {"id": id, "input": dict(read)}, work, settlement.by)


async def _load(context: Context, asked: Asked, limit: int, ids: list[str]) -> Sequence[dict[str, Any] | Exception]:
    """A page of each of these machines, read together: as many statements for many as for one."""
    keeping = context.asked.keeping
    async with context.turns, keeping.store.look(context.organisation) as kept:
        found = await list_readings_of(kept, keeping.find, ids, asked, max(limit, 1))
    return [_told(found[id], limit) for id in ids]


def _told(found: KeptPage | Exception, limit: int) -> dict[str, Any] | Exception:
    if isinstance(found, Exception):
        return found
    told = kept_page_json(found)
    items, rows = told["items"][:limit], found.readings[:limit]
    return {**told, **page(items, [_cursor(reading) for _, _, reading in rows], found.more is not None or len(items) < len(told["items"]))}


def _cursor(reading: PastReading) -> str:
    return write_cursor([reading.at, reading.meter])


@field("listReadings", KEPT, "What is kept of its meters, the newest first, as it was sent.")
async def machine_readings(
    root: strawberry.Parent[Any],
    info: Info,
    first: Annotated[int, strawberry.argument(description=FIRST)] = PAGE,
    after: Annotated[str | None, strawberry.argument(description=AFTER)] = None,
    meter: Annotated[str | None, strawberry.argument(description="of this meter alone")] = None,
    since: Annotated[DateTime | None, strawberry.argument(name="from", description="nothing earlier")] = None,
    until: Annotated[DateTime | None, strawberry.argument(name="to", description="nothing from then on")] = None,
    as_of: Annotated[DateTime | None, strawberry.argument(description="what was known at that moment; absent: all that is known")] = None,
) -> Any:
    limit, place = first_of(first), read_place(query_of(after=after), int, int)
    moments = [None if text is None else read_moment(name, text) for name, text in (("from", since), ("to", until), ("asOf", as_of))]
    asked = Asked(meter, moments[0], moments[1], place, moments[2])
    loader: DataLoader[str, dict[str, Any]] = info.context.loader(
        ("readings", asked, limit), lambda: DataLoader(partial(_load, info.context, asked, limit))
    )
    return await loader.load(root["id"])


QUERIES = [set_aside]
MUTATIONS = [keep_many, keep_counters, accept_set_aside, dismiss_set_aside]
OF_MACHINE = [machine_readings]
