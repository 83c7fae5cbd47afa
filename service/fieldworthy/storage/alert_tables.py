"""The tables of what is told, to whom, and what became of it. All times are whole microseconds since 1970, UTC."""

from sqlalchemy import BigInteger, Column, ForeignKeyConstraint, Index, Integer, SmallInteger, String, Table, Text, UniqueConstraint, text

from fieldworthy.storage.columns import metadata
from fieldworthy.storage.columns import of_machine as _of_machine
from fieldworthy.storage.columns import of_organisation as _organisation

_WAITING = text("state = 'waiting'")
_BEGUN = text("state = 'waiting' and digest is not null")
_UNDELIVERED = text("state = 'undelivered'")
_ROOM = {"fillfactor": "70"}  # each row changes a few times: when it is claimed, and when that is settled

events = Table(  # what happened, written with what caused it; never changed
    "events",
    metadata,
    _organisation(),
    Column("n", BigInteger, primary_key=True, autoincrement=False),  # 1, 2, ... an organisation, in the order of the commits
    Column("id", String(40), nullable=False),  # `evt_` and 32 hex digits
    Column("source", Text, nullable=False),
    Column("at", BigInteger, nullable=False),
    Column("type", String(60), nullable=False),
    Column("subject", Text, nullable=False),
    Column("machine", Integer),  # the store's own key; null: it is about none, or about one that there is not
    Column("machine_id", String(120)),  # the caller's own
    Column("site", String(120)),
    Column("task", String(120)),
    Column("kind", String(20)),
    Column("standing", String(20)),
    Column("body", Text, nullable=False),  # JSON: the event's data
    _of_machine(),
    UniqueConstraint("organisation", "id"),
    Index(None, "organisation", "at"),
    Index(None, "organisation", "machine_id", "n"),
)

listeners = Table(
    "listeners",
    metadata,
    _organisation(),
    Column("key", Integer, primary_key=True, autoincrement=False),  # the store's own, 1, 2, ... an organisation
    Column("id", String(40), nullable=False),  # the caller's own, or `lst_` and 24 hex digits
    Column("revision", Integer, nullable=False),  # of what people may change: 1, 2, ...; the `ETag`
    Column("name", String(120), nullable=False),
    Column("document", Text, nullable=False),  # JSON: where to, and what is chosen
    Column("secret", Text, nullable=False),  # as it is, to sign with; empty once it is removed
    Column("secret_before", Text),
    Column("secret_before_until", BigInteger),
    Column("state", String(20), nullable=False),  # on, off, gone, removed
    Column("failing", BigInteger),  # since when no try succeeded; null: the last one did, or there was none
    Column("hold", BigInteger),  # until when nothing is tried
    Column("mail_after", BigInteger),  # until when it gets no other mail of what waits
    Column("tests", Text),  # JSON: when it was sent the last tests
    Column("made_at", BigInteger, nullable=False),
    Column("changed_at", BigInteger, nullable=False),
    UniqueConstraint("organisation", "id"),
)

deliveries = Table(  # one event on its way to one listener
    "deliveries",
    metadata,
    _organisation(),
    Column("event", BigInteger, primary_key=True, autoincrement=False),
    Column("listener", Integer, primary_key=True, autoincrement=False),
    Column("at", BigInteger, nullable=False),  # the event's
    Column("machine", Integer),  # the event's: what is of one machine goes out in order
    Column("lane", SmallInteger, nullable=False),  # 0 in order, 1 ahead of quiet hours and digests, 2 in the day's digest
    Column("state", String(20), nullable=False),  # waiting, delivered, undelivered, dropped
    Column("due", BigInteger, nullable=False),  # when it is tried next
    Column("tries", Integer, nullable=False),
    Column("hurried", Integer, nullable=False),  # how often it was tried ahead of its time
    Column("digest", String(40)),  # the id of the digest it went into
    Column("lease", BigInteger),  # until when it is in the hands of `owner`
    Column("owner", String(60)),
    Column("last_at", BigInteger),  # of the last try
    Column("last_status", Integer),
    Column("last_trouble", Text),
    ForeignKeyConstraint(["organisation", "event"], ["events.organisation", "events.n"], name="fk_deliveries_event"),
    ForeignKeyConstraint(["organisation", "listener"], ["listeners.organisation", "listeners.key"], name="fk_deliveries_listener"),
    Index("ix_deliveries_listener", "organisation", "listener", "event"),
    Index("ix_deliveries_due", "organisation", "due", "event", sqlite_where=_WAITING, postgresql_where=_WAITING),
    Index(
        "ix_deliveries_queue",
        *("organisation", "listener", "machine", "lane", "event"),
        sqlite_where=_WAITING,
        postgresql_where=_WAITING,
    ),
    Index(  # whose turn it is, and what is next: the same however much waits
        "ix_deliveries_turn",
        *("organisation", "listener", "lane", "due", "event"),
        sqlite_where=_WAITING,
        postgresql_where=_WAITING,
    ),
    Index("ix_deliveries_begun", "organisation", "listener", sqlite_where=_BEGUN, postgresql_where=_BEGUN),
    Index("ix_deliveries_undelivered", "organisation", "event", sqlite_where=_UNDELIVERED, postgresql_where=_UNDELIVERED),
    postgresql_with=_ROOM,
)

attempts = Table(  # one try of a delivery
    "attempts",
    metadata,
    _organisation(),
    Column("event", BigInteger, primary_key=True, autoincrement=False),
    Column("listener", Integer, primary_key=True, autoincrement=False),
    Column("n", Integer, primary_key=True, autoincrement=False),  # 1, 2, ... a delivery
    Column("at", BigInteger, nullable=False),
    Column("ms", Integer, nullable=False),  # how long it took
    Column("status", Integer),  # of the answer; null: there was none
    Column("trouble", Text),
    ForeignKeyConstraint(["organisation", "event", "listener"], ["deliveries.organisation", "deliveries.event", "deliveries.listener"]),
)
