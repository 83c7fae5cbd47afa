"""One transaction over what is kept of one organisation: the rooms of the store, each opened when it is first asked for."""

from functools import cached_property
from secrets import token_bytes

from sqlalchemy.ext.asyncio import AsyncConnection

from fieldworthy.storage.answers import SqlAnswers
from fieldworthy.storage.aside import SqlAside
from fieldworthy.storage.deliveries import SqlDeliveries
from fieldworthy.storage.entries import SqlEntries
from fieldworthy.storage.events import SqlEvents
from fieldworthy.storage.feeds import SqlFeeds
from fieldworthy.storage.listeners import SqlListeners
from fieldworthy.storage.machines import SqlMachines
from fieldworthy.storage.moments import moment
from fieldworthy.storage.readings import SqlReadings
from fieldworthy.storage.rulebooks import SqlRulebooks
from fieldworthy.storage.standings import SqlStandings
from fieldworthy.storage.trail import SqlTrail
from fieldworthy.usecases.audit import ITSELF, Actor
from fieldworthy.usecases.ports import Chance, Clock


class SqlKept:
    """
    Implements `usecases.kept.Kept`. clock: for SQLite, and for tests that turn it; None: the database's own. actor: who changes what is
    changed; each room notes it by itself, and whoever ends the transaction has it finished before. chance: for ids.
    """

    def __init__(
        self, connection: AsyncConnection, organisation: int, clock: Clock | None, actor: Actor = ITSELF, chance: Chance = token_bytes
    ) -> None:
        self.connection = connection
        self.organisation = organisation
        self.trail = SqlTrail(connection, organisation, actor, clock)
        self._clock = clock
        self.chance = chance

    @cached_property
    def rulebooks(self) -> SqlRulebooks:
        return SqlRulebooks(self.connection, self.organisation)

    @cached_property
    def machines(self) -> SqlMachines:
        return SqlMachines(self.connection, self.organisation)

    @cached_property
    def entries(self) -> SqlEntries:
        return SqlEntries(self.connection, self.organisation, self.trail)

    @cached_property
    def readings(self) -> SqlReadings:
        return SqlReadings(self.connection, self.organisation, self.trail)

    @cached_property
    def aside(self) -> SqlAside:
        return SqlAside(self.connection, self.organisation, self.trail)

    @cached_property
    def standings(self) -> SqlStandings:
        return SqlStandings(self.connection, self.organisation, self.events)

    @cached_property
    def events(self) -> SqlEvents:
        return SqlEvents(self.connection, self.organisation, self.chance)

    @cached_property
    def listeners(self) -> SqlListeners:
        return SqlListeners(self.connection, self.organisation, self.trail, self.chance)

    @cached_property
    def deliveries(self) -> SqlDeliveries:
        return SqlDeliveries(self.connection, self.organisation, self.events, self.listeners, self.chance)

    @cached_property
    def answers(self) -> SqlAnswers:
        return SqlAnswers(self.connection, self.organisation)

    @cached_property
    def feeds(self) -> SqlFeeds:
        return SqlFeeds(self.connection, self.trail, self.organisation)

    async def moment(self) -> int:
        return await moment(self.connection, self._clock)

    async def finish(self) -> None:
        """Writes what was gathered: the events, and last of all the trail. Nothing may be asked of this transaction afterwards."""
        await self.events.write()
        await self.trail.write()
