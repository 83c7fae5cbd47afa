"""What all tables have in common: their names, their times, whose a row is."""

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Column, DateTime, ForeignKeyConstraint, Integer, MetaData
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator

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


def of_organisation() -> Column[int]:
    """Whose row it is: the first column of every key."""
    return Column("organisation", Integer, primary_key=True, autoincrement=False)


def of_machine() -> ForeignKeyConstraint:
    return ForeignKeyConstraint(["organisation", "machine"], ["machines.organisation", "machines.key"])
