"""
What made posts of readings slow on PostgreSQL.

The index of serial numbers holds those that there are. It held a row of every machine, most of them without one, and so was the smallest
of the table's indexes: before a table's first `analyze` PostgreSQL took it to look machines up by their ids, and read all of the
organisation's for each. And whose rows a copy may be of is asked once a copy, not once a row.
"""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None

_INDEX = "ix_machines_organisation_serial"
_OWN = "nullif(current_setting('fieldworthy.organisation', true), '')::int"
_REFUSED = "raise exception 'these readings are of another organisation' using errcode = 'insufficient_privilege'; "
_ONCE_A_COPY = (
    f"declare own constant int := {_OWN}; begin "  # noqa: S608  # nosec B608  # words of ours
    f"if row_security_active('readings') and exists (select 1 from added where organisation is distinct from own) then {_REFUSED}"
    "end if; return null; end"
)
_ONCE_A_ROW = (
    "begin if row_security_active('readings') and exists "  # noqa: S608  # nosec B608  # words of ours
    f"(select 1 from added where (organisation = {_OWN}) is not true) then {_REFUSED}"
    "end if; return null; end"
)


def upgrade() -> None:
    if op.get_bind().dialect.name == "postgresql":
        _make_index("serial is not null")
        _make_function(_ONCE_A_COPY)


def downgrade() -> None:
    if op.get_bind().dialect.name == "postgresql":
        _make_function(_ONCE_A_ROW)
        _make_index(None)


def _make_index(where: str | None) -> None:
    op.drop_index(_INDEX, "machines")
    op.create_index(_INDEX, "machines", ["organisation", "serial"], postgresql_where=None if where is None else sa.text(where))


def _make_function(body: str) -> None:
    """The table of its own schema is meant, whatever else is called so: see 0008."""
    schema = op.get_bind().execute(sa.text("select quote_ident(current_schema())")).scalar_one()
    op.execute(
        "create or replace function readings_of_one() returns trigger language plpgsql "
        f"set search_path = pg_catalog, {schema}, pg_temp as $$ {body} $$"
    )
