"""What the clients can do, written once: `Client` has it as plain methods, `AsyncClient` as methods to be awaited."""

from fieldworthy.client.bound import D
from fieldworthy.client.calendars import Calendars
from fieldworthy.client.calls import Caller
from fieldworthy.client.listeners import Listening
from fieldworthy.client.machines import Machines
from fieldworthy.client.open_work import OpenWork
from fieldworthy.client.questions import Asks
from fieldworthy.client.readings import Intake
from fieldworthy.client.records import Told
from fieldworthy.client.rulebooks import Shelf
from fieldworthy.client.shapes import (
    DeferralIn,
    DeferralItem,
    DoneIn,
    DoneItem,
    EvidenceIn,
    EvidenceItem,
    FoundIn,
    FoundItem,
    OccurrenceIn,
    OccurrenceItem,
    ReplacedMeterIn,
    ReplacedMeterItem,
    WorkingConditionIn,
    WorkingConditionItem,
)
from fieldworthy.client.tables import Tables


class Surface(Asks[D], Shelf[D], Machines[D], Intake[D], Calendars[D], Tables[D]):
    """
    Every method gives the plain JSON of the contract and raises FieldworthyError; what lists gives an iterator over all pages.

    What may be sent twice is sent again while no answer comes or the service says 408, 429, 502, 503 or 504, within the time that `Retries`
    says. A change carries an `Idempotency-Key`, the same at every try, so that it is made once.
    """

    done: Told[D, DoneIn, DoneItem]
    working_conditions: Told[D, WorkingConditionIn, WorkingConditionItem]
    occurrences: Told[D, OccurrenceIn, OccurrenceItem]
    evidence: Told[D, EvidenceIn, EvidenceItem]
    found: Told[D, FoundIn, FoundItem]
    deferrals: Told[D, DeferralIn, DeferralItem]
    meter_replacements: Told[D, ReplacedMeterIn, ReplacedMeterItem]
    open_work: OpenWork[D]
    listeners: Listening[D]

    def __init__(self, driver: D, caller: Caller) -> None:
        super().__init__(driver, caller)
        self.done = Told(driver, caller, "done")
        self.working_conditions = Told(driver, caller, "working-conditions")
        self.occurrences = Told(driver, caller, "occurrences")
        self.evidence = Told(driver, caller, "evidence")
        self.found = Told(driver, caller, "found")
        self.deferrals = Told(driver, caller, "deferrals")
        self.meter_replacements = Told(driver, caller, "meter-replacements")
        self.open_work = OpenWork(driver, caller)
        self.listeners = Listening(driver, caller)

    def __repr__(self) -> str:
        return f"{type(self).__name__}({self._caller.address!r})"
