"""What is due, from what is kept: on one machine, and over the fleet."""

import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any, get_args

import orjson
from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.core.base.finding import Finding, Refused, or_list
from fieldworthy.core.base.micros import micros_text
from fieldworthy.core.rulebook.model import Kind, Skill
from fieldworthy.rest.answers import JSON, json_answer
from fieldworthy.rest.body import RawRoute
from fieldworthy.rest.cursor import read_place, refuse_after, write_cursor
from fieldworthy.rest.described import RULEBOOK, described, query_parameter, ref, text_schema, words_schema
from fieldworthy.rest.forms import ACCEPT, CSV_CONTENT, PARQUET_CONTENT, VARIES, VARY, form_of
from fieldworthy.rest.keeping import Keeping, organisation_of
from fieldworthy.rest.machines import AFTER, LIMIT, MACHINE_ID, machine_of, read_limit, read_name
from fieldworthy.rest.moments import AS_OF, read_as_of
from fieldworthy.rest.problems import failed, log
from fieldworthy.rest.query import read_query, shown, whole_number
from fieldworthy.rest.tables import Tables, refuse_pages
from fieldworthy.usecases.ask_kept_due import AskKeptDue
from fieldworthy.usecases.compute_standings import Writing, urgencies_of
from fieldworthy.usecases.fleet_as_of import MOST_AS_OF, AskFleetAsOf
from fieldworthy.usecases.kept import Machine
from fieldworthy.usecases.kept_standings import FITNESS, URGENCY, Computed, Place, Scope, Wanted
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.standings import AskFleet, Fleet, Recompute, Standing
from fieldworthy.wire import fleet_answers as answers
from fieldworthy.wire.parquet import PARQUET
from fieldworthy.wire.problems import of_refusal
from fieldworthy.wire.scalars import CONTROLS
from fieldworthy.wire.tables import CSV

TAG = "due"

_TIME = re.compile(r"\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(?:\.\d{1,9})?(?:[Zz]|[+-]\d\d:\d\d)\Z")
_DAY = re.compile(r"\d{4}-\d\d-\d\d\Z")
_NAMED = re.compile(r"[a-z0-9][a-z0-9-]{0,79}(?:@[1-9][0-9]{0,8})?\Z")
_SHARE = re.compile(r"(?:0(?:\.\d{1,12})?|1(?:\.0{1,12})?)\Z")
_MOST_NAME = 120
_TASKS = text_schema(4000, pattern=rf"^[^,{CONTROLS}]{{1,{_MOST_NAME}}}(,[^,{CONTROLS}]{{1,{_MOST_NAME}}})*$")
_NAMED_TEXT = text_schema(pattern=_NAMED.pattern.replace("\\Z", "$").replace("(?:", "("))
_MOMENT = {"type": "string", "maxLength": 40, "format": "date-time"}

ONE = [
    MACHINE_ID,
    query_parameter("now", "the moment that is asked about; absent: `as_of`, else this moment", _MOMENT),
    AS_OF,
    query_parameter("tasks", "names of tasks, with commas between them; absent: all", _TASKS),
    query_parameter(
        "notice_share", "in place of the machine's own notice: a share, 0 to 1", {"type": "number", "minimum": 0, "maximum": 1}
    ),
    query_parameter(
        "notice_days",
        "in place of the machine's own notice: whole days",
        {"type": "integer", "format": "int32", "minimum": 0, "maximum": 3660},
    ),
]
FLEET = [
    query_parameter("standing", f"only these, with commas between them: {', '.join(URGENCY)}", words_schema(URGENCY)),
    query_parameter("kind", "tasks of this kind", {"type": "string", "enum": list(get_args(Kind))}),
    query_parameter("skill", "tasks that ask for this skill", {"type": "string", "enum": list(get_args(Skill))}),
    query_parameter("site", "machines of this site", text_schema()),
    query_parameter("rulebook", "standings by this rulebook, `name` or `name@3`", _NAMED_TEXT),
    query_parameter("machine", "this machine", text_schema()),
    AS_OF,
    query_parameter("fit", f"tasks of machines that are so, with commas between: {', '.join(FITNESS)}", words_schema(FITNESS)),
    query_parameter("before", "due, or expected to be due, before this date", {"type": "string", "maxLength": 10, "format": "date"}),
    LIMIT,
    AFTER,
]


def writing() -> Writing:
    """How the fleet's standings are written."""
    return Writing(lambda data: orjson.dumps(data).decode(), of_refusal, _failed)


def _failed(fault: Exception) -> dict[str, Any]:
    log.error("standings of a machine could not be computed", exc_info=fault)
    return failed()


def fleet_router(keeping: Keeping, recompute: Recompute, tables: Tables) -> APIRouter:
    """The routes."""
    router = APIRouter(route_class=RawRoute)
    ask_kept = AskKeptDue(keeping.store, keeping.find, orjson.Fragment)
    ask_fleet = AskFleet(keeping.store, recompute)
    ask_as_of = AskFleetAsOf(keeping.store, keeping.find, writing())

    @router.get(
        "/v1/machines/{id}/due",
        **described(
            "getMachineDue",
            TAG,
            KeyScope.READ,
            "What is due on a kept machine, and why",
            "The answer of `POST /v1/due` for what is kept of the machine. `as_of` is the newest of what went in: asked with the same "
            "`now` and that `as_of`, whatever is kept, corrected or published later, the answer is the same to the byte. Done records "
            "that say their meters alone are put in time by the machine's readings, and counted in `placed`.",
            answers.KeptDueAnswer,
            None,
            (*RULEBOOK, "machine.unknown", "machine.not_yet_kept", "question.does_not_fit", "request.does_not_fit"),
            ONE,
        ),
    )
    async def get_machine_due(request: Request) -> Response:
        query = read_query(request, ("now", "as_of", "tasks", "notice_share", "notice_days"))
        as_of = read_as_of(query)
        now = query.get("now")
        if now is not None and not (_TIME.match(now) and _reads(now)):
            raise _refused("now", now, "give a time that exists with its offset, as in 2026-07-14T06:00:00Z; in an address `+` is `%2B`")
        tasks, notice = _tasks(query.get("tasks")), _notice(query)
        with keeping.tally.evaluating("due"):
            found = await ask_kept(organisation_of(request), machine_of(request), now, as_of, tasks, notice)
            return json_answer(found.to_json())

    @router.get(
        "/v1/due",
        **described(
            "getFleetDue",
            TAG,
            KeyScope.READ,
            "What is due across the fleet",
            "Where the tasks of all kept machines stand: overdue, due, unknown, upcoming, clear; among those by the share used, the "
            "largest first, then by machine and task. `not_fit` names the machines that must not work by what was told of them, and those "
            "of which that is not known. A machine's standings are computed anew when anything of it is kept, when its local day is over, "
            "and when its rulebook has a newer version. `computed_at` says when the oldest of them were, and `stale` how many machines "
            "are still to be computed. With `as_of` all is computed for that moment by what was known then, of "
            f"{MOST_AS_OF} machines at most: name a site, a rulebook or a machine where there are more. `Accept` chooses a table of all "
            "rows in place of a page: see `GET /v1/due.csv`.",
            {JSON: {"schema": ref(answers.FleetAnswer.__name__)}, **CSV_CONTENT, **PARQUET_CONTENT},
            None,
            ("request.does_not_fit", "address.not_acceptable"),
            [ACCEPT, *FLEET],
            headers=VARY,
        ),
    )
    async def get_fleet_due(request: Request) -> Response:
        form = form_of(request, (JSON, CSV, PARQUET))
        query = read_query(request, [parameter["name"] for parameter in FLEET])
        if form != JSON:
            refuse_pages(query, ("limit", "after"))
            return await tables.due(request, form, read_wanted(query), read_as_of(query))
        after = _place(query)
        as_of, wanted, limit = read_as_of(query), read_wanted(query), read_limit(query)
        if as_of is None:
            return json_answer(_fleet_json(await ask_fleet(organisation_of(request), wanted, after, limit)), headers=VARIES)
        return json_answer(_fleet_json(await ask_as_of(organisation_of(request), wanted, after, limit, as_of)), headers=VARIES)

    return router


def _fleet_json(fleet: Fleet) -> dict[str, Any]:
    oldest = fleet.summary.computed_at
    return {
        "items": [orjson.Fragment(_item(item)) for item in fleet.items],
        "next": None if fleet.next is None else write_cursor(fleet.next),
        "computed_at": None if oldest is None else micros_text(oldest),
        "stale": fleet.summary.stale,
        "counts": {word: fleet.counts.get(i, 0) for i, word in enumerate(URGENCY)},
        "machines": dict(zip(FITNESS, fleet.summary.fits, strict=True)),
        "not_fit": [_not_fit(machine, made) for machine, made in fleet.not_fit],
        "problems": [{"machine": id_, "problem": orjson.Fragment(made.problem or "null")} for id_, made in fleet.problems],
        "thinned_before": None if fleet.thinned is None else micros_text(fleet.thinned),
    }


def _item(item: Standing) -> str:
    """A task's standing as it was answered, with whose it is and when it was computed written before it."""
    made = item.computed
    head = {
        "machine": item.machine.id,
        "site": item.machine.site,
        "rulebook": _provenance(made),
        "computed_at": micros_text(made.at),
        "as_of": micros_text(made.as_of),
        "fit": made.fit,
    }
    return f"{orjson.dumps(head).decode()[:-1]},{item.row.body[1:]}"


def _not_fit(machine: Machine, made: Computed) -> dict[str, Any]:
    head = {"machine": machine.id, "site": machine.site, "computed_at": micros_text(made.at), "as_of": micros_text(made.as_of)}
    return {**head, "fit": made.fit, "because": orjson.Fragment(made.fit_because or "[]")}


def _provenance(made: Computed) -> dict[str, Any]:
    return {"name": made.rulebook, "version": made.version, "digest": made.digest}


def read_wanted(query: Mapping[str, str]) -> Wanted:
    """Which tasks of the fleet a query asks for. Raises Refused."""
    words = tuple(dict.fromkeys(query["standing"].split(","))) if "standing" in query else ()
    for word in words:
        _one_of("standing", word, URGENCY)
    fits = tuple(dict.fromkeys(query["fit"].split(","))) if "fit" in query else ()
    for word in fits:
        _one_of("fit", word, FITNESS)
    kind, skill, before, rulebook = query.get("kind"), query.get("skill"), query.get("before"), query.get("rulebook")
    if kind is not None:
        _one_of("kind", kind, get_args(Kind))
    if skill is not None:
        _one_of("skill", skill, get_args(Skill))
    if before is not None and not (_DAY.match(before) and _reads(before)):
        raise _refused("before", before, "give a date that exists, as in 2026-07-14")
    if rulebook is not None and not _NAMED.match(rulebook):
        raise _refused("rulebook", rulebook, "give `name` or `name@3`")
    site, machine = read_name(query, "site", 120), read_name(query, "machine", 120)
    return Wanted(Scope(site, rulebook, machine), urgencies_of(words), kind, skill, before, fits)


def _one_of(name: str, word: str, known: tuple[str, ...]) -> None:
    if word not in known:
        raise _refused(name, word, f"give {or_list(known)}")


def _tasks(text: str | None) -> list[str] | None:
    names = None if text is None else [name.strip() for name in text.split(",")]
    for name in names or ():
        if len(name) > _MOST_NAME:
            raise _refused("tasks", name, f"give names of tasks with commas between them, none longer than {_MOST_NAME} characters")
    return names


def _notice(query: Mapping[str, str]) -> dict[str, Any] | None:
    """The question's own notice; None where it has none."""
    found: dict[str, Any] = {}
    if "notice_share" in query:
        if not _SHARE.match(query["notice_share"]):
            raise _refused("notice_share", query["notice_share"], "give a number from 0 to 1, as in 0.1")
        found["share"] = float(query["notice_share"])
    if "notice_days" in query:
        found["days"] = whole_number("notice_days", query["notice_days"], 0, 3660)
    return found or None


def _reads(text: str) -> datetime | None:
    try:
        at = datetime.fromisoformat(text.upper())
        return at if at.year > 1 else None
    except (ValueError, OverflowError):
        return None


def _place(query: Mapping[str, str]) -> Place | None:
    """Where the page before ended. Raises Refused."""
    place = read_place(query, int, float, str, str)
    if place is None:
        return None
    urgency, rank, machine, task = place
    if not 0 <= urgency < len(URGENCY):
        raise refuse_after()
    return urgency, rank, machine, task


def _refused(name: str, text: str, mend: str) -> Refused:
    return Refused([Finding("request.parameter", f"`{shown(text)}` is not a value that `{name}` can have", mend)])
