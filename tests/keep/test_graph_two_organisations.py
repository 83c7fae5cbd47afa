"""Two organisations in one database, through GraphQL: every field with each other scope, for its owner, and with the other's key.

The requests are the contract's own examples (`graph_requests`), in the order in which they make a world. With the other's key a thing is
not found, a list is empty, and nothing that stands in the owner's things alone is told.

OWASP API Security Top 10 (2023): API1, broken object level authorization; API5, broken function level authorization.
"""

import json
from typing import Any

import pytest

from fieldworthy.graph.table import TABLE
from fieldworthy.rest.examples import EXAMPLES, Example
from fieldworthy.usecases.keys import KeyScope
from tests.keep.every_endpoint import (
    MADE,
    MARKS,
    MINE,
    POSTS,
    STATELESS,
    THEIR_ASIDE,
    THEIRS,
    TRAIL,
    a_beginning,
    a_key,
    decoys,
    of_their_own,
)
from tests.keep.graph_requests import Asked, request_of
from tests.keep.service import Service, running
from tests.lending import lend

ALONE = {*STATELESS, *MADE, *POSTS, *THEIR_ASIDE, *TRAIL}
"""What may tell something: what is drawn from the request alone, or from what they sent themselves."""


async def asked(service: Service, key: str, request: Asked) -> dict[str, Any]:
    """The answer to who has this key."""
    service.http.headers["authorization"] = f"Bearer {key}"
    variables = request.variables
    response = await service.http.post("/graphql", json={"query": request.query, "variables": variables})
    assert response.status_code == 200, (request.query, response.text)
    answer: dict[str, Any] = response.json()
    return answer


def refused(answer: dict[str, Any], field: str) -> str:
    """The code that the field was refused with, as an error or as data; "" where it was answered."""
    if "errors" in answer:
        return str(answer["errors"][0]["extensions"]["code"])
    told = answer["data"][field]
    return str(told["code"]) if isinstance(told, dict) and told.get("__typename") == "Refusal" else ""


def empty(told: Any) -> bool:
    """Whether an answer tells of nothing: pages without items, counts of nothing."""
    match told:
        case dict():
            return all(empty(value) for name, value in told.items() if name not in ("pageInfo", "__typename"))
        case list():
            return not told
    return not told


@pytest.mark.both_databases
async def test_every_field_is_its_owners_alone_and_needs_its_scope(address: str) -> None:
    async with running(address, is_open=False, quota=None) as service:
        mine, theirs = await a_key(service, MINE), await a_key(service, THEIRS)
        narrow = {scope: await a_key(service, MINE, frozenset({scope})) for scope in KeyScope}
        await lend(service.store, MINE)
        await a_beginning(service, mine)
        await decoys(service, mine)
        made: dict[str, str] = {}
        for operation in [each for each in EXAMPLES if each in TABLE]:
            example, needs = EXAMPLES[operation], TABLE[operation].needs
            request = request_of(example, made)
            for scope, key in narrow.items():
                if scope != needs and request.field != "machine":
                    assert refused(await asked(service, key, request), request.field) == "key.scope_missing", (operation, scope)
            owner = await asked(service, narrow[needs], request)
            assert "errors" not in owner, (operation, owner["errors"])
            assert not refused(owner, request.field), (operation, owner)
            told = owner["data"][request.field]
            if operation == "makeFeed":
                made["revokeFeed"] = told["id"]
            if operation == "testListener":
                made["getDelivery"] = told["delivery"]
            own = of_their_own(example)
            assert isinstance(own, Example)
            other = await asked(service, theirs, request_of(own, made))
            assert not any(mark.decode() in json.dumps(other) for mark in MARKS), (operation, other)
            if operation not in ALONE and not refused(other, request.field):
                assert empty(other["data"][request.field]), (operation, other)
