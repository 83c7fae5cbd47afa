"""How many connections the service holds to its database, and how long it waits for what. Each is a setting (README.md)."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class DatabaseLimits:
    """
    Connections of one process, and seconds.

    pool: connections kept open; overflow: more of them in a rush; pool_wait: for a free one. connect: for a new one to be made.
    statement: for one statement to be carried out. lock: for whoever holds what a statement needs; on SQLite, for the one that writes.
    idle: for the next statement of an open transaction, whose client may be gone. On SQLite only pool, overflow, pool_wait and lock count.
    """

    pool: int = 10
    overflow: int = 10
    pool_wait: int = 15
    connect: int = 5
    statement: int = 60
    lock: int = 20
    idle: int = 60


USUAL = DatabaseLimits()
"""Unless the settings say otherwise."""
