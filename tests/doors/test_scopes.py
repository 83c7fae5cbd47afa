"""Which scope each route needs, as the app itself says; and that none is open by an oversight.

OWASP API Security Top 10 (2023): API5, broken function level authorization; API9, improper inventory management.
"""

from collections.abc import Callable
from typing import Any

import pytest
from fastapi import APIRouter, FastAPI
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Mount, Route

from fieldworthy.rest.admission import ANY_SCOPE, ANYBODY, Needs, Undeclared, scopes_of_routes
from fieldworthy.rest.body import RawRoute
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.told_kinds import KINDS
from tests.doors_app import MemoryStore, client, make_test_app

ONE = "/v1/machines/{id}"
WORK = f"{ONE}/open-work/{{work}}"
BOOK = "/v1/rulebooks/{name}"

ONLY_OPEN = {"GET /metrics"}
"""Where there are no keys: it tells of all organisations together, so no organisation's key opens it."""

TABLE: dict[Needs, set[str]] = {
    ANYBODY: {
        "GET /healthz",
        "GET /readyz",
        "GET /openapi.json",
        "GET /docs",
        "GET /docs/{file}",
        "GET /problems",
        "GET /problems/{code}",
        "GET /v1/feeds/{token}.ics",
        "GET /graphql",  # a page; what is asked there needs a key (tests/graph/test_keys.py)
        "GET /graphql/{file}",
    },
    ANY_SCOPE: {"POST /graphql", "WEBSOCKET /graphql"},
    KeyScope.READ: {
        *(f"POST /v1/{asked}" for asked in ("due", "due/batch", "clearance", "procedure", "parts", "expressions/check", "rulebooks/check")),
        *("GET /v1/due", "GET /v1/machines", "GET /v1/set-aside", "GET /v1/rulebooks", "GET /v1/events"),
        *("GET /v1/due.ics", f"GET {ONE}/due.ics", "GET /v1/sites/{site}/due.ics"),
        *("GET /v1/due.csv", "GET /v1/readings", "GET /v1/readings.csv", f"GET {ONE}/readings.csv"),
        *(f"GET {ONE}{part}" for part in ("", "/due", "/readings", "/locks", "/open-work", "/open-work/{work}")),
        *(f"GET {ONE}/{kind.path}{part}" for kind in KINDS.values() for part in ("", "/{record}", "/{record}/states")),
        *(f"GET {BOOK}/{part}" for part in ("draft", "versions", "versions/{version}", "versions/{version}/inputs", "compare")),
        *(f"GET {BOOK}/versions/{{version}}/readers", "GET /v1/shared-rulebooks"),
        "GET /v1/shared-rulebooks/{organisation}/{name}/versions/{version}",
        f"POST {ONE}/clearance",
    },
    KeyScope.POST_READINGS: {"POST /v1/readings", "POST /v1/readings/iso15143-3", "POST /v1/readings/counters"},
    KeyScope.RECORD_WORK: {
        *(f"{deed} {ONE}/{kind.path}/{{record}}" for kind in KINDS.values() for deed in ("PUT", "DELETE")),
        *(f"POST {ONE}/{kind.path}" for kind in KINDS.values()),
        *(f"POST {ONE}/{part}" for part in ("open-work", "put-on", "taken-off")),
        *(f"POST {WORK}/{part}" for part in ("steps/{step}", "steps/{step}/done", "hand-over", "close")),
        *("POST /v1/set-aside/{id}/accept", "POST /v1/set-aside/{id}/dismiss"),
    },
    KeyScope.WRITE_RULEBOOKS: {
        *(f"PUT {BOOK}/draft", f"POST {BOOK}/publish"),
        *(f"{deed} {BOOK}/versions/{{version}}/readers/{{reader}}" for deed in ("PUT", "DELETE")),
    },
    KeyScope.ADMINISTER: {
        *("POST /v1/machines", f"PUT {ONE}", "GET /v1/audit", *ONLY_OPEN),
        *("POST /v1/feeds", "GET /v1/feeds", "DELETE /v1/feeds/{id}"),
        *("POST /v1/listeners", "GET /v1/listeners", *(f"{deed} /v1/listeners/{{id}}" for deed in ("GET", "PUT", "DELETE"))),
        *("POST /v1/listeners/{id}/secret", "POST /v1/listeners/{id}/test"),
        *("GET /v1/deliveries", "GET /v1/deliveries/{id}", "POST /v1/deliveries/again"),
    },
}


def test_every_route_needs_the_scope_that_the_table_says() -> None:
    found = scopes_of_routes(make_test_app().routes)
    told = {scope: {f"{method} {path}" for (method, path), needs in found.items() if needs is scope} for scope in TABLE}
    assert told == TABLE
    assert set(TABLE) == {ANYBODY, ANY_SCOPE, *KeyScope}


def test_the_contract_says_the_same() -> None:
    app = make_test_app()
    found = scopes_of_routes(app.routes)
    for path, methods in app.openapi()["paths"].items():
        for method, operation in methods.items():
            needs = found[method.upper(), path]
            assert operation["security"] == ([] if needs is ANYBODY else [{"key": [needs.value]}]), path
            assert ({"401", "403"} <= set(operation["responses"])) == (needs is not ANYBODY), path


async def anything(request: Request) -> Response:
    return Response("open by an oversight")


def plain(app: FastAPI) -> None:
    app.add_api_route("/v1/secret", anything, response_model=None)


def starlette(app: FastAPI) -> None:
    app.router.routes.append(Route("/v1/secret", anything))


def mounted(app: FastAPI) -> None:
    app.router.routes.append(Mount("/v1/secret", app=Response("open by an oversight")))


def included(app: FastAPI) -> None:
    inner, outer = APIRouter(), APIRouter()
    inner.add_api_route("/secret", anything, response_model=None)
    outer.include_router(inner)
    app.include_router(outer, prefix="/v1")


def changed(app: FastAPI) -> None:
    router = APIRouter(route_class=RawRoute)
    router.add_api_route("/v1/secret", anything, openapi_extra={"security": []}, response_model=None)
    router.routes[0].openapi_extra = None  # type: ignore[attr-defined]
    app.include_router(router)


@pytest.mark.parametrize("add", [plain, starlette, mounted, included, changed])
def test_a_route_that_declares_nothing_stops_the_start(add: Callable[[FastAPI], None], monkeypatch: pytest.MonkeyPatch) -> None:
    from fieldworthy import main

    original = main.operate_router

    def and_another(app: FastAPI, *more: Any) -> APIRouter:
        add(app)
        return original(app, *more)

    monkeypatch.setattr(main, "operate_router", and_another)
    with pytest.raises(Undeclared, match=r"declares no scope|/v1/secret"):
        make_test_app()


def test_a_route_of_our_own_kind_that_declares_nothing_is_not_even_made() -> None:
    router = APIRouter(route_class=RawRoute)
    with pytest.raises(Undeclared, match="/v1/secret"):
        router.add_api_route("/v1/secret", anything, response_model=None)


async def test_without_a_word_the_app_asks_for_keys() -> None:
    """No option has to be remembered for the door to be shut; and without a key no question reaches the store."""
    async with client(make_test_app(MemoryStore(), is_open=False)) as http:
        for method, path in scopes_of_routes(make_test_app().routes):
            if f"{method} {path}" in ONLY_OPEN:
                assert (await http.request(method, path)).status_code == 404
                continue
            if method == "WEBSOCKET":  # tests/graph/test_socket.py
                continue
            answer = await http.request(method, path.replace("{", "").replace("}", ""), headers={"accept": "text/html, */*;q=0.5"})
            asks_for_a_key = f"{method} {path}" not in TABLE[ANYBODY]
            assert (answer.status_code == 401) == asks_for_a_key, path
