"""What the service's own role on PostgreSQL may do: all that the service does, and no more."""

import asyncio

from sqlalchemy import Connection, text
from sqlalchemy.exc import ProgrammingError

from fieldworthy.storage.engine import database_url, open_engine
from fieldworthy.storage.tables import metadata
from fieldworthy.storage.trouble import reaching

_ALL = "select, insert, update, delete"
_FEWER = {
    "audit": "select, insert",
    "rulebook_versions": "select, insert",
    "organisations": "select, insert",
    "keys": "select, insert, update",
    "feeds": "select, insert, update",
    "events": "select, insert, delete",
    "attempts": "select, insert, delete",
}
_PARTITIONS = (
    "select i.inhrelid::regclass::text, exists (select 1 from pg_trigger t where t.tgrelid = i.inhrelid and t.tgname = 'readings_of_one') "
    "from pg_inherits i where i.inhparent = 'readings'::regclass order by 1"
)
_ACTS_AS_OWNER = (
    "select exists (select 1 from pg_class c where c.oid = any(:tables ::regclass[]) and pg_has_role(:role, c.relowner, 'member'))"
)


class GrantRefused(RuntimeError):
    """The rights can't be given; the message says why, `; ` and the way out."""


def let_in(address: str, role: str) -> None:
    """`grant` on the database of an address, by whoever owns it. Never call it in an event loop. Raises GrantRefused, StoreUnavailable."""
    if database_url(address).get_backend_name() != "postgresql":
        raise GrantRefused("SQLite has no roles; leave --grant out")

    async def granted() -> None:
        engine = open_engine(address)
        try:
            async with reaching(), engine.begin() as connection:
                await connection.run_sync(grant, role)
        except ProgrammingError as trouble:
            why = str(trouble.orig).rpartition(": ")[2]
            raise GrantRefused(f"{why}; make the role first (`create role … login`), and run this as the owner of the tables") from None
        finally:
            await engine.dispose()

    asyncio.run(granted())


def grant(connection: Connection, role: str) -> None:
    """
    Lets a role do what the service does, on the schema of this release, and takes back what else it was given there. Of the years' own
    tables of readings it may add to them alone, and only where the trigger looks whose readings were added: all else goes by way of
    `readings`, and its policies. Raises GrantRefused for one that owns the tables or may act as who does, DBAPIError where there is none.
    """
    name = connection.dialect.identifier_preparer.quote_identifier(role)
    may = {"alembic_version": "select", **{table.name: _FEWER.get(table.name, _ALL) for table in metadata.sorted_tables}}
    if connection.execute(text(_ACTS_AS_OWNER), {"tables": list(may), "role": role}).scalar():
        raise GrantRefused(f"the role `{role}` owns the tables, or may act as who owns them; take one of its own for the service")
    may |= {partition: "insert" if is_looked_at else "" for partition, is_looked_at in connection.execute(text(_PARTITIONS)).all()}
    deeds = [f"grant usage on schema public to {name}"]
    for table, rights in may.items():
        deeds += [f"revoke all on {table} from {name}", *([f"grant {rights} on {table} to {name}"] if rights else ())]
    for deed in deeds:
        connection.exec_driver_sql(deed)
