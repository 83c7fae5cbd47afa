"""How many requests were granted to each asker in their window of time."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "quotas",
        sa.Column("asker", sa.String(64), nullable=False),
        sa.Column("begun", sa.BigInteger(), nullable=False),
        sa.Column("granted", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("asker", name=op.f("pk_quotas")),
    )


def downgrade() -> None:
    """Whoever had used up their quota may begin anew."""
    op.drop_table("quotas")
