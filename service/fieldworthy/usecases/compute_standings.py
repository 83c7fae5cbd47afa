"""The standings of one machine, as the fleet's list has them."""

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from fieldworthy.core.answer.turns import turns
from fieldworthy.core.base.micros import AHEAD, DAY, at_micros, micros_of, micros_text
from fieldworthy.usecases.announce import SILENT_DAYS, Made, Watch, silent_since
from fieldworthy.usecases.ask_kept_due import KeptDue, Read, answer_kept, find_for
from fieldworthy.usecases.asking import Finder
from fieldworthy.usecases.find_rulebook import Found
from fieldworthy.usecases.kept import Machine
from fieldworthy.usecases.kept_standings import URGENCY, Computed, Row
from fieldworthy.usecases.old_history import Days
from fieldworthy.usecases.ports import StoreUnavailable, Version
from fieldworthy.usecases.refusals import Refusal
from fieldworthy.usecases.seasons import in_season

_CONDITION = "working-condition"
_URGENT = {word: i for i, word in enumerate(URGENCY)}


@dataclass(frozen=True, slots=True)
class Writing:
    """How a door writes. write: plain data as JSON text; tell: a refusal as plain data; failed: notes a fault of our own, and says so."""

    write: Callable[[Any], str]
    tell: Callable[[Refusal], Any]
    failed: Callable[[Exception], Any]


class Compute:
    """The standings of one machine, by the same functions as every answer."""

    def __init__(self, find: Finder, writing: Writing, silent_days: int = SILENT_DAYS) -> None:
        """silent_days: without a reading, after which a meter is silent, of machines that don't say it themselves; 0: none is."""
        self._find = find
        self._writing = writing
        self._silent_days = silent_days

    async def __call__(self, read: Read, moment: int) -> Made:
        """As they are at a moment, by what was read. A question that is refused, or fails, is a problem in their place."""
        try:
            found = await find_for(self._find, read)
            answer = answer_kept(read, found, micros_text(moment), embed=_same)
        except Refusal as refusal:
            return self._refused(read, moment, self._writing.tell(refusal))
        except StoreUnavailable:
            raise
        except Exception as fault:  # of one machine: all the others are answered
            return self._refused(read, moment, self._writing.failed(fault))
        machine = read.machine
        watch, silence = self._watch(read, answer, moment)
        until = min((_until(read, answer, moment), *silence))
        assert found.version is not None  # a kept machine is answered from a published one
        book = found.book
        today = answer.answered.answer.machine.history.today.isoformat()
        rows = [self._row(machine, found, task, today) for task in answer.answered.answer.to_json()["tasks"]]
        overdue, due, unknown, upcoming, clear = (sum(row.urgency == i for row in rows) for i in range(len(URGENCY)))
        told = answer.answered.answer.fitness.to_json()
        because = self._writing.write(told["because"])
        computed = Computed(machine.key, moment, machine.known, read.as_of, until, book.name, found.version, book.digest)
        computed = replace(
            computed, overdue=overdue, due=due, unknown=unknown, upcoming=upcoming, clear=clear, fit=told["fit"], fit_because=because
        )
        return Made(computed, rows, watch)

    def _watch(self, read: Read, answer: KeptDue, moment: int) -> tuple[Watch, Sequence[int]]:
        """What is told of beside the standings, and when meters that are heard of now would be silent."""
        history = answer.answered.answer.machine.history
        season = in_season(history.seasons, history.today)
        days = read.told.document.get("silent_after", self._silent_days)
        if not season.runs or not days:
            return Watch(read.machine, season.runs), ()
        begun = None if season.since is None else micros_of(history.start_of(season.since))
        last = {meter: points[-1][0] for meter, points in read.told.readings.items() if points and meter in history.vocabulary.meters}
        since = {meter: silent_since(at, begun, days) for meter, at in last.items()}
        silent = {meter: last[meter] for meter, then in since.items() if then <= moment}
        return Watch(read.machine, True, silent, days), [then for then in since.values() if then > moment]

    def _row(self, machine: Machine, found: Found, task: Any, today: str) -> Row:
        text = task if isinstance(task, str) else self._writing.write(task)
        told: Mapping[str, Any] = json.loads(task) if isinstance(task, str) else task
        expected = told["expected"]
        return Row(
            machine.key,
            machine.id,
            told["task"],
            _URGENT[told["standing"]],
            0.0 - (told["used"] or 0.0),
            told["kind"],
            found.book.tasks[told["task"]].skill,
            told["due_at"]["date"] or (expected["date"] if expected else None),
            text,
            calendar_day(told, today),
        )

    def _refused(self, read: Read, moment: int, told: Any) -> Made:
        """Of a machine whose question is refused there are no standings: what is wrong with it is kept in their place, for a day."""
        version, machine = read.version, read.machine
        problem, until = self._writing.write(told), min((moment + DAY, *(at for at in _told_for_later(read, moment) if at > moment)))
        if isinstance(version, Version):
            name, number, digest = version.name, version.version, version.digest
        else:
            name, number, digest = read.told.document["rulebook"].partition("@")[0][:80], 0, ""
        return Made(Computed(machine.key, moment, machine.known, read.as_of, until, name, number, digest, problem))


def calendar_day(told: Mapping[str, Any], today: str) -> str | None:
    """
    On which day a calendar shows a task; None: on none. told: its standing, as answered; today: of the machine's site.

    What is due or overdue stands on today until it is done, for on a day that is past nobody would see it; what is to come stands on the
    day on which its due point is expected, else on its due date. Of what is not known no day is made up.
    """
    if told["standing"] in ("due", "overdue"):
        return today
    if told["standing"] == "unknown":
        return None
    expected = told["expected"]
    day: str | None = expected["date"] if expected else told["due_at"]["date"]
    return day


def _until(read: Read, answer: KeptDue, moment: int) -> int:
    """
    When the standings may change though nothing is kept: the local day is another, what was told for later comes to hold or ends, or a
    reading grows old: at its moment, or right behind that. What was told for later may begin with the tolerance of clocks too.
    """
    days = Days.of(read.told.document, answer.answered.found.book)
    at = [micros_of(turn) for turn in (*days.turns(at_micros(moment)), *turns(answer.answered.answer.machine.history))]
    later = set(_told_for_later(read, moment))
    if (start := read.told.document.get("in_service")) is not None:  # its day's beginning is a moment as any other
        later.add(micros_of(days.when(start)))
    whenever = [*(then for turn in (*at, *later) for then in (turn, turn + 1)), *(turn - AHEAD for turn in later)]
    return min(then for then in whenever if then > moment)


def _told_for_later(read: Read, moment: int) -> Iterator[int]:
    """When what was told for later than a moment comes to hold, or ends."""
    for entry in read.told.entries:
        if entry.at >= moment:
            yield entry.at
        if entry.kind == _CONDITION and (to := json.loads(entry.body).get("to")):
            yield micros_of(datetime.fromisoformat(to.upper()))
    for points in read.told.readings.values():
        for at, _, _ in reversed(points):
            if at < moment:
                break
            yield at


def _same(text: str) -> str:
    return text


def urgencies_of(words: Iterable[str]) -> tuple[int, ...]:
    """The places of standings in URGENCY. Raises KeyError."""
    return tuple(_URGENT[word] for word in words)
