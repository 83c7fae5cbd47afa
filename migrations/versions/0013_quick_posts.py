"""
The index of serial numbers holds those that there are, on PostgreSQL alone.

It held a row of every machine, most of them without one, and so was the smallest of the table's indexes: before a table's first `analyze`
PostgreSQL took it to look machines up by their ids, and read all of the organisation's for each.
"""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None

_INDEX = "ix_machines_organisation_serial"


def upgrade() -> None:
    _make_anew("serial is not null")


def downgrade() -> None:
    _make_anew(None)


def _make_anew(where: str | None) -> None:
    if op.get_bind().dialect.name == "postgresql":
        op.drop_index(_INDEX, "machines")
        op.create_index(_INDEX, "machines", ["organisation", "serial"], postgresql_where=None if where is None else sa.text(where))
