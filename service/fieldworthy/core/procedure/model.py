"""What can be done to a machine, what it can do by itself, what must never be, and the steps of a task."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Literal

from fieldworthy.core.condition.ast import Condition

Signal = Literal["danger", "warning", "caution", "notice"]
Outcome = Literal["death", "serious injury", "moderate injury", "minor injury", "property damage"]
Certainty = Literal["will", "could"]

RANK: Mapping[Signal, int] = {"danger": 4, "warning": 3, "caution": 2, "notice": 1}
"""The order of the words: ANSI Z535.4, ISO 3864-2, ISO 11684 (whose ladder has no notice: it is not about injury)."""


def signal_of(outcome: Outcome, certainty: Certainty) -> Signal:
    """
    The signal word of the worst that comes of a hazard if it is not avoided, and of whether it will or could come.

    Source: the definitions of ANSI Z535.4-2007, 4.14.1 to 4.14.4: danger *will*, warning *could* result in death or serious injury;
    caution is for minor or moderate injury; notice for what is not about injury. The last two ask for no certainty.
    """
    match outcome:
        case "death" | "serious injury":
            return "danger" if certainty == "will" else "warning"
        case "moderate injury" | "minor injury":
            return "caution"
        case "property damage":
            return "notice"


@dataclass(frozen=True, slots=True)
class Action:
    """makes: fact (by `names.key`) -> the state it has afterwards, as declared. confirm: what must be reported before the next step."""

    name: str
    needs: Condition | None
    makes: Mapping[str, str]
    confirm: Condition | None = None


@dataclass(frozen=True, slots=True)
class Hazard:
    """
    never: what must not be; avoid: how a person keeps clear of it.

    signal: follows from outcome (the worst that comes of it) and certainty where these are given; else it is stated.
    """

    name: str
    never: Condition
    signal: Signal
    avoid: str
    outcome: Outcome | None = None
    certainty: Certainty | None = None


@dataclass(frozen=True, slots=True)
class Happening:
    """What the machine can do by itself at any time at which `needs` holds."""

    name: str
    needs: Condition | None
    makes: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Step:
    """One step; exactly one of action (its name), do (a piece of work, in words), wait or follow (a procedure's name) is set."""

    action: str | None = None
    do: str | None = None
    wait: timedelta | None = None
    wait_until: Condition | None = None
    follow: str | None = None
    needs: Condition | None = None
    holds: Condition | None = None


@dataclass(frozen=True, slots=True)
class Procedure:
    """Named steps that tasks can follow."""

    name: str
    steps: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class Works:
    """Everything a rulebook says of how its machines work and hurt; names by `names.key`, in the order of declaration."""

    actions: Mapping[str, Action] = field(default_factory=dict)
    hazards: Mapping[str, Hazard] = field(default_factory=dict)
    happenings: Mapping[str, Happening] = field(default_factory=dict)
    procedures: Mapping[str, Procedure] = field(default_factory=dict)
