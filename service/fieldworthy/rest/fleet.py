"""What is due, from what is kept: on one machine, and over the fleet."""

from typing import Any, get_args

import orjson
from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.core.rulebook.model import Kind, Skill
from fieldworthy.rest.answers import JSON, json_answer
from fieldworthy.rest.body import RawRoute
from fieldworthy.rest.described import RULEBOOK, described, query_parameter, ref, text_schema, words_schema
from fieldworthy.rest.forms import ACCEPT, CSV_CONTENT, PARQUET_CONTENT, VARIES, VARY, form_of
from fieldworthy.rest.keeping import organisation_of
from fieldworthy.rest.machines import AFTER, LIMIT, MACHINE_ID, machine_of
from fieldworthy.rest.moments import AS_OF
from fieldworthy.rest.problems import log
from fieldworthy.rest.query import read_query
from fieldworthy.rest.tables import Tables, refuse_pages
from fieldworthy.usecases.ask_kept_due import AskKeptDue
from fieldworthy.usecases.compute_standings import Writing
from fieldworthy.usecases.fleet_as_of import MOST_AS_OF, AskFleetAsOf
from fieldworthy.usecases.kept_standings import FITNESS, URGENCY
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.once import Keeping
from fieldworthy.usecases.standings import AskFleet, Recompute
from fieldworthy.wire import fleet_answers as answers
from fieldworthy.wire.fleet_json import fleet_json
from fieldworthy.wire.fleet_query import MOST_NAME, NAMED, read_fleet_place, read_notice, read_now, read_tasks, read_wanted
from fieldworthy.wire.moments import read_as_of
from fieldworthy.wire.parameters import read_limit
from fieldworthy.wire.parquet import PARQUET
from fieldworthy.wire.problems import of_refusal
from fieldworthy.wire.scalars import CONTROLS
from fieldworthy.wire.tables import CSV
from fieldworthy.wire.troubles import failed

TAG = "due"

_TASKS = text_schema(4000, pattern=rf"^[^,{CONTROLS}]{{1,{MOST_NAME}}}(,[^,{CONTROLS}]{{1,{MOST_NAME}}})*$")
_NAMED_TEXT = text_schema(pattern=NAMED.pattern.replace("\\Z", "$").replace("(?:", "("))
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
        now, tasks, notice = read_now(query), read_tasks(query), read_notice(query)
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
        after = read_fleet_place(query)
        as_of, wanted, limit = read_as_of(query), read_wanted(query), read_limit(query)
        if as_of is None:
            return json_answer(fleet_json(await ask_fleet(organisation_of(request), wanted, after, limit)), headers=VARIES)
        return json_answer(fleet_json(await ask_as_of(organisation_of(request), wanted, after, limit, as_of)), headers=VARIES)

    return router
