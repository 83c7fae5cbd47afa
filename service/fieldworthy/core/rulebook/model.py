"""A checked rulebook as working values. Only `check.check_rulebook` makes one: holding it is the proof that it passed."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from fieldworthy.core.base.finding import Finding
from fieldworthy.core.base.fit import Fit
from fieldworthy.core.base.vocabulary import Vocabulary
from fieldworthy.core.condition.ast import Condition
from fieldworthy.core.interval.ast import Allowance, Interval, Notice
from fieldworthy.core.interval.evaluate.written_line import LineWriter
from fieldworthy.core.interval.plan import Plan
from fieldworthy.core.interval.within import Within
from fieldworthy.core.parts.model import Line, Part
from fieldworthy.core.procedure.bits import Workings
from fieldworthy.core.procedure.model import Step, Works
from fieldworthy.core.rulebook.lines import Lines

Kind = Literal["inspect", "clean", "lubricate", "adjust", "replace", "couple"]
Says = Literal["law", "maker", "house"]
Skill = Literal["operator", "workshop", "specialist"]


@dataclass(frozen=True, slots=True)
class Defaults:
    """What holds where a task says nothing. allowances: () for none."""

    allowances: tuple[Allowance, ...] = ()
    notice: Notice | None = None
    skill: Skill | None = None


@dataclass(frozen=True, slots=True)
class FollowUp:
    """
    What follows where something is found. what: the word that says what was found, as declared, or as it was told.

    then: the task that is due after it; within: how soon (None: at once). unfit: the machine must not work until that is done; without
    `then`, until the task at which it was found is done again with nothing found.
    """

    what: str
    then: str | None = None
    within: Within | None = None
    unfit: bool = False


@dataclass(frozen=True, slots=True)
class Task:
    """One piece of upkeep. covers, causes: task and occurrence names as declared.

    interval: None for a task that is done when asked. plan: the interval made ready to compute (None with it).
    may_defer: the one allowance that a deferral may use; None: never. lines: what every answer says of the task (rulebook/lines.py).
    points: `names.key` -> as declared, of the places that are done each for itself; none: the task is done as a whole.
    if_found: `names.key` of a word -> what follows where it is found.
    """

    name: str
    title: str
    kind: Kind
    order: int
    where: tuple[str, ...] = ()
    interval: Interval | None = None
    plan: Plan | None = None
    only_with: Fit | None = None
    needs: Condition | None = None
    holds: Condition | None = None
    needs_text: str | None = None
    holds_text: str | None = None
    says: Says = "maker"
    may_defer: Allowance | None = None
    covers: tuple[str, ...] = ()
    covered_by: tuple[str, ...] = ()
    causes: tuple[str, ...] = ()
    notice: Notice | None = None
    skill: Skill | None = None
    minutes: int | None = None
    tools: tuple[str, ...] = ()
    uses: tuple[Line, ...] = ()
    steps: tuple[Step, ...] = ()
    leaves: Condition | None = None
    points: Mapping[str, str] = field(default_factory=dict)
    if_found: Mapping[str, FollowUp] = field(default_factory=dict)
    lines: Lines | None = None


@dataclass(frozen=True, slots=True)
class Example:
    """A worked example of the rulebook's own: plain JSON data as written."""

    name: str
    given: Mapping[str, Any]
    expect: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class CheckedRulebook:
    """tasks, parts: by declared name (task names are lower case with hyphens; parts by number), in the order of declaration.

    options: declared options, `names.key` -> as declared. digest: "sha256:" and 64 hex digits.
    document: the canonical plain JSON data. warnings: findings that did not refuse it.
    workings: empty until a way is sought in it; then what searches need of its works, which never changes.
    writers: likewise, what writes the plainest standings of a task straight as text; None: nothing does.
    """

    name: str
    title: str
    language: int
    digest: str
    document: Mapping[str, Any]
    vocabulary: Vocabulary
    tasks: Mapping[str, Task]
    parts: Mapping[str, Part]
    works: Works = field(default_factory=Works)
    options: Mapping[str, str] = field(default_factory=dict)
    models: Mapping[str, str] = field(default_factory=dict)
    applies_to: Fit | None = None
    defaults: Defaults = field(default_factory=Defaults)
    examples: tuple[Example, ...] = ()
    warnings: tuple[Finding, ...] = ()
    workings: list[Workings] = field(default_factory=list, init=False, repr=False, compare=False)
    writers: dict[str, LineWriter | None] = field(default_factory=dict, init=False, repr=False, compare=False)
