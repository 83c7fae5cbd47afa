"""Links to a calendar that need no key, and on which day a calendar shows each task."""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None

_OWN = "organisation = nullif(current_setting('fieldworthy.organisation', true), '')::int"
_KEYS = "current_setting('fieldworthy.across', true) = 'keys'"


def upgrade() -> None:
    op.create_table(
        "due_days",
        sa.Column("organisation", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("machine", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("task", sa.String(120), nullable=False),
        sa.Column("day", sa.String(10), nullable=True),
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["organisation", "machine"], ["machines.organisation", "machines.key"], name=op.f("fk_due_days_organisation_machine")
        ),
        sa.PrimaryKeyConstraint("organisation", "machine", "task", name=op.f("pk_due_days")),
    )
    op.create_table(
        "feeds",
        sa.Column("id", sa.String(12), nullable=False),
        sa.Column("organisation", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(120), nullable=False),
        sa.Column("machine", sa.String(120), nullable=True),
        sa.Column("site", sa.String(120), nullable=True),
        sa.Column("digest", sa.LargeBinary(), nullable=False),
        sa.Column("created", sa.BigInteger(), nullable=False),
        sa.Column("revoked", sa.BigInteger(), nullable=True),
        sa.Column("last_used", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_feeds")),
    )
    op.create_index(op.f("ix_feeds_organisation_created_id"), "feeds", ["organisation", "created", "id"])
    if op.get_bind().dialect.name == "postgresql":
        for table in ("due_days", "feeds"):
            op.execute(f"alter table {table} enable row level security")
            op.execute(f"alter table {table} force row level security")  # for its owner too
            op.execute(f"create policy own on {table} using ({_OWN})")
        # whoever looks for a link does not know yet whose it is
        op.execute(f"create policy across on feeds using ({_KEYS}) with check ({_KEYS})")
        # a database that came to 0008 before its trigger meant the table of its own schema alone
        schema = op.get_bind().execute(sa.text("select quote_ident(current_schema())")).scalar_one()
        op.execute(f"alter function readings_of_one() set search_path = pg_catalog, {schema}, pg_temp")
    _compute_anew()


def _compute_anew() -> None:
    """What was computed before has no day yet: it is computed anew as soon as may be. It is of all organisations, and its owner's."""
    forced = op.get_bind().dialect.name == "postgresql"
    if forced:
        op.execute("alter table computed no force row level security")
    op.execute("update computed set until = at where until > at")
    if forced:
        op.execute("alter table computed force row level security")


def downgrade() -> None:
    """Links to calendars work no longer; those made later have other tokens."""
    op.drop_table("feeds")
    op.drop_table("due_days")
