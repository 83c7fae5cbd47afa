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
    "events": "select, insert, delete",
    "attempts": "select, insert, delete",
}
_PARTITIONS = "select inhrelid::regclass::text from pg_inherits where inhparent = 'readings'::regclass order by 1"


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
    Lets a role do what the service does, on the schema of this release. Of the years' own tables of readings it may add to them alone: all
    else goes by way of `readings`, and its policies. Raises DBAPIError where there is no such role.
    """
    name = connection.dialect.identifier_preparer.quote_identifier(role)
    deeds = [f"grant usage on schema public to {name}", f"grant select on alembic_version to {name}"]
    deeds += [f"grant {_FEWER.get(table.name, _ALL)} on {table.name} to {name}" for table in metadata.sorted_tables]
    for (partition,) in connection.execute(text(_PARTITIONS)).all():
        deeds += [f"revoke all on {partition} from {name}", f"grant insert on {partition} to {name}"]
    for deed in deeds:
        connection.exec_driver_sql(deed)
