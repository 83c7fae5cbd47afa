"""The driver's own connection, inside the transaction of SQLAlchemy's.

For what is asked and written by the thousand: what SQLAlchemy does for a row of a result takes longer there than the database does for it.
"""

import json
from collections.abc import AsyncIterator, Iterable, Sequence
from contextlib import asynccontextmanager
from typing import Any

from sqlalchemy.ext.asyncio import AsyncConnection

from fieldworthy.storage.trouble import is_lost

Rows = Sequence[Any]
"""Rows as tuples, or what can be taken apart like them."""

EACH = "select found.* from unnest($2::{type}) as wanted(value) cross join lateral ({query} offset 0{lock}) as found"
"""
A question of PostgreSQL for each value of an array, one after the other. Left to choose, it compares all with all while it takes a table
for a small one, as it does before its first `analyze`.
"""

EACH_VALUE, ANY_VALUE = "= wanted.value", "in (select value from json_each(:2))"
"""What a column is asked to be: on PostgreSQL inside EACH, on SQLite one of those of a JSON array."""


@asynccontextmanager
async def driver_of(connection: AsyncConnection) -> AsyncIterator[Any]:
    """The driver's connection, in a transaction that has begun. SQLAlchemy is told where it is lost: else the next one would get it."""
    raw: Any = (await connection.get_raw_connection()).driver_connection
    assert raw is not None
    if connection.dialect.name == "postgresql" and not raw.is_in_transaction():  # SQLAlchemy begins with its own first statement
        await connection.exec_driver_sql("select 1")
    try:
        yield raw
    except Exception as trouble:
        if is_lost(trouble):
            await connection.invalidate(trouble)
        raise


async def ask(connection: AsyncConnection, sql: str, *values: Any) -> Rows:
    """The rows of a question. sql: with `$1`, `$2` and so on where the values go on PostgreSQL, `:1`, `:2` on SQLite."""
    async with driver_of(connection) as raw:
        if connection.dialect.name == "postgresql":
            rows: Rows = await raw.fetch(sql, *values)
        else:
            rows = list(await raw.execute_fetchall(sql, {str(n): value for n, value in enumerate(values, 1)}))
    return rows


def in_json(values: Iterable[Any]) -> str:
    """Many values as the one that SQLite's `json_each` takes apart."""
    return json.dumps(list(values))


def int_array(values: Iterable[int]) -> str:
    """Many whole numbers as the one text that PostgreSQL takes for an array: the driver looks at each for whether it is an array itself."""
    return f"{{{','.join(map(str, values))}}}"


def text_array(values: Sequence[str]) -> str:
    """The same of texts, each in quotation marks. Source: PostgreSQL's manual, 8.15.6 (Array Input and Output Syntax)."""
    if not values:
        return "{}"
    told = "\0".join(values)  # which no text of PostgreSQL holds
    if '"' in told or "\\" in told:
        told = told.replace("\\", "\\\\").replace('"', '\\"')
    return '{"' + told.replace("\0", '","') + '"}'
