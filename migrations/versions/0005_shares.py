"""Which organisations may read a published version beside its own."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "rulebook_shares",
        sa.Column("organisation", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("name", sa.String(80), nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("reader", sa.String(120), nullable=False),
        sa.Column("shared_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["organisation", "name", "version"],
            ["rulebook_versions.organisation", "rulebook_versions.name", "rulebook_versions.version"],
            name=op.f("fk_rulebook_shares_organisation_name_version"),
        ),
        sa.PrimaryKeyConstraint("organisation", "name", "version", "reader", name=op.f("pk_rulebook_shares")),
    )
    op.create_index(op.f("ix_rulebook_shares_reader"), "rulebook_shares", ["reader"])


def downgrade() -> None:
    op.drop_index(op.f("ix_rulebook_shares_reader"), "rulebook_shares")
    op.drop_table("rulebook_shares")
