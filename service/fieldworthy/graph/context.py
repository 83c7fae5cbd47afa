"""Who asks, and what is asked: made anew for each request, so that what one request reads is never told in another."""

from asyncio import Semaphore
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from secrets import token_bytes
from typing import Any, TypeAlias, TypeVar

from strawberry.types.info import Info as StrawberryInfo

from fieldworthy.graph.following import News
from fieldworthy.graph.taken import Taken
from fieldworthy.usecases.all_uses import AllUses, Uses
from fieldworthy.usecases.ask_kept_due import AskKeptDue
from fieldworthy.usecases.compute_standings import Writing
from fieldworthy.usecases.fleet_as_of import AskFleetAsOf
from fieldworthy.usecases.keep_listeners import KeepListeners
from fieldworthy.usecases.keep_told import KeepTold
from fieldworthy.usecases.key_refusals import ScopeMissing
from fieldworthy.usecases.keys import Asker, Caller, KeyScope
from fieldworthy.usecases.once import Keeping
from fieldworthy.usecases.open_work import SetScene
from fieldworthy.usecases.standings import AskFleet, Recompute
from fieldworthy.usecases.work_deeds import WorkDeeds
from fieldworthy.usecases.work_versions import NOTHING_ASKED, Questions
from fieldworthy.wire.questions import clearance_question, procedure_question

T = TypeVar("T")

AT_ONCE = 4
"""What one request asks at the same time. Each may hold a connection to the database, and others want some too."""


class Asked:
    """What the fields ask, made once from the use cases that the other door asks as well."""

    def __init__(
        self,
        uses: AllUses,
        keeping: Keeping,
        recompute: Recompute,
        writing: Writing,
        listening: KeepListeners,
        random: Callable[[int], bytes] = token_bytes,
    ) -> None:
        """random: of which links to calendars are made."""
        self.uses = uses
        self.keeping = keeping
        self.recompute = recompute
        self.kept_due = AskKeptDue(keeping.store, keeping.find)
        self.fleet = AskFleet(keeping.store, recompute)
        self.fleet_as_of = AskFleetAsOf(keeping.store, keeping.find, writing)
        self.tell = KeepTold(keeping.find, lambda told: clearance_question({**NOTHING_ASKED, "evidence": told}).evidence)
        self.scene = SetScene(keeping.find, Questions(clearance_question, procedure_question))
        self.deeds = WorkDeeds(self.scene)
        self.listening = listening
        self.random = random
        self.news = News(keeping.store)


@dataclass(slots=True)
class Context:
    """
    One request. asker: whose key or token it carries; None where none is asked for, and all is allowed; taken: what its answer's lists
    hold; turns: taken by each field at the top of a query while it is asked, and by each load of what its machines ask together. Nobody
    waits for another turn while he holds one.
    """

    asked: Asked
    caller: Caller
    asker: Asker | None = None
    taken: Taken = field(default_factory=Taken)
    turns: Semaphore = field(default_factory=lambda: Semaphore(AT_ONCE))
    _loaders: dict[Hashable, Any] = field(default_factory=dict)

    @property
    def organisation(self) -> int:
        """Whose things are meant."""
        return self.caller.organisation

    @property
    def uses(self) -> Uses:
        """The use cases of the caller's organisation."""
        return self.asked.uses.of(self.caller.organisation)

    def needs(self, scope: KeyScope) -> None:
        """Raises ScopeMissing where the caller may not ask this."""
        if scope not in self.caller.scopes:
            assert self.asker is not None  # without keys everything is allowed
            raise ScopeMissing(self.asker, scope)

    def loader(self, key: Hashable, make: Callable[[], T]) -> T:
        """What gathers the questions of one kind in this request; made where it is asked for first."""
        if key not in self._loaders:
            self._loaders[key] = make()
        found: T = self._loaders[key]
        return found


Info: TypeAlias = StrawberryInfo[Context, None]
