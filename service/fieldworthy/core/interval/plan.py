"""An interval made ready to be computed: names, units, allowances and notice are settled once, at the check of a rulebook."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta

from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import UNITS
from fieldworthy.core.base.reason import Reason
from fieldworthy.core.base.vocabulary import Meter, Vocabulary
from fieldworthy.core.condition.evaluate import compile_condition, names_of
from fieldworthy.core.interval.ast import (
    Allowance,
    Amount,
    Anchor,
    Base,
    Combined,
    EachSeason,
    EveryAmount,
    EveryOccurrence,
    EveryWord,
    FirstThen,
    Interval,
    Notice,
    OnceAfter,
    OnceAt,
    Rule,
    Timing,
)
from fieldworthy.core.interval.evaluate.combine import JoinedBases, Node, Single, judge_node
from fieldworthy.core.interval.evaluate.context import NONE_USED, History, Judged, Standing, TaskHistory, Terms
from fieldworthy.core.interval.evaluate.days import CalendarTerms, EveryOnCalendar
from fieldworthy.core.interval.evaluate.events import EachSeasonPoint, EveryHappening, EveryWorkingDayOf
from fieldworthy.core.interval.evaluate.firsts import DayPoint, Firsts, MeterPoint, once_judged
from fieldworthy.core.interval.evaluate.meter import EveryOnMeter, MeterTerms
from fieldworthy.core.interval.evaluate.slack import NO_DAYS, YEAR_DAYS, Days, is_calendar, on_calendar
from fieldworthy.core.interval.evaluate.stretches import (
    RulePlan,
    Stretch,
    in_force,
    judge_in_stretches,
    rest,
    season_at,
    states_at,
    stretches,
)
from fieldworthy.core.interval.explain import render_base, render_rule, render_timing

_WORDS = {"daily": Days(days=1), "weekly": Days(days=7), "monthly": Days(months=1), "yearly": Days(months=12)}
_AFTER_SEASON = Days(days=30)


@dataclass(slots=True)
class Answer:
    """What one task's interval says: where it stands, and the rule in force (None: none is)."""

    judged: Judged
    rule: str | None


@dataclass(slots=True)
class Plan:
    """rules: in the order of the text; conditions: the working conditions they name, by `names.key`; changing: has `when` or `during`."""

    rules: tuple[RulePlan, ...]
    conditions: tuple[str, ...]
    changing: bool

    def judge(self, history: History, task: TaskHistory, asked: Notice | None = None) -> Answer:
        """Where the task stands. asked: the request's own notice."""
        if not self.changing:
            rule = self.rules[0]
            if rule.alone is not None and not history.usage:  # the most common form of all: one base, always in force
                return Answer(rule.alone.judge(history, task, asked), rule.text)
            return Answer(_by_rule(rule, history, task, asked, None, False), rule.text)
        states, assumed = states_at(history, self.conditions, history.now)
        force = in_force(self.rules, states, assumed)
        parts = stretches(history, self.rules, self.conditions, task.records[-1].at) if task.records else None
        answers = [self._under(rule, history, task, asked, parts) for rule in force.rules]
        strictest = max(answers, key=lambda a: (_RANK[a.judged.standing], a.judged.used.exact() if a.judged.used else 0))
        missing = dict.fromkeys(n for n, s in states.items() if s is None) if len(answers) > 1 else {}
        if strictest.rule is not None:  # then what its stretches leaned on counts too
            for part in parts or ():
                missing |= dict.fromkeys(part.open)
                assumed = part.assumed | assumed
        if missing:
            strictest.judged.incomplete = True
            open_points = ", ".join(history.vocabulary.working_conditions[n].name for n in missing)
            text = f"Not known: {open_points}. Computed under every rule that may apply; this is the strictest."
            strictest.judged.reasons.append(Reason("condition-not-known", text, {"conditions": open_points}))
        strictest.judged.assumed = assumed
        return strictest

    def _under(
        self, rule: RulePlan | None, history: History, task: TaskHistory, asked: Notice | None, parts: list[Stretch] | None
    ) -> Answer:
        if rule is None:
            return Answer(
                Judged(
                    Standing.CLEAR, NONE_USED, [Reason("no-rule-in-force", "No rule is in force under these working conditions.", {})], ""
                ),
                None,
            )
        resting = rule.during is not None and season_at(history, rule.during[0], history.today) is None
        return Answer(_by_rule(rule, history, task, asked, parts, resting), rule.text)


_RANK = {Standing.CLEAR: 0, Standing.UPCOMING: 1, Standing.UNKNOWN: 2, Standing.DUE: 3, Standing.OVERDUE: 4}


def _by_rule(
    rule: RulePlan, history: History, task: TaskHistory, asked: Notice | None, parts: list[Stretch] | None, resting: bool
) -> Judged:
    begin = None
    if rule.firsts is not None:
        if rule.node is None:
            firsts = rule.firsts
            return _first(rule, history, resting, lambda h: once_judged(firsts, h, task, asked))
        points = rule.firsts.judge(history, task, asked)
        if points.judged is not None:
            firsts, judged_first = rule.firsts, points.judged
            return _first(rule, history, resting, lambda h: judged_first if h is history else firsts.judge(h, task, asked).judged)
        begin = points.begin
        if points.records:
            task = TaskHistory(points.records, task.deferrals)
    assert rule.node is not None
    changed = parts is not None and (resting or len(parts) > 1 or any(all(r is not rule for r in p.rules) for p in parts))

    def single(base: Single) -> Judged:
        judged = alone(base)
        if history.usage:
            judged.expected = reached_on(judged, history)
        return judged

    def alone(base: Single) -> Judged:
        if isinstance(base, EveryOnMeter):
            if changed and parts is not None:
                return judge_in_stretches(base, history, task, asked, parts, resting)
            return base.judge(history, task, asked, None if hasattr(begin, "year") else begin)
        if isinstance(base, EveryOnCalendar):
            if changed and parts is not None:
                return judge_in_stretches(base, history, task, asked, parts, resting)
            return base.judge(history, task, asked, begin if hasattr(begin, "year") else None)
        judged = base.judge(history, task, asked)
        return _rested(rule, history, judged, lambda h: base.judge(h, task, asked)) if resting else judged

    if not isinstance(rule.node, JoinedBases):
        return single(rule.node)
    joined = judge_node(rule.node, single)
    joined.resting = resting
    return joined


def _rested(rule: RulePlan, history: History, judged: Judged, judge: Callable[[History], Judged | None]) -> Judged:
    """What was overdue by the season's last day stays so; what came after it uses nothing up. judge: the same as of another moment."""
    if judged.standing is Standing.OVERDUE and rule.during is not None:
        last = max((p.last for p in history.periods(rule.during[0]) if p.last < history.today), default=None)
        then = None if last is None else judge(_as_of(history, last))
        if then is None or then.standing is not Standing.OVERDUE:
            judged.standing = Standing.CLEAR
    return rest(judged)


def _as_of(history: History, day: date) -> History:
    """The history as it stood at the end of a day."""
    now = history.start_of(day + timedelta(days=1)) - timedelta(microseconds=1)
    return replace(history, now=now, horizon=now, today=day, series={name: s.as_of(now) for name, s in history.series.items()})


def _first(rule: RulePlan, history: History, resting: bool, judge: Callable[[History], Judged | None]) -> Judged:
    """A point that is met once, with its season's rest and when it will be reached."""
    judged = judge(history)
    assert judged is not None  # as of now there is one
    if resting:
        judged = _rested(rule, history, judged, judge)
    if history.usage:
        judged.expected = reached_on(judged, history)
    return judged


def reached_on(judged: Judged, history: History) -> date | None:
    """The day on which one base's due point will be reached at the stated use; None: it is reached, or nothing tells.

    What the meter is known to have counted today, from the first of today's readings on, is taken from this day's use: so much of it is
    still to come. What ran since a reading of the day before may have run then.
    """
    if judged.standing not in (Standing.CLEAR, Standing.UPCOMING) or judged.resting:
        return None
    for meter, (due, now) in judged.meters.items():
        per_day = history.usage.get(meter)
        if now is None or not per_day:
            return None
        today = max(0, per_day - history.series[meter].since(history.start_of(history.today)))
        days = -((now + today - due) // per_day)
        return history.today + timedelta(days=max(0, int(days))) if days < _FARTHEST else None
    return judged.day


_FARTHEST = 36500  # days


def make_plan(
    interval: Interval,
    vocabulary: Vocabulary,
    defaults: tuple[Allowance, ...] = (),
    notices: tuple[Notice, ...] = (),
    may_defer: Allowance | None = None,
    law: bool = False,
) -> Plan:
    """The plan of a checked interval.

    defaults: the allowances of a rule that states none. notices: the task's, then the rulebook's. law: no late allowance and no deferral.
    """
    rules = []
    names: dict[str, None] = {}
    for rule in interval.rules:
        allowances = rule.within or defaults
        if law:
            allowances = tuple(a if a.way == "early" else _early_only(a) for a in allowances if a.way != "late")
        terms = Terms(allowances, notices, None if law else may_defer)
        rules.append(_Builder(vocabulary, terms, law).rule(rule))
        if rule.when is not None:
            names.update(dict.fromkeys(names_of(rule.when)))
    changing = any(r.when is not None or r.during is not None for r in interval.rules)
    return Plan(tuple(rules), tuple(names), changing)


def _early_only(allowance: Allowance) -> Allowance:
    return Allowance(allowance.percent, allowance.caps, allowance.amount, "early", allowance.span)


@dataclass(slots=True)
class _Builder:
    vocabulary: Vocabulary
    terms: Terms
    law: bool
    season: str | None = None

    def rule(self, rule: Rule) -> RulePlan:
        when = compile_condition(rule.when, self.vocabulary.working_conditions) if rule.when is not None else None
        during = None
        if rule.during is not None:
            season = self.vocabulary.seasons[key(rule.during)]
            during = (key(rule.during), season.name)
        self.season = during[0] if during is not None else None
        firsts, node = self.timing(rule.timing)
        return RulePlan(render_rule(rule), when, during, firsts, node)

    def timing(self, timing: Timing) -> tuple[Firsts | None, Node | None]:
        match timing:
            case OnceAt(amount):
                return self.firsts(timing, (amount,), None), None
            case OnceAfter(amount, occurrence):
                return self.firsts(timing, (amount,), occurrence), None
            case FirstThen(amounts, after, then):
                return self.firsts(timing, amounts, after), self.node(then)
            case _:
                return None, self.node(timing)

    def firsts(self, timing: Timing, amounts: tuple[Amount, ...], after: str | None) -> Firsts:
        text = render_timing(timing)
        event = None
        if after is not None:
            event = (key(after), self.vocabulary.occurrences[key(after)].name)
        if is_calendar(amounts[0]):
            return Firsts(text, tuple(self.day_point(a) for a in amounts), event)
        return Firsts(text, tuple(MeterPoint.of(self.meter_terms(a, None)) for a in amounts), event)

    def day_point(self, amount: Amount) -> DayPoint:
        length = on_calendar(amount)
        base = CalendarTerms.of(length, self.terms)
        stated = any(a.way != "late" and (a.amount is None or is_calendar(a.amount)) for a in self.terms.allowances)
        return DayPoint(base, length, base.early if stated else Days(days=length.nominal // 4))

    def meter_terms(self, amount: Amount, meter: str | None) -> MeterTerms:
        found: Meter | None
        if meter is not None:
            found = self.vocabulary.meters[key(meter)]
        else:
            found = self.vocabulary.default_meter(UNITS[amount.unit].dimension)
        assert found is not None  # checked
        return MeterTerms.of(found, key(found.name), amount, self.terms)

    def node(self, base: Base) -> Node:
        text = render_base(base)
        match base:
            case EveryAmount(amount, meter, anchor):
                if is_calendar(amount):
                    return EveryOnCalendar(text, CalendarTerms.of(on_calendar(amount), self.terms), anchor)
                return EveryOnMeter(text, self.meter_terms(amount, meter), anchor)
            case EveryWord(word):
                return EveryOnCalendar(text, CalendarTerms.of(_WORDS[word], self.terms), Anchor.SINCE_LAST)
            case EveryOccurrence(name):
                return EveryHappening(text, key(name), self.vocabulary.occurrences[key(name)].name, self.events())
            case EachSeason(when, season):
                stated = any(a.amount is not None and is_calendar(a.amount) for a in self.terms.allowances)
                late = _AFTER_SEASON if when == "after" and not stated and not self.law else NO_DAYS
                return EachSeasonPoint(text, key(season), self.vocabulary.seasons[key(season)].name, when, self.events(late))
            case Combined(op, parts):
                return JoinedBases(op, tuple(self.node(part) for part in parts), text)
            case _:
                return EveryWorkingDayOf(text, self.events(), self.season)

    def events(self, late: Days = NO_DAYS) -> CalendarTerms:
        return CalendarTerms.of(Days(days=YEAR_DAYS), self.terms, shares=False, late=late)
