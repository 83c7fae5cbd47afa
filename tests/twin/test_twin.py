"""The engine against the plain evaluator of `day_by_day.py`: standing and due point, on random machines and intervals."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from fractions import Fraction
from functools import lru_cache
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from fieldworthy.core.rulebook.check import check_rulebook
from fieldworthy.core.rulebook.model import CheckedRulebook
from tests.core.asking import answered_both_ways
from tests.due_cases import question, rulebook
from tests.effort import examples
from tests.twin import day_by_day as twin
from tests.twin.day_by_day import Allowed, Done, Event, Told, Verdict

BEGAN = date(2024, 3, 1)
Asked = tuple[str, Callable[[Told], Verdict]]


def hours(tenths: int) -> str:
    """Tenths as a decimal."""
    return f"{tenths // 10}.{tenths % 10}" if tenths % 10 else str(tenths // 10)


# Machines: a row of happenings, each some days and some tenths after the one before.


@st.composite
def machines(draw: st.DrawFn, steps: int = 120, days: int = 60) -> Told:
    """A machine with up to six records and occurrences; new or used; the day's clock at 20:00 now."""
    new = draw(st.booleans())
    at, value = BEGAN, draw(st.sampled_from([0, 0, 0, 8, 30, 600]))
    began = Done(at, value, True)
    records = [began] if new else []
    events: list[Event] = []
    for what in draw(st.lists(st.sampled_from(["done", "done", "done", "early event", "late event"]), max_size=6)):
        at += timedelta(days=draw(st.integers(0 if what == "late event" and records and records[-1].day == at else 1, days)))
        value += draw(st.integers(0, min(steps, 12)) | st.integers(0, steps))
        if what == "done":
            records.append(Done(at, value))
        else:
            events.append(Event(at, 18 if what == "late event" else 6, value))
    at += timedelta(days=draw(st.integers(1, days)))
    now = value + draw(st.integers(0, steps))
    worked = frozenset(at - timedelta(days=d) for d in draw(st.sets(st.integers(0, 20), max_size=3)))
    return Told(at, now, tuple(records), tuple(events), worked, began, new)


def request_of(told: Told, interval: str) -> dict[str, Any]:
    """The machine as a whole question on the wire."""

    def at(day: date, hour: int) -> str:
        return f"{day.isoformat()}T{hour:02}:00:00+00:00"

    now = at(told.today, 20)
    machine = {
        "timezone": "UTC",
        "in_service": {
            "on": told.began.day.isoformat(),
            "as": "new" if told.new else "used",
            "meters": {"engine": told.began.tenths / 10},
        },
        "done": [{"task": "job", "at": at(r.day, 12), "meters": {"engine": r.tenths / 10}} for r in told.records if not r.start],
        "occurrences": [{"occurrence": "wheel fitted", "at": at(e.day, e.hour), "meters": {"engine": e.tenths / 10}} for e in told.events],
        "working_days": [d.isoformat() for d in sorted(told.worked)],
    }
    return question({"interval": interval, "now": now, "now_h": told.now / 10, "machine": machine})


@lru_cache(maxsize=8)
def book_of(interval: str) -> CheckedRulebook:
    """The rulebook whose one task has this interval."""
    book, findings = check_rulebook(rulebook({"interval": interval}))
    assert book is not None, (interval, findings)
    return book


def engine(told: Told, interval: str) -> tuple[str, int | None, date | None]:
    """What the engine says: the standing, the due point in tenths and the due day."""
    request = request_of(told, interval)
    book = book_of(interval)
    task = answered_both_ways(book, request)["tasks"][0]
    value = task["due_at"]["meters"].get("engine", {}).get("value")
    day = task["due_at"]["date"]
    return task["standing"], None if value is None else round(value * 1000), None if day is None else date.fromisoformat(day)


AROUND = (-8, -7, -4, -1, 0, 1, 2, 3, 5, 8, 10, 12, 15, 20, 29, 30, 31)


def agree(told: Told, asked: Asked) -> None:
    """Both say the same of one machine, now and on either side of the due point: the ends of notice and allowance are there."""
    text, plain = asked
    verdict = same(told, text, plain)
    last = max([told.began.day, *(r.day for r in told.records), *(e.day for e in told.events)])
    least = max([told.began.tenths, *(r.tenths for r in told.records), *(e.tenths for e in told.events)])
    for offset in AROUND:
        if verdict.tenths is not None:
            now = int(verdict.tenths) + offset
            if now >= least:
                same(replace(told, now=now), text, plain)
        if verdict.day is not None:
            today = verdict.day + timedelta(days=offset)
            if today > last:
                same(replace(told, today=today), text, plain)


def same(told: Told, text: str, plain: Callable[[Told], Verdict]) -> Verdict:
    """The twin's verdict, which is the engine's too."""
    verdict = plain(told)
    wanted = (verdict.standing, None if verdict.tenths is None else round(verdict.tenths * 100), verdict.day)
    assert engine(told, text) == wanted, (text, told)
    return verdict


# Intervals: a text, and how the twin computes it.


def _ways(allowed: list[Allowed], texts: list[str]) -> tuple[tuple[Allowed, ...], str]:
    return tuple(allowed), "".join(f", within {t}" for t in texts)


@st.composite
def meter_allowances(draw: st.DrawFn) -> tuple[tuple[Allowed, ...], str]:
    """None, one, or one for each way, in hours or as a percentage with a cap."""
    ways = draw(st.sampled_from([[], ["both"], ["early"], ["late"], ["early", "late"]]))
    allowed, texts = [], []
    for way in ways:
        tail = "" if way == "both" else f" {way}"
        if draw(st.booleans()):
            n = draw(st.integers(1, 40))
            allowed.append(Allowed(tenths=n, way=way))
            texts.append(f"{hours(n)} h{tail}")
        else:
            percent, cap = draw(st.integers(1, 40)), draw(st.none() | st.integers(1, 30))
            allowed.append(Allowed(percent=percent, cap_tenths=cap, way=way))
            texts.append(f"{percent} %" + (f" at most {hours(cap)} h" if cap else "") + tail)
    return _ways(allowed, texts)


@st.composite
def day_allowances(draw: st.DrawFn, shares: bool = True) -> tuple[tuple[Allowed, ...], str]:
    """None, one, or one for each way, in days or as a percentage with a cap."""
    ways = draw(st.sampled_from([[], ["both"], ["early"], ["late"], ["early", "late"]]))
    allowed, texts = [], []
    for way in ways:
        tail = "" if way == "both" else f" {way}"
        if not shares or draw(st.booleans()):
            n = draw(st.integers(1, 20))
            allowed.append(Allowed(days=n, way=way))
            texts.append(f"{n} days{tail}")
        else:
            percent, cap = draw(st.integers(1, 40)), draw(st.none() | st.integers(1, 15))
            allowed.append(Allowed(percent=percent, cap_days=cap, way=way))
            texts.append(f"{percent} %" + (f" at most {cap} days" if cap else "") + tail)
    return _ways(allowed, texts)


@st.composite
def on_meter(draw: st.DrawFn) -> Asked:
    every = draw(st.integers(1, 300))
    anchor = draw(st.sampled_from(["since last", "since last due", "on schedule", "on the meter"]))
    allowed, tail = draw(meter_allowances())
    return f"every {hours(every)} h {anchor}{tail}", lambda told: twin.every_hours(told, every, anchor, allowed)


@st.composite
def on_calendar(draw: st.DrawFn) -> Asked:
    months = draw(st.sampled_from([0, 0, 1, 2, 3, 6, 12]))
    days = 0 if months else draw(st.integers(1, 120))
    anchors = ["since last", "since last due", "on schedule", *(["on the calendar"] if months else [])]
    anchor = draw(st.sampled_from(anchors))
    allowed, tail = draw(day_allowances())
    amount = f"{months} months" if months else f"{days} days"
    return f"every {amount} {anchor}{tail}", lambda told: twin.every_days(told, months, days, anchor, allowed)


@st.composite
def by_word(draw: st.DrawFn) -> Asked:
    word, months, days = draw(st.sampled_from([("daily", 0, 1), ("weekly", 0, 7), ("monthly", 1, 0), ("yearly", 12, 0)]))
    return word, lambda told: twin.every_days(told, months, days, "since last", ())


@st.composite
def on_event(draw: st.DrawFn) -> Asked:
    allowed, tail = draw(day_allowances(shares=False))
    kind = draw(st.sampled_from(["reported", "dated", "season", "season", "season"]))
    if kind == "season":
        when, season = draw(st.sampled_from(["before", "after", "once"])), draw(st.sampled_from(["silage", "winter"]))
        return f"{when} each {season}{tail}", lambda told: twin.each_season(told, when, season, allowed)
    name = "wheel fitted" if kind == "reported" else "stubble day"
    return f"every {name}{tail}", lambda told: twin.every_occurrence(told, allowed, kind == "dated")


@st.composite
def on_working_days(draw: st.DrawFn) -> Asked:
    allowed, tail = draw(day_allowances(shares=False))
    return f"every working day{tail}", lambda told: twin.every_working_day(told, allowed)


@st.composite
def met_once(draw: st.DrawFn) -> Asked:
    after = draw(st.booleans())
    allowed, tail = draw(meter_allowances())
    amounts = tuple(sorted(draw(st.sets(st.sampled_from([4, 8, 12, 20, 30]) | st.integers(1, 120), min_size=1, max_size=3))))
    where = " after wheel fitted" if after else ""
    if draw(st.booleans()):
        n = amounts[0]
        text = f"once {hours(n)} h{where}" if after else f"once at {hours(n)} h"
        return text + tail, lambda told: twin.once(told, n, after, allowed)
    every = draw(st.integers(1, 300))
    anchor = draw(st.sampled_from(["since last", "since last due", "on schedule", "on the meter"]))
    firsts = " and ".join(f"{hours(n)} h" for n in amounts)
    text = f"first at {firsts}{where}, then every {hours(every)} h {anchor}{tail}"
    return text, lambda told: twin.first_then(told, amounts, after, every, anchor, allowed)


def plain_hours(n: int) -> Asked:
    """`every N h`."""
    return f"every {hours(n)} h", lambda told: twin.every_hours(told, n, "since last", ())


def plain_days(months: int, days: int) -> Asked:
    """`every N months` or `every N days`."""
    return f"every {months or days} {'months' if months else 'days'}", lambda told: twin.every_days(told, months, days, "since last", ())


@st.composite
def joined(draw: st.DrawFn, depth: int = 2) -> tuple[str, Callable[[Told], Verdict]]:
    """Bases with `or` and `and`, in brackets, without allowances."""
    op = draw(st.sampled_from(["or", "and"]))
    parts: list[Asked] = []
    for _ in range(draw(st.integers(2, 3))):
        which = draw(st.sampled_from(["meter", "days", "months", "event", "join"][: 5 if depth else 4]))
        if which == "join":
            text, plain = draw(joined(depth=depth - 1))
            parts.append((f"({text})", plain))
        elif which == "meter":
            parts.append(plain_hours(draw(st.integers(1, 300))))
        elif which == "days":
            parts.append(plain_days(0, draw(st.integers(1, 200))))
        elif which == "months":
            parts.append(plain_days(draw(st.integers(1, 24)), 0))
        else:
            parts.append(("every wheel fitted", lambda told: twin.every_occurrence(told, (), False)))
    return f" {op} ".join(t for t, _ in parts), lambda told: twin.join(op, [p(told) for _, p in parts])


@settings(max_examples=examples(150), deadline=None)
@given(machines(), on_meter())
def test_every_amount_on_a_meter(told: Told, asked: Asked) -> None:
    agree(told, asked)


@settings(max_examples=examples(150), deadline=None)
@given(machines(), on_calendar() | by_word())
def test_every_amount_on_the_calendar(told: Told, asked: Asked) -> None:
    agree(told, asked)


@settings(max_examples=examples(150), deadline=None)
@given(machines(days=200), on_event())
def test_occurrences_and_seasons(told: Told, asked: Asked) -> None:
    agree(told, asked)


@settings(max_examples=examples(150), deadline=None)
@given(machines(steps=0, days=12), on_working_days())
def test_working_days_that_are_told(told: Told, asked: Asked) -> None:
    """A meter that never moves tells of no work: only the days count that the request names."""
    agree(told, asked)


@settings(max_examples=examples(150), deadline=None)
@given(machines(steps=60), met_once())
def test_points_that_are_met_once(told: Told, asked: Asked) -> None:
    agree(told, asked)


@settings(max_examples=examples(150), deadline=None)
@given(machines(), joined())
def test_whichever_first_and_last(told: Told, asked: Asked) -> None:
    agree(told, asked)


@settings(max_examples=examples(100), deadline=None)
@given(st.integers(4, 200), st.integers(-1, 1), meter_allowances(), st.booleans())
def test_a_record_about_the_last_quarter_of_a_first_time(
    amount: int, beside: int, stated: tuple[tuple[Allowed, ...], str], new: bool
) -> None:
    """One record, at the earliest value that meets the point or a tenth beside it."""
    allowed, tail = stated
    early = twin.slack_tenths(allowed, "early", amount)
    value = max(int(amount - (amount / 4 if early is None else early)) + beside, 0)
    began = Done(BEGAN, 0, True)
    done = Done(date(2024, 5, 1), value)
    told = Told(date(2024, 6, 1), max(value, amount), (began, done) if new else (done,), (), frozenset(), began, new)
    agree(told, (f"once at {hours(amount)} h{tail}", lambda told: twin.once(told, amount, False, allowed)))


@settings(max_examples=examples(150), deadline=None)
@given(
    st.sampled_from([(2025, 5, 10), (2025, 9, 25), (2025, 11, 15), (2026, 2, 28), (2025, 8, 15)]),
    st.integers(-2, 2),
    st.sampled_from(["before each silage", "after each silage", "once each silage", "before each winter", "once each winter", "dated"]),
    day_allowances(shares=False),
)
def test_a_record_about_a_seasons_ends(edge: tuple[int, int, int], beside: int, kind: str, stated: tuple[tuple[Allowed, ...], str]) -> None:
    """One record on a season's first or last day, or a day or two beside it."""
    allowed, tail = stated
    day = date(*edge) + timedelta(days=beside)
    began = Done(BEGAN, 0, True)
    told = Told(day + timedelta(days=40), 0, (began, Done(day, 0)), (), frozenset(), began)
    if kind == "dated":
        agree(told, (f"every stubble day{tail}", lambda told: twin.every_occurrence(told, allowed, True)))
    else:
        when, _, season = kind.split()
        agree(told, (f"{kind}{tail}", lambda told: twin.each_season(told, when, season, allowed)))


@st.composite
def grounds(draw: st.DrawFn) -> list[tuple[str, int, int]]:
    """Stretches after a record: the ground, the days that it lasted, the tenths that ran."""
    stretch = st.tuples(st.sampled_from(["normal", "stony"]), st.integers(1, 9), st.integers(0, 30))
    return draw(st.lists(stretch, min_size=1, max_size=5))


@settings(max_examples=examples(200), deadline=None)
@given(grounds(), st.integers(1, 60), st.integers(1, 60), st.booleans())
def test_each_stretch_uses_up_its_own_share(stretches: list[tuple[str, int, int]], usual: int, stony: int, calendar: bool) -> None:
    """`every N; when ground is stony, every M`, walked a tenth (or a day) at a time: the share used, and the standing by it."""
    unit = "days" if calendar else "h"
    text = f"every {usual if calendar else hours(usual)} {unit}; when ground is stony, every {stony if calendar else hours(stony)} {unit}"
    at, value = date(2025, 6, 1), 100
    used = Fraction(0)
    conditions: list[dict[str, Any]] = []
    readings = []
    for ground, days, ran in stretches:
        begins = f"{at.isoformat()}T00:00:00+00:00"
        for _ in range(days if calendar else ran):
            used += Fraction(1, stony if ground == "stony" else usual)
        at, value = at + timedelta(days=days), value + ran
        ends = f"{at.isoformat()}T00:00:00+00:00"
        conditions.append({"condition": "ground", "value": ground, "from": begins, "to": ends})
        readings.append({"meter": "engine", "value": value / 10, "unit": "h", "at": ends})
    ground, now = conditions[-1]["value"], f"{at.isoformat()}T00:00:00+00:00"
    conditions[-1]["to"] = None  # the last one still holds
    machine = {
        "timezone": "UTC",
        "readings": readings,
        "working_conditions": conditions,
        "done": [{"task": "job", "at": "2025-06-01T00:00:00+00:00", "meters": {"engine": 10}}],
    }
    request = question({"interval": text, "now": now, "machine": machine})
    book = book_of(text)
    task = answered_both_ways(book, request)["tasks"][0]
    assert task["used"] == round(float(used), 6), text
    if used < 1:
        assert task["standing"] in ("clear", "upcoming")
        left = (1 - used) * (stony if ground == "stony" else usual)
        if not calendar:
            assert task["remaining"]["meters"]["engine"]["value"] == round(float(left / 10), 6)
    else:
        assert task["standing"] in ("due", "overdue")
        assert (task["standing"] == "due") is (used == 1) or calendar
