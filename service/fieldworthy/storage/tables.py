"""The tables. Changed only together with a step in migrations/; a test compares the two. Those of what is told are in `alert_tables`.

Each carries the organisation in its key: whose row it is. (Not that of keys, which tell whose request it is.) Organisation 1 is everybody's
while there are no keys, and has no row of its own before the first key is made; so nothing refers to that table but keys.
What is kept of machines counts time in microseconds since 1970, UTC: one integer, the same on both databases, quick to compare.
"""

from sqlalchemy import (
    BigInteger,
    CheckConstraint,
    Column,
    Double,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    SmallInteger,
    String,
    Table,
    Text,
    UniqueConstraint,
    text,
)

from fieldworthy.storage.alert_tables import attempts, deliveries, events, listeners
from fieldworthy.storage.columns import Instant, metadata
from fieldworthy.storage.columns import of_machine as _of_machine
from fieldworthy.storage.columns import of_organisation as _organisation

__all__ = ["attempts", "deliveries", "events", "listeners", "metadata"]  # beside those that are defined here

REVISION = "0013"  # of the newest step in migrations/, which a test holds it to

_ROOM = {"fillfactor": "50"}  # rows that change with every post of readings: room beside them spares their indexes the change

organisations = Table(
    "organisations",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),  # 1, 2, ...
    Column("name", String(120), nullable=False),
    Column("created", BigInteger, nullable=False),
    UniqueConstraint("name"),
)

keys = Table(  # what opens the service; found by the public part of a key's text
    "keys",
    metadata,
    Column("id", String(12), primary_key=True),
    Column("organisation", Integer, ForeignKey("organisations.id"), nullable=False),
    Column("name", String(120), nullable=False),
    Column("digest", LargeBinary, nullable=False),  # SHA-256 of the secret, 32 bytes
    Column("scopes", Text, nullable=False),  # words with a space between
    Column("created", BigInteger, nullable=False),
    Column("expires", BigInteger, nullable=False),
    Column("revoked", BigInteger),
    Column("last_used", BigInteger),
    Index(None, "organisation", "created"),
)

rulebook_drafts = Table(
    "rulebook_drafts",
    metadata,
    _organisation(),
    Column("name", String(80), primary_key=True),
    Column("text", Text, nullable=False),
    Column("media_type", String(80), nullable=False),
    Column("revision", Integer, nullable=False),
    Column("changed_at", Instant, nullable=False),
    CheckConstraint("revision >= 1", name="revision"),
)

rulebook_versions = Table(
    "rulebook_versions",
    metadata,
    _organisation(),
    Column("name", String(80), primary_key=True),
    Column("version", Integer, primary_key=True, autoincrement=False),
    Column("digest", String(71), nullable=False),
    Column("title", Text, nullable=False),
    Column("text", Text, nullable=False),  # as the author wrote it
    Column("media_type", String(80), nullable=False),
    Column("document", Text, nullable=False),  # canonical JSON: what the digest is over
    Column("declared", Text, nullable=False),  # the same in the order of declaration: what is evaluated
    Column("published_at", Instant, nullable=False),
    CheckConstraint("version >= 1", name="version"),
    Index(None, "organisation", "digest"),
)

rulebook_shares = Table(  # which organisations may read a version beside its own
    "rulebook_shares",
    metadata,
    _organisation(),
    Column("name", String(80), primary_key=True),
    Column("version", Integer, primary_key=True, autoincrement=False),
    Column("reader", String(120), primary_key=True),  # by name: there need not be one, so that nobody learns which there are
    Column("shared_at", Instant, nullable=False),
    ForeignKeyConstraint(
        ["organisation", "name", "version"], ["rulebook_versions.organisation", "rulebook_versions.name", "rulebook_versions.version"]
    ),
    Index(None, "reader"),
)

machines = Table(
    "machines",
    metadata,
    _organisation(),
    Column("key", Integer, primary_key=True, autoincrement=False),  # the store's own, 1, 2, ... an organisation
    Column("id", String(120), nullable=False),  # the caller's own
    Column("revision", Integer, nullable=False),  # of the document: 1, 2, ...; the `ETag`
    Column("known", BigInteger, nullable=False),  # when anything of it was last kept; grows with each change
    Column("rulebook", String(200), nullable=False),  # `name` or `name@3`
    Column("site", String(120)),
    Column("serial", String(120)),  # as the document says it
    UniqueConstraint("organisation", "id"),
    # of those that have one: a smaller index than that of the ids would be taken in its place before the first `analyze`
    Index(None, "organisation", "serial", postgresql_where=text("serial is not null")),
    CheckConstraint("revision >= 1", name="revision"),
    postgresql_with=_ROOM,
)

entries = Table(  # what was told of a machine, one row a state of it; also each state of the machine's own document
    "entries",
    metadata,
    _organisation(),
    Column("machine", Integer, primary_key=True, autoincrement=False),
    Column("kind", String(20), primary_key=True),
    Column("id", String(120), primary_key=True),
    Column("known", BigInteger, primary_key=True, autoincrement=False),  # since when it stands
    Column("superseded", BigInteger),  # from when on a later state stands in its place; null: it is the newest
    Column("at", BigInteger, nullable=False),  # when it happened; what has a day only: that day's beginning, UTC
    Column("about", String(120), nullable=False),  # the task, fact, meter, ... that it speaks of
    Column("open", SmallInteger, nullable=False),  # 1 while it asks for something: open work, a finding to follow up
    Column("body", Text, nullable=False),  # JSON as it was told; `null` for what was withdrawn
    _of_machine(),
    Index(None, "organisation", "machine", "kind", "at", "id"),
)

meters = Table(
    "meters",
    metadata,
    _organisation(),
    Column("key", Integer, primary_key=True, autoincrement=False),
    Column("machine", Integer, nullable=False),
    Column("name", String(120), nullable=False),  # its key in the rulebook's vocabulary
    Column("last_at", BigInteger),  # of the newest kept reading
    Column("last_value", BigInteger),
    Column("last_unit", String(30)),
    _of_machine(),
    UniqueConstraint("organisation", "machine", "name"),
    postgresql_with=_ROOM,
)

readings = Table(  # on PostgreSQL partitioned by year of `at`
    "readings",
    metadata,
    _organisation(),
    Column("meter", Integer, primary_key=True, autoincrement=False),
    Column("at", BigInteger, primary_key=True, autoincrement=False),
    Column("value", BigInteger, nullable=False),  # millionths of `unit`
    Column("unit", String(30)),  # null: the meter's own
    Column("known", BigInteger, nullable=False),
    sqlite_with_rowid=False,
)

readings_withdrawn = Table(  # kept once, and no longer: what answered as of an earlier moment still sees them
    "readings_withdrawn",
    metadata,
    _organisation(),
    Column("meter", Integer, primary_key=True, autoincrement=False),
    Column("at", BigInteger, primary_key=True, autoincrement=False),
    Column("known", BigInteger, primary_key=True, autoincrement=False),
    Column("superseded", BigInteger, nullable=False),
    Column("value", BigInteger, nullable=False),
    Column("unit", String(30)),
)

set_aside = Table(
    "set_aside",
    metadata,
    _organisation(),
    Column("key", String(40), primary_key=True),  # drawn from what was sent: the same reading has the same key
    Column("machine", String(120), nullable=False),  # as it was sent: there may be no such machine
    Column("meter", String(120), nullable=False),
    Column("at", BigInteger, nullable=False),
    Column("value", BigInteger, nullable=False),
    Column("unit", String(30)),
    Column("why", String(40), nullable=False),
    Column("details", Text, nullable=False),  # JSON
    Column("known", BigInteger, nullable=False),
    Column("settled", BigInteger),
    Column("settled_as", String(20)),  # accepted, dismissed
    Column("settled_by", String(120)),
    Column("settled_why", Text),
    Index(None, "organisation", "settled", "known", "key"),
    Index(None, "organisation", "machine", "settled"),
)

computed = Table(  # when and from what a machine's standings were computed
    "computed",
    metadata,
    _organisation(),
    Column("machine", Integer, primary_key=True, autoincrement=False),
    Column("at", BigInteger, nullable=False),
    Column("known", BigInteger, nullable=False),  # the machine's own `known` of then
    Column("as_of", BigInteger, nullable=False),  # the newest `known` of all that went in
    Column("until", BigInteger, nullable=False),  # when they may change by themselves: then all is computed anew
    Column("rulebook", String(80), nullable=False),
    Column("version", Integer, nullable=False),
    Column("digest", String(71), nullable=False),
    Column("problem", Text),  # JSON: why there are no standings
    *(Column(standing, Integer, nullable=False) for standing in ("overdue", "due", "unknown", "upcoming", "clear")),  # how many there are
    Column("fit", String(10)),  # whether the machine may work: fit, unfit, unknown; null where there is a problem
    Column("fit_because", Text),  # JSON: the reasons
    Column("announced", Text),  # JSON: what was told of the machine last; null: nothing was ever compared
    _of_machine(),
)

standings = Table(
    "standings",
    metadata,
    _organisation(),
    Column("machine", Integer, primary_key=True, autoincrement=False),
    Column("task", String(120), primary_key=True),
    Column("urgency", SmallInteger, nullable=False),  # 0 overdue, 1 due, 2 unknown, 3 upcoming, 4 clear
    Column("rank", Double, nullable=False),  # the share used, below zero: so that one index has the whole order
    Column("machine_id", String(120), nullable=False),  # the caller's own, for the order
    Column("kind", String(20), nullable=False),
    Column("skill", String(20)),
    Column("due_on", String(10)),  # the due date, else the expected one
    Column("body", Text, nullable=False),  # the task's standing, JSON as it is answered
    _of_machine(),
    Index(  # the order of the fleet's list, and behind it all that the list is filtered by
        "ix_standings_order",
        "organisation",
        "urgency",
        "rank",
        "machine_id",
        "task",
        "machine",
        "kind",
        "skill",
        "due_on",
    ),
)

due_days = Table(  # on which day a calendar shows each task, and how often that has moved; what moved once is never forgotten
    "due_days",
    metadata,
    _organisation(),
    Column("machine", Integer, primary_key=True, autoincrement=False),
    Column("task", String(120), primary_key=True),
    Column("day", String(10)),  # null: on none
    Column("sequence", Integer, nullable=False),  # 0, 1, ...: as iCalendar counts the revisions of an event
    _of_machine(),
)

feeds = Table(  # links to a calendar that need no key; found by the public part of a link's token
    "feeds",
    metadata,
    Column("id", String(12), primary_key=True),
    Column("organisation", Integer, nullable=False),
    Column("name", String(120), nullable=False),
    Column("machine", String(120)),  # the caller's own id of it
    Column("site", String(120)),  # neither of them: the whole fleet
    Column("digest", LargeBinary, nullable=False),  # SHA-256 of the secret, 32 bytes
    Column("created", BigInteger, nullable=False),
    Column("revoked", BigInteger),
    Column("last_used", BigInteger),
    Index(None, "organisation", "created", "id"),
)

answers = Table(  # to requests that carried an `Idempotency-Key`
    "answers",
    metadata,
    _organisation(),
    Column("key", String(200), primary_key=True),
    Column("fingerprint", String(64), nullable=False),  # SHA-256 of method, address, conditions and body
    Column("status", SmallInteger, nullable=False),
    Column("headers", Text, nullable=False),  # JSON
    Column("body", LargeBinary, nullable=False),
    Column("known", BigInteger, nullable=False),
    Index(None, "organisation", "known"),
)

audit = Table(  # who changed what; only ever added to: the database itself refuses the rest
    "audit",
    metadata,
    _organisation(),
    Column("n", BigInteger, primary_key=True, autoincrement=False),  # 1, 2, ... an organisation, without a gap
    Column("at", BigInteger, nullable=False),
    Column("way", String(20), nullable=False),  # key, token, command line, no keys, service
    Column("who", Text),  # the key's id, the token's subject
    Column("name", Text),  # the key's
    Column("by", Text),  # the person whom the request named
    Column("kind", String(20), nullable=False),
    Column("id", Text),  # of the thing, where it has one
    Column("machine", Text),  # whose it is; of a machine's own document its id
    Column("before", Text),  # JSON; null: nothing was there
    Column("after", Text),
    Index(None, "organisation", "at"),
    Index(None, "organisation", "id"),
    Index(None, "organisation", "machine"),
)

quotas = Table(  # what was granted to whoever asks, in their window of time
    "quotas",
    metadata,
    Column("asker", String(64), primary_key=True),  # the id of a key, or the SHA-256 of a token's issuer and subject
    Column("begun", BigInteger, nullable=False),
    Column("granted", BigInteger, nullable=False),  # requests
)
