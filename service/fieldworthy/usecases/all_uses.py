"""The use cases that the doors ask, made once from the ports."""

from dataclasses import dataclass

from fieldworthy.usecases.ask_clearance import AskClearance
from fieldworthy.usecases.ask_parts import AskParts
from fieldworthy.usecases.ask_procedure import AskProcedure
from fieldworthy.usecases.check_draft import CheckDraft
from fieldworthy.usecases.check_expression import CheckExpression
from fieldworthy.usecases.find_rulebook import FindRulebook, FindRulebooks
from fieldworthy.usecases.inputs import ReadInputs
from fieldworthy.usecases.keep_drafts import PutDraft, ReadDraft
from fieldworthy.usecases.limits import MAX_STATES
from fieldworthy.usecases.ports import Clock, Shelves, Store
from fieldworthy.usecases.publish import Publish
from fieldworthy.usecases.share import ReadShared, ShareVersions
from fieldworthy.usecases.shelf import CompareVersions, ListNames, ListVersions, ReadVersion
from fieldworthy.usecases.tally import Tally


@dataclass(frozen=True, slots=True)
class Uses:
    """One of each, for what one organisation asks."""

    find: FindRulebook
    clearance: AskClearance
    parts: AskParts
    procedure: AskProcedure
    expression: CheckExpression
    check: CheckDraft
    put_draft: PutDraft
    read_draft: ReadDraft
    publish: Publish
    names: ListNames
    versions: ListVersions
    version: ReadVersion
    compare: CompareVersions
    share: ShareVersions
    shared: ReadShared
    inputs: ReadInputs


class AllUses:
    """The use cases of each organisation, over one store; made when it asks for the first time."""

    def __init__(self, shelves: Shelves, clock: Clock, most_states: int = MAX_STATES, tally: Tally | None = None) -> None:
        """most_states: of one procedure that a check explores. tally: what counts evaluations."""
        self.tally = tally or Tally()
        self.find = FindRulebooks(shelves, most_states=most_states)
        self._shelves = shelves
        self._clock = clock
        self._check = CheckDraft(most_states)
        self._made: dict[int, Uses] = {}

    def of(self, organisation: int) -> Uses:
        """Those of one organisation."""
        made = self._made.get(organisation)
        if made is None:
            made = self._made[organisation] = _make(self._shelves.shelf(organisation), self._clock, self._check, self.find.of(organisation))
        return made


def _make(store: Store, clock: Clock, check: CheckDraft, find: FindRulebook) -> Uses:
    return Uses(
        find=find,
        clearance=AskClearance(find),
        parts=AskParts(find),
        procedure=AskProcedure(find),
        expression=CheckExpression(find),
        check=check,
        put_draft=PutDraft(store, clock, check),
        read_draft=ReadDraft(store),
        publish=Publish(store, clock, check),
        names=ListNames(store),
        versions=ListVersions(store),
        version=ReadVersion(store),
        compare=CompareVersions(find),
        share=ShareVersions(store, clock),
        shared=ReadShared(store),
        inputs=ReadInputs(find),
    )
