"""A second evaluator of intervals, slow and plain: it walks the meter a tenth at a time and the calendar a day at a time.

Written from the interval language's description alone (README, "Intervals"); it shares no code with the engine, so that both can only
agree where both read the description the same way. Hours are whole tenths (int); a day is a date. Records are made at noon, occurrences at
6 or 18.
"""

from dataclasses import dataclass, field
from datetime import date, timedelta
from fractions import Fraction

ORDER = ["clear", "upcoming", "due", "overdue"]
ONE_DAY = timedelta(days=1)
SEASONS = {"silage": ((5, 10), (9, 25)), "winter": ((11, 15), (2, 28))}
STUBBLE_DAY = (8, 15)


@dataclass(frozen=True)
class Done:
    """A record: its day (noon), what the meter showed [tenths]. start: the first day of a new machine stands for it."""

    day: date
    tenths: int
    start: bool = False


@dataclass(frozen=True)
class Event:
    """A reported occurrence: its day, its hour (6 or 18), what the meter showed [tenths]."""

    day: date
    hour: int
    tenths: int


@dataclass(frozen=True)
class Allowed:
    """One allowance: `percent` with caps, or an amount [tenths or days]; way: early, late or both."""

    percent: int | None = None
    cap_tenths: int | None = None
    cap_days: int | None = None
    tenths: int | None = None
    days: int | None = None
    way: str = "both"


@dataclass(frozen=True)
class Told:
    """All that is known of the machine. records: oldest first, the start of a new machine among them; none: nothing is known."""

    today: date
    now: int
    records: tuple[Done, ...]
    events: tuple[Event, ...] = ()
    worked: frozenset[date] = frozenset()
    began: Done = field(default_factory=lambda: Done(date(2024, 3, 1), 0, True))
    new: bool = True


@dataclass(frozen=True)
class Verdict:
    """The standing, and the due point [tenths, day]; None where it has none."""

    standing: str
    tenths: Fraction | None = None
    day: date | None = None


UNKNOWN = Verdict("unknown")


# Allowances.


def slack_tenths(allowed: tuple[Allowed, ...], way: str, every: int) -> Fraction | None:
    """How many tenths early or late; None: nothing said for the meter that way."""
    for a in allowed:
        if a.way in (way, "both"):
            if a.percent is not None:
                share = Fraction(every * a.percent, 100)
                return share if a.cap_tenths is None else min(share, Fraction(a.cap_tenths))
            if a.tenths is not None:
                return Fraction(a.tenths)
    return None


def slack_days(allowed: tuple[Allowed, ...], way: str, nominal: int | None) -> int | None:
    """How many days early or late; nominal None: a base to which no percentage applies."""
    for a in allowed:
        if a.way in (way, "both"):
            if a.percent is not None and nominal is not None:
                share = nominal * a.percent // 100  # the fraction of a day is dropped
                return share if a.cap_days is None else min(share, a.cap_days)
            if a.days is not None:
                return a.days
    return None


# Walking.


def walk_tenths(start: int, steps: int) -> int:
    """A tenth at a time."""
    at = start
    for _ in range(steps):
        at += 1
    return at


def month_length(day: date) -> int:
    """Days in a day's month, by walking to the first of the next."""
    at = day
    while at.month == day.month:
        at += ONE_DAY
    return (at - ONE_DAY).day


def walk_days(start: date, days: int) -> date:
    """A day at a time."""
    at = start
    for _ in range(days):
        at += ONE_DAY
    return at


def walk_months(start: date, months: int) -> date:
    """A day at a time into the month that is so many on, then to the same day, or the month's last where it has no such day."""
    at, left = start, months
    while left:
        before = at
        at += ONE_DAY
        if at.month != before.month:
            left -= 1
    if months == 0:
        return start
    wanted = min(start.day, month_length(at))
    while at.day != wanted:
        at += ONE_DAY
    return at


def end_of_month_after(start: date, months: int) -> date:
    """The last day of the month that is so many on."""
    at = date(start.year, start.month, 1)
    for _ in range(months):
        month = at.month
        while at.month == month:
            at += ONE_DAY
    return date(at.year, at.month, month_length(at))


# Standing.


def stand_on_meter(due: Fraction, now: int, every: int, late: Fraction | None) -> str:
    """Below the due point clear, within a tenth of the interval upcoming, to the allowance's end due."""
    notice = Fraction(every, 10)
    if now < due - notice:
        return "clear"
    if now < due:
        return "upcoming"
    return "due" if now <= due + (late or 0) else "overdue"


def stand_on_calendar(due: date, today: date, nominal: int, late: int | None) -> str:
    """The due day's whole day is due; notice is a tenth of the interval, whole days, at most seven."""
    notice = min(nominal // 10, 7)
    if today > walk_days(due, late or 0):
        return "overdue"
    if today >= due:
        return "due"
    at, left = today, 0
    while at != due:
        at, left = at + ONE_DAY, left + 1
        if left > notice:
            return "clear"
    return "upcoming"


# Every amount.


def every_hours(told: Told, every: int, anchor: str, allowed: tuple[Allowed, ...], first: int | None = None) -> Verdict:
    """`every N h` [tenths] with each anchor; first: the due point that the first record met."""
    if not told.records:
        return UNKNOWN
    early, late = slack_tenths(allowed, "early", every) or Fraction(0), slack_tenths(allowed, "late", every) or Fraction(0)
    last = told.records[-1]
    due = Fraction(walk_tenths(last.tenths, every))
    if anchor == "on the meter":
        at = last.tenths + 1
        while at % every:
            at += 1
        if not last.start and last.tenths >= at - early:  # it meets the multiple before which it was done
            at = walk_tenths(at, every)
        due = Fraction(at)
    elif anchor in ("since last due", "on schedule"):
        point = None if first is None else Fraction(first)
        for record in told.records:
            if point is None:
                counted = Fraction(record.tenths)
            elif anchor == "since last due":
                counted = min(Fraction(record.tenths), point)
            else:
                counted = point if point - early <= record.tenths <= point + late else Fraction(record.tenths)
            point = counted + every
        assert point is not None
        due = point
    return Verdict(stand_on_meter(due, told.now, every, late), due)


def every_days(told: Told, months: int, days: int, anchor: str, allowed: tuple[Allowed, ...]) -> Verdict:
    """`every N days` or `every N months` with each anchor. A schedule of months is stepped from the day on which it began."""
    if not told.records:
        return UNKNOWN
    nominal = months * 30 + days
    early, late = slack_days(allowed, "early", nominal) or 0, slack_days(allowed, "late", nominal) or 0

    def step(start: date, times: int) -> date:
        return walk_months(start, months * times) if months else walk_days(start, days * times)

    last = told.records[-1]
    due = step(last.day, 1)
    if anchor == "on the calendar":
        due = end_of_month_after(last.day, months)
    elif anchor in ("since last due", "on schedule"):
        origin, times = told.records[0].day, 1
        for record in told.records[1:]:
            point = step(origin, times)
            keeps = record.day >= point if anchor == "since last due" else abs_within(record.day, point, early, late)
            if keeps:
                times += 1
            else:
                origin, times = record.day, 1
        due = step(origin, times)
    return Verdict(stand_on_calendar(due, told.today, nominal, late), None, due)


def abs_within(day: date, point: date, early: int, late: int) -> bool:
    """Whether a day is at most `early` days before a point, or `late` after it."""
    at = point
    for _ in range(early):
        at -= ONE_DAY
    while at <= walk_days(point, late):
        if at == day:
            return True
        at += ONE_DAY
    return False


# Occurrences, seasons, working days.


def every_occurrence(told: Told, allowed: tuple[Allowed, ...], dated: bool) -> Verdict:
    """The first occurrence that the last record does not meet."""
    if not told.events and not dated:
        return Verdict("clear")
    if not told.records:
        return UNKNOWN
    early, late = slack_days(allowed, "early", None), slack_days(allowed, "late", None)
    last = told.records[-1]
    hour = 0 if last.start else 12
    if dated:
        at = last.day
        for _ in range(early or 0):
            at += ONE_DAY
        at += ONE_DAY  # a record of its own day, or so many days before, meets it
        while (at.month, at.day) != STUBBLE_DAY:
            at += ONE_DAY
        return Verdict(stand_on_calendar(at, told.today, 360, late), None, at)
    for event in sorted(told.events, key=lambda e: (e.day, e.hour)):
        after = (last.day, hour) > (event.day, event.hour)
        near = bool(early) and walk_days(last.day, early or 0) >= event.day
        if not after and not near:
            return Verdict(stand_on_calendar(event.day, told.today, 360, late), None, event.day)
    return Verdict("clear")


def inside(season: str, day: date) -> bool:
    """Whether a day is one of the season's."""
    first, last = SEASONS[season]
    at = (day.month, day.day)
    return first <= at <= last if first <= last else at >= first or at <= last


def next_day(season: str, which: str, after: date) -> date:
    """The first day after `after` that is a first (or a last) day of the season."""
    at = after + ONE_DAY
    wanted = SEASONS[season][0 if which == "first" else 1]
    while (at.month, at.day) != wanted:
        at += ONE_DAY
    return at


def each_season(told: Told, when: str, season: str, allowed: tuple[Allowed, ...]) -> Verdict:
    """`before`, `after` and `once` each season."""
    if not told.records:
        return UNKNOWN
    late = slack_days(allowed, "late", None)
    last = told.records[-1].day
    ends_on = SEASONS[season][1]
    if when == "before":
        running = inside(season, last) and (last.month, last.day) != ends_on
        due = next_day(season, "first", last)
        if not running:  # it met the point that was to come, so the one after that is the next
            due = next_day(season, "first", due)
        return Verdict(stand_on_calendar(due, told.today, 360, late), None, due)
    if when == "after":
        due = next_day(season, "last", last)
        stated = any(a.days is not None for a in allowed)
        return Verdict(stand_on_calendar(due, told.today, 360, late if stated else 30), None, due)
    met = [r.day for r in told.records if inside(season, r.day)]
    if met:
        due = next_day(season, "first", met[-1])
    else:
        due = next_day(season, "first", told.records[0].day)
    end = next_day(season, "last", due)
    if told.today < due:
        return Verdict(stand_on_calendar(due, told.today, 360, 0), None, due)
    return Verdict("due" if told.today <= walk_days(end, late or 0) else "overdue", None, due)


def every_working_day(told: Told, allowed: tuple[Allowed, ...]) -> Verdict:
    """Each day that it worked, walked one by one from the last record on."""
    if not told.records:
        return UNKNOWN
    late = slack_days(allowed, "late", None) or 0
    last = told.records[-1]
    at = last.day if last.start else last.day + ONE_DAY
    while at < told.today:
        if at in told.worked:
            return Verdict("due" if told.today <= walk_days(at, late) else "overdue", None, at)
        at += ONE_DAY
    if at > told.today:
        return Verdict("clear")
    return Verdict("due", None, told.today) if told.today in told.worked else Verdict("upcoming")


# Once, and first.


def once_hours(told: Told, amounts: tuple[int, ...], after: bool, allowed: tuple[Allowed, ...]) -> tuple[Verdict | None, Told, int | None]:
    """The points that are met once [tenths]: the verdict of the next one, or None with what is left to count from and the last point."""
    zero, records = 0, [r for r in told.records if not r.start]
    if after:
        if not told.events:
            return None, told, None
        event = max(told.events, key=lambda e: (e.day, e.hour))
        zero = event.tenths
        records = [r for r in records if (r.day, 12) > (event.day, event.hour)]
    left = list(amounts)
    if not after and told.new:
        left = [n for n in left if not told.began.tenths > n]
    since: list[Done] = []
    for i, record in enumerate(records):
        while left:
            early = slack_tenths(allowed, "early", left[0])
            near = Fraction(left[0], 4) if early is None else early
            if record.tenths < zero + left[0] - near:
                break
            left, since = left[1:], records[i:]
    if not left:
        if since:
            return None, Told(told.today, told.now, tuple(since), told.events, told.worked, told.began, told.new), zero + amounts[-1]
        return None, told, None
    if not after and not told.new and told.began.tenths > left[0]:
        return UNKNOWN, told, None
    due = Fraction(walk_tenths(zero, left[0]))
    late = slack_tenths(allowed, "late", left[0])
    return Verdict(stand_on_meter(due, told.now, left[0], late), due), told, None


def once(told: Told, amount: int, after: bool, allowed: tuple[Allowed, ...]) -> Verdict:
    """`once at N h`, `once N h after wheel fitted`."""
    verdict, _, _ = once_hours(told, (amount,), after, allowed)
    return verdict or Verdict("clear")


def first_then(told: Told, amounts: tuple[int, ...], after: bool, every: int, anchor: str, allowed: tuple[Allowed, ...]) -> Verdict:
    """`first at … then every N h`."""
    verdict, left, point = once_hours(told, amounts, after, allowed)
    return verdict or every_hours(left, every, anchor, allowed, point)


# Combinations.


def join(op: str, parts: list[Verdict]) -> Verdict:
    """Whichever first (`or`), whichever last (`and`), in Kleene's sense."""
    known = [p for p in parts if p.standing != "unknown"]
    pick = min if op == "or" else max
    tenths = [p.tenths for p in parts if p.tenths is not None]
    days = [p.day for p in parts if p.day is not None]
    standings = sorted((ORDER.index(p.standing) for p in known), reverse=op == "or")
    standing = ORDER[standings[0]] if standings else "unknown"
    if len(known) < len(parts):
        decides = standing in ("due", "overdue") if op == "or" else standing == "clear"
        standing = standing if decides else "unknown"
    return Verdict(standing, pick(tenths) if tenths else None, pick(days) if days else None)
