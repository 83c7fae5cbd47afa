"""Where a name is not known, one that is like it is told; but of a text with a letter that has more characters in lower case.

graphql-core (3.3) measures a text by its length and compares it in lower case: it fails on `İ`, the one such letter that there is.
"""

from typing import Any

import pytest

from fieldworthy.graph.asked import of_payload
from tests.doors_app import client, make_test_app

NEW = {"accept": "application/graphql-response+json"}
BY_KIND = "query ($it: TaskKind) { fleetDue(kind: $it) { stale } }"
BY_INPUT = "query ($it: PartsInput!) { parts(input: $it) { on } }"


@pytest.mark.parametrize(
    ("query", "sent"),
    [
        (BY_KIND, "cleaİ"),
        (BY_INPUT, {"oİ": 1}),
        (BY_INPUT, {"machine": {"modeİ": 1}}),
        ('{ fleetDue(kind: "cleaİ") { stale } }', None),
        (r'{ fleetDue(kind: "clea\u0130") { stale } }', None),
        (r'{ fleetDue(kind: "clea\u{130}") { stale } }', None),
        ('query ($it: TaskKind = "cleaİ") { fleetDue(kind: $it) { stale } }', None),
    ],
)
async def test_a_letter_that_grows_in_lower_case_is_no_fault(query: str, sent: Any) -> None:
    async with client(make_test_app()) as http:
        answer = await http.post("/graphql", json={"query": query, "variables": {} if sent is None else {"it": sent}}, headers=NEW)
    assert answer.status_code == 400, answer.text
    assert {each["extensions"]["code"] for each in answer.json()["errors"]} == {"query.does_not_fit"}


async def test_by_the_address_as_well() -> None:
    async with client(make_test_app()) as http:
        answer = await http.get("/graphql", params={"query": BY_KIND, "variables": r'{"it": "clea\u0130"}'}, headers=NEW)
    assert answer.status_code == 400, answer.text
    assert answer.json()["errors"][0]["extensions"]["code"] == "query.does_not_fit"


async def test_other_texts_are_told_what_is_like_them() -> None:
    async with client(make_test_app()) as http:
        answer = await http.post("/graphql", json={"query": BY_KIND, "variables": {"it": "cleam"}}, headers=NEW)
    assert "clean" in answer.json()["errors"][0]["message"]


def test_a_message_of_a_socket_is_looked_at_too() -> None:
    assert of_payload({"query": "{ a }", "variables": {"it": "ı"}}).guesses
    assert not of_payload({"query": "{ a }", "variables": {"it": ["İ"]}}).guesses
