"""Which operation of the REST contract is which field, and the scope that both need. What has no field says why.

The names: queries are nouns, questions are called as what they ask, mutations as the operation.
"""

from collections.abc import Mapping
from typing import NamedTuple

from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.told_kinds import KINDS

READ, RECORD, WRITE = KeyScope.READ, KeyScope.RECORD_WORK, KeyScope.WRITE_RULEBOOKS
ADMINISTER, POST = KeyScope.ADMINISTER, KeyScope.POST_READINGS

QUERY, MUTATION, MACHINE = "Query", "Mutation", "Machine"


class Row(NamedTuple):
    """on: the type that has the field; needs: the scope."""

    on: str
    field: str
    needs: KeyScope


def _told() -> Mapping[str, Row]:
    """The operations over what is told of machines, of each kind the same six."""
    rows: dict[str, Row] = {}
    for one, many in TOLD.values():
        field, fields = one[:1].lower() + one[1:], many[:1].lower() + many[1:]
        rows |= {
            f"put{one}": Row(MUTATION, f"put{one}", RECORD),
            f"withdraw{one}": Row(MUTATION, f"withdraw{one}", RECORD),
            f"post{many}": Row(MUTATION, f"post{many}", RECORD),
            f"get{one}": Row(QUERY, field, READ),
            f"list{many}": Row(QUERY, fields, READ),
            f"list{one}States": Row(QUERY, f"{field}States", READ),
        }
    return rows


TOLD: Mapping[str, tuple[str, str]] = {
    "done": ("Done", "DoneRecords"),
    "working-conditions": ("WorkingCondition", "WorkingConditions"),
    "occurrences": ("Occurrence", "Occurrences"),
    "evidence": ("Evidence", "Reports"),
    "found": ("Found", "ThingsFound"),
    "deferrals": ("Deferral", "Deferrals"),
    "meter-replacements": ("MeterReplacement", "MeterReplacements"),
}
"""What is told of machines, by the part of the address: one, and many, as operations call them."""

assert set(TOLD) == set(KINDS)

TABLE: Mapping[str, Row] = {
    "askDue": Row(QUERY, "due", READ),
    "askClearance": Row(QUERY, "clearance", READ),
    "askProcedure": Row(QUERY, "procedure", READ),
    "askParts": Row(QUERY, "parts", READ),
    "checkExpression": Row(QUERY, "checkExpression", READ),
    "checkRulebook": Row(QUERY, "checkRulebook", READ),
    # rulebooks
    "putDraft": Row(MUTATION, "putDraft", WRITE),
    "getDraft": Row(QUERY, "draft", READ),
    "publishRulebook": Row(MUTATION, "publishRulebook", WRITE),
    "listRulebooks": Row(QUERY, "rulebooks", READ),
    "listVersions": Row(QUERY, "versions", READ),
    "getVersion": Row(QUERY, "version", READ),
    "getInputs": Row(QUERY, "inputs", READ),
    "compareVersions": Row(QUERY, "comparison", READ),
    "shareVersion": Row(MUTATION, "shareVersion", WRITE),
    "unshareVersion": Row(MUTATION, "unshareVersion", WRITE),
    "listReaders": Row(QUERY, "readers", READ),
    "listSharedRulebooks": Row(QUERY, "sharedRulebooks", READ),
    "getSharedVersion": Row(QUERY, "sharedVersion", READ),
    # machines, and what is due on them
    "putMachine": Row(MUTATION, "putMachine", ADMINISTER),
    "postMachines": Row(MUTATION, "postMachines", ADMINISTER),
    "getMachine": Row(QUERY, "machine", READ),
    "listMachines": Row(QUERY, "machines", READ),
    "getMachineDue": Row(MACHINE, "due", READ),
    "getFleetDue": Row(QUERY, "fleetDue", READ),
    # readings
    "keepReadings": Row(MUTATION, "keepReadings", POST),
    "keepCounters": Row(MUTATION, "keepCounters", POST),
    "listReadings": Row(MACHINE, "readings", READ),
    "listSetAside": Row(QUERY, "setAside", READ),
    "acceptSetAside": Row(MUTATION, "acceptSetAside", RECORD),
    "dismissSetAside": Row(MUTATION, "dismissSetAside", RECORD),
    **_told(),
    # work
    "askKeptClearance": Row(QUERY, "keptClearance", READ),
    "openWork": Row(MUTATION, "openWork", RECORD),
    "listOpenWork": Row(QUERY, "openWork", READ),
    "getWork": Row(QUERY, "work", READ),
    "beginStep": Row(MUTATION, "beginStep", RECORD),
    "finishStep": Row(MUTATION, "finishStep", RECORD),
    "handOverWork": Row(MUTATION, "handOverWork", RECORD),
    "closeWork": Row(MUTATION, "closeWork", RECORD),
    "listLocks": Row(QUERY, "locks", READ),
    "putOn": Row(MUTATION, "putOn", RECORD),
    "takeOff": Row(MUTATION, "takeOff", RECORD),
    # what happened, and who is told of it
    "listAudit": Row(QUERY, "audit", ADMINISTER),
    "listEvents": Row(QUERY, "events", READ),
    "postListener": Row(MUTATION, "postListener", ADMINISTER),
    "putListener": Row(MUTATION, "putListener", ADMINISTER),
    "deleteListener": Row(MUTATION, "deleteListener", ADMINISTER),
    "rotateSecret": Row(MUTATION, "rotateSecret", ADMINISTER),
    "testListener": Row(MUTATION, "testListener", ADMINISTER),
    "listListeners": Row(QUERY, "listeners", ADMINISTER),
    "getListener": Row(QUERY, "listener", ADMINISTER),
    "listDeliveries": Row(QUERY, "deliveries", ADMINISTER),
    "getDelivery": Row(QUERY, "delivery", ADMINISTER),
    "sendAgain": Row(MUTATION, "sendAgain", ADMINISTER),
    "makeFeed": Row(MUTATION, "makeFeed", ADMINISTER),
    "listFeeds": Row(QUERY, "feeds", ADMINISTER),
    "revokeFeed": Row(MUTATION, "revokeFeed", ADMINISTER),
}
"""By operation."""

_LINES = "JSON Lines, a stream in and out"
_FILE = "a file: a table or a calendar, not data in fields"

WITHOUT: Mapping[str, str] = {
    "askDueBatch": f"{_LINES}; several `due` in one request, by aliases, ask the same of a few machines",
    "keepTelematics": "a document of ISO 15143-3, in its own form",
    "exportDue": _FILE,
    "exportReadings": _FILE,
    "exportMachineReadings": _FILE,
    "getMachineCalendar": _FILE,
    "getSiteCalendar": _FILE,
    "getFleetCalendar": _FILE,
    "getFeed": f"{_FILE}, and its link is its key",
    "getHealth": "for operators, without a key",
    "getReadiness": "for operators, without a key",
    "listFleetReadings": "a file where all readings are asked for; `Machine.readings` gives those of each machine",
}
"""Operations without a field, and why."""
