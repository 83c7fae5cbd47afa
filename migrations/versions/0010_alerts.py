"""Events, listeners, deliveries and their attempts; and what was told of a machine last."""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

_TABLES = ("events", "listeners", "deliveries", "attempts")
_OWN = "organisation = nullif(current_setting('fieldworthy.organisation', true), '')::int"
_WAITING = sa.text("state = 'waiting'")
_UNDELIVERED = sa.text("state = 'undelivered'")


def upgrade() -> None:
    """Of machines that were computed before nothing is told: what stands then is noted when they are computed next."""
    op.add_column("computed", sa.Column("announced", sa.Text(), nullable=True))
    op.create_table(
        "events",
        sa.Column("organisation", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("n", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("id", sa.String(40), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("type", sa.String(60), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("machine", sa.Integer(), nullable=True),
        sa.Column("machine_id", sa.String(120), nullable=True),
        sa.Column("site", sa.String(120), nullable=True),
        sa.Column("task", sa.String(120), nullable=True),
        sa.Column("kind", sa.String(20), nullable=True),
        sa.Column("standing", sa.String(20), nullable=True),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["organisation", "machine"], ["machines.organisation", "machines.key"], name=op.f("fk_events_organisation")
        ),
        sa.PrimaryKeyConstraint("organisation", "n", name=op.f("pk_events")),
        sa.UniqueConstraint("organisation", "id", name=op.f("uq_events_organisation_id")),
    )
    op.create_index(op.f("ix_events_organisation_at"), "events", ["organisation", "at"])
    op.create_index(op.f("ix_events_organisation_machine_id_n"), "events", ["organisation", "machine_id", "n"])
    op.create_table(
        "listeners",
        sa.Column("organisation", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("key", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("id", sa.String(40), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(120), nullable=False),
        sa.Column("document", sa.Text(), nullable=False),
        sa.Column("secret", sa.Text(), nullable=False),
        sa.Column("secret_before", sa.Text(), nullable=True),
        sa.Column("secret_before_until", sa.BigInteger(), nullable=True),
        sa.Column("state", sa.String(20), nullable=False),
        sa.Column("failing", sa.BigInteger(), nullable=True),
        sa.Column("hold", sa.BigInteger(), nullable=True),
        sa.Column("made_at", sa.BigInteger(), nullable=False),
        sa.Column("changed_at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("organisation", "key", name=op.f("pk_listeners")),
        sa.UniqueConstraint("organisation", "id", name=op.f("uq_listeners_organisation_id")),
    )
    op.create_table(
        "deliveries",
        sa.Column("organisation", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("event", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("listener", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("machine", sa.Integer(), nullable=True),
        sa.Column("lane", sa.SmallInteger(), nullable=False),
        sa.Column("state", sa.String(20), nullable=False),
        sa.Column("due", sa.BigInteger(), nullable=False),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("hurried", sa.Integer(), nullable=False),
        sa.Column("digest", sa.String(40), nullable=True),
        sa.Column("lease", sa.BigInteger(), nullable=True),
        sa.Column("owner", sa.String(60), nullable=True),
        sa.Column("last_at", sa.BigInteger(), nullable=True),
        sa.Column("last_status", sa.Integer(), nullable=True),
        sa.Column("last_trouble", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["organisation", "event"], ["events.organisation", "events.n"], name=op.f("fk_deliveries_event")),
        sa.ForeignKeyConstraint(
            ["organisation", "listener"], ["listeners.organisation", "listeners.key"], name=op.f("fk_deliveries_listener")
        ),
        sa.PrimaryKeyConstraint("organisation", "event", "listener", name=op.f("pk_deliveries")),
        postgresql_with={"fillfactor": "70"},
    )
    op.create_index("ix_deliveries_listener", "deliveries", ["organisation", "listener", "event"])
    for name, columns, where in (
        ("due", ["organisation", "due", "event"], _WAITING),
        ("queue", ["organisation", "listener", "machine", "lane", "event"], _WAITING),
        ("undelivered", ["organisation", "event"], _UNDELIVERED),
    ):
        op.create_index(f"ix_deliveries_{name}", "deliveries", columns, sqlite_where=where, postgresql_where=where)
    op.create_table(
        "attempts",
        sa.Column("organisation", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("event", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("listener", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("n", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("ms", sa.Integer(), nullable=False),
        sa.Column("status", sa.Integer(), nullable=True),
        sa.Column("trouble", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["organisation", "event", "listener"],
            ["deliveries.organisation", "deliveries.event", "deliveries.listener"],
            name=op.f("fk_attempts_organisation"),
        ),
        sa.PrimaryKeyConstraint("organisation", "event", "listener", "n", name=op.f("pk_attempts")),
    )
    if op.get_bind().dialect.name != "postgresql":
        return
    for table in _TABLES:
        op.execute(f"alter table {table} enable row level security")
        op.execute(f"alter table {table} force row level security")
        op.execute(f"create policy own on {table} using ({_OWN})")


def downgrade() -> None:
    """What was told, to whom, and what waits to be sent is gone."""
    for table in reversed(_TABLES):
        op.drop_table(table)
    op.drop_column("computed", "announced")
