"""A worker sees in one look of which organisations something is to be delivered. Nothing on SQLite, which has no row-level security."""

from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

_DUE = "current_setting('fieldworthy.across', true) = 'due'"


def upgrade() -> None:
    if op.get_bind().dialect.name == "postgresql":
        # a worker does not know yet whose something is; what is sent of it, it reads as that organisation's
        op.execute(f"create policy across on deliveries for select using ({_DUE})")


def downgrade() -> None:
    if op.get_bind().dialect.name == "postgresql":
        op.execute("drop policy across on deliveries")
