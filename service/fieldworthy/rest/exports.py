"""Tables: the fleet's standings and its readings, for spreadsheets and scripts."""

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.rest.body import RawRoute
from fieldworthy.rest.described import described, query_parameter, text_schema
from fieldworthy.rest.fleet import FLEET
from fieldworthy.rest.forms import ACCEPT_TABLE, CSV_CONTENT, PARQUET_CONTENT, VARY, form_of
from fieldworthy.rest.machines import ID_SCHEMA, MACHINE_ID, machine_of
from fieldworthy.rest.moments import MOMENT
from fieldworthy.rest.query import read_query
from fieldworthy.rest.tables import Tables
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.wire.fleet_query import read_wanted
from fieldworthy.wire.moments import read_as_of
from fieldworthy.wire.parquet import PARQUET
from fieldworthy.wire.tables import CSV

TAG = "exports"

_FILTER = [
    query_parameter("meter", "of meters of this name alone", text_schema()),
    query_parameter("from", "nothing earlier", MOMENT),
    query_parameter("to", "nothing from then on", MOMENT),
]
_OF_FLEET = [
    query_parameter("machine", "of this machine alone", ID_SCHEMA),
    query_parameter("site", "of machines of this site alone", text_schema()),
    *_FILTER,
]
_DUE = [parameter for parameter in FLEET if parameter["name"] not in ("limit", "after")]
_READINGS_TOLD = (
    "By machine, then by meter, the oldest first: `machine`, `meter`, `value` (exact, as it was sent), `unit`, `at`, `kept_at`. All are of "
    "one state of everything, and come as they are read, so there may be any number. An answer that breaks off is not whole."
)


def exports_router(tables: Tables) -> APIRouter:
    """The routes."""
    router = APIRouter(route_class=RawRoute)

    @router.get(
        "/v1/due.csv",
        **described(
            "exportDue",
            TAG,
            KeyScope.READ,
            "What is due across the fleet, as a table",
            "The rows of `GET /v1/due`, all of them, as CSV (RFC 4180, UTF-8). Numbers are exact and their unit has a column of its own; "
            "of a task that counts by several meters the others stand in `further_meters`. A cell that people named and that begins as a "
            "formula does (`=`, `+`, `-`, `@`, a tab, a line end) has a `'` before it.",
            CSV_CONTENT,
            None,
            ("request.does_not_fit",),
            _DUE,
            headers=VARY,
        ),
    )
    async def export_due(request: Request) -> Response:
        query = read_query(request, [parameter["name"] for parameter in _DUE])
        return await tables.due(request, CSV, read_wanted(query), read_as_of(query))

    @router.get(
        "/v1/readings",
        **described(
            "listFleetReadings",
            TAG,
            KeyScope.READ,
            "Readings of the fleet, as a table",
            f"{_READINGS_TOLD} As CSV, or as Apache Parquet where `Accept` says so.",
            {**CSV_CONTENT, **PARQUET_CONTENT},
            None,
            ("machine.unknown", "request.does_not_fit", "address.not_acceptable"),
            [ACCEPT_TABLE, *_OF_FLEET],
            headers=VARY,
        ),
    )
    async def list_fleet_readings(request: Request) -> Response:
        form = form_of(request, (CSV, PARQUET))
        return await tables.readings(request, form, read_query(request, [p["name"] for p in _OF_FLEET]), None)

    @router.get(
        "/v1/readings.csv",
        **described(
            "exportReadings",
            TAG,
            KeyScope.READ,
            "Readings of the fleet, as CSV",
            _READINGS_TOLD,
            CSV_CONTENT,
            None,
            ("machine.unknown", "request.does_not_fit"),
            _OF_FLEET,
            headers=VARY,
        ),
    )
    async def export_readings(request: Request) -> Response:
        return await tables.readings(request, CSV, read_query(request, [p["name"] for p in _OF_FLEET]), None)

    @router.get(
        "/v1/machines/{id}/readings.csv",
        **described(
            "exportMachineReadings",
            TAG,
            KeyScope.READ,
            "Readings of a machine, as CSV",
            _READINGS_TOLD,
            CSV_CONTENT,
            None,
            ("machine.unknown", "request.does_not_fit"),
            [MACHINE_ID, *_FILTER],
            headers=VARY,
        ),
    )
    async def export_machine_readings(request: Request) -> Response:
        return await tables.readings(request, CSV, read_query(request, [p["name"] for p in _FILTER]), machine_of(request))

    return router
