"""Row-level security: with the service's own filters left out, the database itself shows one organisation's rows and takes no others.

PostgreSQL's manual, 5.9, "Row Security Policies", and `COPY` ("COPY FROM is not supported for tables with row-level security").
"""

import asyncio
from collections.abc import AsyncIterator, Iterator, Sequence
from datetime import UTC, datetime
from typing import Any

import asyncpg
import pytest
from sqlalchemy import Table, insert, make_url, update
from structlog.testing import capture_logs

from fieldworthy.cli.serving import warn_of_role
from fieldworthy.core.base.micros import micros_of
from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.storage.partitions import PARTITIONS, by_partition
from fieldworthy.storage.readiness import hindrance
from fieldworthy.storage.roles import GrantRefused, let_in
from fieldworthy.storage.row_security import passes_by
from fieldworthy.storage.tables import REVISION, metadata
from fieldworthy.usecases.kept_readings import OfMeter
from tests.lending import HOME_NAME, lend_home
from tests.postgres import PLAIN, Postgres, as_plain_role
from tests.storage.test_migrations import any_row, go

pytestmark = pytest.mark.postgres

OURS, THEIRS = 1, 2
AT = micros_of(datetime(2026, 7, 14, tzinfo=UTC))
OF_NOBODY = {"quotas"}
"""How many requests whoever asks has made: of keys and tokens, by their ids, and of nothing that is kept."""

SECURED = [table for table in metadata.sorted_tables if table.name not in OF_NOBODY]
COLUMN = {table.name: "id" if table.name == "organisations" else "organisation" for table in SECURED}
NEVER_CHANGED = {
    "audit": (),
    "rulebook_versions": (),
    "organisations": (),
    "keys": ("update",),
    "feeds": ("update",),
    "events": ("delete",),
    "attempts": ("delete",),
}
"""What the role may do beside reading and adding, where it is not all."""


@pytest.fixture
def owner(postgres: Postgres) -> Iterator[str]:
    with postgres.lent() as address:
        yield address


@pytest.fixture
def plain_address(owner: str) -> str:
    return as_plain_role(owner)


@pytest.fixture
async def plain(owner: str) -> AsyncIterator[asyncpg.Connection]:
    """A connection of the plain role, to a database in which there is a row of each of two organisations in every table."""
    store = SqlStore(open_engine(owner))
    async with store.writing() as connection:
        for table in SECURED:
            for organisation in (OURS, THEIRS):
                await connection.execute(insert(table).values(row_of(table, organisation)))
    await store.close()
    connection = await asyncpg.connect(as_plain_role(owner))
    yield connection
    await connection.close()


def row_of(table: Table, organisation: int) -> dict[str, Any]:
    row = {**any_row(table), COLUMN[table.name]: organisation}
    if table.name.startswith("rulebook_"):
        row |= {name: datetime(2026, 7, 14, tzinfo=UTC) for name in ("changed_at", "published_at", "shared_at") if name in row}
    if table.name == "organisations":
        row["name"] = f"organisation {organisation}"
    if table.name in ("keys", "feeds"):
        row["id"] = f"key-{organisation}"
    return row


async def tried(connection: asyncpg.Connection, deed: str, *values: Any) -> Any:
    """What comes of a deed, undone afterwards: the status, or the error's class."""
    transaction = connection.transaction()
    await transaction.start()
    try:
        return await connection.execute(deed, *values)
    except asyncpg.PostgresError as refused:
        return type(refused)
    finally:
        await transaction.rollback()


async def say(connection: asyncpg.Connection, **settings: str) -> None:
    for name in ("organisation", "across", "reader"):
        await connection.execute("select set_config($1, $2, false)", f"fieldworthy.{name}", settings.get(name, ""))


def test_every_table_says_whose_its_rows_are() -> None:
    assert {name for name, column in COLUMN.items() if column not in metadata.tables[name].columns} == set()


async def test_nothing_of_another_organisation_in_any_table(plain: asyncpg.Connection) -> None:
    """Seen, counted, changed, deleted or added: in all tables that there are, so that one without a policy fails here."""
    for table in SECURED:
        name, column = table.name, COLUMN[table.name]
        await say(plain)
        assert await plain.fetchval(f"select count(*) from {name}") == 0, f"{name} is shown to who says nothing"  # noqa: S608
        await say(plain, organisation=str(OURS))
        assert [row[0] for row in await plain.fetch(f"select {column} from {name}")] == [OURS], name  # noqa: S608
        assert await plain.fetchval(f"select count(*) from {name} where {column} = {THEIRS}") == 0, name  # noqa: S608
        may = NEVER_CHANGED.get(name, ("update", "delete"))
        for deed, statement in (("update", f"update {name} set {column} = {column}"), ("delete", f"delete from {name}")):  # noqa: S608
            came = await tried(plain, f"{statement} where {column} = {THEIRS}")
            assert came == (f"{deed.upper()} 0" if deed in may else asyncpg.InsufficientPrivilegeError), (name, deed)
        if "update" in may:
            given_away = await tried(plain, f"update {name} set {column} = {THEIRS}")  # noqa: S608
            assert given_away is asyncpg.InsufficientPrivilegeError, name
        row = row_of(table, THEIRS)
        names, places = ", ".join(f'"{each}"' for each in row), ", ".join(f"${n}" for n in range(1, len(row) + 1))
        added = await tried(plain, f"insert into {name} ({names}) values ({places})", *row.values())  # noqa: S608
        assert added is asyncpg.InsufficientPrivilegeError, name


async def test_the_years_own_tables_of_readings_take_new_ones_of_ones_own_and_show_nothing(plain: asyncpg.Connection) -> None:
    await say(plain, organisation=str(OURS))
    for partition in PARTITIONS:
        for deed in (f"select 1 from {partition}", f"update {partition} set value = 0", f"delete from {partition}"):  # noqa: S608
            assert await tried(plain, deed) is asyncpg.InsufficientPrivilegeError, deed
    refusal = asyncpg.InsufficientPrivilegeError
    for said, rows_of, outcome in (
        (OURS, [OURS], "COPY 1"),
        (OURS, [THEIRS], refusal),
        (OURS, [OURS, THEIRS], refusal),
        ("", [OURS], refusal),
    ):
        transaction = plain.transaction()
        await transaction.start()
        await say(plain, organisation=str(said))
        try:
            rows = [(organisation, 9, AT, 5, None, 5) for organisation in rows_of]
            came: Any = await plain.copy_records_to_table("readings_2026", records=rows)
        except asyncpg.PostgresError as refused:
            came = type(refused)
        await transaction.rollback()
        assert came == outcome
    with pytest.raises(asyncpg.FeatureNotSupportedError):  # why they go there: into the whole it is refused
        await plain.copy_records_to_table("readings", records=[(OURS, 9, AT, 5, None, 5)])


async def test_ones_own_table_of_that_name_does_not_stand_in_for_the_readings(plain: asyncpg.Connection) -> None:
    """PostgreSQL's manual, `CREATE FUNCTION`: a temporary table is looked for before all others, so that a function has to name it last."""
    await say(plain, organisation=str(OURS))
    for theirs in ("create temp table readings (organisation int)", "create temp view readings as select 1 as organisation"):
        transaction = plain.transaction()
        await transaction.start()
        await plain.execute(theirs)
        with pytest.raises(asyncpg.InsufficientPrivilegeError, match="of another organisation"):
            await plain.execute("insert into public.readings_2026 values ($1, 9, $2, 5, null, 5)", THEIRS, AT)
        await transaction.rollback()


async def test_a_role_may_do_no_more_than_is_granted_whatever_it_was_given_before(owner: str, plain: asyncpg.Connection) -> None:
    boss = await asyncpg.connect(owner)
    await boss.execute("create table readings_2040 partition of readings for values from (2208988800000000) to (2240611200000000)")
    await boss.execute(f"grant all on all tables in schema public to {PLAIN}")
    try:
        as_plain_role(owner)
        await say(plain, organisation=str(OURS))
        for deed in (
            "update audit set who = 'x'",
            "delete from audit",
            "update rulebook_versions set title = 'x'",
            "delete from keys",
            "truncate readings",
            "update alembic_version set version_num = '0001'",
            "select 1 from readings_2026",
            f"insert into readings_2040 values ({OURS}, 9, 2208988800000000, 5, null, 5)",  # noqa: S608  # which no trigger looks at
        ):
            assert await tried(plain, deed) is asyncpg.InsufficientPrivilegeError, deed
        added = f"insert into readings values ({OURS}, 9, 2208988800000000, 5, null, 5)"  # noqa: S608  # by way of the whole, and its policy
        assert await tried(plain, added) == "INSERT 0 1"
        assert await tried(plain, added.replace(f"({OURS}", f"({THEIRS}")) is asyncpg.InsufficientPrivilegeError
    finally:
        await boss.execute("drop table readings_2040")
        await boss.close()


def in_columns(meter: int, points: Sequence[tuple[int, int, None]]) -> OfMeter:
    return OfMeter(meter, None, [at for at, _, _ in points], [value for _, value, _ in points])


async def test_readings_of_every_year_go_where_they_belong(owner: str, plain: asyncpg.Connection) -> None:
    """The store's own parting into years is that of the database, which refuses what does not belong into a table."""
    edges = [micros_of(datetime(year, 1, 1, tzinfo=UTC)) for year in (1990, 2019, 2020, 2021, 2026, 2039, 2040, 2041, 9999)]
    points = [(at, 7, None) for at in sorted({edge + by for edge in edges for by in (-1, 0, 1)})]
    store = SqlStore(open_engine(as_plain_role(owner)))
    async with store.keep(OURS) as kept:
        await kept.readings.keep([in_columns(8, points[3:9]), in_columns(9, points), in_columns(10, points[:1])], 5)
    async with store.look(OURS) as kept:
        assert await kept.readings.series([8, 9, 10]) == {8: points[3:9], 9: points, 10: points[:1]}
    await store.close()
    assert set(by_partition([in_columns(9, points[:1]), in_columns(8, points[1:3])])) == {"readings_other"}


async def test_keys_links_and_organisations_are_shown_to_who_looks_for_a_key_and_nothing_else_is(plain: asyncpg.Connection) -> None:
    await say(plain, across="keys")
    for table in SECURED:
        count = await plain.fetchval(f"select count(*) from {table.name}")  # noqa: S608
        assert count == (2 if table.name in ("keys", "organisations", "feeds") else 0), table.name


async def test_deliveries_alone_are_shown_to_who_looks_whose_are_due_and_none_is_changed(owner: str, plain: asyncpg.Connection) -> None:
    await say(plain, across="due")
    for table in SECURED:
        count = await plain.fetchval(f"select count(*) from {table.name}")  # noqa: S608
        assert count == (2 if table.name == "deliveries" else 0), table.name
    for deed in ("delete from deliveries", "update deliveries set due = 0"):
        assert (await tried(plain, deed)).endswith(" 0")
    await say(plain, across="")
    store = SqlStore(open_engine(as_plain_role(owner)))
    async with store.writing(THEIRS) as connection:
        await connection.execute(update(metadata.tables["deliveries"]).values(state="waiting", due=1, lease=None))
    _, due = await store.due()
    assert due == [THEIRS]
    await store.close()


async def test_a_version_that_is_shared_is_shown_to_its_reader_and_no_other(owner: str) -> None:
    store = SqlStore(open_engine(owner))
    await lend_home(store)
    await store.close()
    connection = await asyncpg.connect(as_plain_role(owner))
    for reader, versions in ((HOME_NAME, 1), ("", 0), ("somebody else", 0)):
        await say(connection, organisation="1", reader=reader)
        assert await connection.fetchval("select count(*) from rulebook_versions where organisation <> 1") == versions
        assert await connection.fetchval("select count(*) from organisations where id <> 1") == versions
        assert await connection.fetchval("select count(*) from rulebook_drafts where organisation <> 1") == 0
        for deed in ("delete from rulebook_shares", "update rulebook_shares set reader = 'x'"):
            assert (await tried(connection, f"{deed} where organisation <> 1")).endswith(" 0")
    await connection.close()


async def test_what_one_transaction_said_is_forgotten_with_it(owner: str, plain: asyncpg.Connection) -> None:
    """On the same connection the next one says its own; one that says nothing is shown nothing."""
    store = SqlStore(open_engine(as_plain_role(owner)))
    for organisation in (OURS, THEIRS, OURS):
        async with store.look(organisation) as kept:
            rows = await kept.connection.exec_driver_sql("select organisation from machines")  # type: ignore[attr-defined]
            assert rows.scalars().all() == [organisation]
        async with store.engine.connect() as connection:
            assert (await connection.exec_driver_sql("select count(*) from machines")).scalar() == 0
    await store.close()


async def test_whom_postgresql_lets_past_is_told(owner: str, plain_address: str) -> None:
    for address, told in ((owner, 1), (plain_address, 0), ("sqlite://", 0)):
        store = SqlStore(open_engine(address))
        with capture_logs() as logs:
            await warn_of_role(store)
        assert [line["log_level"] for line in logs if "the database's role passes by" in line["event"]] == ["warning"] * told, logs
        await store.close()
    store = SqlStore(open_engine("postgresql://postgres@127.0.0.1:9/none"))
    with capture_logs() as logs:
        await warn_of_role(store)  # a database that goes away as the service starts is no end of it
    assert [(line["log_level"], line["why"]) for line in logs] == [("warning", "the database can't be reached")]
    await store.close()


async def test_an_owner_that_is_no_superuser_migrates_and_is_held_by_it_and_lets_a_role_in(postgres: Postgres) -> None:
    address = postgres.empty()
    boss = await asyncpg.connect(address)
    name = make_url(address).database
    for deed in (
        "drop role if exists fieldworthy_owner",
        "create role fieldworthy_owner login",
        f"alter database {name} owner to fieldworthy_owner",
    ):
        await boss.execute(deed)
    as_owner = make_url(address).set(username="fieldworthy_owner").render_as_string(hide_password=False)
    await go(as_owner, REVISION)
    await boss.execute("insert into machines values (1, 1, 'r5-17', 1, 0, 'baler', null)")
    owner = await asyncpg.connect(as_owner)
    assert await owner.fetchval("select count(*) from machines") == 0
    await owner.close()
    await go(as_owner, "0007")
    assert await boss.fetchval("select count(*) from pg_policies") == 0
    await go(as_owner, REVISION)
    plain = make_url(as_plain_role(address)).set(username="fieldworthy_new")
    with pytest.raises(GrantRefused, match='role "fieldworthy_new" does not exist; make the role first'):
        await asyncio.to_thread(let_in, as_owner, "fieldworthy_new")
    await boss.execute("create role fieldworthy_new login in role fieldworthy_owner")
    for acts_as_owner in ("fieldworthy_owner", "fieldworthy_new", str(make_url(address).username)):
        with pytest.raises(GrantRefused, match="owns the tables, or may act as who owns them; take one of its own"):
            await asyncio.to_thread(let_in, as_owner, acts_as_owner)
    await boss.execute("revoke fieldworthy_owner from fieldworthy_new")
    await asyncio.to_thread(let_in, as_owner, "fieldworthy_new")
    store = SqlStore(open_engine(plain.render_as_string(hide_password=False)))
    assert await hindrance(store) is None
    assert not await passes_by(store.engine)
    async with store.look(OURS) as kept:
        assert await kept.machines.find("r5-17") is not None
    async with store.look(THEIRS) as kept:
        assert await kept.machines.find("r5-17") is None
    await store.close()
    await boss.close()
