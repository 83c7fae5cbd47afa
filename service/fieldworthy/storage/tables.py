"""The tables. Changed only together with a step in migrations/; a test compares the two."""

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import CheckConstraint, Column, DateTime, Index, Integer, MetaData, String, Table, Text
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator

REVISION = "0001"  # of the newest step in migrations/, which a test holds it to

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)


class Instant(TypeDecorator[datetime]):
    """An aware time. PostgreSQL keeps the instant itself; SQLite, which knows no zone, keeps it as UTC."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a time without offset has no place in the store")
        return value.astimezone(UTC)

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        kept: datetime = value
        return kept.replace(tzinfo=UTC) if kept.tzinfo is None else kept.astimezone(UTC)


rulebook_drafts = Table(
    "rulebook_drafts",
    metadata,
    Column("name", String(80), primary_key=True),
    Column("text", Text, nullable=False),
    Column("media_type", String(80), nullable=False),
    Column("revision", Integer, nullable=False),
    Column("changed_at", Instant, nullable=False),
    CheckConstraint("revision >= 1", name="revision"),
)

rulebook_versions = Table(
    "rulebook_versions",
    metadata,
    Column("name", String(80), primary_key=True),
    Column("version", Integer, primary_key=True, autoincrement=False),
    Column("digest", String(71), nullable=False),
    Column("title", Text, nullable=False),
    Column("text", Text, nullable=False),  # as the author wrote it
    Column("media_type", String(80), nullable=False),
    Column("document", Text, nullable=False),  # canonical JSON: what the digest is over
    Column("declared", Text, nullable=False),  # the same in the order of declaration: what is evaluated
    Column("published_at", Instant, nullable=False),
    CheckConstraint("version >= 1", name="version"),
    Index(None, "digest"),
)
