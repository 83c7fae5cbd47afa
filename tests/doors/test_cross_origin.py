"""Pages of other origins, as a browser asks for them. Source: the Fetch standard, 3.2 (CORS protocol), and RFC 6454 (origins)."""

from collections.abc import AsyncIterator

import httpx
import pytest
import pytest_asyncio

from tests.doors_app import client, make_test_app

NAMED, OTHER = "https://fields.example", "https://other.example"
NEAR = (
    "null",
    "*",
    "https://fields.example.other.example",
    "http://fields.example",
    "https://fields.example:8443",
    "https://FIELDS.example",
)
ASKS = {"access-control-request-method": "PUT", "access-control-request-headers": "authorization,if-match"}


@pytest_asyncio.fixture
async def named() -> AsyncIterator[httpx.AsyncClient]:
    """With keys: a preflight carries none, and is answered all the same."""
    async with client(make_test_app(is_open=False, origins=[NAMED, "http://localhost:3000"])) as http:
        yield http


def of_cors(answer: httpx.Response) -> dict[str, str]:
    return {name: value for name, value in answer.headers.items() if name.startswith("access-control-")}


async def test_a_preflight_of_a_named_origin(named: httpx.AsyncClient) -> None:
    answer = await named.options("/v1/machines/r5-17", headers={"origin": NAMED, **ASKS})
    assert (answer.status_code, answer.content) == (204, b"")
    told = of_cors(answer)
    assert told.pop("access-control-allow-origin") == NAMED
    assert {"GET", "POST", "PUT", "DELETE"} <= set(told.pop("access-control-allow-methods").split(", "))
    taken = set(told.pop("access-control-allow-headers").split(", "))
    assert {"authorization", "content-type", "if-match", "if-none-match", "idempotency-key"} <= taken
    assert int(told.pop("access-control-max-age")) <= 3600
    assert told == {}  # no credentials: there are no cookies
    assert "origin" in answer.headers["vary"].lower()


async def test_what_a_named_origin_is_shown_of_an_answer(named: httpx.AsyncClient) -> None:
    for address, status in (("/healthz", 200), ("/v1/machines", 401), ("/nothing", 404), ("/healthz?" + "x" * 9000, 414)):
        answer = await named.get(address, headers={"origin": NAMED})
        assert answer.status_code == status
        told = of_cors(answer)
        assert told.pop("access-control-allow-origin") == NAMED
        assert {"etag", "retry-after", "ratelimit", "x-request-id"} <= set(told.pop("access-control-expose-headers").lower().split(", "))
        assert told == {}
        assert "origin" in answer.headers["vary"].lower()


@pytest.mark.parametrize("origin", [OTHER, *NEAR])
async def test_another_origin_is_told_nothing(named: httpx.AsyncClient, origin: str) -> None:
    preflight = await named.options("/v1/machines/r5-17", headers={"origin": origin, **ASKS})
    asked = await named.get("/healthz", headers={"origin": origin})
    assert (preflight.status_code, asked.status_code) == (405, 200)
    for answer in (preflight, asked):
        assert of_cors(answer) == {}
        assert "origin" in answer.headers["vary"].lower()  # what a cache kept for one must not be given to another


async def test_two_origins_are_none(named: httpx.AsyncClient) -> None:
    answer = await named.get("/healthz", headers=[("origin", NAMED), ("origin", OTHER)])
    assert of_cors(answer) == {}


async def test_options_without_a_preflight_is_a_method_like_any_other(named: httpx.AsyncClient) -> None:
    answer = await named.options("/v1/due", headers={"origin": NAMED})
    assert (answer.status_code, answer.headers["allow"]) == (405, "GET, HEAD, POST")


async def test_without_names_there_is_no_cors() -> None:
    async with client(make_test_app()) as http:
        for origin in (NAMED, OTHER, "null"):
            preflight = await http.options("/v1/due", headers={"origin": origin, **ASKS})
            asked = await http.get("/healthz", headers={"origin": origin})
            assert (preflight.status_code, asked.status_code) == (405, 200)
            assert of_cors(preflight) == of_cors(asked) == {}
