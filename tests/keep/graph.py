"""Asking the other door in tests."""

from typing import Any

import httpx


async def ask(http: httpx.AsyncClient, query: str, **variables: Any) -> dict[str, Any]:
    """The whole answer; fails where it is none of GraphQL."""
    response = await http.post("/graphql", json={"query": query, "variables": variables})
    assert response.status_code == 200, response.text
    answer: dict[str, Any] = response.json()
    return answer


async def data(http: httpx.AsyncClient, query: str, **variables: Any) -> dict[str, Any]:
    """The data of an answer; fails where it has errors."""
    answer = await ask(http, query, **variables)
    assert "errors" not in answer, answer
    told: dict[str, Any] = answer["data"]
    return told
