"""The audits of GraphQL over HTTP that the npm package `graphql-http` brings along, asked of the service behind a real socket."""

import json
from pathlib import Path

import pytest

from tests.doors_app import make_test_app
from tests.graph.served import served
from tests.strangers.programs import Programs

SCRIPT = """
import { auditServer } from "graphql-http";
const results = await auditServer({ url: process.argv[2] });
const told = results.map((r) => ({ id: r.id, name: r.name, status: r.status, reason: r.reason ?? null }));
console.log(JSON.stringify(told));
"""


@pytest.mark.slow
def test_every_audit_is_passed(programs: Programs, tmp_path: Path) -> None:
    room = programs.room(tmp_path / "room")
    (room / "audit.js").write_text(SCRIPT, "utf-8")
    with served(make_test_app()) as address:
        results = json.loads(programs.node(room / "audit.js", f"{address}/graphql", cwd=room))
    assert len(results) > 55
    assert [result for result in results if result["status"] != "ok"] == []
