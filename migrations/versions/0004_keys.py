"""Organisations, and the keys that say whose a request is."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "organisations",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("name", sa.String(120), nullable=False),
        sa.Column("created", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_organisations")),
        sa.UniqueConstraint("name", name=op.f("uq_organisations_name")),
    )
    op.create_table(
        "keys",
        sa.Column("id", sa.String(12), nullable=False),
        sa.Column("organisation", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(120), nullable=False),
        sa.Column("digest", sa.LargeBinary(), nullable=False),
        sa.Column("scopes", sa.Text(), nullable=False),
        sa.Column("created", sa.BigInteger(), nullable=False),
        sa.Column("expires", sa.BigInteger(), nullable=False),
        sa.Column("revoked", sa.BigInteger(), nullable=True),
        sa.Column("last_used", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_keys")),
        sa.ForeignKeyConstraint(["organisation"], ["organisations.id"], name=op.f("fk_keys_organisation")),
    )
    op.create_index(op.f("ix_keys_organisation_created"), "keys", ["organisation", "created"])


def downgrade() -> None:
    """All keys are gone with it. What is kept stays as it is, each with the number of its organisation."""
    op.drop_index(op.f("ix_keys_organisation_created"), "keys")
    op.drop_table("keys")
    op.drop_table("organisations")
