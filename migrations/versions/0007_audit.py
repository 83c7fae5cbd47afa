"""The audit trail: who changed what. It is only ever added to."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

_FROZEN = "the audit trail is never changed"


def upgrade() -> None:
    op.create_table(
        "audit",
        sa.Column("organisation", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("n", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("way", sa.String(20), nullable=False),
        sa.Column("who", sa.Text(), nullable=True),
        sa.Column("name", sa.Text(), nullable=True),
        sa.Column("by", sa.Text(), nullable=True),
        sa.Column("kind", sa.String(20), nullable=False),
        sa.Column("id", sa.Text(), nullable=True),
        sa.Column("machine", sa.Text(), nullable=True),
        sa.Column("before", sa.Text(), nullable=True),
        sa.Column("after", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("organisation", "n", name=op.f("pk_audit")),
    )
    for column in ("at", "id", "machine"):
        op.create_index(op.f(f"ix_audit_organisation_{column}"), "audit", ["organisation", column])
    if op.get_bind().dialect.name == "sqlite":
        for deed in ("update", "delete"):
            op.execute(f"create trigger audit_no_{deed} before {deed} on audit begin select raise(abort, '{_FROZEN}'); end")
        # `insert or replace` takes a row away without asking the trigger above
        op.execute(
            "create trigger audit_no_replace before insert on audit "  # noqa: S608  # nosec B608  # words of ours
            "when exists (select 1 from audit where organisation = new.organisation and n = new.n) "
            f"begin select raise(abort, '{_FROZEN}'); end"
        )
        return
    op.execute(
        "create function audit_frozen() returns trigger language plpgsql as "
        f"$$ begin raise exception '{_FROZEN}' using errcode = 'restrict_violation'; end $$"
    )
    op.execute("create trigger audit_frozen before update or delete on audit for each row execute function audit_frozen()")
    op.execute("create trigger audit_not_emptied before truncate on audit for each statement execute function audit_frozen()")


def downgrade() -> None:
    """The trail is gone with its table: take a backup first."""
    op.drop_table("audit")
    if op.get_bind().dialect.name == "postgresql":
        op.execute("drop function audit_frozen()")
