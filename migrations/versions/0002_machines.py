"""Machines and what is kept of them; the organisation becomes part of every key."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

FIRST_YEAR, LAST_YEAR = 2020, 2039  # what lies outside goes to a partition for all other years

_FROZEN = "a published version is never changed"
_ROOM = {"fillfactor": "50"}  # these rows change with every post of readings: room beside them spares the indexes that
_MACHINE = (["organisation", "machine"], ["machines.organisation", "machines.key"])


def upgrade() -> None:
    _rulebooks_by_organisation()
    op.create_table(
        "machines",
        _organisation(),
        sa.Column("key", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("id", sa.String(120), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("known", sa.BigInteger(), nullable=False),
        sa.Column("rulebook", sa.String(200), nullable=False),
        sa.Column("site", sa.String(120), nullable=True),
        sa.CheckConstraint("revision >= 1", name=op.f("ck_machines_revision")),
        sa.PrimaryKeyConstraint("organisation", "key", name=op.f("pk_machines")),
        sa.UniqueConstraint("organisation", "id", name=op.f("uq_machines_organisation_id")),
        postgresql_with=_ROOM,
    )
    op.create_table(
        "entries",
        _organisation(),
        sa.Column("machine", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("kind", sa.String(20), nullable=False),
        sa.Column("id", sa.String(120), nullable=False),
        sa.Column("known", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("superseded", sa.BigInteger(), nullable=True),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("about", sa.String(120), nullable=False),
        sa.Column("open", sa.SmallInteger(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(*_MACHINE, name=op.f("fk_entries_organisation_machine")),
        sa.PrimaryKeyConstraint("organisation", "machine", "kind", "id", "known", name=op.f("pk_entries")),
    )
    op.create_index(op.f("ix_entries_organisation_machine_kind_at_id"), "entries", ["organisation", "machine", "kind", "at", "id"])
    op.create_table(
        "meters",
        _organisation(),
        sa.Column("key", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("machine", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(120), nullable=False),
        sa.Column("last_at", sa.BigInteger(), nullable=True),
        sa.Column("last_value", sa.BigInteger(), nullable=True),
        sa.Column("last_unit", sa.String(30), nullable=True),
        sa.ForeignKeyConstraint(*_MACHINE, name=op.f("fk_meters_organisation_machine")),
        sa.PrimaryKeyConstraint("organisation", "key", name=op.f("pk_meters")),
        sa.UniqueConstraint("organisation", "machine", "name", name=op.f("uq_meters_organisation_machine_name")),
        postgresql_with=_ROOM,
    )
    _readings()
    op.create_table(
        "set_aside",
        _organisation(),
        sa.Column("key", sa.String(40), nullable=False),
        sa.Column("machine", sa.String(120), nullable=False),
        sa.Column("meter", sa.String(120), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("value", sa.BigInteger(), nullable=False),
        sa.Column("unit", sa.String(30), nullable=True),
        sa.Column("why", sa.String(40), nullable=False),
        sa.Column("details", sa.Text(), nullable=False),
        sa.Column("known", sa.BigInteger(), nullable=False),
        sa.Column("settled", sa.BigInteger(), nullable=True),
        sa.Column("settled_as", sa.String(20), nullable=True),
        sa.Column("settled_by", sa.String(120), nullable=True),
        sa.Column("settled_why", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("organisation", "key", name=op.f("pk_set_aside")),
    )
    op.create_index(op.f("ix_set_aside_organisation_settled_known_key"), "set_aside", ["organisation", "settled", "known", "key"])
    op.create_index(op.f("ix_set_aside_organisation_machine_settled"), "set_aside", ["organisation", "machine", "settled"])
    op.create_table(
        "computed",
        _organisation(),
        sa.Column("machine", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("known", sa.BigInteger(), nullable=False),
        sa.Column("as_of", sa.BigInteger(), nullable=False),
        sa.Column("until", sa.BigInteger(), nullable=False),
        sa.Column("rulebook", sa.String(80), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("digest", sa.String(71), nullable=False),
        sa.Column("problem", sa.Text(), nullable=True),
        *(sa.Column(standing, sa.Integer(), nullable=False) for standing in ("overdue", "due", "unknown", "upcoming", "clear")),
        sa.ForeignKeyConstraint(*_MACHINE, name=op.f("fk_computed_organisation_machine")),
        sa.PrimaryKeyConstraint("organisation", "machine", name=op.f("pk_computed")),
    )
    op.create_table(
        "standings",
        _organisation(),
        sa.Column("machine", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("task", sa.String(120), nullable=False),
        sa.Column("urgency", sa.SmallInteger(), nullable=False),
        sa.Column("rank", sa.Double(), nullable=False),
        sa.Column("machine_id", sa.String(120), nullable=False),
        sa.Column("kind", sa.String(20), nullable=False),
        sa.Column("skill", sa.String(20), nullable=True),
        sa.Column("due_on", sa.String(10), nullable=True),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(*_MACHINE, name=op.f("fk_standings_organisation_machine")),
        sa.PrimaryKeyConstraint("organisation", "machine", "task", name=op.f("pk_standings")),
    )
    op.create_index(
        "ix_standings_order",
        "standings",
        ["organisation", "urgency", "rank", "machine_id", "task", "machine", "kind", "skill", "due_on"],
    )
    op.create_table(
        "answers",
        _organisation(),
        sa.Column("key", sa.String(200), nullable=False),
        sa.Column("fingerprint", sa.String(64), nullable=False),
        sa.Column("status", sa.SmallInteger(), nullable=False),
        sa.Column("headers", sa.Text(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("known", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("organisation", "key", name=op.f("pk_answers")),
    )
    op.create_index(op.f("ix_answers_organisation_known"), "answers", ["organisation", "known"])


def downgrade() -> None:
    for table in ("answers", "standings", "computed", "set_aside", "readings_withdrawn", "readings", "meters", "entries", "machines"):
        op.drop_table(table)
    _rulebooks_of_one()


def _organisation() -> "sa.Column[int]":
    return sa.Column("organisation", sa.Integer(), autoincrement=False, nullable=False)


def _readings() -> None:
    postgresql = op.get_bind().dialect.name == "postgresql"
    op.create_table(
        "readings",
        _organisation(),
        sa.Column("meter", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("value", sa.BigInteger(), nullable=False),
        sa.Column("unit", sa.String(30), nullable=True),
        sa.Column("known", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("organisation", "meter", "at", name=op.f("pk_readings")),
        sqlite_with_rowid=False,
        postgresql_partition_by="RANGE (at)",
    )
    if postgresql:
        for year in range(FIRST_YEAR, LAST_YEAR + 1):
            op.execute(f"create table readings_{year} partition of readings for values from ({_micros(year)}) to ({_micros(year + 1)})")
        op.execute("create table readings_other partition of readings default")
    op.create_table(
        "readings_withdrawn",
        _organisation(),
        sa.Column("meter", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("known", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("superseded", sa.BigInteger(), nullable=False),
        sa.Column("value", sa.BigInteger(), nullable=False),
        sa.Column("unit", sa.String(30), nullable=True),
        sa.PrimaryKeyConstraint("organisation", "meter", "at", "known", name=op.f("pk_readings_withdrawn")),
    )


def _micros(year: int) -> int:
    """Microseconds from 1970 to the beginning of a year, UTC."""
    days = 365 * (year - 1970) + (year - 1969) // 4  # right from 1970 to 2099
    return days * 86_400_000_000


def _rulebooks_by_organisation() -> None:
    """All that was there belongs to the first organisation."""
    _thaw()
    op.drop_index(op.f("ix_rulebook_versions_digest"), "rulebook_versions")
    if op.get_bind().dialect.name == "postgresql":
        for table, key in _KEYS.items():
            op.add_column(table, sa.Column("organisation", sa.Integer(), nullable=False, server_default="1"))
            op.alter_column(table, "organisation", server_default=None)
            op.drop_constraint(f"pk_{table}", table)
            op.create_primary_key(f"pk_{table}", table, ["organisation", *key])
    else:
        _remake("1, ", "")
    op.create_index(op.f("ix_rulebook_versions_organisation_digest"), "rulebook_versions", ["organisation", "digest"])
    _freeze()


def _rulebooks_of_one() -> None:
    """Only what belongs to the first organisation can stay: names of several could be the same."""
    _thaw()
    op.drop_index(op.f("ix_rulebook_versions_organisation_digest"), "rulebook_versions")
    if op.get_bind().dialect.name == "postgresql":
        for table, key in _KEYS.items():
            op.execute(f"delete from {table} where organisation <> 1")  # noqa: S608  # a name of ours  # nosec B608
            op.drop_constraint(f"pk_{table}", table)
            op.drop_column(table, "organisation")
            op.create_primary_key(f"pk_{table}", table, key)
    else:
        _remake("", " where organisation = 1")
    op.create_index(op.f("ix_rulebook_versions_digest"), "rulebook_versions", ["digest"])
    _freeze()


_KEYS = {"rulebook_drafts": ["name"], "rulebook_versions": ["name", "version"]}
_DRAFT = "name, text, media_type, revision, changed_at"
_VERSION = "name, version, digest, title, text, media_type, document, declared, published_at"


def _remake(first: str, where: str) -> None:
    """SQLite has no other way to another key: new tables, the rows over, the old ones away."""
    lead = ["organisation"] if first else []
    into = "organisation, " if first else ""
    for table in _KEYS:
        op.rename_table(table, f"{table}_before")
    op.create_table(
        "rulebook_drafts",
        *[_organisation() for _ in lead],
        sa.Column("name", sa.String(80), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("media_type", sa.String(80), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("revision >= 1", name=op.f("ck_rulebook_drafts_revision")),
        sa.PrimaryKeyConstraint(*lead, "name", name=op.f("pk_rulebook_drafts")),
    )
    op.create_table(
        "rulebook_versions",
        *[_organisation() for _ in lead],
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
        sa.PrimaryKeyConstraint(*lead, "name", "version", name=op.f("pk_rulebook_versions")),
    )
    for table, columns in (("rulebook_drafts", _DRAFT), ("rulebook_versions", _VERSION)):
        op.execute(f"insert into {table} ({into}{columns}) select {first}{columns} from {table}_before{where}")  # noqa: S608  # names of ours  # nosec B608
        op.drop_table(f"{table}_before")


def _thaw() -> None:
    if op.get_bind().dialect.name == "sqlite":
        for deed in ("update", "delete"):
            op.execute(f"drop trigger rulebook_versions_no_{deed}")
    else:
        op.execute("drop trigger rulebook_versions_frozen on rulebook_versions")


def _freeze() -> None:
    if op.get_bind().dialect.name == "sqlite":
        for deed in ("update", "delete"):
            op.execute(
                f"create trigger rulebook_versions_no_{deed} before {deed} on rulebook_versions begin select raise(abort, '{_FROZEN}'); end"
            )
    else:
        op.execute(
            "create trigger rulebook_versions_frozen before update or delete on rulebook_versions "
            "for each row execute function rulebook_versions_frozen()"
        )
