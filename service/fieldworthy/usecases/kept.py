"""What is kept of an organisation's machines, as the use cases see it. Times are whole microseconds since 1970, UTC.

A store hands out one transaction at a time: `async with store.keep(HOME, actor) as kept:` commits when the block ends, with who changed
what in it written to the audit trail, and undoes everything when it raises; `store.look(HOME)` only reads, and sees one state of everything
from its first question to its end.

Nothing is overwritten. A later state of an entry stands in place of the earlier one from its own `known` on, and the earlier one stays: so
what was known at any moment can be read again. `known` grows with every change of a machine, under the machine's lock.
"""

from collections.abc import Collection, Mapping, Sequence
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple, Protocol

from fieldworthy.usecases.audit import ITSELF, Actor, Trail
from fieldworthy.usecases.keys import KeyStore
from fieldworthy.usecases.ports import Chance, Rulebooks, Shelves
from fieldworthy.usecases.quotas import QuotaStore

if TYPE_CHECKING:  # each of these rooms is described beside the deeds that use it
    from fieldworthy.usecases.deliveries import Deliveries
    from fieldworthy.usecases.events import Events
    from fieldworthy.usecases.feeds import Feeds
    from fieldworthy.usecases.kept_answers import Answers
    from fieldworthy.usecases.kept_readings import Aside, Readings
    from fieldworthy.usecases.kept_standings import Standings
    from fieldworthy.usecases.listeners import Listeners

HOME = 1
"""The organisation that everything belongs to while there are no keys; the first one that is given a key takes it over."""

MACHINE = "machine"
"""The kind of entry that holds a machine's own document; its id is empty."""

THINNED = "thinned"
"""The kind of entry that says up to when (`at`) a machine's readings were thinned out; its id is empty."""

MOST_ABOUT = 120
"""Characters of the name that an entry is found by."""

WITHDRAWN = "null"
"""The body of an entry that says: what stood here never was."""


class Machine(NamedTuple):
    """One machine of the store. key: the store's own; id: the caller's; revision: of its document, from 1; known: of its newest change."""

    key: int
    id: str
    revision: int
    known: int
    rulebook: str
    site: str | None


class NewMachine(NamedTuple):
    """A machine that is added. serial: as its document says it."""

    id: str
    rulebook: str
    site: str | None
    serial: str | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """One state of one thing that was told of a machine.

    id: the caller's own, or made by the store; at: when it happened; about: the task, fact, meter, ... that it speaks of; body: JSON as it
    was told, WITHDRAWN where it never was; open: whether it asks for something still (open work, a finding); known: since when this state
    stands; superseded: from when on a later one does (None: it is the newest).
    """

    kind: str
    id: str
    known: int
    at: int
    about: str
    body: str
    open: bool = False
    superseded: int | None = None


class Machines(Protocol):
    """The machines of one organisation, inside one transaction."""

    async def find(self, id: str) -> Machine | None: ...

    async def named(self, ids: Collection[str]) -> Mapping[str, Machine]:
        """Those that there are, by id; not locked."""

    async def by_key(self, keys: Collection[int]) -> Mapping[int, Machine]: ...

    async def lock(self, ids: Collection[str]) -> Mapping[str, Machine]:
        """Those that there are, by id. Nobody else changes anything of them until this transaction ends; it waits for who does."""

    async def by_serial(self, serials: Collection[str]) -> Mapping[str, Sequence[str]]:
        """The ids of the machines that have each of these serial numbers, by their documents of now; without those that nobody has."""

    async def add(self, id: str, known: int, rulebook: str, site: str | None, serial: str | None = None) -> Machine:
        """A new machine at revision 1. Raises `refusals.MachineTaken` where somebody else added it at the same moment."""

    async def add_all(self, new: Sequence[NewMachine], known: int) -> Sequence[Machine]:
        """New machines at revision 1. Raises `refusals.MachineTaken`."""

    async def change(self, machine: Machine, known: int, rulebook: str, site: str | None, serial: str | None = None) -> Machine:
        """The next revision of a locked machine."""

    async def touch(self, machines: Collection[Machine], known: int) -> None:
        """Notes that something of these locked machines changed at `known`."""

    async def page(self, after: str | None, limit: int, site: str | None = None, rulebook: str | None = None) -> Sequence[Machine]:
        """In the order of their ids, from behind `after` on. rulebook: the reference exactly as the machine names it."""

    async def newest_known(self) -> int:
        """The `known` of the newest change of any of them, which may be a little ahead of the clock; 0 where there is none."""

    async def close_ids(self, id: str, most: int) -> Sequence[str]:
        """Some ids to suggest in place of `id`; those that share its beginning first."""


class Entries(Protocol):
    """What was told of machines, inside one transaction. `as_of`: what stood at that moment; None: what stands now."""

    async def newest(self, machine: int, kind: str, ids: Collection[str], as_of: int | None = None) -> Mapping[str, Entry]:
        """The newest state of each that there is, withdrawn ones included."""

    async def put(self, machine: int, entries: Sequence[Entry]) -> None:
        """Keeps new states (each of another kind and id); each supersedes what stood under its kind and id. The machine must be locked."""

    async def of(self, machine: int, kinds: Collection[str], as_of: int | None = None) -> Sequence[Entry]:
        """All that stands, in the order of kind, `at` and id, without what was withdrawn."""

    async def open(self, machine: int, kind: str, as_of: int | None = None) -> Sequence[Entry]:
        """Those that stand and are open, in the order of `at` and id."""

    async def newest_of_each(self, machine: int, kind: str, most: int, as_of: int | None = None) -> Sequence[Entry]:
        """Of all that stands, of each `about` and each `by` at least so many, those with the newest `at`; in the order of `at` and id."""

    async def page(
        self,
        machine: int,
        kind: str,
        limit: int,
        before: tuple[int, str] | None = None,
        as_of: int | None = None,
        about: str | None = None,
        open: bool | None = None,
    ) -> Sequence[Entry]:
        """What stands, the newest `at` first, from before (`at`, id) on, without what was withdrawn. open: those that are, or are not."""

    async def at_times(self, machine: int, kind: str, times: Collection[int]) -> Sequence[Entry]:
        """Those that stand and happened at one of these moments, in the order of `at` and id."""

    async def history(self, machine: int, kind: str, id: str, after: int | None = None, limit: int | None = None) -> Sequence[Entry]:
        """The states of one thing, the oldest first; those that are known since later than `after`; None: all."""

    async def documents(self, machines: Collection[int], as_of: int | None = None) -> Mapping[int, Entry]:
        """The machines' own documents, by key."""

    async def documents_ever(self, machines: Collection[int]) -> Mapping[int, Sequence[Entry]]:
        """All states of these machines' documents, by the machine's key, the oldest first."""

    async def documents_elsewhere(self, machines: Collection[int], rulebook: str) -> Mapping[int, Sequence[Entry]]:
        """
        By the machine's key, the oldest first: states of these machines' documents, of now and earlier. All that name another rulebook than
        this, whatever the version; others may be among them.
        """

    async def told_of(self, machines: Collection[int], kinds: Collection[str], holding: str) -> Mapping[int, Sequence[Entry]]:
        """As `of`, of many machines, by key. holding: a text that the body has."""

    async def of_all(self, machines: Collection[int], kinds: Collection[str], as_of: int | None = None) -> Mapping[int, Sequence[Entry]]:
        """As `of`, of many machines, by key; those of which nothing stands are left out."""

    async def open_of(self, machines: Collection[int], kind: str) -> Mapping[int, Sequence[Entry]]:
        """As `open`, of many machines, by key."""


class Kept(Protocol):
    """One transaction over all that is kept of one organisation."""

    organisation: int
    chance: Chance

    @property
    def rulebooks(self) -> Rulebooks: ...

    @property
    def machines(self) -> Machines: ...

    @property
    def entries(self) -> Entries: ...

    @property
    def readings(self) -> "Readings": ...

    @property
    def aside(self) -> "Aside": ...

    @property
    def standings(self) -> "Standings": ...

    @property
    def answers(self) -> "Answers": ...

    @property
    def feeds(self) -> "Feeds": ...

    @property
    def events(self) -> "Events": ...

    @property
    def listeners(self) -> "Listeners": ...

    @property
    def deliveries(self) -> "Deliveries": ...

    @property
    def trail(self) -> Trail: ...

    async def moment(self) -> int:
        """Now. On PostgreSQL by the database's own clock: replicas may disagree about the time, and it is one for all of them."""


class KeepStore(Protocol):
    """Where machines are kept. Its blocks raise `ports.StoreUnavailable`."""

    def keep(self, organisation: int, actor: Actor) -> AbstractAsyncContextManager[Kept]:
        """actor: who changes what is changed, for the audit trail."""

    def look(self, organisation: int, as_of: int | None = None) -> AbstractAsyncContextManager[Kept]:
        """as_of: a moment of which is asked: whatever is being kept by then is waited for, so that the answer never changes."""

    def dispatch(self, organisation: int, actor: Actor = ITSELF) -> AbstractAsyncContextManager[Kept]:
        """For a worker, over `events`, `listeners` and `deliveries` alone: it waits for nobody who keeps machines (but on SQLite)."""

    async def organisations(self) -> Sequence[int]:
        """Of which something may be kept."""


class WholeStore(Shelves, KeepStore, KeyStore, QuotaStore, Protocol):
    """Rulebooks, machines, the keys to them, and how much each may ask."""


async def next_known(kept: Kept, machines: Collection[Machine]) -> int:
    """The `known` of a change of these locked machines: now, and after all that was known of them."""
    return known_after(await kept.moment(), machines)


def known_after(now: int, machines: Collection[Machine]) -> int:
    """The same, of a moment that was asked for after they were locked."""
    return max([now, *(machine.known + 1 for machine in machines)])
