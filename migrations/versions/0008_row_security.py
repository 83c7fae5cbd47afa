"""Row-level security on PostgreSQL, behind the service's own filters. Nothing on SQLite, which has none."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

_OWN = "{column} = nullif(current_setting('fieldworthy.organisation', true), '')::int"
_KEYS = "current_setting('fieldworthy.across', true) = 'keys'"
_READER = "nullif(current_setting('fieldworthy.reader', true), '')"
_SHARES = f"select 1 from rulebook_shares s where s.reader = {_READER} and s.organisation = "  # noqa: S608  # nosec B608  # words of ours
_SECURED = "select c.relname from pg_class c where c.relnamespace = current_schema()::regnamespace and c.relrowsecurity order by 1"
_WITH_ORGANISATION = (
    "select c.relname from pg_class c join pg_attribute a on a.attrelid = c.oid and a.attname = 'organisation' and not a.attisdropped "
    "where c.relnamespace = current_schema()::regnamespace and c.relkind in ('r', 'p') and not c.relispartition order by 1"
)
_PARTITIONS = "select inhrelid::regclass::text from pg_inherits where inhparent = 'readings'::regclass order by 1"


def upgrade() -> None:
    if op.get_bind().dialect.name != "postgresql":
        return
    for table in _names(_WITH_ORGANISATION):
        _secure(table, "organisation")
    # whoever looks for a key does not know yet whose it is; whoever keeps keys keeps those of all
    for table in ("keys", "organisations"):
        op.execute(f"create policy across on {table} using ({_KEYS}) with check ({_KEYS})")
    _secure("organisations", "id", "for select")
    # what others let one read, by one's own name, which the transaction says where it asks for that
    op.execute(f"create policy lent on rulebook_shares for select using (reader = {_READER})")
    op.execute(f"create policy lent on organisations for select using ({_READER} is not null and exists ({_SHARES} organisations.id))")
    version = "rulebook_versions.organisation and s.name = rulebook_versions.name and s.version = rulebook_versions.version"
    op.execute(f"create policy lent on rulebook_versions for select using ({_READER} is not null and exists ({_SHARES} {version}))")
    _partitions()


def downgrade() -> None:
    if op.get_bind().dialect.name != "postgresql":
        return
    for table in _names(_PARTITIONS):
        op.execute(f"drop trigger readings_of_one on {table}")
    op.execute("drop function readings_of_one()")
    for table in _names(_SECURED):
        for (policy,) in op.get_bind().execute(sa.text("select policyname from pg_policies where tablename = :t"), {"t": table}).all():
            op.execute(f"drop policy {policy} on {table}")
        op.execute(f"alter table {table} no force row level security")
        op.execute(f"alter table {table} disable row level security")


def _names(query: str) -> list[str]:
    return [name for (name,) in op.get_bind().execute(sa.text(query)).all()]


def _secure(table: str, column: str, deeds: str = "") -> None:
    own = _OWN.format(column=column)
    op.execute(f"alter table {table} enable row level security")
    op.execute(f"alter table {table} force row level security")  # for its owner too
    op.execute(f"create policy own on {table} {deeds} using ({own})")  # and what is written must be so as well


def _partitions() -> None:
    """
    The copies of readings go into the years' own tables, which can have no policies: what was added is looked at once a copy. The function
    means the table of its own schema: one's own temporary table of the same name, which else comes first, has no security.
    """
    schema = op.get_bind().execute(sa.text("select quote_ident(current_schema())")).scalar_one()
    op.execute(
        "create function readings_of_one() returns trigger language plpgsql "  # noqa: S608  # nosec B608  # words of ours
        f"set search_path = pg_catalog, {schema}, pg_temp as $$ begin "
        "if row_security_active('readings') and exists (select 1 from added where "
        f"({_OWN.format(column='organisation')}) is not true) then "
        "raise exception 'these readings are of another organisation' using errcode = 'insufficient_privilege'; "
        "end if; return null; end $$"
    )
    for table in _names(_PARTITIONS):
        op.execute(
            f"create trigger readings_of_one after insert on {table} referencing new table as added "
            "for each statement execute function readings_of_one()"
        )
