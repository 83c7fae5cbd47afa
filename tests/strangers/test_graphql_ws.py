"""Subscriptions asked by the client of npm's `graphql-ws`, of the service as it is started from the command line."""

import json
from pathlib import Path

import pytest

from fieldworthy.wire.cursor import write_cursor
from tests.contract.test_fuzz import started
from tests.strangers.programs import Programs

SCRIPT = """
import { createClient } from "graphql-ws";
import WebSocket from "ws";
const client = createClient({ url: process.argv[2], webSocketImpl: WebSocket, retryAttempts: 0 });
const query = "subscription ($after: String) { events(after: $after) { cursor event { type subject } } }";
const told = [];
for await (const result of client.iterate({ query, variables: { after: process.argv[3] } })) {
  told.push(result);
  break;
}
for await (const result of client.iterate({ query: "{ __typename }" })) told.push(result);
try {
  for await (const result of client.iterate({ query: "{ nothing }" })) told.push(result);
} catch (errors) {
  told.push(errors.map((error) => error.extensions.code));
}
await client.dispose();
console.log(JSON.stringify(told));
"""


@pytest.mark.slow
def test_its_client_is_answered(programs: Programs, tmp_path: Path) -> None:
    room = programs.room(tmp_path / "room")
    (room / "ask.js").write_text(SCRIPT, "utf-8")
    with started(tmp_path) as address:
        where = f"ws{address.removeprefix('http')}/graphql"
        event, typename, refused = json.loads(programs.node(room / "ask.js", where, write_cursor([0]), cwd=room))
    assert event["data"]["events"]["event"]["type"] == "fieldworthy.rulebook.published"
    assert typename == {"data": {"__typename": "Query"}}
    assert refused == ["query.does_not_fit"]
