"""A machine as a question tells it, read against its rulebook: names known, values in ticks, times aware.

The question is plain JSON data whose shape a door has checked; what is checked here is what only the rulebook can tell: the names,
the units. Every fault is a finding with its JSON Pointer, and all of them are reported at once.
"""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from types import MappingProxyType
from typing import Any
from zoneinfo import ZoneInfo

from fieldworthy.core.answer.found import Found
from fieldworthy.core.answer.read_found import Beside, NotWhole
from fieldworthy.core.answer.reader import EPOCH, Plain, Reader, instant_of, read_quantity
from fieldworthy.core.base.calendar import Period, SeasonDates, local_days
from fieldworthy.core.base.finding import Refused, did_you_mean, pointer
from fieldworthy.core.base.fit import Identity
from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import TICKS, Exact
from fieldworthy.core.base.vocabulary import state_of
from fieldworthy.core.interval.evaluate.context import Declared, Deferral, Happened, History, Record, Start
from fieldworthy.core.meter.series import DayReading, Reading, Replacement, Series, build_series
from fieldworthy.core.rulebook.model import Task

AHEAD = timedelta(minutes=2)  # a clock may be so far ahead
MOST_RECORDS = 1000

_UTC = ZoneInfo("UTC")
_NONE: Mapping[str, str] = MappingProxyType({})
_SHORT = 1e9  # values below have at most 15 digits, six places among them


@dataclass(slots=True)
class Machine:
    """
    One machine at one moment: its history for every task, and its records and deferrals by task.

    partly, not_whole, found, not_clean: what is told beside that a task was done (read_found.Beside).
    """

    identity: Identity
    history: History
    records: Mapping[str, list[Record]]
    deferrals: Mapping[str, list[Deferral]]
    later: int = 0
    not_whole: Mapping[str, list[NotWhole]] = field(default_factory=dict)
    partly: Mapping[str, list[tuple[Record, Mapping[str, str]]]] = field(default_factory=dict)
    found: list[Found] = field(default_factory=list)
    not_clean: set[Record] = field(default_factory=set)


def read_identity(machine: Plain, reader: Reader, path: str = "/machine") -> Identity:
    """Who the machine is. Options that the rulebook does not declare are refused."""
    options = machine.get("options")
    known = None
    if options is not None:
        known = frozenset(
            k for i, o in enumerate(options) if (k := reader.known(o, reader.book.options, "option", f"{path}/options/{i}")) is not None
        )
    return Identity(machine.get("id"), machine.get("model"), machine.get("serial"), known)


def read_zone(machine: Plain, reader: Reader) -> tuple[ZoneInfo, time]:
    """The machine's time zone (UTC if not said) and when its day begins."""
    name = machine.get("timezone") or "UTC"
    try:
        zone = _zone(name)
    except (ValueError, OSError, KeyError):
        reader.fault(
            "question.timezone", f"`{name}` is no time zone", "write one of the IANA names, as in Europe/London", "/machine/timezone"
        )
        zone = _UTC
    starts = machine.get("day_starts")
    if not starts:
        return zone, time(0)
    try:
        return zone, time.fromisoformat(starts)
    except (ValueError, TypeError):
        reader.fault("question.day_starts", f"`{starts}` is no time of day", "write it as in 05:00", "/machine/day_starts")
        return zone, time(0)


# in a system's folder of zones beside the zones: the server's own choices, other clocks
_NO_PLACE = ("localtime", "posixrules", "Factory", "right/", "posix/")


def _zone(name: str) -> ZoneInfo:
    if not name or name[0] in "/." or ".." in name or not name.isascii() or name.startswith(_NO_PLACE):
        raise ValueError(name)
    return ZoneInfo(name)


class _Build:
    """Reads one machine; a class because the steps share the reader, the moment and the readings that they gather."""

    def __init__(self, reader: Reader, machine: Plain, now: datetime, ready: Mapping[str, list[Reading]]) -> None:
        self.reader, self.machine, self.now, self.ready = reader, machine, now, ready
        self.words = reader.words
        self.zone, self.starts = read_zone(machine, reader)
        self.horizon = now + AHEAD
        self.readings: defaultdict[str, list[Reading]] = defaultdict(list)
        self.dated: dict[str, list[DayReading]] = {}
        self.swaps: dict[str, list[Replacement]] = {}
        self.day_of = local_days(self.zone, self.starts)
        self.later = 0
        self.beside = Beside(reader)
        self.happened: dict[str, list[tuple[datetime, dict[str, Exact]]]] = {}

    def start_of(self, day: date) -> datetime:
        return datetime.combine(day, self.starts, self.zone).astimezone(UTC)

    def values(
        self, meters: Mapping[str, Any], at: datetime, where: tuple[str | int, ...], until: datetime | None = None, baseline: bool = False
    ) -> dict[str, Exact]:
        """What dials showed at a moment (until: or later on that day), by meter key; each is a reading too. where: for a fault's path."""
        found: dict[str, Exact] = {}
        declared, readings = self.words.meters, self.readings
        for name, value in meters.items():
            meter = name if name in declared else self.reader.known(name, declared, "meter", pointer(*where, "meters", name))
            if meter is None:
                continue
            shown: Exact
            # nearly every value; so near to a whole tick there is one such number, and `to_ticks` finds the same
            if type(value) is not float or not 0 <= value < _SHORT or (shown := int(value * TICKS + 0.5)) / TICKS != value:
                shown = self.reader.ticks(value, declared[meter].unit, pointer(*where, "meters", name))
            found[meter] = shown
            if until is None:
                readings[meter].append((at, shown, baseline))
            else:
                self.dated.setdefault(meter, []).append(DayReading(at, shown, until))
        return found

    def told(self, item: Plain, room: str, i: int) -> tuple[datetime, dict[str, Exact]]:
        """The instant of a record or an occurrence, and what its meters showed."""
        text, meters = item.get("at"), item.get("meters")
        at = instant_of(text) if text is not None and "on" not in item else None
        if at is None:
            at = self.when(item, f"/machine/{room}/{i}")
        if not meters:
            return at, {}
        return at, self.values(meters, at, ("machine", room, i), None if text is not None else self.day_end(at))

    def when(self, item: Plain, path: str) -> datetime:
        """The instant of a record: `at`, or the beginning of the local day `on`, the earliest it can have been."""
        if item.get("at") is not None:
            if item.get("on") is not None:
                self.reader.fault("question.when", "`at` and `on` are both given", "send one of them", path)
            return self.reader.instant(item["at"], f"{path}/at")
        if item.get("on") is not None:
            return self.start_of(self.reader.day(item["on"], f"{path}/on"))
        self.reader.fault("question.when", "nothing says when it was", "send `at` with a time, or `on` with a date", path)
        return EPOCH

    def day_end(self, at: datetime) -> datetime:
        """Where only the day of a record is told: the end of it, at most now."""
        return min(self.start_of(self.day_of(at) + timedelta(days=1)), self.now)

    def meters(self) -> None:
        for i, item in enumerate(self.machine.get("replaced_meters") or ()):
            path = f"/machine/replaced_meters/{i}"
            meter = self.reader.known(item["meter"], self.words.meters, "meter", f"{path}/meter")
            if meter is not None:
                unit = self.words.meters[meter].unit
                old, new = (self.reader.ticks(item[m], unit, f"{path}/{m}", item.get("unit")) for m in ("old_value", "new_value"))
                self.swaps.setdefault(meter, []).append(Replacement(self.reader.instant(item["at"], f"{path}/at"), old, new))
        for meter, points in self.ready.items():
            self.readings[meter].extend(points)
        for member in ("meters", "readings"):
            for i, item in enumerate(self.machine.get(member) or ()):
                path = f"/machine/{member}/{i}"
                meter = self.reader.known(item["meter"], self.words.meters, "meter", f"{path}/meter")
                if meter is not None:
                    at = self.reader.instant(item["at"], f"{path}/at")
                    shown = self.reader.ticks(item["value"], self.words.meters[meter].unit, f"{path}/value", item.get("unit"))
                    self.readings[meter].append((at, shown, False))

    def start(self) -> Start | None:
        told = self.machine.get("in_service")
        if not told:
            return None
        day = self.reader.day(told["on"], "/machine/in_service/on")
        counts = self.values(told.get("meters") or {}, self.start_of(day), ("machine", "in_service"), baseline=True)
        said = told.get("as")
        if said is not None:
            new = said == "new"
        else:
            new = all(v == 0 for v in counts.values()) if counts else None
        return Start(day, new, counts)

    def occurrences(self) -> None:
        for i, item in enumerate(self.machine.get("occurrences") or ()):
            name = self.reader.known(item["occurrence"], self.words.occurrences, "occurrence", f"/machine/occurrences/{i}/occurrence")
            at, counts = self.told(item, "occurrences", i)
            if name is not None and at <= self.horizon:
                self.happened.setdefault(name, []).append((at, counts))

    def conditions(self) -> dict[str, list[Declared]]:
        found: dict[str, list[Declared]] = {}
        begun: dict[tuple[str, datetime], str] = {}
        for i, item in enumerate(self.machine.get("working_conditions") or ()):
            path = f"/machine/working_conditions/{i}"
            name = self.reader.known(item["condition"], self.words.working_conditions, "working condition", f"{path}/condition")
            since = self.reader.instant(item["from"], f"{path}/from")
            until = self.reader.instant(item["to"], f"{path}/to") if item.get("to") is not None else None
            if name is None:
                continue
            states = self.words.working_conditions[name].states
            state = state_of(states, item["value"])
            if state is None:
                mend = did_you_mean(item["value"], states, "use a declared state")
                self.reader.fault("question.unknown_state", f"`{item['condition']}` has no state `{item['value']}`", mend, f"{path}/value")
            elif until is not None and until < since:
                self.reader.fault("question.period", "it ends before it begins", "exchange `from` and `to`", path)
            elif begun.setdefault((name, since), key(state)) != key(state):
                # the one that began last wins: of two that began together, neither does
                message = f"`{item['condition']}` is declared with two states from the same instant"
                self.reader.fault("question.two_states", message, "send the one that holds", path)
            else:
                found.setdefault(name, []).append(Declared(key(state), since, until))
        return found

    def seasons(self) -> dict[str, SeasonDates]:
        given: dict[str, tuple[Period, ...]] = {}
        for name, periods in (self.machine.get("seasons") or {}).items():
            path = f"/machine/seasons{pointer(name)}"
            season = self.reader.known(name, self.words.seasons, "season", path)
            read = []
            for i, item in enumerate(periods):
                first, last = self.reader.day(item["from"], f"{path}/{i}/from"), self.reader.day(item["to"], f"{path}/{i}/to")
                if last < first:
                    self.reader.fault("question.period", "it ends before it begins", "exchange `from` and `to`", f"{path}/{i}")
                read.append(Period(first, last))
            if season is not None:
                given[season] = tuple(read)
        return {k: SeasonDates(s.start, s.end, given.get(k, ())) for k, s in self.words.seasons.items()}

    def records(self) -> dict[str, list[Record]]:
        """Records that count for the whole task, by task, those of later than now left out. What else they tell goes to `beside`."""
        found: dict[str, list[Record]] = {}
        tasks, horizon, day_of = self.reader.book.tasks, self.horizon, self.day_of
        tell, most, ticks = {meter: readings.append for meter, readings in self.readings.items()}, _SHORT, float(TICKS)
        for i, item in enumerate(self.machine.get("done") or ()):
            task = tasks.get(item["task"])
            at = instant_of(item["at"]) if task is not None and len(item) == 3 and "at" in item and "meters" in item else None
            if task is None or at is None or at > horizon:
                self.record(item, i, found)
                continue
            counts: dict[str, Exact] = {}  # it says nearly always these three and no more: as `told` and `values` read them
            for name, value in item["meters"].items():
                if name in tell and type(value) is float and 0.0 <= value < most and (shown := int(value * ticks + 0.5)) / ticks == value:
                    counts[name] = shown
                    tell[name]((at, shown, False))
                else:
                    counts |= self.values({name: value}, at, ("machine", "done", i))
                    tell = {meter: readings.append for meter, readings in self.readings.items()}
            name = task.name
            if name in found:
                found[name].append(Record(at, day_of, counts))
            else:
                found[name] = [Record(at, day_of, counts)]
            for cause in task.causes:
                self.happened.setdefault(key(cause), []).append((at, counts))
        return found

    def record(self, item: Plain, i: int, found: dict[str, list[Record]]) -> None:
        """One record, whatever it says."""
        name = item["task"]
        task = self.reader.book.tasks.get(name)
        if task is None:
            mend = did_you_mean(name, self.reader.book.tasks, "use a declared task")
            self.reader.fault("question.unknown_task", f"the rulebook declares no task `{name}`", mend, f"/machine/done/{i}/task")
            return
        at, counts = self.told(item, "done", i)
        if "used" in item:
            parts = {key(number): number for number in self.reader.book.parts}
            for j, used in enumerate(item["used"]):
                self.reader.known(used["part"], parts, "part", f"/machine/done/{i}/used/{j}/part")
        points = self.beside.points(item, task, i) if "points" in item else _NONE
        if at > self.horizon:
            self.later += 1
            return
        record = Record(at, self.day_of, counts)
        if "found" in item:
            self.beside.at_record(record, item, task, points)
        if item.get("result") in (None, "done"):
            self.counts(found, task, record)
        else:
            self.beside.in_part(record, item, task, points)

    def counts(self, found: dict[str, list[Record]], task: Task, record: Record) -> None:
        """A record that counts for the whole task, and for what the task brings about."""
        if task.name in found:
            found[task.name].append(record)
        else:
            found[task.name] = [record]
        for cause in task.causes:
            self.happened.setdefault(key(cause), []).append((record.at, dict(record.counts)))

    def deferrals(self) -> dict[str, list[Deferral]]:
        found: dict[str, list[Deferral]] = {}
        for i, item in enumerate(self.machine.get("deferrals") or ()):
            path = f"/machine/deferrals/{i}"
            task = self.reader.known(item["task"], self.reader.book.tasks, "task", f"{path}/task")
            amount = read_quantity(item.get("amount"), self.reader, f"{path}/amount")
            at = self.reader.instant(item["at"], f"{path}/at")
            if task is not None and at <= self.horizon:
                found.setdefault(task, []).append(Deferral(at, item["by"], item["why"], amount))
        return found

    def usage(self) -> dict[str, Exact]:
        found: dict[str, Exact] = {}
        for name, item in (self.machine.get("usage") or {}).items():
            path = f"/machine/usage{pointer(name)}"
            meter = self.reader.known(name, self.words.meters, "meter", path)
            if meter is not None:
                found[meter] = self.reader.ticks(item["per_day"], self.words.meters[meter].unit, f"{path}/per_day", item.get("unit"))
        return found

    def build(self) -> Machine:
        identity = read_identity(self.machine, self.reader)
        self.meters()
        start = self.start()
        self.occurrences()
        conditions, seasons = self.conditions(), self.seasons()
        records = self.records()
        if self.machine.get("found"):
            self.later += self.beside.told(self.machine["found"], self.when, self.day_of, self.horizon)
        deferrals, usage = self.deferrals(), self.usage()
        worked = frozenset(self.reader.day(d, f"/machine/working_days/{i}") for i, d in enumerate(self.machine.get("working_days") or ()))
        if self.reader.findings:
            raise Refused(self.reader.findings)
        series = {
            m: build_series(self.readings.get(m, ()), self.swaps.get(m, ()), self.horizon, self.dated.get(m, ()))
            for m in {**self.readings, **self.swaps, **self.dated}
        }
        counted = _Counted(series, bool(self.swaps))
        history = History(
            self.words,
            self.now,
            self.horizon,
            self.day_of(self.now),
            self.day_of,
            self.start_of,
            series,
            start,
            None,
            {n: [Happened(at, self.day_of(at), counted(c, at)) for at, c in sorted(e, key=_at)] for n, e in self.happened.items()},
            seasons,
            conditions,
            worked,
            usage,
        )
        if start is not None and start.new is True:
            began = self.start_of(start.day)
            history.start_record = Record(began, self.day_of, counted(start.counts, began), start=True)
        if self.swaps:
            for record in self.beside.records().union(*records.values()):
                record.counts = counted(record.counts, record.at)
        beside = self.beside
        return Machine(identity, history, records, deferrals, self.later, beside.not_whole, beside.partly, beside.found, beside.not_clean)


def _at(item: tuple[datetime, dict[str, Exact]]) -> tuple[datetime, list[tuple[str, Exact]]]:
    """By the instant, then by what the meters showed: so that the order of a request decides nothing."""
    return item[0], sorted(item[1].items())


class _Counted:
    """From what dials showed to running counts; the same values where no meter was replaced."""

    def __init__(self, series: Mapping[str, Series], replaced: bool) -> None:
        self.series, self.replaced = series, replaced

    def __call__(self, shown: Mapping[str, Exact], at: datetime) -> Mapping[str, Exact]:
        if not self.replaced:
            return shown
        return {m: self.series[m].count_of(v, at) for m, v in shown.items()}


def read_machine(machine: Plain, now: datetime, reader: Reader, ready: Mapping[str, list[Reading]] = MappingProxyType({})) -> Machine:
    """The machine of a question. ready: readings beside its own, by meter key. Raises Refused with every fault in it."""
    return _Build(reader, machine, now, ready).build()
