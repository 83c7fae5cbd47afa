"""Readings in the shapes of open standards: ISO/TS 15143-3 documents, and counters as a machine's bus carries them."""

import asyncio
from collections.abc import Callable, Mapping
from typing import Any

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.core.base.finding import Finding, Refused, pointer
from fieldworthy.rest.admission import caller_of
from fieldworthy.rest.answers import json_answer
from fieldworthy.rest.body import JSON_TYPES, RawRoute, media_type
from fieldworthy.rest.described import BODY, CODED, described, header_parameter, query_parameter, text_schema
from fieldworthy.rest.keeping import IDEMPOTENCY_KEY, ONCE
from fieldworthy.rest.query import read_query
from fieldworthy.rest.readings import TAG, take_in
from fieldworthy.rest.unpack import unpacked
from fieldworthy.usecases.keep_readings import Intake, keep_readings
from fieldworthy.usecases.keep_telematics import keep_telematics
from fieldworthy.usecases.kept import Kept
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.limits import MAX_BODY_BYTES, MAX_READINGS
from fieldworthy.usecases.once import Keeping
from fieldworthy.wire import requests
from fieldworthy.wire.counters import read_counters
from fieldworthy.wire.readings_json import CountedReadings, telematics_json
from fieldworthy.wire.telematics import ELEMENTS, Page, meters_of_query, read_json_page, read_name, read_xml_page
from fieldworthy.wire.telematics_answers import TelematicsAnswer
from fieldworthy.wire.telematics_xml import NAMESPACE, parse_xml

XML_TYPES = ("application/xml", "text/xml")

_ENCODING = header_parameter("Content-Encoding", "`gzip` or `zstd` where the body is packed", CODED)
_METERS = [
    query_parameter(e.name, f"the meter that `{e.name}` is; absent: `{e.words}`, if there is one", text_schema()) for e in ELEMENTS.values()
]
_READ = ", ".join(f"`{e.name}`" for e in ELEMENTS.values())
_PROBLEMS = (*BODY, *ONCE, "request.too_large")


def telematics_router(keeping: Keeping) -> APIRouter:
    """The routes."""
    router = APIRouter(route_class=RawRoute)

    @router.post(
        "/v1/readings/iso15143-3",
        **described(
            "keepTelematics",
            TAG,
            KeyScope.POST_READINGS,
            "Readings of an ISO/TS 15143-3 document",
            "A page of a fleet, one machine (`Equipment`), or one element over time (the element repeated); JSON or XML, at most "
            f"{MAX_BODY_BYTES:,} bytes after unpacking. XML in UTF-8, its elements in the namespace `{NAMESPACE}` or in none; a document "
            f"type or an entity is refused. Read are {_READ}; all else is passed over. Each element carries its own time, `datetime` or "
            "`dateTime`, with its offset: no other time stands in for it. An element that is missing is no reading, and not 0; one that is "
            "there and can't be one is told in `left_out`. The machine is told by the header's PIN, else by its serial number: the member "
            "`machines` says whose it is (PIN, serial number or equipment id to machine), else it is a machine's id, else the `serial` of "
            "one. A serial number is a maker's own: where those of two makers may meet, send `machines`. A header with neither is left "
            "out. Which meter an element is, a query parameter or the member `meters` says; else it is the meter that is called by the "
            "element's plain words, as `operating hours`. No other is guessed: such a reading is set aside as of an unknown meter, under "
            "the element's name. Values are kept to a millionth. In all else as `POST /v1/readings`.",
            TelematicsAnswer,
            {
                "application/json": {
                    "schema": {
                        "type": "object",
                        "description": "the standard's document; beside it `machines` (PIN, serial number or equipment id -> machine) and "
                        "`meters` (element -> meter)",
                    }
                },
                "application/xml": {"schema": {"type": "string", "maxLength": MAX_BODY_BYTES, "description": "the standard's document"}},
                "text/xml": {"schema": {"type": "string", "maxLength": MAX_BODY_BYTES, "description": "the standard's document"}},
            },
            _PROBLEMS,
            [query_parameter("machine", "the machine that all of it is about", text_schema()), *_METERS, IDEMPOTENCY_KEY, _ENCODING],
        ),
    )
    async def keep_document(request: Request) -> Response:
        query = read_query(request, ("machine", *(e.name for e in ELEMENTS.values())))
        kind = media_type(request, (*JSON_TYPES, *XML_TYPES), packed=True)
        body = await unpacked(request, MAX_BODY_BYTES)
        read: Callable[[bytes], Page] = read_json_page if kind in JSON_TYPES else lambda xml: read_xml_page(parse_xml(xml))
        page = await asyncio.to_thread(read, body)  # a large document takes its time
        machine = _of_one(query, page)
        meters = _meters(query, page)

        async def work(kept: Kept) -> tuple[Intake, Response]:
            kin = await keep_telematics(kept, keeping.find, page.told, page.machines, meters, machine)
            return kin.intake, json_answer(telematics_json(kin, caller_of(request)))

        return await take_in(keeping, request, body, work)

    @router.post(
        "/v1/readings/counters",
        **described(
            "keepCounters",
            TAG,
            KeyScope.POST_READINGS,
            "Readings as a machine's bus counts them",
            f"At most {MAX_READINGS:,} counters and {MAX_BODY_BYTES:,} bytes after unpacking: a suspect parameter number of SAE J1939 or a "
            "data dictionary identifier of ISO 11783-11, with the raw number or its bytes, the least significant first. The identifier "
            "tells what one step is worth, and in which unit. The codes for error, not available and reserved are no readings: they are "
            "told in `left_out`. Whose it is, and which meter, the sender says; a counter of one task begins again with the next, and is "
            "no meter of a machine. In all else as `POST /v1/readings`.",
            TelematicsAnswer,
            requests.COUNTERS,
            _PROBLEMS,
            [IDEMPOTENCY_KEY, _ENCODING],
        ),
    )
    async def keep_counters(request: Request) -> Response:
        media_type(request, JSON_TYPES, packed=True)
        body = await unpacked(request, MAX_BODY_BYTES)
        read = CountedReadings.of(read_counters(requests.COUNTERS.read(body)))

        async def work(kept: Kept) -> tuple[Intake, Response]:
            kin = await keep_readings(kept, keeping.find, read.sent, read.taken)
            return kin.intake, json_answer(telematics_json(kin, caller_of(request)))

        return await take_in(keeping, request, body, work)

    return router


def _of_one(query: Mapping[str, str], page: Page) -> str | None:
    """The machine that the query names. Raises Refused where the document is about several."""
    if "machine" not in query:
        return None
    if len(set(page.headers)) > 1:
        message = f"`machine` names one, and the document is about {len(set(page.headers)):,} machines"
        raise Refused([Finding("request.parameter", message, "leave it out; say which is which in `machines`")])
    return read_name(query["machine"], "machine", "")


def _meters(query: Mapping[str, str], page: Page) -> Mapping[str, str]:
    """Which meter each element is. Raises Refused where query and document both say it."""
    asked: dict[str, Any] = meters_of_query(query)
    for key in asked.keys() & page.meters.keys():
        message = f"the meter of `{ELEMENTS[key].name}` is said twice"
        raise Refused([Finding("request.parameter_twice", message, "say it in the query or in `meters`", path=pointer("meters"))])
    return {**page.meters, **asked}
