"""What a database driver raises when the database can't be used, told apart from what is a fault of ours.

Away, restarting, full, locked too long, read-only, damaged: that becomes `usecases.ports.StoreUnavailable`. A constraint that refuses, a
statement that is wrong, a value that does not fit stay what they are: they show a fault of ours, and nobody mends them by waiting.
"""

import sqlite3
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager

from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeout

from fieldworthy.usecases.ports import StoreUnavailable

_AGAIN = "send it again in a moment, with the same `Idempotency-Key` or id"
_OPERATOR = "whoever runs the service has to mend that; then send it again, with the same `Idempotency-Key` or id"

_AWAY = StoreUnavailable("the database can't be reached", _AGAIN, 5)
_BUSY = StoreUnavailable("others have held the database for too long", _AGAIN, 2)
_CROWDED = StoreUnavailable("all connections to the database have been in use for too long", _AGAIN, 2)
_CROSSED = StoreUnavailable("two changes stood in each other's way, and this one gave way", _AGAIN, 1)
_SLOW = StoreUnavailable("the database took too long for it", "send it again later, or ask for less at once", 10)
_FULL = StoreUnavailable("the database's disk is full", _OPERATOR, 60)
_READ_ONLY = StoreUnavailable("the database takes no changes at the moment", _OPERATOR, 30)
_BROKEN = StoreUnavailable("the database's disk or memory fails it", _OPERATOR, 60)
_DAMAGED = StoreUnavailable("the database is damaged, or is none", _OPERATOR, 60)
_SHUT = StoreUnavailable("the database does not let the service in", _OPERATOR, 30)

# https://www.sqlite.org/rescode.html, the primary codes
_OF_SQLITE = {
    sqlite3.SQLITE_BUSY: _BUSY,
    sqlite3.SQLITE_LOCKED: _BUSY,
    sqlite3.SQLITE_PROTOCOL: _BUSY,
    sqlite3.SQLITE_FULL: _FULL,
    sqlite3.SQLITE_READONLY: _READ_ONLY,
    sqlite3.SQLITE_PERM: _SHUT,
    sqlite3.SQLITE_AUTH: _SHUT,
    sqlite3.SQLITE_CANTOPEN: _AWAY,
    sqlite3.SQLITE_IOERR: _BROKEN,
    sqlite3.SQLITE_NOMEM: _BROKEN,
    sqlite3.SQLITE_CORRUPT: _DAMAGED,
    sqlite3.SQLITE_NOTADB: _DAMAGED,
}

# https://www.postgresql.org/docs/current/errcodes-appendix.html: whole codes first, else their class (the first two signs)
_OF_POSTGRESQL = {
    "53100": _FULL,
    "53300": _CROWDED,
    "53": _BROKEN,
    "55P03": _BUSY,  # lock_not_available: lock_timeout
    "57014": _SLOW,  # query_canceled: statement_timeout
    "25006": _READ_ONLY,
    "25P03": _SLOW,  # idle_in_transaction_session_timeout
    "40": _CROSSED,
    "08": _AWAY,
    "57P": _AWAY,
    "28": _SHUT,
    "3D": _SHUT,
    "58": _BROKEN,
    "XX001": _DAMAGED,
    "XX002": _DAMAGED,
}


def unavailable(trouble: BaseException) -> StoreUnavailable | None:
    """What it means that a driver, or the pool, raised this; None where it is no matter of the database's being there."""
    if isinstance(trouble, StoreUnavailable):
        return trouble
    if isinstance(trouble, PoolTimeout):
        return _new(_CROWDED)
    lost = isinstance(trouble, DBAPIError) and trouble.connection_invalidated
    origin: BaseException | None = trouble.orig if isinstance(trouble, DBAPIError) else trouble
    if isinstance(origin, sqlite3.Error):
        code = getattr(origin, "sqlite_errorcode", None)
        found = None if code is None else _OF_SQLITE.get(code & 0xFF)
        return None if found is None else _new(found)
    state = getattr(origin, "sqlstate", None)
    if isinstance(state, str):
        for beginning in (state, state[:3], state[:2]):
            if beginning in _OF_POSTGRESQL:
                return _new(_OF_POSTGRESQL[beginning])
    if isinstance(origin, TimeoutError):
        return _new(_SLOW)
    if lost or isinstance(origin, OSError) or _is_closed(origin) or _is_out_of_step(origin):
        return _new(_AWAY)
    return None


def is_lost(trouble: BaseException) -> bool:
    """Whether a driver's connection is of no use any more."""
    told = unavailable(trouble)
    return isinstance(trouble, TimeoutError) or (told is not None and told.detail == _AWAY.detail)


def busy() -> StoreUnavailable:
    """Others have held the database for too long."""
    return _new(_BUSY)


def _new(kind: StoreUnavailable) -> StoreUnavailable:
    """One of its own for each time it is raised: an exception carries where it came from."""
    return StoreUnavailable(kind.detail, kind.remedy, kind.retry_after)


def _is_closed(trouble: BaseException | None) -> bool:
    """Whether a driver says that its connection is closed: it has no code for that, and tells other misuse by the same class."""
    names = {kind.__name__ for kind in type(trouble).__mro__}
    return "InterfaceError" in names and "clos" in str(trouble)


def _is_out_of_step(trouble: BaseException | None) -> bool:
    """
    Whether a driver lost the thread of what the server says: `asyncpg` does where the server ends it between two statements, and the word
    of that came in, and the end of the connection not yet.
    """
    return any(kind.__name__ == "InternalClientError" for kind in type(trouble).__mro__)


@contextmanager
def telling() -> Iterator[None]:
    """Raises StoreUnavailable in place of what a driver raises inside it when the database can't be used."""
    try:
        yield
    except Exception as trouble:
        told = unavailable(trouble)
        if told is None or told is trouble:
            raise
        raise told from trouble


@asynccontextmanager
async def reaching() -> AsyncIterator[None]:
    """The same around what is awaited."""
    with telling():
        yield
