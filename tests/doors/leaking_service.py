"""`fieldworthy serve` with faults: what fails says all that it knows, as an exception of a library may. For test_no_secrets_told.py."""

import asyncio
import sys
from contextlib import asynccontextmanager

from sqlalchemy import text

from fieldworthy.cli import main
from fieldworthy.rest.hiding import answering
from fieldworthy.settings import read_settings
from fieldworthy.storage import engine

SETTINGS = read_settings()
look = engine.SqlStore.look


class Fault(Exception):
    """It has what was asked, and the settings, in its words; and they are in the variables around it."""


@asynccontextmanager
async def leaking(self, organisation, as_of=None):  # type: ignore[no-untyped-def]
    asked = answering.get()
    carried = [value.decode() for _, value in asked["headers"]]
    async with look(self, organisation, as_of) as kept:
        match asked["path"]:
            case "/v1/machines/fails":
                try:
                    raise Fault(carried, SETTINGS.database_url)
                except Fault as first:
                    raise KeyError(" ".join(carried), asked["path"], asked["query_string"]) from first
            case "/v1/machines/fails-in-sql":
                async with self.engine.connect() as connection:
                    await connection.execute(text("select :carried from nowhere"), {"carried": " ".join(carried)})
            case "/v1/machines/away":
                raise ConnectionRefusedError(f"{SETTINGS.database_url} {carried}")
            case "/v1/machines/lost":  # nobody waits for it: the loop itself says what became of it
                lost = asyncio.get_running_loop().create_future()
                lost.set_exception(Fault(carried))
                del lost
        yield kept


engine.SqlStore.look = leaking  # type: ignore[method-assign]
if "crash" in sys.argv:
    sys.argv.remove("crash")

    async def crashing(*_: object) -> None:
        raise Fault(SETTINGS, SETTINGS.database_url, SETTINGS.key)

    engine.prepare = crashing
main()
