"""Organisations whose rows in the database stand under the very keys of another's, and say other things.

What is asked or changed without saying whose it is meets them: then an answer is another than where they are not, or a row of theirs
changes.
"""

import json
from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Any

from sqlalchemy import Table, insert, select

from fieldworthy.storage.engine import SqlStore
from fieldworthy.storage.row_security import about
from fieldworthy.storage.tables import attempts, deliveries, listeners, metadata, organisations, rulebook_shares
from fieldworthy.usecases.listeners import Choice
from tests.contract.test_openapi import write
from tests.keep.service import BEGINNING

BEFORE, BEHIND = 0, 99
"""Their numbers: by the order of keys, and where they are added before and after it by that of the table, theirs are first and last."""

Rows = Mapping[str, Sequence[tuple[Any, ...]]]

TABLES = [table for table in metadata.sorted_tables if "organisation" in table.primary_key.columns]


async def add_stranger(store: SqlStore, like: SqlStore, organisation: int, stranger: int) -> Rows:
    """Adds one: as that organisation is in the other database, where it has done what it is about to do here. Gives its rows."""
    made = {}
    async with like.engine.connect() as there:
        await about(there, organisation)
        for table in TABLES:
            rows = (await there.execute(select(table).where(table.c.organisation == organisation))).mappings().all()
            made[table] = [_changed(table, dict(row), stranger) for row in rows]
    _add_listening(made, stranger)
    assert not [table.name for table, rows in made.items() if not rows and table is not rulebook_shares]
    first = {"organisation": stranger, "name": write.NAME, "version": made[_VERSIONS][0]["version"], "shared_at": BEGINNING}
    made[rulebook_shares] = [{**first, "reader": reader} for reader in ("East Contracting", "Somebody")]
    async with store.engine.begin() as here:
        await about(here, None)
        await here.execute(insert(organisations).values(id=stranger, name=f"a stranger {stranger}", created=0))
    async with store.writing(stranger) as here:
        for table, rows in made.items():
            await here.execute(insert(table), rows)
    return await rows_of(store, stranger)


def _add_listening(made: dict[Table, list[dict[str, Any]]], stranger: int) -> None:
    """In place of the examples' listener, which is removed at their end: one who listens to all, and whom events could not be told yet."""
    document = json.dumps(Choice(url="https://not-yours.example/").to_json())
    other = {"state": "on", "name": "not yours", "document": document, "secret": "not yours", "secret_before": None}
    made[listeners] = [{**row, **other} for row in made[listeners]]
    made[deliveries] = [{**row, "state": "waiting", "due": 0, "tries": 1} for row in made[deliveries]]
    tried = {"organisation": stranger, "n": 1, "at": 0, "ms": 5, "status": 500}
    made[attempts] = [{**tried, "event": row["event"], "listener": row["listener"]} for row in made[deliveries]]


_VERSIONS = metadata.tables["rulebook_versions"]


def _changed(table: Table, row: dict[str, Any], stranger: int) -> dict[str, Any]:
    """A row of somebody as it is of a stranger."""
    row["organisation"] = stranger
    behind = stranger == BEHIND
    for name, change in _CHANGES.get(table.name, {}).items():
        if row[name] is not None:
            row[name] = change(row[name], behind)
    return row


def _more(value: Any, _: bool) -> Any:
    return value + 3_000_000


def _otherwise(text: str, _: bool) -> str:
    return (
        text.replace('"p-', '"q-')
        .replace('"north"', '"elsewhere"')
        .replace('"rulebook":"', '"rulebook":"not-')
        .replace("712", "713")
        .replace("660", "661")
        .replace("07-01T12:00:00", "07-14T05:57:30")
    )


def _sooner(at: int, behind: bool) -> int:
    """The readings of one are of the same moments, those of the other of a second before."""
    return at if behind else at - 1_000_000


_CHANGES: Mapping[str, Mapping[str, Any]] = {
    "rulebook_drafts": {"text": lambda *_: "no draft of yours", "revision": lambda n, _: n + 5},
    "rulebook_versions": {
        "title": lambda *_: "not yours",
        "text": lambda *_: "not yours",
        "declared": lambda text, _: text.replace("every 80 h", "every 90 h"),
        "version": lambda n, behind: n + 5 * behind,
        "published_at": lambda at, behind: at + timedelta(microseconds=2 * behind - 1),
    },
    "machines": {
        "id": lambda id, behind: f"not-{id}" if behind else id,
        "site": lambda *_: "elsewhere",
        "rulebook": lambda *_: "not-yours",
        "revision": lambda n, _: n + 5,
        "known": _more,
    },
    "entries": {"body": _otherwise, "about": lambda text, behind: "elsewhere" if behind else text},
    "meters": {"last_value": _more},
    "readings": {"at": _sooner, "value": _more},
    "readings_withdrawn": {"at": _sooner, "value": _more},
    "set_aside": {"why": lambda *_: "out-of-range", "settled_by": lambda *_: "q-9", "details": _otherwise},
    "computed": {"rulebook": lambda *_: "not-yours", "fit": lambda *_: "unfit", "version": lambda n, _: n + 5, "until": lambda *_: 2**60},
    "due_days": {"day": lambda *_: "2031-01-01", "sequence": lambda n, _: n + 5},
    "standings": {"urgency": lambda n, _: 4 - n, "machine_id": lambda *_: "not-yours", "kind": lambda *_: "inspect"},
    "events": {"source": lambda *_: "not-yours", "body": lambda *_: '{"not":"yours"}', "site": lambda *_: "elsewhere"},
    "answers": {"fingerprint": lambda *_: "0" * 64, "body": lambda *_: b"{}"},
}


async def rows_of(store: SqlStore, *whose: int) -> Rows:
    """All rows of these organisations, by table."""
    found: dict[str, list[tuple[Any, ...]]] = {table.name: [] for table in TABLES}
    for organisation in whose:  # one transaction each: PostgreSQL shows the rows of one
        async with store.engine.connect() as connection:
            await about(connection, organisation)
            for table in TABLES:
                query = select(table).where(table.c.organisation == organisation).order_by(*table.primary_key.columns)
                found[table.name] += [tuple(row) for row in await connection.execute(query)]
    return found
