"""Texts with `when` and `during`: which rule is in force when, and what each stretch has used up."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from fractions import Fraction
from itertools import pairwise

from fieldworthy.core.base.calendar import Period
from fieldworthy.core.base.quantity import Exact, from_ticks, ticks_text, whole
from fieldworthy.core.base.reason import Reason
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.interval.ast import Notice
from fieldworthy.core.interval.evaluate.combine import JoinedBases, Node, Single
from fieldworthy.core.interval.evaluate.context import Declared, History, Judged, Record, Share, Standing, TaskHistory
from fieldworthy.core.interval.evaluate.days import EveryOnCalendar
from fieldworthy.core.interval.evaluate.days import place as place_day
from fieldworthy.core.interval.evaluate.days import put_off as put_off_days
from fieldworthy.core.interval.evaluate.firsts import Firsts
from fieldworthy.core.interval.evaluate.meter import EveryOnMeter, current, grown_old, never_recorded, no_value, place, put_off, value_of


@dataclass(slots=True)
class RulePlan:
    """One rule made ready: its condition over working conditions (by `names.key`), its season, its points and its bases."""

    text: str
    when: Callable[[Mapping[str, str | None]], Truth] | None
    during: tuple[str, str] | None
    firsts: Firsts | None
    node: Node | None

    @property
    def alone(self) -> Single | None:
        """The one base of a rule that has nothing else; None where there is more to it."""
        return None if self.firsts is not None or isinstance(self.node, JoinedBases) else self.node


@dataclass(slots=True)
class InForce:
    """The rules that may be in force, the one that surely is alone; what was assumed for it."""

    rules: list[RulePlan | None]
    assumed: dict[str, str]


class _Told:
    """What was declared of one working condition, walked forward in time: many thousands cost no more than one look at each."""

    def __init__(self, declared: Sequence[Declared]) -> None:
        # the first to begin stands last; of two that begin together the one that was sent first wins
        self._waiting = [d for _, d in sorted(enumerate(declared), key=lambda e: (e[1].since, -e[0]), reverse=True)]
        self._begun: list[Declared] = []

    def at(self, moment: datetime) -> Declared | None:
        """The declaration that holds at a moment: of several, the one that began last. No moment before the one asked for last."""
        while self._waiting and self._waiting[-1].since <= moment:
            self._begun.append(self._waiting.pop())
        while self._begun and (until := self._begun[-1].until) is not None and until <= moment:
            self._begun.pop()
        return self._begun[-1] if self._begun else None


def states_at(
    history: History, names: Sequence[str], at: datetime, walking: Mapping[str, _Told] | None = None
) -> tuple[dict[str, str | None], dict[str, str]]:
    """Each working condition's state at a moment (None: not known), and which of them were assumed.

    walking: for a walk through many moments, the oldest first.
    """
    states: dict[str, str | None] = {}
    assumed: dict[str, str] = {}
    for name in names:
        told = _Told(history.conditions.get(name, ())) if walking is None else walking[name]
        in_force_then = told.at(at)
        if in_force_then is not None:
            states[name] = in_force_then.state
            continue
        declared = history.vocabulary.working_conditions[name]
        if declared.assumed:
            states[name] = declared.states[0].casefold()
            assumed[declared.name] = declared.states[0]
        else:
            states[name] = None
    return states, assumed


def in_force(rules: Sequence[RulePlan], states: Mapping[str, str | None], assumed: dict[str, str]) -> InForce:
    """The first rule whose condition holds, else the default; with conditions not known, each that may be."""
    may: list[RulePlan | None] = []
    for rule in rules:
        if rule.when is None:
            continue
        holds = rule.when(states)
        if holds is Truth.YES:
            return InForce([*may, rule], assumed)
        if holds is Truth.UNKNOWN:
            may.append(rule)
    return InForce([*may, next((r for r in rules if r.when is None), None)], assumed)


@dataclass(slots=True)
class Stretch:
    """A time in which nothing changed, and the rules that may have been in force in it.

    assumed: what was assumed for them. open: the working conditions that were not known, where they leave more than one rule (`names.key`).
    """

    since: datetime
    until: datetime
    rules: list[RulePlan | None]
    assumed: dict[str, str]
    open: tuple[str, ...] = ()


def stretches(history: History, rules: Sequence[RulePlan], names: Sequence[str], since: datetime) -> list[Stretch]:
    """The time from a record to now, cut wherever a working condition or a season began or ended."""
    now = history.now
    cuts = {since, now} if since < now else {now}
    for name in names:
        for told in history.conditions.get(name, ()):
            cuts.update(t for t in (told.since, told.until) if t is not None and since < t < now)
    for rule in rules:
        if rule.during is not None:
            for period in history.periods(rule.during[0]):
                edges = (history.start_of(period.first), history.start_of(period.last + timedelta(days=1)))
                cuts.update(t for t in edges if since < t < now)
    ordered = sorted(cuts)
    found = []
    walking = {name: _Told(history.conditions.get(name, ())) for name in names}
    known: dict[tuple[str | None, ...], list[RulePlan | None]] = {}
    for a, b in pairwise(ordered):
        states, assumed = states_at(history, names, a, walking)
        as_seen = tuple(states.values())
        if as_seen not in known:
            known[as_seen] = in_force(rules, states, assumed).rules
        may = known[as_seen]
        found.append(Stretch(a, b, may, assumed, tuple(n for n, s in states.items() if s is None) if len(may) > 1 else ()))
    return found


def season_at(history: History, season: str, day: date) -> Period | None:
    """The period of a season that a day lies in; None outside."""
    return next((p for p in history.periods(season) if p.first <= day <= p.last), None)


def _same_counter(base: EveryOnMeter | EveryOnCalendar, node: Node | None) -> EveryOnMeter | EveryOnCalendar | None:
    """The first base of a rule that counts on the same meter (or the calendar)."""
    return next((b for b in _flat(node) if _counter(b) == _counter(base)), None)


def _flat(node: Node | None) -> Iterator[EveryOnMeter | EveryOnCalendar]:
    if isinstance(node, JoinedBases):
        for part in node.parts:
            yield from _flat(part)
    elif isinstance(node, EveryOnMeter | EveryOnCalendar):
        yield node


def _counter(base: EveryOnMeter | EveryOnCalendar) -> str | None:
    return base.base.key if isinstance(base, EveryOnMeter) else None


def judge_in_stretches(
    base: EveryOnMeter | EveryOnCalendar, history: History, task: TaskHistory, asked: Notice | None, parts: Sequence[Stretch], resting: bool
) -> Judged:
    """A base since last, where conditions or the season changed since: each stretch uses up its own share."""
    if not task.records:
        return never_recorded(base.text)
    last = task.records[-1]
    if isinstance(base, EveryOnMeter):
        return _on_meter(base, history, task, asked, parts, last, resting)
    return _on_calendar(base, history, task, asked, parts, last, resting)


def _shares(
    base: EveryOnMeter | EveryOnCalendar, history: History, stretch: Stretch, share: Callable[[EveryOnMeter | EveryOnCalendar], Exact]
) -> Exact:
    """What one stretch used up; where several rules may have been in force, the strictest."""
    used: list[Exact] = []
    for rule in stretch.rules:
        if rule is None or (rule.during is not None and season_at(history, rule.during[0], history.day_of(stretch.since)) is None):
            used.append(0)
            continue
        same = _same_counter(base, rule.node)
        used.append(0 if same is None else share(same))
    return max(used, default=0)


def _on_meter(
    base: EveryOnMeter, history: History, task: TaskHistory, asked: Notice | None, parts: Sequence[Stretch], last: Record, resting: bool
) -> Judged:
    terms = base.base
    series = history.series.get(terms.key)
    now = current(series, terms.name, base.text)
    if isinstance(now, Judged):
        return now
    assert series is not None
    count = value_of(last, terms.key, series)
    if count is None:
        return no_value(base.text, terms.name, last)
    begun = count
    used: Exact = Fraction(0)
    for i, stretch in enumerate(parts):
        end = now if i == len(parts) - 1 else max(series.at(stretch.until) or count, count)
        progress = end - count
        used += _shares(base, history, stretch, lambda b, p=progress: Fraction(p) / b.base.every if isinstance(b, EveryOnMeter) else 0)  # type: ignore[misc]
        count = end
    due = whole(now + (1 - used) * terms.every)
    shift, said = put_off(terms, history, task, due, series)
    moved, unit = due + shift, terms.unit.name
    left = moved - now
    tail = (
        f"{ticks_text(left)} {unit} are left"
        if left > 0
        else "that is just reached"
        if left == 0
        else f"that is {ticks_text(-left)} {unit} past it"
    )
    lead = f"In service at {ticks_text(begun)} {unit}" if last.start else f"Done at {ticks_text(begun)} {unit}"
    shows = f"the meter shows {ticks_text(now)} {unit}, under {base.text} {tail}"
    text = f"{lead}; since then the stretches have used {percent(used)} of the interval; {shows}."
    values = {
        "done": from_ticks(begun),
        "every": from_ticks(terms.every),
        "due": from_ticks(moved),
        "now": from_ticks(now),
        "unit": unit,
        "meter": terms.name,
    }
    judged = Judged(
        place(terms, asked, due, now, shift),
        Share(used, 1),
        [Reason("stretches", text, values), *said],
        base.text,
        {terms.key: (moved, now)},
    )
    return rest(judged) if resting else grown_old(terms, asked, judged, history, series, moved)


def _on_calendar(
    base: EveryOnCalendar, history: History, task: TaskHistory, asked: Notice | None, parts: Sequence[Stretch], last: Record, resting: bool
) -> Judged:
    used: Exact = Fraction(0)
    worked = next((s for s in reversed(parts) if _in_season(history, s)), None)
    for stretch in parts:
        days = (history.day_of(stretch.until) - history.day_of(stretch.since)).days
        if resting and stretch is worked:
            days = max(days - 1, 0)  # the season's last day was a day to do it on, up to its end
        used += _shares(base, history, stretch, lambda b, d=days: Fraction(d, _length(b, last.day)))  # type: ignore[misc]
    today = history.today
    due = today + timedelta(days=_ceil((1 - used) * _length(base, last.day)))
    shift, said = put_off_days(base.base, history, task, due)
    moved = shift.after(due)
    spent = f"since then the stretches have used {percent(used)} of the interval"
    text = f"Done on {last.day.isoformat()}; {spent}: under {base.text} due on {moved.isoformat()}."
    values = {"done": last.day.isoformat(), "due": moved.isoformat(), "today": today.isoformat()}
    judged = Judged(
        place_day(base.base, asked, due, today, shift), Share(used, 1), [Reason("stretches", text, values), *said], base.text, {}, moved
    )
    return rest(judged) if resting else judged


def _in_season(history: History, stretch: Stretch) -> bool:
    """Whether some rule that may be in force in a stretch has its season in it."""
    day = history.day_of(stretch.since)
    return any(r is not None and r.during is not None and season_at(history, r.during[0], day) is not None for r in stretch.rules)


def _length(base: EveryOnMeter | EveryOnCalendar, since: date) -> int:
    return (base.base.every.after(since) - since).days if isinstance(base, EveryOnCalendar) else 1


def _ceil(value: Exact) -> int:
    return -((-value.numerator) // value.denominator)


def percent(share: Exact) -> str:
    """A share in a sentence, whole per cent, never rounded up to what is not reached."""
    return f"{share * 100 // 1} %"


def rest(judged: Judged) -> Judged:
    """Outside its season a task rests: clear, but what was overdue stays overdue, and what is not known stays so."""
    judged.resting = True
    if judged.standing in (Standing.UPCOMING, Standing.DUE):
        judged.standing = Standing.CLEAR
    judged.day = judged.day if judged.standing is Standing.OVERDUE else None
    judged.reasons.append(Reason("resting", "Outside its season the task rests and uses nothing up.", {}))
    return judged
