"""An organisation that lets others read a rulebook of its own."""

from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.usecases.check_draft import CheckDraft
from fieldworthy.usecases.keep_drafts import PutDraft
from fieldworthy.usecases.keep_keys import create_key
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.publish import Publish
from fieldworthy.usecases.share import ShareVersions
from tests.doors_app import NOW

HOME_NAME = "Nine Oxen"
"""What the organisation is called that is everybody's where there are no keys."""

LENDER = "West Machines"
NAME = "west-rake"
TEXT = """\
# An invented rake: no machine may be kept by it.
rulebook: west-rake
title: West rake
meters: {area: {unit: ha, default: true}}
tasks:
  tines-look: {title: Look at the tines, kind: inspect, interval: every 50 ha}
"""


async def lend(store: SqlStore, reader: str) -> int:
    """Publishes the rulebook, where it is not there, and shares its first version with an organisation; gives the lender's number."""
    async with store.keep_keys() as keys:
        whose = await keys.organisation(LENDER) or await keys.add_organisation(LENDER, await keys.moment())
    shelf, check = store.shelf(whose.id), CheckDraft()
    await PutDraft(shelf, lambda: NOW, check)(NAME, TEXT, "application/yaml")
    version, _ = await Publish(shelf, lambda: NOW, check)(NAME)
    assert version.version == 1
    await ShareVersions(shelf, lambda: NOW).share(NAME, 1, reader)
    return whose.id


async def lend_home(store: SqlStore) -> None:
    """The same to the organisation that is everybody's where there are no keys; a key that nobody has gives it its name."""
    await create_key(store, HOME_NAME, "so that it has a name", [KeyScope.READ])
    await lend(store, HOME_NAME)


async def lent_to_home(address: str) -> None:
    """The same in a migrated database that nobody has used yet."""
    store = SqlStore(open_engine(address), lambda: NOW)
    await lend_home(store)
    await store.close()
