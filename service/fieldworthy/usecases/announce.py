"""What a new computation of a machine's standings tells: one event for each change of a standing, of fitness, and each meter gone silent.

Beside what was computed stands what was told of the machine last (`announced`): what differs from it is told, and then stands there. So it
does not matter how often, or by how many processes, standings are computed. Pure: values in, values out.
"""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import quote

from fieldworthy.core.answer.cleared import DISCLAIMER
from fieldworthy.core.base.micros import DAY, micros_text
from fieldworthy.usecases.events import FIT, FITNESS_UNKNOWN, SILENT, TASK, UNFIT, NewEvent
from fieldworthy.usecases.kept import Machine
from fieldworthy.usecases.kept_standings import URGENCY, Computed, Row

SILENT_DAYS = 7
"""Usual days without a reading, while the season runs, after which a meter is told of as silent; 0: none is."""

NOTHING_TOLD = '{"tasks":{},"fit":null,"silent":{}}'
"""What stands as told of a machine of which nothing was."""

MOST_BYTES = 16_000
"""Of an event's data; the whole event stays below 20 kB."""

_TOLD_OF_TASK = ("task", "title", "kind", "standing", "rule", "used", "due_at", "remaining", "expected", "because", "needs")
_BY_FITNESS = {"fit": FIT, "unfit": UNFIT, "unknown": FITNESS_UNKNOWN}
_CLEAR = "clear"


@dataclass(frozen=True, slots=True)
class Watch:
    """
    What is told of beside standings, as it was when they were computed. in_season: whether the machine has no seasons, or one runs.

    silent: meters that are silent, each with the moment of its last reading; silent_days: after how many days one is.
    """

    machine: Machine
    in_season: bool = True
    silent: Mapping[str, int] = field(default_factory=dict)
    silent_days: int = SILENT_DAYS


@dataclass(frozen=True, slots=True)
class Made:
    """What was computed of a machine; watch: None where nothing is to be told."""

    computed: Computed
    rows: Sequence[Row] = ()
    watch: Watch | None = None


def announce(there: Computed | None, made: Made) -> tuple[str | None, Sequence[NewEvent]]:
    """
    What is then told of the machine, and the events that tell what is new. there: what was computed before, None: nothing ever was.

    Where it could not be computed, or the machine is out of season, nothing is told, and what was told stays: so that whatever still holds
    later is told then. Of one that was computed before anything was told of any, what stands is only noted.
    """
    before = NOTHING_TOLD if there is None else there.announced
    watch = made.watch
    if watch is None or made.computed.problem is not None:
        return before, ()
    told = json.loads(NOTHING_TOLD if before is None else before)
    now = {"tasks": {row.task: URGENCY[row.urgency] for row in made.rows}, "fit": made.computed.fit, "silent": dict(watch.silent)}
    if before is None:
        return _written(now), ()
    if not watch.in_season:
        return before, ()
    return _written(now), [*_of_fitness(told, made, watch), *_of_tasks(told, made, watch), *_of_meters(told, made, watch)]


def _of_fitness(told: Mapping[str, Any], made: Made, watch: Watch) -> Iterator[NewEvent]:
    was, fit = told["fit"], made.computed.fit
    if fit is None or fit == was or (was is None and fit == "fit"):
        return
    data = {"fit": fit, "was": was, "because": json.loads(made.computed.fit_because or "[]")}
    yield _event(_BY_FITNESS[fit], made, watch, "", data, disclaimer=True)


def _of_tasks(told: Mapping[str, Any], made: Made, watch: Watch) -> Iterator[NewEvent]:
    was = told["tasks"]
    for row in made.rows:
        standing = URGENCY[row.urgency]
        if standing == was.get(row.task, _CLEAR):
            continue
        body = json.loads(row.body)
        data = {name: body[name] for name in _TOLD_OF_TASK if name in body} | {"was": was.get(row.task)}
        yield _of_task(made, watch, row.task, row.kind, standing, data)
    here = {row.task for row in made.rows}
    for task in sorted(was.keys() - here):
        if was[task] == _CLEAR:
            continue
        text = "Nothing is asked of this task any more: what it waited for is settled, or the rulebook asks for it no longer."
        because = [{"code": "not-asked", "text": text, "values": {}}]
        data = {"task": task, "standing": _CLEAR, "was": was[task], "because": because}
        yield _of_task(made, watch, task, None, _CLEAR, data)


def _of_task(made: Made, watch: Watch, task: str, kind: str | None, standing: str, data: dict[str, Any]) -> NewEvent:
    return _event(f"{TASK}{standing}", made, watch, f"/tasks/{quote(task)}", data, task, kind, standing, disclaimer=True)


def _of_meters(told: Mapping[str, Any], made: Made, watch: Watch) -> Iterator[NewEvent]:
    for meter, last in sorted(watch.silent.items()):
        if told["silent"].get(meter) != last:
            data = {"meter": meter, "last_reading_at": micros_text(last), "silent_days": watch.silent_days}
            yield _event(SILENT, made, watch, f"/meters/{quote(meter)}", data)


def _event(
    type: str,
    made: Made,
    watch: Watch,
    subject: str,
    data: dict[str, Any],
    task: str | None = None,
    kind: str | None = None,
    standing: str | None = None,
    disclaimer: bool = False,
) -> NewEvent:
    computed, machine = made.computed, watch.machine
    rulebook = {"name": computed.rulebook, "version": computed.version, "digest": computed.digest}
    whole = {"machine": machine.id, "site": machine.site, **data, "rulebook": rulebook}
    if disclaimer:
        whole["disclaimer"] = DISCLAIMER
    return NewEvent(
        type,
        computed.at,
        f"{subject_of(machine.id)}{subject}",
        within_bounds(whole),
        *(machine.key, machine.id, machine.site, task, kind, standing),
    )


def subject_of(machine: str) -> str:
    """What an event about a machine is about."""
    return f"machines/{quote(machine, safe='')}"


def within_bounds(data: dict[str, Any]) -> dict[str, Any]:
    """An event's data without what makes it too large to send (`shortened` says so): what is needed first, then reasons, long texts."""
    if _bytes(data) <= MOST_BYTES:
        return data
    short = {**data, "shortened": True}
    short.pop("needs", None)
    if _bytes(short) > MOST_BYTES and isinstance(short.get("because"), list):
        short["because"] = [{"code": reason["code"], "text": reason["text"][:500]} for reason in short["because"][:3]]
    return {name: value if _bytes(value) <= 4000 else None for name, value in short.items()}


def silent_since(last: int, begun: int | None, days: int) -> int:
    """From when on a meter is silent. last: when it was last read; begun: when the season began, None where there is none."""
    return (last if begun is None else max(last, begun)) + days * DAY


def _bytes(value: object) -> int:
    return len(_written(value).encode("utf-8", "surrogatepass"))


def _written(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))
