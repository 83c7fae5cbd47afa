"""What holds for every interval and every history: more use is never less due, numbers are exact, the order of a request is none."""

from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from fieldworthy.core.answer.due import answer_due, read_due_question
from fieldworthy.core.base.quantity import TICKS
from fieldworthy.core.rulebook.check import check_rulebook
from fieldworthy.core.rulebook.model import CheckedRulebook
from tests.core.asking import USED, ask, book_of
from tests.due_cases import rulebook

RANK = {"clear": 0, "upcoming": 1, "due": 2, "overdue": 3}
FIRST = date(2024, 3, 1)

METER = (
    "every {n} h",
    "every {n} h, within 10 % late",
    "every {n} h since last due",
    "every {n} h since last due, within 10 % at most 5 h",
    "every {n} h on schedule",
    "every {n} h on schedule, within 10 % at most 5 h",
    "every {n} h on the meter",
    "every {n} h on the meter, within 5 h",
    "once at {n} h",
    "first at {n} h, then every {n} h",
    "first at 0.5 h and {n} h after wheel fitted, then every {n} h since last due",
    "once {n} h after wheel fitted, within 2 h late",
    "every {n} h or every 2000 h, whichever first",
    "every {n} h and every 20 h on the meter, whichever last",
)
CALENDAR = (
    "daily",
    "weekly",
    "monthly",
    "yearly",
    "every {n} days",
    "every {n} days, within 10 %",
    "every {n} days since last due",
    "every {n} days on schedule, within 10 % at most 3 days",
    "every {n} months",
    "every {n} months on schedule, within 30 days late",
    "every {n} months on the calendar",
    "every {n} weeks or every {n} months, whichever first",
    "every {n} weeks and yearly, whichever last, within 5 days late",
    "before each silage",
    "after each silage",
    "after each winter, within 10 days late",
    "once each winter",
    "once each silage, within 3 days late",
    "every stubble day",
    "every stubble day, within 9 days",
    "every wheel fitted",
    "once {n} days after wheel fitted",
    "once at {n} months",
    "first at {n} days, then every {n} weeks",
)


def tenths(n: int) -> float:
    """A dial's reading as it stands in JSON: 12.3."""
    return n / 10


# Records as (days since the one before, tenths of an hour run since it); an occurrence may fall before any of them.
histories = st.lists(st.tuples(st.integers(0, 200), st.integers(0, 4000)), max_size=5)


def machine(history: list[tuple[int, int]], fitted: int | None = None, new: bool = True) -> tuple[dict[str, Any], date, int]:
    """A machine with these records, the last day and the last value [tenths]."""
    day, value = FIRST, 0
    found: list[dict[str, Any]] = []
    for days, run in history:
        day, value = day + timedelta(days=days), value + run
        found.append({"task": "job", "on": day.isoformat(), "meters": {"engine": tenths(value)}})
    built: dict[str, Any] = {"done": found, "in_service": {"on": "2024-03-01", "as": "new", "meters": {"engine": 0}} if new else USED}
    if fitted is not None:
        last = history[:fitted]
        at = FIRST + timedelta(days=sum(d for d, _ in last))
        built["occurrences"] = [{"occurrence": "wheel fitted", "on": at.isoformat(), "meters": {"engine": tenths(sum(r for _, r in last))}}]
    return built, day, value


def reading(value: int, at: str) -> dict[str, Any]:
    return {"meter": "engine", "value": tenths(value), "unit": "h", "at": at}


def told(interval: str, now: str, built: dict[str, Any], **more: Any) -> dict[str, Any]:
    built = {**built, **more}
    return ask(interval, now, built.pop("done"), **built)


fitted = st.none() | st.integers(0, 5)


@given(st.sampled_from(METER), st.integers(1, 300), histories, fitted, st.booleans(), st.integers(0, 4000), st.integers(0, 400))
def test_more_use_never_makes_a_task_less_due(
    text: str, n: int, history: list[tuple[int, int]], event: int | None, new: bool, run: int, more: int
) -> None:
    built, last, value = machine(history, event, new)
    now = f"{last + timedelta(days=1)}T12:00:00Z"
    a = told(text.format(n=n), now, built, meters=[reading(value + run, now)])
    b = told(text.format(n=n), now, built, meters=[reading(value + run + more, now)])
    if a["standing"] == "unknown" or b["standing"] == "unknown":
        assert b["standing"] == "unknown", "running on tells nothing of what was not known"
        return
    assert RANK[a["standing"]] <= RANK[b["standing"]]
    assert a["used"] <= b["used"]
    assert a["due_at"] == b["due_at"], "the due point does not run away from the meter"


@given(st.sampled_from(CALENDAR), st.integers(1, 24), histories, fitted, st.booleans(), st.integers(0, 900), st.integers(0, 400))
def test_a_later_now_never_makes_a_calendar_task_less_due(
    text: str, n: int, history: list[tuple[int, int]], event: int | None, new: bool, days: int, more: int
) -> None:
    built, last, _ = machine(history, event, new)
    first = last + timedelta(days=days)
    a = told(text.format(n=n), f"{first}T12:00:00Z", built)
    b = told(text.format(n=n), f"{first + timedelta(days=more)}T12:00:00Z", built)
    if a["standing"] == "unknown" or b["standing"] == "unknown":
        assert b["standing"] == "unknown", "time tells nothing of what was not known"
        return
    assert RANK[a["standing"]] <= RANK[b["standing"]]


@given(st.integers(0, 10**6), st.integers(1, 10**5), st.sampled_from(("", " since last due", " on schedule")))
@example(6400, 1000, "")
@example(1, 2, "")  # 0.1 + 0.2
def test_exactly_at_the_due_point_it_is_due_and_a_tenth_later_overdue(done: int, every: int, anchor: str) -> None:
    now = "2026-07-01T12:00:00Z"
    built = {"done": [{"task": "job", "on": "2026-01-01", "meters": {"engine": tenths(done)}}]}
    interval = f"every {every / 10:.1f} h{anchor}"
    at = told(interval, now, built, meters=[reading(done + every, now)])
    assert at["standing"] == "due"
    assert at["remaining"]["meters"]["engine"]["value"] == 0
    assert at["used"] == 1
    assert told(interval, now, built, meters=[reading(done + every + 1, now)])["standing"] == "overdue"
    before = told(interval, now, built, meters=[reading(done + every - 1, now)])
    assert before["standing"] in ("clear", "upcoming")
    assert before["remaining"]["meters"]["engine"]["value"] == 0.1


@given(st.integers(1, 10**5), st.integers(1, 10**4), st.integers(1, 99))
def test_the_last_tenth_of_a_late_allowance_is_due(every: int, done: int, percent: int) -> None:
    """Tenths of an hour and whole per cents: the end of the allowance is exact to a thousandth."""
    now = "2026-07-01T12:00:00Z"
    built = {"done": [{"task": "job", "on": "2026-01-01", "meters": {"engine": tenths(done)}}]}
    end = Fraction(done + every, 10) + Fraction(every * percent, 1000)
    interval = f"every {every / 10:.1f} h, within {percent} % late"
    for offset, wanted in ((0, "due"), (Fraction(1, 1000), "overdue")):
        value = float(end + offset)
        assert told(interval, now, built, meters=[{"meter": "engine", "value": value, "unit": "h", "at": now}])["standing"] == wanted


@given(st.integers(0, 10**5), st.integers(0, 10**4), st.integers(1, 10**6), st.integers(0, 10**6), st.integers(1, 1000))
def test_a_value_between_readings_is_an_exact_fraction(start: int, run: int, seconds: int, at: int, every: int) -> None:
    """The record has no value of its own; the due point is the interpolated one and N, as a fraction."""
    at %= seconds + 1
    first = datetime(2026, 1, 1, tzinfo=UTC)
    end = first + timedelta(seconds=seconds)
    book = book_of(f"every {every} h")
    request = {
        "now": end.isoformat(),
        "machine": {
            "id": "m-1",
            "in_service": USED,
            "readings": [reading(start, first.isoformat()), reading(start + run, end.isoformat())],
            "done": [{"task": "job", "at": (first + timedelta(seconds=at)).isoformat()}],
        },
    }
    judged = answer_due(book, read_due_question(book, request), written=False).tasks[0].judged
    value = Fraction(start, 10) + Fraction(run, 10) * Fraction(at, seconds)
    assert judged.meters["engine"] == ((value + every) * TICKS, Fraction(start + run, 10) * TICKS)
    assert judged.used is not None
    assert judged.used.exact() == (Fraction(start + run, 10) - value) / every


@given(st.integers(0, 10**5), st.integers(1, 10**4))
def test_a_value_in_another_unit_of_the_meter_is_the_same(value: int, every: int) -> None:
    now = "2026-07-01T12:00:00Z"
    built = {"done": [{"task": "job", "on": "2026-01-01", "meters": {"engine": 0}}]}
    hours = told(f"every {every} h", now, built, meters=[reading(value, now)])
    minutes = told(f"every {every * 60} min", now, built, meters=[{"meter": "engine", "value": value * 6, "unit": "min", "at": now}])
    for same in ("standing", "used", "due_at", "remaining"):
        assert hours[same] == minutes[same]


@given(
    st.sampled_from((*METER, *CALENDAR)),
    st.integers(1, 60),
    st.lists(st.tuples(st.integers(0, 3), st.integers(0, 4000)), min_size=2, max_size=5),
    fitted,
    st.randoms(use_true_random=False),
)
@example("every {n} h on schedule", 10, [(0, 100), (0, 50), (0, 60)], None, None)
@example("every {n} h", 10, [(0, 100), (0, 50)], None, None)
@example("once {n} h after wheel fitted, within 2 h late", 10, [(0, 100), (0, 50)], 1, None)
def test_the_order_of_a_request_does_not_matter_and_repeats_change_nothing(
    text: str, n: int, history: list[tuple[int, int]], event: int | None, random: Any
) -> None:
    """Several records of one day included, which is all that a record without a time of day says."""
    built, last, value = machine(history, event)
    if event is not None:  # it happened twice on its day
        built["occurrences"].append({**built["occurrences"][0], "meters": {"engine": tenths(sum(r for _, r in history[: event + 1]))}})
        built["occurrences"][0]["meters"] = {"engine": tenths(sum(r for _, r in history[:event]))}
    now = f"{last + timedelta(days=2)}T12:00:00Z"
    readings = [reading(value, f"{last + timedelta(days=1)}T0{hour}:00:00Z") for hour in range(3)]
    plain = told(text.format(n=n), now, built, readings=readings, meters=[reading(value + 7, now)])
    mixed = list(built["done"])
    shuffled = [*readings, *readings]
    if random is None:
        mixed.reverse()
        shuffled.reverse()
    else:
        random.shuffle(mixed)
        random.shuffle(shuffled)
    happened = {"occurrences": built["occurrences"][::-1]} if event is not None else {}
    other = told(text.format(n=n), now, {**built, **happened, "done": mixed}, readings=shuffled, meters=[reading(value + 7, now)] * 2)
    assert other == plain


_TASKS = {
    f"t{i}": {"title": f"Task {i}", "kind": "inspect", "interval": text.format(n=7), **({"covers": ["t0", "t3"]} if i == 9 else {})}
    for i, text in enumerate(
        (
            *METER,
            *CALENDAR,
            "when ground is stony, every 4 h; every 10 h",
            "every 10 h during silage",
            "when crop is straw, every 4 h; daily",
        )
    )
}


@pytest.fixture(scope="module")
def whole_book() -> CheckedRulebook:
    book, findings = check_rulebook({**rulebook({"interval": "daily"}), "tasks": _TASKS})
    assert book is not None, findings
    return book


def request(history: list[tuple[int, int]], event: int | None, tasks: list[str] | None = None) -> dict[str, Any]:
    built, last, value = machine(history, event)
    for i, record in enumerate(built["done"]):
        record["task"] = f"t{(i * 7) % len(_TASKS)}"
    now = f"{last + timedelta(days=40)}T12:00:00Z"
    built |= {"id": "m-1", "timezone": "Europe/London", "meters": [reading(value + 33, now)]}
    built["working_conditions"] = [{"condition": "ground", "value": "stony", "from": f"{last + timedelta(days=1)}T00:00:00Z"}]
    built["usage"] = {"engine": {"per_day": 3.5}}
    return {"now": now, "machine": built, **({} if tasks is None else {"tasks": tasks})}


@given(histories, fitted, histories)
def test_together_or_one_by_one_the_answers_are_the_same(
    whole_book: CheckedRulebook, history: list[tuple[int, int]], event: int | None, other: list[tuple[int, int]]
) -> None:
    """All tasks at once, each by itself, and again after another machine was asked between."""
    book = whole_book
    together = answer_due(book, read_due_question(book, request(history, event))).to_json()["tasks"]
    assert len(together) == len(_TASKS)
    answer_due(book, read_due_question(book, request(other, None)))
    question = read_due_question(book, request(history, event))
    assert answer_due(book, question).to_json()["tasks"] == together
    assert answer_due(book, question).to_json()["tasks"] == together, "asking leaves no trace in the question"
    by_name = {t["task"]: t for t in together}
    for name in _TASKS:
        alone = answer_due(book, read_due_question(book, request(history, event, [name]))).to_json()["tasks"]
        assert alone == [by_name[name]]


@given(
    st.sampled_from(("or", "and")),
    st.integers(1, 300),
    st.integers(1, 24),
    st.integers(0, 5000),
    st.integers(0, 900),
)
def test_learning_a_reading_never_contradicts_what_was_known(op: str, hours: int, months: int, run: int, days: int) -> None:
    """Kleene: without the meter `or` is decided by a due date alone, `and` by a clear one; what is said without it stays so with it."""
    now = f"{FIRST + timedelta(days=days)}T12:00:00Z"
    built = {"done": [{"task": "job", "on": "2024-03-01", "meters": {"engine": 100}}]}
    without = {"done": [{"task": "job", "on": "2024-03-01"}]}
    interval = f"every {hours} h {op} every {months} months"
    less = told(interval, now, without)
    more = told(interval, now, built, meters=[reading(1000 + run, now)])
    if less["standing"] != "unknown":
        if op == "or":
            assert less["standing"] in ("due", "overdue")
            assert less["incomplete"]
            assert RANK[more["standing"]] >= RANK[less["standing"]]
        else:
            assert less["standing"] == more["standing"] == "clear"
    elif less["at_least"] is not None:
        assert RANK[more["standing"]] >= RANK[less["at_least"]]


stretches = st.lists(st.tuples(st.integers(1, 100), st.integers(0, 400), st.sampled_from(("normal", "stony"))), min_size=1, max_size=6)


@given(st.integers(1, 400), st.integers(1, 400), stretches, st.integers(0, 400))
@example(4, 10, [(1, 50, "normal"), (1, 10, "stony")], 0)  # the design's own: 5 h of 10 and 1 h of 4 are three quarters
def test_each_stretch_uses_up_its_own_share(stony: int, normal: int, told_stretches: list[tuple[int, int, str]], more: int) -> None:
    """used = the sum over stretches of progress / N in force then, exactly; what is left is left of the N in force now."""
    book = book_of(f"when ground is stony, every {stony} h; every {normal} h")
    at, value, used = datetime(2024, 3, 1, tzinfo=UTC), 0, Fraction(0)
    readings, declared = [], []
    for days, run, state in told_stretches:
        declared.append({"condition": "ground", "value": state, "from": at.isoformat()})
        at, value = at + timedelta(days=days), value + run
        used += Fraction(run, 10) / (stony if state == "stony" else normal)
        readings.append(reading(value, at.isoformat()))
    now_every = stony if told_stretches[-1][2] == "stony" else normal
    request = {
        "now": at.isoformat(),
        "machine": {
            "id": "m-1",
            "in_service": USED,
            "done": [{"task": "job", "at": "2024-03-01T00:00:00Z", "meters": {"engine": 0}}],
            "readings": readings,
            "working_conditions": declared,
        },
    }
    judged = answer_due(book, read_due_question(book, request), written=False).tasks[0].judged
    assert judged.used is not None
    assert judged.used.exact() == used
    due, now = judged.meters["engine"]
    assert now == value * TICKS // 10
    assert due - now == (1 - used) * now_every * TICKS
    assert (judged.standing.word == "overdue") == (used > 1)
    assert (judged.standing.word == "due") == (used == 1)
    readings[-1] = reading(value + more, at.isoformat())
    later = answer_due(book, read_due_question(book, request), written=False).tasks[0].judged
    assert later.used is not None
    assert later.used.exact() >= used
    assert RANK[later.standing.word] >= RANK[judged.standing.word]
