"""Runs the migrations: for the service (`storage.engine.migrate` passes the address), or for `alembic` by hand (reads the environment)."""

import asyncio
import os

from alembic import context
from alembic.util import CommandError
from sqlalchemy import Connection, text
from sqlalchemy.engine import URL
from sqlalchemy.ext.asyncio import create_async_engine
from sqlalchemy.pool import NullPool

from fieldworthy.storage.engine import MIGRATION_LOCK, OtherRevision, database_url, sqlite_engine
from fieldworthy.storage.migrating import is_compared
from fieldworthy.storage.tables import metadata

CONNECT_SECONDS = 10


def address() -> URL:
    """The database that is meant."""
    given = context.config.attributes.get("url")
    if isinstance(given, URL):
        return given
    named = os.environ.get("FIELDWORTHY_DATABASE_URL")
    if not named:
        raise SystemExit("name the database: FIELDWORTHY_DATABASE_URL=sqlite:///FILE or postgresql://…")
    return database_url(named)


def migrate(connection: Connection) -> None:
    context.configure(
        connection=connection,
        target_metadata=metadata,
        include_object=is_compared,
        render_as_batch=connection.dialect.name == "sqlite",
        transactional_ddl=True,  # on SQLite as well, where Alembic would commit each statement: of several processes one does all steps
    )
    with context.begin_transaction():
        if connection.dialect.name == "postgresql":  # one of several replicas works, the others wait
            connection.execute(text("select pg_advisory_xact_lock(:lock)"), {"lock": MIGRATION_LOCK})
            # a step that policies would hide rows from fails, and does not go past them in silence
            connection.execute(text("set local row_security = off"))
        _refuse_unknown()
        context.run_migrations()


def _refuse_unknown() -> None:
    """A database that a newer release has migrated stays as it is."""
    found = context.get_context().get_current_revision()
    if found is None:
        return
    try:
        context.script.get_revision(found)
    except CommandError:
        raise OtherRevision(found, context.script.get_current_head()) from None


async def migrate_over(url: URL) -> None:
    engine = create_async_engine(url, hide_parameters=True, poolclass=NullPool, connect_args={"timeout": CONNECT_SECONDS})
    async with engine.connect() as connection:
        await connection.run_sync(migrate)
        await connection.commit()
    await engine.dispose()


def run() -> None:
    url = address()
    if url.get_backend_name() == "sqlite":
        engine = sqlite_engine(url)
        with engine.connect() as connection:
            migrate(connection)
        engine.dispose()
    else:
        asyncio.run(migrate_over(url))


if context.is_offline_mode():
    raise SystemExit("these migrations need a database to look at")
run()
