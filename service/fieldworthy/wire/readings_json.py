"""Readings as they are answered: what became of each, those that were set aside, and what is kept."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fieldworthy.core.base.micros import micros_text
from fieldworthy.core.base.quantity import from_ticks
from fieldworthy.core.meter.intake import SAME
from fieldworthy.usecases.aside_words import SAYS
from fieldworthy.usecases.keep_readings import SET_ASIDE, Intake
from fieldworthy.usecases.keep_telematics import LeftOut, TelematicsIntake
from fieldworthy.usecases.kept_readings import SetAside
from fieldworthy.usecases.keys import Caller
from fieldworthy.usecases.list_readings import KeptPage
from fieldworthy.usecases.sent_readings import SentReadings
from fieldworthy.usecases.setting_aside import Told
from fieldworthy.usecases.settle_readings import Settlement
from fieldworthy.wire.counters import Counted
from fieldworthy.wire.cursor import write_cursor
from fieldworthy.wire.readings import moment

_MEND_SHORTLY = "whoever has a key with the scope `read` finds it, and what is amiss, at /v1/set-aside"


def intake_json(intake: Intake, caller: Caller) -> dict[str, Any]:
    """
    What became of each reading. A key that may not read is told the reasons alone: beside them stands what is kept, the names of machines
    and meters, and who dismissed what. Nor is it told the id, which is drawn from the machine that was meant.
    """
    outcomes = intake.outcomes
    same, aside = outcomes.count(SAME), outcomes.count(SET_ASIDE)
    told = [_told(t) if caller.reads else _told_shortly(t) for t in intake.aside]
    return {"kept": len(outcomes) - same - aside, "same": same, "set_aside": aside, "readings": outcomes, "aside": told}


def _told(t: Told) -> dict[str, Any]:
    mend = t.mend.replace("/ID/", f"/{t.key}/")
    return {"index": t.index, "id": t.key, "why": t.why, "text": t.text, "values": t.values, "mend": mend}


def _told_shortly(t: Told) -> dict[str, Any]:
    return {"index": t.index, "id": None, "why": t.why, "text": f"{SAYS[t.why]}.", "values": {}, "mend": _MEND_SHORTLY}


def telematics_json(kin: TelematicsIntake, caller: Caller) -> dict[str, Any]:
    """A key that may not read is told of machines and meters as it named them, and not which of those that are kept they are."""
    sent = kin.sent
    names = zip(sent.machines, sent.meters, strict=True) if caller.reads else kin.called
    read = [
        {"element": element, "machine": machine, "meter": meter, "at": micros_text(at)}
        for element, (machine, meter), at in zip(kin.elements, names, sent.ats, strict=True)
    ]
    told = [{"element": one.element, "machine": one.machine if caller.reads else one.called, "why": one.why} for one in kin.left_out]
    return {**intake_json(kin.intake, caller), "read": read, "left_out": told}


@dataclass(frozen=True, slots=True)
class CountedReadings:
    """Counters of machines' buses as readings, and those that are none."""

    sent: SentReadings
    called: Sequence[str]
    left_out: Sequence[LeftOut]

    @classmethod
    def of(cls, read: Sequence[Counted]) -> "CountedReadings":
        """Of what was read of a request."""
        sent = SentReadings.of([(c.machine, c.meter, c.at, c.value, c.unit) for c in read if c.value is not None])
        left_out = [LeftOut(c.called, c.machine, c.why, c.machine) for c in read if c.why is not None]
        return cls(sent, [c.called for c in read if c.value is not None], left_out)

    def taken(self, intake: Intake) -> TelematicsIntake:
        """With what became of each."""
        named = list(zip(self.sent.machines, self.sent.meters, strict=True))
        return TelematicsIntake(self.sent, self.called, intake, self.left_out, named)


def settlement_of(deed: str, given: Mapping[str, Any]) -> Settlement:
    """How a reading is settled, by a validated AcceptIn or DismissIn. Raises Refused."""
    replaced = given.get("replaced_meter")
    if replaced is not None:
        moment(replaced["at"], "/replaced_meter/at")  # there must be such a time
    return Settlement(deed, given["by"], given["why"], given.get("as"), replaced)


def aside_json(item: SetAside) -> dict[str, Any]:
    """A reading that was set aside."""
    details = json.loads(item.details)
    settled = None
    if item.settled is not None:
        how = {"done": item.settled_as, "at": item.settled, "by": item.settled_by, "why": item.settled_why}
        settled = _settlement_json({**how, **details.get("settlement", {})})
    return {
        "id": item.key,
        "machine": item.machine,
        "meter": item.meter,
        "value": details["value"],
        "unit": item.unit,
        "at": micros_text(item.at),
        "why": item.why,
        "text": details["text"],
        "values": details["values"],
        "mend": details["mend"].replace("/ID/", f"/{item.key}/"),
        "set_aside_at": micros_text(item.known),
        "settled": settled,
        "earlier": [_settlement_json(how) for how in details.get("earlier", ())],
    }


def _settlement_json(how: Mapping[str, Any]) -> dict[str, Any]:
    read_as = how.get("as")
    return {
        "done": how["done"],
        "at": micros_text(how["at"]),
        "by": how["by"],
        "why": how["why"],
        "read_as": None if read_as is None else {"value": read_as["value"], "unit": read_as.get("unit")},
        "replaced_meter": how.get("replaced_meter"),
        "withdrawn": how.get("withdrawn", []),
        "withdrawn_in_all": how.get("withdrawn_in_all", 0),
        "also_kept": how.get("also_kept", []),
        "also_kept_in_all": how.get("also_kept_in_all", 0),
    }


def kept_page_json(page: KeptPage) -> dict[str, Any]:
    """A page of what is kept of a machine's meters."""
    items = [
        {"meter": name, "value": from_ticks(r.value), "unit": unit, "at": micros_text(r.at), "kept_at": micros_text(r.known)}
        for name, unit, r in page.readings
    ]
    return {
        "items": items,
        "next": None if page.more is None else write_cursor(page.more),
        "as_of": micros_text(page.as_of),
        "thinned_before": None if page.thinned is None else micros_text(page.thinned),
    }
