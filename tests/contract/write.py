"""Rewrites the contract: runs every example, keeps what the service answers, then writes openapi/rest.json,

    python tests/contract/write.py

and openapi/schema.graphql beside it, saying what is broken for whoever asks by the schema of before; that is noted in openapi/CHANGES.md.

The requests in service/fieldworthy/rest/examples.json are written by hand; their answers come from here, to be read before they are
committed.
"""

import asyncio
import json
import re
import subprocess
import sys
import tempfile
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from random import Random
from typing import Any
from weakref import WeakKeyDictionary

HERE = Path(__file__).resolve().parent
TOP = HERE.parents[1]
sys.path[:0] = [str(TOP), str(TOP / "service")]

EXAMPLES = TOP / "service" / "fieldworthy" / "rest" / "examples.json"
CONTRACT = TOP / "openapi" / "rest.json"
SCHEMA = TOP / "openapi" / "schema.graphql"
RULEBOOK = (HERE / "example_rulebook.yaml").read_text("utf-8")
NAME = "plover-r5-baler"


def address(example: dict[str, Any]) -> tuple[str, dict[str, str], dict[str, str]]:
    """The example's path, query and headers, with its parameters in their places."""
    path, query, headers = example["path"], {}, {}
    for name, value in example.get("parameters", {}).items():
        if "{" + name + "}" in path:
            path = path.replace("{" + name + "}", value)
        elif name[:1].isupper():
            headers[name] = value
        else:
            query[name] = value
    return path, query, headers


TESTED: WeakKeyDictionary[Any, str] = WeakKeyDictionary()
"""The delivery of each client's last test."""


async def run(http: Any, example: dict[str, Any]) -> Any:
    """Sends one example. The id of a delivery is chance: in place of the example's own goes that of the client's last test."""
    answer = await _sent(http, {**example, "parameters": parameters_of(http, example)})
    if example["path"] == "/v1/listeners/{id}/test" and answer.status_code == 202:
        TESTED[http] = answer.json()["delivery"]
    return answer


def parameters_of(http: Any, example: dict[str, Any]) -> dict[str, str]:
    """The parameters with which an example is sent."""
    given: dict[str, str] = example.get("parameters") or {}
    return {"id": TESTED.get(http, given["id"])} if example["path"] == "/v1/deliveries/{id}" else given


async def _sent(http: Any, example: dict[str, Any]) -> Any:
    path, query, headers = address(example)
    body, kind = example.get("body"), example.get("body_type", "application/json")
    if body is None:
        return await http.request(example["method"], path, params=query, headers=headers)
    sent = body.encode() if isinstance(body, str) else json.dumps(body).encode()
    return await http.request(example["method"], path, params=query, headers={**headers, "content-type": kind}, content=sent)


def told(response: Any) -> Any:
    """The answer as an example shows it: JSON, or the text; None where there is none."""
    if not response.content:
        return None
    return (
        response.json()
        if response.headers["content-type"].split(";")[0] in ("application/json", "application/problem+json")
        else response.text
    )


@asynccontextmanager
async def prepared() -> AsyncIterator[Any]:
    """A client of a fresh service over a database of its own, its clock standing; an earlier version of the rulebook is published,
    and another organisation shares one of its own."""
    from fieldworthy.main import make_app
    from fieldworthy.storage.engine import SqlStore, open_engine, prepare
    from tests.chance import Chance
    from tests.doors_app import NOW, client, publish
    from tests.lending import lend_home

    with tempfile.TemporaryDirectory() as room:
        address = f"sqlite:///{room}/store.db"
        store = SqlStore(open_engine(address), lambda: NOW, chance=Random(6).randbytes)  # so that ids are the same each time
        await prepare(store, address)
        await lend_home(store)
        async with client(make_app(store, lambda: NOW, is_open=True, random=Chance())) as http:
            earlier = RULEBOOK.replace("every 80 h", "every 100 h").replace("needs: tailgate is closed and engine", "needs: engine")
            await publish(http, NAME, earlier)
            yield http
        await store.close()


def sdl() -> str:
    """The schema of GraphQL, in its own language."""
    from fieldworthy.graph.schema import make_schema

    return make_schema().as_str() + "\n"


def breaking_schema(before: str, after: str) -> list[str]:
    """What a query that fitted the schema of before would fail on now; of what was to go, that this was told."""
    from graphql import build_schema, find_breaking_changes

    was = build_schema(before)
    return [_with_word(was, change.description) for change in find_breaking_changes(was, build_schema(after))]


def _with_word(was: Any, description: str) -> str:
    """What is broken, and what the schema of before said of what is gone."""
    found = re.match(r"(?:Field|Argument|Enum value) (\w+)\.(\w+)(?:\((\w+):\))? was removed\.", description)
    if found is None:
        return description
    of = was.type_map[found[1]]
    there = of.fields[found[2]] if hasattr(of, "fields") else of.values[found[2]]
    reason = (there.args[found[3]] if found[3] else there).deprecation_reason
    return f"{description} {f'It was to go: {reason}' if reason else 'Nobody was told.'}"


async def rewrite() -> None:
    examples = json.loads(EXAMPLES.read_text("utf-8"))
    async with prepared() as http:
        for example in examples:
            response = await run(http, example)
            if example.get("parameters"):
                example["parameters"] = parameters_of(http, example)
            example["status"], example["answer"] = response.status_code, told(response)
            example["answer_type"] = response.headers.get("content-type", "").split(";")[0]
            print(example["operation"], response.status_code, "" if response.status_code < 300 else response.text)  # noqa: T201
    EXAMPLES.write_text(json.dumps(examples, indent=1, ensure_ascii=False) + "\n", "utf-8")


if __name__ == "__main__":
    if "--contract" in sys.argv:
        from fieldworthy.rest.openapi import text
        from tests.contract.breaking import breaking
        from tests.doors_app import make_test_app

        written = text(make_test_app())
        for line in breaking(json.loads(CONTRACT.read_text("utf-8")), json.loads(written)):
            print(f"a client would notice: {line}")  # noqa: T201  # it wants a line in openapi/CHANGES.md
        CONTRACT.write_text(written, "utf-8")
        if SCHEMA.exists():
            for change in breaking_schema(SCHEMA.read_text("utf-8"), sdl()):
                print(f"a client of GraphQL would notice: {change}")  # noqa: T201
        SCHEMA.write_text(sdl(), "utf-8")
    else:
        asyncio.run(rewrite())
        subprocess.run([sys.executable, __file__, "--contract"], check=True)
