"""
A worker sees in one look of which organisations something is due, and whose turn it is in each; a listener's last mail and tests.

The policy is nothing for SQLite, which has no row-level security.
"""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

_TURN = ["organisation", "listener", "lane", "due", "event"]
_WAITING, _BEGUN = sa.text("state = 'waiting'"), sa.text("state = 'waiting' and digest is not null")
_DUE = "current_setting('fieldworthy.across', true) = 'due'"


def upgrade() -> None:
    op.add_column("listeners", sa.Column("mail_after", sa.BigInteger(), nullable=True))
    op.add_column("listeners", sa.Column("tests", sa.Text(), nullable=True))
    op.create_index("ix_deliveries_turn", "deliveries", _TURN, sqlite_where=_WAITING, postgresql_where=_WAITING)
    op.create_index("ix_deliveries_begun", "deliveries", ["organisation", "listener"], sqlite_where=_BEGUN, postgresql_where=_BEGUN)
    if op.get_bind().dialect.name == "postgresql":
        # a worker does not know yet whose something is; what is sent of it, it reads as that organisation's
        op.execute(f"create policy across on deliveries for select using ({_DUE})")


def downgrade() -> None:
    if op.get_bind().dialect.name == "postgresql":
        op.execute("drop policy across on deliveries")
    op.drop_index("ix_deliveries_begun", "deliveries")
    op.drop_index("ix_deliveries_turn", "deliveries")
    op.drop_column("listeners", "tests")
    op.drop_column("listeners", "mail_after")
