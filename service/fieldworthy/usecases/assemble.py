"""From what is kept of a machine to the `machine` of a question: plain data, as `POST /v1/due` takes it.

A rulebook goes on to its next version, and what was told before may name what that one doesn't declare any more: a task, a meter, a
working condition. Such things are left out, counted, and told with the answer: they never make a question fail. Nor does a
record that says its meters alone and no time: it is put where the machine's readings were at those values (`core.meter.when`), or left out.
"""

import json
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from fieldworthy.core.answer.found import Unread
from fieldworthy.core.answer.machine import MOST_RECORDS
from fieldworthy.core.answer.reader import EPOCH, Reader
from fieldworthy.core.base.finding import Finding
from fieldworthy.core.base.micros import at_micros, micros_text
from fieldworthy.core.base.names import blank, key
from fieldworthy.core.base.quantity import TICKS, Unit, convert, find_unit, whole
from fieldworthy.core.base.vocabulary import state_of
from fieldworthy.core.meter.series import Reading
from fieldworthy.core.rulebook.model import CheckedRulebook
from fieldworthy.usecases.kept import Entry
from fieldworthy.usecases.kept_readings import Point
from fieldworthy.usecases.old_history import Days, place

Plain = dict[str, Any]

ROOMS = {
    "done": "done",
    "working-condition": "working_conditions",
    "occurrence": "occurrences",
    "deferral": "deferrals",
    "meter-replacement": "replaced_meters",
    "found": "found",
}
"""The kinds of entries that a question about what is due takes, and the member of the machine that each is a part of."""

NOT_DECLARED, UNIT, NO_TIME, TOO_MANY, UNUSABLE = "not-declared", "unit", "no-time", "too-many", "unusable"
"""Why something is left out: see `wire.fleet_answers.NotUsed`."""

_AS_IT_IS = ("model", "serial", "timezone", "day_starts", "working_days")
_NAMED_BY = {
    "done": "task",
    "deferrals": "task",
    "occurrences": "occurrence",
    "working_conditions": "condition",
    "replaced_meters": "meter",
    "found": "what",
}
_OPEN = "question.two_states"  # it takes a person to say which of the two holds


@dataclass(frozen=True, slots=True)
class Told:
    """What is kept of one machine, at some moment. readings: by the meter's name in the key form."""

    id: str
    document: Mapping[str, Any]
    entries: Sequence[Entry]
    readings: Mapping[str, Sequence[Point]]


@dataclass(slots=True)
class Assembled:
    """
    machine: the `machine` of a question without its readings; points: those, ready, by meter; kept: the same as they are kept.

    left_out: (what, name, why) -> how many; placed: task -> records of old history that were put in time by the readings.
    unread: what was found, and can't be used, and was not followed by a record of the same task with nothing found.
    """

    machine: Plain
    points: dict[str, list[Reading]]
    kept: Mapping[str, Sequence[Point]]
    left_out: Counter[tuple[str, str, str]] = field(default_factory=Counter)
    placed: Counter[str] = field(default_factory=Counter)
    unread: list[Unread] = field(default_factory=list)

    def plain(self) -> Plain:
        """The whole machine as a request of `POST /v1/due` has it."""
        readings = [_reading(meter, point) for meter in sorted(self.kept) for point in self.kept[meter]]
        return {**self.machine, "readings": readings} if readings else dict(self.machine)

    def leave_out(self, findings: Sequence[Finding]) -> bool:
        """Takes out the parts that findings of a refused question name; False where one of them is of the machine itself."""
        wrong: dict[str, set[int]] = {}
        for finding in findings:
            _, top, room, number, *_ = (*finding.path.split("/"), "", "", "")
            if top != "machine" or room not in _NAMED_BY or not number.isdigit() or finding.code == _OPEN:
                return False
            wrong.setdefault(room, set()).add(int(number))
        for i in sorted(wrong.pop("found", ())):
            if not self._without_within(self.machine["found"][i]):
                return False
        for room, numbers in wrong.items():
            for i in numbers:
                item = self.machine[room][i]
                self.left_out[room_word(room), item[_NAMED_BY[room]], UNUSABLE] += 1
                if room == "done" and not blank(_word(item)):
                    self.unread.append(Unread(_word(item), item["task"], None, item.get("by"), "that record can't be used"))
            self.machine[room] = [item for i, item in enumerate(self.machine[room]) if i not in numbers]
        return bool(findings)

    def _without_within(self, item: Plain) -> bool:
        """Of what was found only how soon something is to follow may be left out, and then it follows at once."""
        if item.pop("within", None) is None:
            return False
        self.left_out["found", item["what"][:120], UNUSABLE] += 1
        return True


def room_word(room: str) -> str:
    """The kind of entry that a member of the machine holds."""
    return next(kind for kind, member in ROOMS.items() if member == room)


def _reading(meter: str, point: Point) -> Plain:
    at, value, unit = point
    told = {"meter": meter, "value": value / TICKS, "at": micros_text(at)}
    return told if unit is None else {**told, "unit": unit}


def assemble(told: Told, book: CheckedRulebook, days: Days) -> Assembled:
    """The machine as a question has it. days: of the machine's site."""
    return _Assembly(told, book, days).build()


class _Assembly:
    """One machine; a class because the steps share the rulebook's words and what is left out."""

    def __init__(self, told: Told, book: CheckedRulebook, days: Days) -> None:
        self.told, self.book, self.days, self.words = told, book, days, book.vocabulary
        self.left_out: Counter[tuple[str, str, str]] = Counter()
        self.placed: Counter[str] = Counter()
        self.gone: list[Plain] = []  # records and findings of tasks that are declared no longer
        self.unread: list[Unread] = []

    def build(self) -> Assembled:
        document = self.told.document
        machine: Plain = {"id": self.told.id, **{m: document[m] for m in _AS_IT_IS if document.get(m) is not None}}
        if document.get("options") is not None:
            machine["options"] = [o for o in document["options"] if self._declared("option", o, self.book.options)]
        if document.get("in_service"):
            machine["in_service"] = self._with_meters(document["in_service"])
        if document.get("seasons"):
            machine["seasons"] = {n: p for n, p in document["seasons"].items() if self._declared("season", n, self.words.seasons)}
        if document.get("usage"):
            machine["usage"] = {n: u for n, u in document["usage"].items() if self._usage(n, u)}
        takers: dict[str, Callable[[Plain], Plain | None]] = {
            "done": self._done,
            "working-condition": self._working_condition,
            "occurrence": self._occurrence,
            "deferral": self._deferral,
            "meter-replacement": self._replacement,
            "found": self._found,
        }
        timeless: list[tuple[str, Plain]] = []
        for entry in self.told.entries:
            if entry.kind not in takers:
                continue
            item = takers[entry.kind](json.loads(entry.body))
            if item is None:
                continue
            if entry.kind == "done" and item.get("at") is None and item.get("on") is None:
                timeless.append((entry.id, item))
            else:
                machine.setdefault(ROOMS[entry.kind], []).append(item)
        kept = {meter: fit for meter, points in self.told.readings.items() if (fit := self._fitting(meter, points))}
        points = {meter: ready(each, self.words.meters[meter].unit) for meter, each in kept.items()}
        if timeless:
            self._place(timeless, machine, points)
        if len(machine.get("done", ())) > MOST_RECORDS:
            self._newest(machine)
        return Assembled(machine, points, kept, self.left_out, self.placed, [*self.unread, *self._of_gone_tasks()])

    def _declared(self, what: str, name: str, declared: Mapping[str, Any]) -> bool:
        if name in declared or key(name) in declared:
            return True
        self.left_out[what, name, NOT_DECLARED] += 1
        return False

    def _value(self, what: str, meter: str, value: Any, unit: str | None = None) -> bool:
        """Whether a value can be read on a meter that is declared."""
        if not self._declared(what, meter, self.words.meters):
            return False
        if unit is None and isinstance(value, int | float) and value >= 0:
            return True
        reader = Reader(self.book)
        reader.ticks(value, self.words.meters[key(meter)].unit, "", unit)
        if reader.findings:
            self.left_out[what, meter, UNIT] += 1
        return not reader.findings

    def _with_meters(self, item: Mapping[str, Any]) -> Plain:
        meters = item.get("meters")
        if not meters:
            return dict(item)
        return {**item, "meters": {m: v for m, v in meters.items() if self._value("meter-value", m, v)}}

    def _usage(self, meter: str, told: Mapping[str, Any]) -> bool:
        return self._value("usage", meter, told["per_day"], told.get("unit"))

    def _task(self, what: str, item: Plain) -> Plain | None:
        name = item["task"]
        if name not in self.book.tasks:
            if not self._declared(what, name, self.book.tasks):
                return None
            item["task"] = key(name)
        return item

    def _done(self, item: Plain) -> Plain | None:
        taken = self._task("done", item)
        if taken is None:
            self.gone.append(item)
            return None
        if taken.get("points"):
            declared = self.book.tasks[taken["task"]].points
            taken["points"] = [point for point in taken["points"] if self._declared("point", point, declared)]
        if taken.get("used"):
            parts = {key(number) for number in self.book.parts}
            used = [u for u in taken["used"] if key(u["part"]) in parts]
            for gone in taken["used"]:
                if gone not in used:
                    self.left_out["part", gone["part"], NOT_DECLARED] += 1
            taken["used"] = used
        return self._with_meters(taken)

    def _found(self, item: Plain) -> Plain | None:
        """What makes the machine unfit is never left out; a task that is gone can't follow, nor has it words for what was found."""
        if item.get("settled"):
            return None
        by_word = item.get("then") is None and "unfit" not in item
        if by_word and item.get("task") is not None and key(item["task"]) not in self.book.tasks:
            self.gone.append(dict(item))
        for member in ("task", "then"):
            if item.get(member) is not None and not self._declared("found", item[member], self.book.tasks):
                del item[member]
                if member == "then":
                    item.pop("within", None)
        item.pop("settled", None)
        return item

    def _of_gone_tasks(self) -> Iterable[Unread]:
        """What was found at such tasks and is open. Where nothing tells that a clean record is the later one, it is not taken for that."""
        clean: dict[str, datetime] = {}
        open_: list[tuple[datetime, Plain]] = []
        for item in self.gone:
            when = self.days.when(item)
            if not blank(_word(item)):
                open_.append((when, item))
            elif item.get("result") in (None, "done"):
                task = key(item["task"])
                clean[task] = max(when, clean.get(task, when))
        for when, item in open_:
            if when == EPOCH or key(item["task"]) not in clean or when >= clean[key(item["task"])]:
                day = None if when == EPOCH else self.days.day_of(when)
                yield Unread(_word(item), item["task"], day, item.get("by"), "the rulebook no longer declares that task")

    def _deferral(self, item: Plain) -> Plain | None:
        return self._task("deferral", item)

    def _occurrence(self, item: Plain) -> Plain | None:
        if not self._declared("occurrence", item["occurrence"], self.words.occurrences):
            return None
        return self._with_meters(item)

    def _working_condition(self, item: Plain) -> Plain | None:
        name = item["condition"]
        if not self._declared("working-condition", name, self.words.working_conditions):
            return None
        if state_of(self.words.working_conditions[key(name)].states, item["value"]) is None:
            self.left_out["working-condition", f"{name} is {item['value']}"[:120], NOT_DECLARED] += 1
            return None
        return item

    def _replacement(self, item: Plain) -> Plain | None:
        fits = all(self._value("meter-replacement", item["meter"], item[m], item.get("unit")) for m in ("old_value", "new_value"))
        return item if fits else None

    def _fitting(self, meter: str, kept: Sequence[Point]) -> Sequence[Point]:
        """The readings of a meter that the rulebook can take."""
        declared = self.words.meters.get(meter)
        if declared is None:
            if kept:
                self.left_out["reading", meter, NOT_DECLARED] += len(kept)
            return ()
        wrong = {unit for unit in {unit for _, _, unit in kept} if unit is not None and not _counts(unit, declared.unit)}
        if not wrong:
            return kept
        fitting = [point for point in kept if point[2] not in wrong]
        self.left_out["reading", meter, UNIT] += len(kept) - len(fitting)
        return fitting

    def _place(self, timeless: Iterable[tuple[str, Plain]], machine: Plain, points: Mapping[str, list[Reading]]) -> None:
        found, lost = place(timeless, machine, points, self.book, self.days)
        if found:
            machine.setdefault("done", []).extend(found)
        self.placed.update(item["task"] for item in found)
        for item in lost:
            self.left_out["done", item["task"], NO_TIME] += 1
            if not blank(_word(item)):
                self.unread.append(Unread(_word(item), item["task"], None, item.get("by"), "nothing tells when that was"))

    def _newest(self, machine: Plain) -> None:
        """Only so many records count for a task: of the older ones none is asked about."""
        done = machine["done"]
        when = [self.days.when(item) for item in done]
        by_task: dict[str, list[int]] = {}
        for i, item in enumerate(done):
            if item.get("result") in (None, "done"):
                by_task.setdefault(item["task"], []).append(i)
        gone: set[int] = set()
        for task in self.book.tasks.values():
            own = [i for name in (task.name, *task.covered_by) for i in by_task.get(name, ())]
            if len(own) > MOST_RECORDS:
                own.sort(key=lambda i: (when[i], i))
                gone.update(own[:-MOST_RECORDS])
        for i in gone:
            self.left_out["done", done[i]["task"], TOO_MANY] += 1
        newest: dict[tuple[str, str], Plain] = {}  # of what an old record says was found and may still be open: the last of each
        for i in sorted(gone, key=lambda i: (when[i], i)):
            item = done[i]
            if not blank(_word(item)) and self.book.tasks[item["task"]].if_found:
                newest[item["task"], key(item["found"])] = {
                    "what": item["found"],
                    **{member: item[member] for member in ("task", "at", "on", "by") if item.get(member) is not None},
                }
        if newest:
            machine.setdefault("found", []).extend(newest.values())
        machine["done"] = [item for i, item in enumerate(done) if i not in gone]


def _word(item: Plain) -> str:
    """What was found, of a record or a finding; empty: nothing."""
    return str(item.get("what") or item.get("found") or "")


def ready(kept: Sequence[Point], own: Unit) -> list[Reading]:
    """A meter's readings as the core makes them of their plain data. own: the meter's unit, which all of theirs fit."""
    if all(unit is None or unit == own.name for _, _, unit in kept):  # nearly always, and there may be thousands
        return [(at_micros(at), value, False) for at, value, _ in kept]
    found: list[Reading] = []
    for at, value, unit in kept:
        given = own if unit is None else find_unit(unit)
        assert given is not None  # what does not fit was left out before
        found.append((at_micros(at), value if given is own else whole(convert(value, given, own)), False))
    return found


def _counts(unit: str, own: Unit) -> bool:
    """Whether a unit measures what a meter of that unit counts."""
    given = find_unit(unit)
    return given is not None and given.dimension == own.dimension
