"""The use cases that the door asks, made once from the ports."""

from dataclasses import dataclass

from fieldworthy.usecases.ask_clearance import AskClearance
from fieldworthy.usecases.ask_parts import AskParts
from fieldworthy.usecases.ask_procedure import AskProcedure
from fieldworthy.usecases.check_draft import CheckDraft
from fieldworthy.usecases.check_expression import CheckExpression
from fieldworthy.usecases.find_rulebook import FindRulebook
from fieldworthy.usecases.inputs import ReadInputs
from fieldworthy.usecases.keep_drafts import PutDraft, ReadDraft
from fieldworthy.usecases.limits import MAX_STATES
from fieldworthy.usecases.ports import Clock, Store
from fieldworthy.usecases.publish import Publish
from fieldworthy.usecases.shelf import CompareVersions, ListNames, ListVersions, ReadVersion


@dataclass(frozen=True, slots=True)
class Uses:
    """One of each."""

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
    inputs: ReadInputs


def make_uses(store: Store, clock: Clock, most_states: int = MAX_STATES) -> Uses:
    """All use cases over one store. most_states: of one procedure that a check explores."""
    find = FindRulebook(store, most_states=most_states)
    check = CheckDraft(most_states)
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
        inputs=ReadInputs(find),
    )
