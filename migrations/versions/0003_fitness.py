"""Whether each machine may work, kept ready beside where its tasks stand."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("computed", sa.Column("fit", sa.String(10), nullable=True))
    op.add_column("computed", sa.Column("fit_because", sa.Text(), nullable=True))
    _forget()


def downgrade() -> None:
    op.drop_column("computed", "fit_because")
    op.drop_column("computed", "fit")


def _forget() -> None:
    """What was computed before says nothing of fitness. It is all computed anew from what is kept, when it is first asked for."""
    op.execute("delete from standings")
    op.execute("delete from computed")
