"""What is due, from what is kept: on each machine, and over the fleet."""

from collections.abc import Sequence
from functools import partial
from typing import Annotated, Any, get_args

import orjson
import strawberry
from strawberry.dataloader import DataLoader

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.core.rulebook.model import Kind, Skill
from fieldworthy.graph.context import Context, Info
from fieldworthy.graph.fields import field
from fieldworthy.graph.pages import AFTER, FIRST, PAGE, connection_of, first_of, page, query_of
from fieldworthy.graph.scalars import Date, DateTime
from fieldworthy.graph.shapes import members_of, type_of
from fieldworthy.graph.words import enum_of
from fieldworthy.usecases.ask_kept_due import KeptDue
from fieldworthy.usecases.fleet_as_of import MOST_AS_OF
from fieldworthy.usecases.kept_standings import FITNESS, URGENCY
from fieldworthy.usecases.refusals import Refusal
from fieldworthy.wire import fleet_answers
from fieldworthy.wire.cursor import write_cursor
from fieldworthy.wire.fleet_json import fleet_json
from fieldworthy.wire.fleet_query import read_fleet_place, read_notice, read_now, read_wanted
from fieldworthy.wire.moments import read_as_of

AS_OF = "as it was known at that moment; absent: as it is known now"
MOST_TASKS = 1_000

FLEET = connection_of(
    type_of(fleet_answers.FleetTask),
    "FleetTask",
    "A page of the fleet's standings, the most urgent first, and what is to be known of all of them.",
    members_of(fleet_answers.FleetAnswer, leave=("items", "next")),
)

STANDING: Any = enum_of(URGENCY, "Standing")
FIT: Any = enum_of(FITNESS, "Fitness")
KIND: Any = enum_of(get_args(Kind), "TaskKind")
SKILL: Any = enum_of(get_args(Skill), "Skill")
NoticeShare = Annotated[float | None, strawberry.argument(description="in place of the machine's own notice: a share, 0 to 1")]
NoticeDays = Annotated[int | None, strawberry.argument(description="in place of the machine's own notice: whole days")]


async def _load(
    context: Context, now: str | None, as_of: int | None, tasks: tuple[str, ...] | None, notice: dict[str, Any] | None, ids: list[str]
) -> Sequence[dict[str, Any] | Exception]:
    """What is due on these machines, read together: as many statements for a page of them as for one."""
    async with context.turns:
        with context.asked.uses.tally.evaluating("due"):
            found = await context.asked.kept_due.many(context.organisation, ids, now, as_of, None if tasks is None else list(tasks), notice)
    return [_told(found[id]) for id in ids]


def _told(found: KeptDue | Refusal) -> dict[str, Any] | Exception:
    return found if isinstance(found, Refusal) else found.to_json()


@field(
    "getMachineDue",
    type_of(fleet_answers.KeptDueAnswer),
    "What is due on it, and why: the answer of `due` for what is kept of it. `asOf` is the newest of what went in: asked with the same "
    "`now` and that `asOf`, the answer stays the same.",
)
async def machine_due(
    root: strawberry.Parent[Any],
    info: Info,
    now: Annotated[DateTime | None, strawberry.argument(description="the moment asked about; absent: `asOf`, else this moment")] = None,
    as_of: Annotated[DateTime | None, strawberry.argument(description=AS_OF)] = None,
    tasks: Annotated[list[str] | None, strawberry.argument(description="names of tasks; absent: all")] = None,
    notice_share: NoticeShare = None,
    notice_days: NoticeDays = None,
) -> Any:
    if tasks is not None and len(tasks) > MOST_TASKS:
        raise Refused([Finding("request.parameter", f"`tasks` has more than {MOST_TASKS} entries", f"send at most {MOST_TASKS}")])
    moment, at = read_as_of(query_of(as_of=as_of)), read_now(query_of(now=now))
    notice = read_notice(query_of(notice_share=_share(notice_share), notice_days=notice_days))
    names = None if tasks is None else tuple(tasks)
    key = ("due", at, moment, names, notice_share, notice_days)
    loader: DataLoader[str, dict[str, Any]] = info.context.loader(
        key, lambda: DataLoader(partial(_load, info.context, at, moment, names, notice))
    )
    return await loader.load(root["id"])


def _share(share: float | None) -> str | None:
    """A share as the query of an address writes it."""
    return None if share is None else f"{share:.12f}".rstrip("0").rstrip(".")


@field(
    "getFleetDue",
    FLEET,
    "Where the tasks of all kept machines stand: overdue, due, unknown, upcoming, clear; among those by the share used, the largest first, "
    "then by machine and task. `computedAt` says when the oldest of them were computed, and `stale` how many machines are still to be "
    f"computed. With `asOf` all is computed for that moment by what was known then, of {MOST_AS_OF} machines at most.",
)
async def fleet_due(
    info: Info,
    first: Annotated[int, strawberry.argument(description=FIRST)] = PAGE,
    after: Annotated[str | None, strawberry.argument(description=AFTER)] = None,
    standing: Annotated[list[Any] | None, strawberry.argument(description="only these", graphql_type=list[STANDING] | None)] = None,
    kind: Annotated[Any, strawberry.argument(description="tasks of this kind", graphql_type=KIND | None)] = None,
    skill: Annotated[Any, strawberry.argument(description="tasks that ask for this skill", graphql_type=SKILL | None)] = None,
    site: Annotated[str | None, strawberry.argument(description="machines of this site")] = None,
    rulebook: Annotated[str | None, strawberry.argument(description="standings by this rulebook, `name` or `name@3`")] = None,
    machine: Annotated[str | None, strawberry.argument(description="this machine")] = None,
    as_of: Annotated[DateTime | None, strawberry.argument(description=AS_OF)] = None,
    fit: Annotated[
        list[Any] | None,
        strawberry.argument(description="tasks of machines that are so", graphql_type=list[FIT] | None),
    ] = None,
    before: Annotated[Date | None, strawberry.argument(description="due, or expected to be due, before this date")] = None,
) -> Any:
    limit, moment = first_of(first), read_as_of(query_of(as_of=as_of))
    words = {name: ",".join(word.value for word in given) for name, given in (("standing", standing), ("fit", fit)) if given}
    plain = query_of(kind=kind and kind.value, skill=skill and skill.value, site=site, rulebook=rulebook, machine=machine, before=before)
    wanted, place = read_wanted({**words, **plain}), read_fleet_place(query_of(after=after))
    context = info.context
    if moment is None:
        found = await context.asked.fleet(context.organisation, wanted, place, max(limit, 1))
    else:
        found = await context.asked.fleet_as_of(context.organisation, wanted, place, max(limit, 1), moment)
    told = fleet_json(found, orjson.loads)
    items = told["items"][:limit]
    cursors = [write_cursor(item.row.place) for item in found.items[:limit]]
    return {**told, **page(items, cursors, found.next is not None or len(items) < len(told["items"]))}


OF_MACHINE = [machine_due]
QUERIES = [fleet_due]
