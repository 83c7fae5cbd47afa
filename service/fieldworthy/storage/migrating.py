"""Brings a database to this release's schema. Apart from the engine, because Alembic is slow to load and seldom needed."""

from functools import cache
from importlib.resources import files
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory

from fieldworthy.storage.engine import database_url, make_room
from fieldworthy.storage.trouble import telling


def migration_config(address: str) -> Config:
    """Alembic's configuration without a file; an installed wheel carries the migrations inside the package."""
    packed = files("fieldworthy") / "_migrations"
    config = Config()
    config.attributes["url"] = database_url(address)
    where = Path(str(packed)) if packed.is_dir() else Path(__file__).resolve().parents[3] / "migrations"
    config.set_main_option("script_location", str(where).replace("%", "%%"))
    return config


def migrate(address: str) -> None:
    """
    Brings the database to this release's schema. Many processes may try at once; never call it in an event loop.

    Raises OtherRevision for one that a newer release has migrated, StoreUnavailable.
    """
    url = database_url(address)
    if url.get_backend_name() == "sqlite":
        make_room(url)
    with telling():
        command.upgrade(migration_config(address), "head")


def is_compared(thing: object, name: str | None, kind: str, reflected: bool, compared_to: object) -> bool:
    """Alembic's `include_object`: a table's partitions are no tables of ours."""
    return not (kind == "table" and reflected and compared_to is None and name is not None and name.startswith("readings_"))


@cache
def newest_revision() -> str | None:
    """The schema that this release was made for."""
    return ScriptDirectory.from_config(migration_config("sqlite://")).get_current_head()
