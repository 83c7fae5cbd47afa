"""Every step of the schema, up, down and up again, with data in it: nothing that was there is lost, and what is frozen stays frozen."""

import asyncio
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from alembic import command
from sqlalchemy import LargeBinary, String, Table, insert, text
from sqlalchemy.exc import DBAPIError

from fieldworthy.core.base.micros import micros_of
from fieldworthy.storage.engine import OtherRevision, SqlStore, open_engine, prepare
from fieldworthy.storage.machines import _LOCK_EACH
from fieldworthy.storage.migrating import migrate, migration_config
from fieldworthy.storage.readiness import hindrance
from fieldworthy.storage.tables import REVISION, metadata

TOP = Path(__file__).resolve().parents[2]

DRAFT = "insert into rulebook_drafts ({0}name, text, media_type, revision, changed_at) values ({1}'baler', 'draft', 'text/yaml', 3, '{2}')"
VERSION = (
    "insert into rulebook_versions ({0}name, version, digest, title, text, media_type, document, declared, published_at) "
    "values ({1}'baler', {3}, 'sha256:{3}', 'Baler', 'text {3}', 'text/yaml', '{{}}', '{{}}', '{2}')"
)
KEYS = ("organisations", "keys", "rulebook_shares", "audit", "quotas", "events", "listeners", "deliveries", "attempts", "due_days", "feeds")
KEY_ROW = (
    "insert into keys (id, organisation, name, digest, scopes, created, expires) values ('3k7q2xmzt5ab', {}, 'bridge', '', 'read', 0, 1)"
)
MOMENT = "2026-07-14 06:00:00"


async def go(address: str, revision: str) -> None:
    """Up or down to a revision."""
    config = migration_config(address)
    newer = await at(address) is None or (revision != "base" and str(await at(address)) < revision)
    await asyncio.to_thread(command.upgrade if newer else command.downgrade, config, revision)


async def at(address: str) -> str | None:
    store = SqlStore(open_engine(address))
    try:
        return await store.revision()
    finally:
        await store.close()


async def run(address: str, *statements: str) -> list[Any]:
    """Carries out statements in one transaction; gives the rows of the last."""
    store = SqlStore(open_engine(address))
    try:
        async with store.writing() as connection:
            for statement in statements:
                result = await connection.execute(text(statement))
            return [tuple(row) for row in result.all()] if result.returns_rows else []
    finally:
        await store.close()


async def shelve(address: str, organisation: bool = False) -> None:
    """A draft and two versions, as a release of that revision kept them."""
    own = ("organisation, ", "1, ") if organisation else ("", "")
    zone = "" if address.startswith("sqlite") else "+00"
    await run(address, DRAFT.format(*own, MOMENT + zone), *(VERSION.format(*own, MOMENT + zone, n) for n in (1, 2)))


async def assert_shelved(address: str) -> None:
    """What `shelve` put there is there, and a published version can't be changed."""
    assert await run(address, "select name, text, revision from rulebook_drafts") == [("baler", "draft", 3)]
    kept = await run(address, "select version, digest, text from rulebook_versions order by version")
    assert kept == [(1, "sha256:1", "text 1"), (2, "sha256:2", "text 2")]
    for deed in ("update rulebook_versions set title = 'x'", "delete from rulebook_versions"):
        with pytest.raises(DBAPIError, match="a published version is never changed"):
            await run(address, deed)


def any_row(table: Table) -> dict[str, Any]:
    """A row that the table takes: 1 and texts, or what is known of a column."""
    told = {"kind": "done", "body": "{}", "details": "{}", "headers": "{}", "fingerprint": "f" * 64}
    row: dict[str, Any] = {}
    for column in table.columns:
        if column.name in told and not isinstance(column.type, LargeBinary):
            row[column.name] = told[column.name]
        elif not column.nullable:
            row[column.name] = b"" if isinstance(column.type, LargeBinary) else "x" if isinstance(column.type, String) else 1
    return row


async def fill(address: str, before: tuple[str, ...] = ()) -> None:
    """Something in every table but those of the rulebooks. before: tables that are not there yet."""
    store = SqlStore(open_engine(address))
    async with store.writing() as connection:
        for table in metadata.sorted_tables:
            if not table.name.startswith("rulebook_") and table.name not in before:
                await connection.execute(insert(table).values(any_row(table)))
    await store.close()


async def test_from_the_first_revision_with_data(empty_address: str) -> None:
    address = empty_address
    await go(address, "0001")
    await shelve(address)
    await assert_shelved(address)
    for _ in range(2):  # there, back and there again
        await go(address, REVISION)
        await assert_shelved(address)
        store = SqlStore(open_engine(address))
        assert await hindrance(store) is None
        async with store.read() as rulebooks:
            newest = await rulebooks.newest("baler")
            assert newest is not None
            assert (newest.version, newest.published_at.isoformat()) == (2, "2026-07-14T06:00:00+00:00")
            assert await rulebooks.by_digest("sha256:1")
        await store.close()
        await fill(address)
        await go(address, "0001")
        await assert_shelved(address)
        left = (
            "select name from sqlite_master where type = 'table'"
            if address.startswith("sqlite")
            else "select tablename from pg_tables where schemaname = 'public'"
        )
        tables = {"alembic_version", "rulebook_drafts", "rulebook_versions"}
        assert {name for (name,) in await run(address, left)} == tables


async def test_standings_of_before_fitness_was_kept_are_forgotten_and_nothing_else(empty_address: str) -> None:
    """A machine that nobody called fit must not stand as fit: so what was computed before is computed anew."""
    address = empty_address
    await go(address, REVISION)
    await fill(address)
    there = [table.name for table in metadata.sorted_tables if table.name not in KEYS]
    counts = [f"select '{name}', count(*) from {name}" for name in there]  # noqa: S608
    before = await run(address, " union all ".join(counts))
    await go(address, "0002")
    assert await run(address, " union all ".join(counts)) == before
    await go(address, REVISION)
    gone = {"computed", "standings"}
    assert await run(address, " union all ".join(counts)) == [(name, 0 if name in gone else count) for name, count in before]
    assert {count for name, count in before if name in gone} == {1}


async def test_the_tables_of_keys_come_and_go_beside_all_that_is_kept(empty_address: str) -> None:
    """What is kept stays as it is, to the last value: it belongs to organisation 1 before and after."""
    address = empty_address
    await go(address, "0003")
    await shelve(address, organisation=True)
    await fill(address, before=KEYS)
    kept = [table.name for table in metadata.sorted_tables if table.name not in KEYS]

    async def rows() -> dict[str, list[Any]]:
        columns = {name: ", ".join(c.name for c in metadata.tables[name].columns if c.name not in ("serial", "announced")) for name in kept}
        return {name: await run(address, f"select {columns[name]} from {name} order by 1, 2") for name in kept}  # noqa: S608

    before = await rows()
    assert all(before.values())
    for _ in range(2):
        await go(address, REVISION)
        assert await rows() == before
        assert await run(address, "select count(*) from keys union all select count(*) from organisations") == [(0,), (0,)]
        await run(address, "insert into organisations values (7, 'north', 0)", KEY_ROW.format(7))
        with pytest.raises(DBAPIError):
            await run(address, "insert into organisations values (8, 'north', 0)")
        await go(address, "0003")
        assert await rows() == before
        with pytest.raises(DBAPIError, match="keys"):
            await run(address, "select * from keys")


async def test_shares_come_and_go_beside_the_versions(empty_address: str) -> None:
    address, moment = empty_address, MOMENT if empty_address.startswith("sqlite") else MOMENT + "+00"
    await go(address, "0004")
    await shelve(address, organisation=True)
    await run(address, "insert into organisations values (1, 'north', 0)", KEY_ROW.format(1))
    for _ in range(2):
        await go(address, REVISION)
        await run(address, f"insert into rulebook_shares values (1, 'baler', 2, 'south', '{moment}')")  # noqa: S608
        with pytest.raises(DBAPIError):
            await run(address, f"insert into rulebook_shares values (1, 'baler', 3, 'south', '{moment}')")  # noqa: S608  # no such version
        await go(address, "0004")
        await assert_shelved(address)
        assert await run(address, "select count(*) from keys union all select count(*) from organisations") == [(1,), (1,)]


async def test_serial_numbers_are_taken_from_the_documents_that_stand(empty_address: str) -> None:
    address = empty_address
    await go(address, "0005")
    await run(
        address,
        *(
            f"insert into machines values ({o}, {k}, '{i}', 1, {k}, 'baler', null)"  # noqa: S608
            for o, k, i in ((1, 1, "a"), (1, 2, "b"), (1, 3, "c"), (2, 1, "a"))
        ),
        *(
            f"insert into entries values ({o}, {m}, '{kind}', '{i}', {known}, {gone}, 0, '', 0, '{body}')"  # noqa: S608
            for o, m, kind, i, known, gone, body in (
                (1, 1, "machine", "", 1, "2", '{"serial":"S-old"}'),
                (1, 1, "machine", "", 2, "null", '{"serial":"S-1"}'),
                (1, 1, "done", "", 1, "null", '{"serial":"of a record"}'),
                (1, 2, "machine", "", 1, "null", '{"rulebook":"baler"}'),
                (1, 3, "machine", "", 1, "null", '{"serial":"a\\u0000b"}'),
                (2, 1, "machine", "", 1, "null", '{"serial":"S-1"}'),
            )
        ),
    )
    for _ in range(2):
        await go(address, REVISION)
        there = await run(address, "select organisation, id, serial from machines order by 1, 2")
        assert there == [(1, "a", "S-1"), (1, "b", None), (1, "c", None), (2, "a", "S-1")]
        if address.startswith("sqlite"):
            ((*_, plan),) = await run(address, "explain query plan select id from machines where organisation = 1 and serial = 'S-1'")
            assert "ix_machines_organisation_serial" in plan
        await go(address, "0005")
        assert (await run(address, "select * from machines order by 1, 2"))[0] == (1, 1, "a", 1, 1, "baler", None)


async def test_the_audit_trail_comes_and_goes_beside_all_that_is_kept(empty_address: str) -> None:
    address = empty_address
    await go(address, "0005")
    await run(address, "insert into organisations values (1, 'north', 0)", KEY_ROW.format(1))
    for _ in range(2):
        await go(address, REVISION)
        assert await run(address, "select count(*) from audit") == [(0,)]  # nothing is told of what was before it
        await run(address, "insert into audit (organisation, n, at, way, kind) values (1, 1, 0, 'key', 'machine')")
        for deed in ("update audit set at = 1", "delete from audit"):
            with pytest.raises(DBAPIError, match="the audit trail is never changed"):
                await run(address, deed)
        await go(address, "0005")
        assert await run(address, "select count(*) from keys union all select count(*) from organisations") == [(1,), (1,)]


@pytest.mark.postgres
async def test_a_key_belongs_to_an_organisation_that_there_is(postgresql_address: str) -> None:
    with pytest.raises(DBAPIError, match="fk_keys_organisation"):
        await run(postgresql_address, KEY_ROW.format(7))


async def test_serve_migrates_an_older_sqlite_with_data_by_itself(tmp_path: Path) -> None:
    address = f"sqlite:///{tmp_path / 'store.db'}"
    await go(address, "0001")
    await shelve(address)
    store = SqlStore(open_engine(address))
    await prepare(store, address)
    assert await hindrance(store) is None
    await store.close()
    await assert_shelved(address)


@pytest.mark.postgres
async def test_serve_leaves_an_older_postgresql_to_a_person(postgresql_empty: str) -> None:
    await go(postgresql_empty, "0001")
    await shelve(postgresql_empty)
    store = SqlStore(open_engine(postgresql_empty))
    with pytest.raises(OtherRevision, match=r"at revision 0001, .*run `fieldworthy migrate` on it first"):
        await prepare(store, postgresql_empty)
    await store.close()
    await assert_shelved(postgresql_empty)


async def test_down_to_nothing_and_up_again(empty_address: str) -> None:
    await go(empty_address, REVISION)
    await shelve(empty_address, organisation=True)
    await fill(empty_address)
    await go(empty_address, "base")
    assert await at(empty_address) is None
    await go(empty_address, REVISION)
    assert await run(empty_address, "select count(*) from rulebook_versions") == [(0,)]
    await shelve(empty_address, organisation=True)
    await assert_shelved(empty_address)


async def test_a_step_that_fails_leaves_all_as_it_was(empty_address: str) -> None:
    await go(empty_address, "0001")
    await shelve(empty_address)
    await run(empty_address, "create table answers (mine text)", "insert into answers values ('stays')")  # in the way of the last table
    with pytest.raises(DBAPIError, match="answers"):
        await go(empty_address, "0002")
    assert await at(empty_address) == "0001"
    await assert_shelved(empty_address)
    assert await run(empty_address, "select mine from answers") == [("stays",)]
    await run(empty_address, "drop table answers")
    await go(empty_address, "0002")
    await assert_shelved(empty_address)


async def test_rows_of_another_organisation_go_with_the_column(empty_address: str) -> None:
    await go(empty_address, REVISION)
    await shelve(empty_address, organisation=True)
    zone = "" if empty_address.startswith("sqlite") else "+00"
    await run(
        empty_address, DRAFT.format("organisation, ", "2, ", MOMENT + zone), VERSION.format("organisation, ", "2, ", MOMENT + zone, 1)
    )
    await go(empty_address, "0001")
    await assert_shelved(empty_address)


async def test_a_newer_database_is_refused_and_left_alone(empty_address: str) -> None:
    await go(empty_address, REVISION)
    await run(empty_address, "update alembic_version set version_num = '9999'")
    store = SqlStore(open_engine(empty_address))
    with pytest.raises(OtherRevision, match=r"revision 9999.* newer release made it"):
        await prepare(store, empty_address)
    assert await hindrance(store) is not None
    await store.close()
    with pytest.raises(OtherRevision, match="newer release"):
        await asyncio.to_thread(migrate, empty_address)
    assert await at(empty_address) == "9999"


@pytest.mark.slow
@pytest.mark.parametrize("command", [["serve", "--open", "--port", "0"], ["migrate"]])
def test_the_commands_refuse_a_newer_database_in_one_line(tmp_path: Path, command: list[str]) -> None:
    address = f"sqlite:///{tmp_path / 'store.db'}"
    migrate(address)
    asyncio.run(run(address, "update alembic_version set version_num = '9999'"))
    answered = subprocess.run(
        [sys.executable, "-c", "from fieldworthy.cli import main; main()", *command],
        env={"FIELDWORTHY_DATABASE_URL": address, "PATH": ""},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert answered.returncode == 2
    assert re.fullmatch(r"fieldworthy: the database is at revision 9999, .* restore a backup of before\n", answered.stderr)


def micros(year: int) -> int:
    from datetime import UTC, datetime

    return micros_of(datetime(year, 1, 1, tzinfo=UTC))


@pytest.mark.postgres
async def test_readings_of_every_year_have_their_place(postgresql_address: str) -> None:
    address = postgresql_address
    await run(address, "insert into machines values (1, 1, 'r5-17', 1, 0, 'baler', null)")
    times = {y: micros(y) for y in (1, 1969, 1970, 2019, 2020, 2024, 2026, 2039, 2040, 2041, 9999)}
    for when in times.values():
        for edge in (when - 1, when):
            if edge >= micros(1):
                await run(address, f"insert into readings values (1, 1, {edge}, 5, null, 5)")  # noqa: S608
    where = {when: table for table, when in await run(address, "select tableoid::regclass::text, at from readings order by at")}
    assert len(where) == 2 * len(times) - 1
    for year, when in times.items():
        own = f"readings_{year}" if 2020 <= year <= 2039 else "readings_other"
        before = f"readings_{year - 1}" if 2021 <= year <= 2040 else "readings_other"
        assert where[when] == own
        assert where.get(when - 1, before) == before


@pytest.mark.postgres
async def test_plans_look_only_where_the_readings_can_be(postgresql_address: str) -> None:
    address = postgresql_address
    for condition, found in (
        (f"at >= {micros(2026)} and at < {micros(2027)}", {"readings_2026"}),
        (f"at between {micros(2025) + 5} and {micros(2026)}", {"readings_2025", "readings_2026"}),
        (f"at = {micros(2050)}", {"readings_other"}),
    ):
        plan = await run(address, f"explain select value from readings where organisation = 1 and meter = 7 and {condition}")  # noqa: S608
        assert set(re.findall(r"readings_(?:\d{4}|other)\b(?!_)", "\n".join(line for (line,) in plan))) == found


@pytest.mark.postgres
async def test_before_the_first_analyze_machines_are_looked_up_by_their_ids(postgresql_address: str) -> None:
    address = postgresql_address
    made = "insert into machines select 1, n, 'm-' || lpad(n::text, 5, '0'), 1, 0, 'baler' from generate_series(1, 1000) n"
    asked = "set local enable_seqscan = off"  # a fresh table may be too small for any index
    plan = "explain " + _LOCK_EACH.replace("$1", "1").replace("$2", "array['m-00001', 'm-00500']")
    for revision, index in (("0012", "ix_machines_organisation_serial"), (REVISION, "uq_machines_organisation_id")):
        await go(address, revision)
        lines = await run(address, "delete from machines", made, asked, plan)
        assert f"using {index}" in "\n".join(line for (line,) in lines)
