"""Writes the script that makes a new SQLite database anew, from the migrations: python tests/storage/write_schema.py"""

import sqlite3
import sys
import tempfile
from pathlib import Path

TOP = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path.insert(0, str(TOP / "service"))

from fieldworthy.storage.migrating import migrate  # noqa: E402

HEAD = """-- The newest schema, as the migrations leave it on SQLite. Written by tests/storage/write_schema.py, never by hand.

"""


def schema_script() -> str:
    """The statements that make an empty SQLite database what the migrations make of it."""
    with tempfile.TemporaryDirectory() as room:
        migrate(f"sqlite:///{room}/made.db")
        made = sqlite3.connect(f"{room}/made.db")
        try:
            statements = [sql for (sql,) in made.execute("select sql from sqlite_master where sql is not null order by rowid")]
            ((revision,),) = made.execute("select version_num from alembic_version").fetchall()
        finally:
            made.close()
    statements.append(f"insert into alembic_version (version_num) values ('{revision}')")  # noqa: S608  # its author is us
    return HEAD + "".join(f"{statement};\n\n" for statement in statements).rstrip() + "\n"


if __name__ == "__main__":
    (TOP / "service" / "fieldworthy" / "storage" / "new_sqlite.sql").write_text(schema_script(), "utf-8")
