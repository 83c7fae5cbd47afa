"""Rulebooks: drafts and published versions."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "rulebook_drafts",
        sa.Column("name", sa.String(80), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("media_type", sa.String(80), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("revision >= 1", name=op.f("ck_rulebook_drafts_revision")),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_rulebook_drafts")),
    )
    op.create_table(
        "rulebook_versions",
        sa.Column("name", sa.String(80), nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("digest", sa.String(71), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("media_type", sa.String(80), nullable=False),
        sa.Column("document", sa.Text(), nullable=False),
        sa.Column("declared", sa.Text(), nullable=False),
        sa.Column("published_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("version >= 1", name=op.f("ck_rulebook_versions_version")),
        sa.PrimaryKeyConstraint("name", "version", name=op.f("pk_rulebook_versions")),
    )
    op.create_index(op.f("ix_rulebook_versions_digest"), "rulebook_versions", ["digest"])
    # a published version never changes and never goes: the database itself holds to that
    if op.get_bind().dialect.name == "sqlite":
        for deed in ("update", "delete"):
            op.execute(
                f"create trigger rulebook_versions_no_{deed} before {deed} on rulebook_versions "
                "begin select raise(abort, 'a published version is never changed'); end"
            )
    else:
        op.execute(
            "create function rulebook_versions_frozen() returns trigger language plpgsql as "
            "$$ begin raise exception 'a published version is never changed'; end $$"
        )
        op.execute(
            "create trigger rulebook_versions_frozen before update or delete on rulebook_versions "
            "for each row execute function rulebook_versions_frozen()"
        )


def downgrade() -> None:
    op.drop_table("rulebook_versions")
    if op.get_bind().dialect.name != "sqlite":
        op.execute("drop function rulebook_versions_frozen()")
    op.drop_table("rulebook_drafts")
