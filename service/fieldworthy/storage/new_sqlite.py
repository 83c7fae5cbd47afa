"""A new SQLite database, made by a script at once: the migrations would come to the same, and loading Alembic takes longer than all else.

The script is written from the migrations (tests/storage/write_schema.py), and a test compares what both make.
"""

from collections.abc import Iterator
from importlib.resources import files
from sqlite3 import complete_statement

from sqlalchemy import Connection


def lay_out(connection: Connection) -> bool:
    """
    Gives an empty SQLite database the schema of this release; False for one that holds anything, which stays as it is.

    connection: in a writing transaction, so that of several processes only the first finds the database empty.
    """
    if connection.exec_driver_sql("select count(*) from sqlite_master").scalar():
        return False
    for statement in statements((files("fieldworthy.storage") / "new_sqlite.sql").read_text("utf-8")):
        connection.exec_driver_sql(statement)
    return True


def statements(script: str) -> Iterator[str]:
    """The statements of a script, in order; each ends at a line's end (a trigger holds semicolons of its own)."""
    begun = ""
    for line in script.splitlines(keepends=True):
        begun += line
        if complete_statement(begun):
            yield begun
            begun = ""
