"""What is told of a machine beside that a task was done: what was done in part or not at all, and what was found."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import NamedTuple

from fieldworthy.core.answer.found import Found
from fieldworthy.core.answer.reader import Plain, Reader, read_quantity
from fieldworthy.core.base.finding import did_you_mean
from fieldworthy.core.base.names import blank, key
from fieldworthy.core.interval.evaluate.context import Record
from fieldworthy.core.interval.within import Within, make_within
from fieldworthy.core.rulebook.model import FollowUp, Task


class NotWhole(NamedTuple):
    """A record that counts for nothing: skipped, not possible, or in part and nothing says which. points: as declared."""

    at: datetime
    day: date
    result: str
    why: str | None
    points: tuple[str, ...]


@dataclass(slots=True)
class Beside:
    """
    partly: by task, records that count for some of its points (`names.key` -> as declared). not_whole: by task, what counts for nothing.

    found: all that was found. not_clean: the records at which anything was found, in whatever words.
    """

    reader: Reader
    partly: dict[str, list[tuple[Record, Mapping[str, str]]]] = field(default_factory=dict)
    not_whole: dict[str, list[NotWhole]] = field(default_factory=dict)
    found: list[Found] = field(default_factory=list)
    not_clean: set[Record] = field(default_factory=set)

    def records(self) -> set[Record]:
        """Every record of these, each once."""
        return {*(record for each in self.partly.values() for record, _ in each), *(each.record for each in self.found)}

    def points(self, item: Plain, task: Task, i: int) -> Mapping[str, str]:
        """The points that a record names. What the task does not declare is a fault; so are points of what was done as a whole."""
        found: dict[str, str] = {}
        for j, name in enumerate(item["points"]):
            path = f"/machine/done/{i}/points/{j}"
            if (point := task.points.get(key(name))) is not None:
                found[key(name)] = point
            elif task.points:
                mend = did_you_mean(name, task.points.values(), "use a declared point")
                self.reader.fault("question.unknown_point", f"the task `{task.name}` has no point `{name}`", mend, path)
            else:
                message, mend = f"the task `{task.name}` has no points", "leave `points` out, or declare them in the rulebook"
                self.reader.fault("question.unknown_point", message, mend, path)
        if found and item.get("result") in (None, "done"):
            message, mend = "`done` is of the whole task, and points are named", "send `partly` for these points, or leave `points` out"
            self.reader.fault("question.points", message, mend, f"/machine/done/{i}/points")
        return found

    def in_part(self, record: Record, item: Plain, task: Task, points: Mapping[str, str]) -> None:
        """A record whose result is not `done`."""
        result = item["result"]
        if result == "partly" and points:
            self.partly.setdefault(task.name, []).append((record, points))
        else:
            told = NotWhole(record.at, record.day, result, item.get("why"), tuple(points.values()))
            self.not_whole.setdefault(task.name, []).append(told)

    def at_record(self, record: Record, item: Plain, task: Task, points: Mapping[str, str]) -> None:
        """What a record says was found."""
        if blank(item["found"]):
            return
        self.not_clean.add(record)
        self._by_word(item["found"], task, record, points, item.get("by"))

    def _by_word(self, what: str, task: Task, record: Record, points: Mapping[str, str], by: str | None) -> None:
        """What follows by the task's own words. One that is none of them may be any of them; a task without such words takes any text."""
        follows = task.if_found.get(key(what))
        if follows is not None:
            self.found.append(Found(follows, record, task.name, points, by))
        elif task.if_found and not blank(what):
            self.found.append(Found(FollowUp(what, unfit=True), record, task.name, points, by, task.if_found))

    def told(
        self, told: Iterable[Plain], when: Callable[[Plain, str], datetime], day_of: Callable[[datetime], date], horizon: datetime
    ) -> int:
        """What was found and is told by itself, by the word of a task or with what follows; how many of these are of later than now."""
        later = 0
        for i, item in enumerate(told):
            path = f"/machine/found/{i}"
            at = when(item, path)
            tasks = self.reader.book.tasks
            task = self.reader.known(item["task"], tasks, "task", f"{path}/task") if item.get("task") is not None else None
            then = self.reader.known(item["then"], tasks, "task", f"{path}/then") if item.get("then") is not None else None
            within, unfit = self._within(item, path), item.get("unfit")
            if unfit is None:  # what is told to be done does not say that it may work until then: only `unfit` says so
                follows = tasks[task].if_found.get(key(item["what"])) if task is not None else None
                unfit = follows is not None and follows.unfit and then is not None
            if item.get("within") is not None and item.get("then") is None:
                message = "`within` says how soon, and nothing says what"
                self.reader.fault("question.within", message, "name the task in `then`", path)
            if at > horizon:
                later += 1
            elif then is not None or unfit:
                follows = FollowUp(item["what"], then, within, unfit)
                self.found.append(Found(follows, Record(at, day_of, {}), task, {}, item.get("by")))
            elif task is not None and "unfit" not in item:
                self._by_word(item["what"], tasks[task], Record(at, day_of, {}), {}, item.get("by"))
        return later

    def _within(self, item: Plain, path: str) -> Within | None:
        amount = read_quantity(item.get("within"), self.reader, f"{path}/within")
        if amount is None:
            return None
        made = make_within(amount, self.reader.words)
        if isinstance(made, Within):
            return made
        if amount.value > 0:  # else it has a fault of its own
            self.reader.fault("question.within", made.message, made.mend, f"{path}/within")
        return None
