"""The answer to a clearance question, and its wire form."""

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from fieldworthy.core.answer.evidence import Missing
from fieldworthy.core.answer.first import FirstAction
from fieldworthy.core.base.reason import Reason
from fieldworthy.core.procedure.model import Hazard

DISCLAIMER = (
    "This is advice and controls no machine. The machine's own handbook, local law and the employer's rules, and trained "
    "judgement come first; never rely on this alone where someone can be hurt."
)


@dataclass(frozen=True, slots=True)
class Unmet:
    """A known fact that stands against it: what it is, and what it must be."""

    fact: str
    is_: str
    must_be: str


@dataclass(frozen=True, slots=True)
class Blocked:
    """
    What another has in hand and would be disturbed: open work, or a lock or cover (then fact is set and work is None).

    by: whose it is now. holds: what of its holds would not be true, or can't be together; of a lock, what stays (canonical text).
    """

    work: str | None
    by: str | None
    holds: str
    fact: str | None = None


@dataclass(frozen=True, slots=True)
class ClearanceAnswer:
    """
    granted: only then may it start. holds: canonical text or None. valid_until: None where nothing used ages, or when withheld.

    do_first: the way to where it may start; empty when granted, and where none is known (because says why).
    """

    granted: bool
    unmet: tuple[Unmet, ...]
    missing: tuple[Missing, ...]
    blocked_by: tuple[Blocked, ...]
    do_first: tuple[FirstAction, ...]
    cautions: tuple[Hazard, ...]
    holds: str | None
    because: tuple[Reason, ...]
    valid_until: datetime | None
    now: datetime

    def until(self, end: datetime | None) -> "ClearanceAnswer":
        """The same, valid until then."""
        return replace(self, valid_until=None if end is None else end.astimezone(self.now.tzinfo))

    def to_json(self) -> dict[str, Any]:
        """The wire form of `POST /v1/clearance`, without `rulebook`."""
        return {
            "clearance": "granted" if self.granted else "withheld",
            "unmet": [{"fact": u.fact, "is": u.is_, "must_be": u.must_be} for u in self.unmet],
            "missing": [m.to_json() for m in self.missing],
            "blocked_by": [{"work": b.work, "by": b.by, "holds": b.holds, "fact": b.fact} for b in self.blocked_by],
            "do_first": [each.to_json() for each in self.do_first],
            "cautions": [{"signal": h.signal, "hazard": h.name, "avoid": h.avoid} for h in self.cautions],
            "holds": self.holds,
            "because": [{"code": r.code, "text": r.text, "values": dict(r.values)} for r in self.because],
            "valid_until": None if self.valid_until is None else self.valid_until.isoformat(),
            "disclaimer": DISCLAIMER,
            "now": self.now.isoformat(),
        }
