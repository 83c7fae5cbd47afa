"""What is known of a machine's state now: the newest accepted report of each fact, or why there is none that counts."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from typing import Any

from fieldworthy.core.base.finding import Finding, did_you_mean, or_list, pointer
from fieldworthy.core.base.names import key, tidy
from fieldworthy.core.base.quantity import UNITS, Quantity, number_text, read_amount
from fieldworthy.core.base.vocabulary import Fact, state_of
from fieldworthy.core.condition.evaluate import Value

CLOCKS_DIFFER = timedelta(minutes=2)  # a clock may be so far ahead
SOURCES = ("sensor", "seen")
FOREVER = datetime.max.replace(tzinfo=UTC)
_KELVIN = UNITS["K"]
_MOST_VALUES = 4  # of contradictory reports; more are counted
_SHOWN = {"sensor": "by a sensor", "seen": "as seen by a person"}


@dataclass(frozen=True, slots=True)
class Evidence:
    """
    One report: value is a state as sent, an amount, or a bare number in the fact's own unit; at: aware; by: who saw it. known: when whoever
    asks learned of it; None: that is not said, and it is known now.
    """

    fact: str
    value: str | Quantity | Fraction | int
    at: datetime
    via: str
    by: str | None = None
    known: datetime | None = None


@dataclass(frozen=True, slots=True)
class Known:
    """The report that counts. value: a state's names.key, or the number in the fact's own unit; until: its last good instant (FOREVER)."""

    fact: Fact
    value: str | Quantity | Fraction | int
    report: Evidence
    until: datetime

    @property
    def said(self) -> str:
        """The value in words, a state as declared."""
        return said(self.fact, self.value)


@dataclass(frozen=True, slots=True)
class Missing:
    """
    A fact not known. why: not-reported, too-old, from-the-future, source-not-accepted, contradictory; not-said of the machine; not-shown
    of a hazard.
    """

    fact: str
    why: str
    text: str
    how: str

    def to_json(self) -> dict[str, Any]:
        return {"fact": self.fact, "why": self.why, "text": self.text, "how": self.how}


@dataclass(frozen=True, slots=True)
class Doubt:
    """
    Why nothing that was reported of a fact grants, though it would count by itself: whatever is reported of others, it is not known.
    whose: of a fact `per: person`, of whom it is not known (None: it is not said of whom).
    """

    missing: Missing
    whose: str | None = None


def said(fact: Fact, value: Value) -> str:
    """A value of a fact in words: a state as declared, a number with its unit."""
    if isinstance(value, str):
        return state_of(fact.states, value) or value
    return number_text(value) if isinstance(value, (int, Fraction)) else str(value)


# --- reading what was sent ---------------------------------------------------------------------------------------------------


def check_evidence(facts: Mapping[str, Fact], evidence: Sequence[Evidence]) -> list[Finding]:
    """Every report that the rulebook has no place for: unknown fact, state, source or unit, a time without offset."""
    found: list[Finding] = []
    for number, each in enumerate(evidence):
        fact = facts.get(key(each.fact))
        if each.at.utcoffset() is None:
            found.append(no_offset(pointer("evidence", number, "at")))
        if each.via not in SOURCES:
            mend = did_you_mean(each.via, SOURCES, "say `sensor` or `seen`")
            found.append(
                Finding("question.unknown_source", f"`{each.via}` is no source of evidence", mend, path=pointer("evidence", number, "via"))
            )
        if fact is None:
            mend = did_you_mean(each.fact, [f.name for f in facts.values()], "send only facts that the rulebook declares")
            found.append(
                Finding("question.unknown_fact", f"no fact is called `{each.fact}`", mend, path=pointer("evidence", number, "fact"))
            )
            continue
        value = _read(fact, each.value)
        if isinstance(value, Finding):
            found.append(value.at(pointer("evidence", number, "value")))
    return found


def no_offset(path: str) -> Finding:
    """The finding about a time that says no offset."""
    message, mend = "this time has no offset, so it names no instant", "send it with its offset, as in `2026-07-14T06:00:00+01:00`"
    return Finding("question.time_without_offset", message, mend, path=path)


def _read(fact: Fact, value: str | Quantity | Fraction | int) -> str | Quantity | Fraction | int | Finding:
    """The value in the fact's own terms: names.key of a state, or a number in its own unit."""
    if not fact.is_number:
        if not isinstance(value, str):
            return Finding("question.state_needed", f"`{fact.name}` has states and is no number", f"send one of {or_list(fact.states)}")
        state = state_of(fact.states, value)
        if state is None:
            mend = did_you_mean(value, fact.states, f"send one of {or_list(fact.states)}")
            return Finding("question.unknown_state", f"`{fact.name}` has no state `{value}`", mend)
        return key(state)
    amount = read_amount(value) if isinstance(value, str) else value
    own = fact.unit
    if amount is None:
        mend = f"send a number and its unit, as in `10 {own.name}`" if own else "send a number"
        return Finding("question.number_needed", f"`{fact.name}` is a number, and `{value}` is none that can be read", mend)
    if not isinstance(amount, Quantity):
        if own is None:
            return amount
        amount = Quantity(amount, own)
    if own is None:
        return Finding("question.unit_mismatch", f"`{fact.name}` has no unit, and `{amount.unit.name}` was sent", "send the number alone")
    if amount.unit.dimension != own.dimension:
        fitting = [u.name for u in UNITS.values() if u.dimension == own.dimension]
        return Finding("question.unit_mismatch", f"`{fact.name}` is not measured in `{amount.unit.name}`", f"send it in {or_list(fitting)}")
    if own.dimension == _KELVIN.dimension and amount.to(_KELVIN).value < 0:
        return Finding("question.number_impossible", f"`{amount}` is below absolute zero", "correct it: what measured this is broken")
    return amount.to(own)


# --- which report counts -----------------------------------------------------------------------------------------------------


def weigh(facts: Mapping[str, Fact], evidence: Iterable[Evidence], now: datetime) -> Mapping[str, Known | Missing]:
    """For every declared fact (names.key) the report that counts at `now`, or why none does. Reports passed check_evidence."""
    by_fact: dict[str, list[Evidence]] = {name: [] for name in facts}
    for each in evidence:
        by_fact[key(each.fact)].append(each)
    return {name: _weigh_one(facts[name], reports, now) for name, reports in by_fact.items()}


def _weigh_one(fact: Fact, reports: Sequence[Evidence], now: datetime) -> Known | Missing:
    how = how_to_find_out(fact)
    if not reports:
        return Missing(fact.name, "not-reported", f"Nobody and nothing has reported `{fact.name}`.", how)
    accepted = [r for r in reports if source_counts(fact, r)]
    if not accepted:
        sources = " or ".join(_SHOWN[s] for s in SOURCES if s in fact.known_by)
        text = f"`{fact.name}` was reported {_SHOWN[reports[0].via]}, and the rulebook accepts it only {sources}."
        return Missing(fact.name, "source-not-accepted", text, how)
    timely = [r for r in accepted if r.at <= now + CLOCKS_DIFFER]
    if not timely:
        ahead = span_text(min(r.at for r in accepted) - now)
        text = f"The report of `{fact.name}` is {ahead} later than now; a clock may be {span_text(CLOCKS_DIFFER)} ahead."
        return Missing(fact.name, "from-the-future", text, f"Set the clock right. {how}")
    groups = _by_person(timely) if fact.per_person else [timely]
    doubted = next((found for group in groups if (found := _in_doubt(fact, group, now))), ()) or _nameless_in_doubt(fact, timely, now)
    if doubted:
        words = " and ".join(f"`{said(fact, v)}`" for v in doubted)
        text = f"A clock is ahead, so that which of two reports of `{fact.name}` is the newer is not known: they say {words}."
        return Missing(fact.name, "contradictory", text, f"Set the clock right. {how}")
    newest = _newest_of_each(fact, groups) if fact.per_person else _newest(timely)
    oldest = min(newest, key=lambda r: latest(r, now))
    at = latest(oldest, now)
    age = now - at
    if fact.good_for is not None and age > fact.good_for:
        by = oldest.by
        if fact.per_person and by is None and len(timely) > 1 and not _at_rest(fact, oldest):
            was = said(fact, value) if not isinstance(value := _read(fact, oldest.value), Finding) else "something"
            text = (
                f"A report of `{fact.name}` without a name says `{was}`, {span_text(age)} ago, and whose it is can't be told: "
                f"such a report stays good for {span_text(fact.good_for)}."
            )
            out = "Send each report with `by`, who reports it, and leave this one out once that person has reported anew."
            return Missing(fact.name, "too-old", text, f"{how} {out}")
        whose = f" by `{by}`" if by and len({r.by for r in timely}) > 1 else ""
        stays = f"is {span_text(age)} old, and such a report stays good for {span_text(fact.good_for)}"
        return Missing(fact.name, "too-old", f"The newest report of `{fact.name}`{whose} {stays}.", how)
    values = list(dict.fromkeys(_read(fact, r.value) for r in newest))
    if len(values) > 1:
        told = [f"`{said(fact, v)}`" for v in values[:_MOST_VALUES] if not isinstance(v, Finding)]
        words = " and ".join([*told, f"{len(values) - _MOST_VALUES:,} more values"] if len(values) > _MOST_VALUES else told)
        several = len({tidy(r.by) if r.by else n for n, r in enumerate(newest)}) > 1 if fact.per_person else False
        whose = "The good reports of several people" if several else "Reports of the same instant"
        if several and not all(r.by for r in newest):
            how += " Send each report with `by`, who reports it: one without a name may be anybody's, and no newer one takes its place."
        return Missing(fact.name, "contradictory", f"{whose} say of `{fact.name}` both {words}.", how)
    value = values[0]
    if isinstance(value, Finding):  # check_evidence refuses it before; not known is the safe reading
        return Missing(fact.name, "not-reported", f"The report of `{fact.name}` can't be read.", how)
    later = next((r.at for r in accepted if r.at > now + CLOCKS_DIFFER and _read(fact, r.value) != value), None)
    if later is not None:
        text = f"A report of `{fact.name}` that says otherwise is {span_text(later - now)} later than now, and may be the newer."
        return Missing(fact.name, "from-the-future", text, f"Set the clock right. {how}")
    return Known(fact, value, max(newest, key=lambda r: r.at), good_until(at, fact.good_for))


def _newest(reports: Sequence[Evidence]) -> list[Evidence]:
    at = max(r.at for r in reports)
    return [r for r in reports if r.at == at]


def _in_doubt(fact: Fact, reports: Sequence[Evidence], now: datetime) -> tuple[Value, ...]:
    """
    Where the newest was later than when it was known, its clock is ahead, by CLOCKS_DIFFER at most: what was reported up to so long before
    it may be the newer in truth. Its value and the first other one among those; () where none differs.
    """
    newest = max(reports, key=lambda r: r.at, default=None)
    if newest is None or not is_ahead(newest, now):
        return ()
    values = dict.fromkeys(value_of(fact, r) for r in (newest, *reports) if r.at >= newest.at - CLOCKS_DIFFER)
    return tuple(values)[:2] if len(values) > 1 else ()


def _nameless_in_doubt(fact: Fact, reports: Sequence[Evidence], now: datetime) -> tuple[Value, ...]:
    """The same of two reports of which one has no name: they may be of one person. () too of a fact that is not `per: person`."""
    if not fact.per_person or not any(is_ahead(r, now) for r in reports) or all(tidy(r.by or "") for r in reports):
        return ()
    of_all: list[tuple[Value, datetime]] = []  # the newest so far, and the newest that says otherwise
    nameless: list[tuple[Value, datetime]] = []
    for report in sorted(reports, key=lambda r: r.at):
        value, named = value_of(fact, report), bool(tidy(report.by or ""))
        other = next((each for each in (nameless if named else of_all) if each[0] != value), None)
        if other is not None and is_ahead(report, now) and other[1] >= report.at - CLOCKS_DIFFER:
            return value, other[0]
        for newest in (of_all,) if named else (of_all, nameless):
            newest[:] = [(value, report.at), *(each for each in newest if each[0] != value)][:2]
    return ()


def is_ahead(report: Evidence, now: datetime) -> bool:
    """Whether its clock is ahead: it says a time that was still to come when it was known."""
    return report.at > (now if report.known is None else min(report.known, now))


def latest(report: Evidence, now: datetime) -> datetime:
    """When a report was made at the latest: not after it was known."""
    return min(report.at, now) if report.known is None else min(report.at, report.known, now)


def earliest(report: Evidence, now: datetime) -> datetime:
    """When a report was made at the earliest: a clock is ahead by CLOCKS_DIFFER at most."""
    return report.at - CLOCKS_DIFFER if is_ahead(report, now) else report.at


def value_of(fact: Fact, report: Evidence) -> Value:
    """What a report says in the fact's own terms, as Known.value; None where that can't be read, which check_evidence refuses."""
    found = _read(fact, report.value)
    return None if isinstance(found, Finding) else found


def source_counts(fact: Fact, report: Evidence) -> bool:
    """Whether the rulebook accepts the source of a report."""
    return report.via in fact.known_by


def _by_person(reports: Sequence[Evidence]) -> list[list[Evidence]]:
    """The reports of each person. One that does not say by whom may be of a person of whom nothing else is reported: it stands alone."""
    groups: dict[str | int, list[Evidence]] = {}
    for n, report in enumerate(reports):
        groups.setdefault(tidy(report.by or "") or n, []).append(report)
    return list(groups.values())


def _newest_of_each(fact: Fact, persons: Sequence[Sequence[Evidence]]) -> list[Evidence]:
    """
    The reports that count of a fact `per: person`, which is so for each person: a newer report by one does not take away what
    another reported last. A last report of the resting state counts no more once a newer one has come from anybody (who was clear an
    hour ago need not say so again); who was last under the tailgate stays not known until they report anew.
    """
    overall = _newest([r for reports in persons for r in reports])
    last = [r for reports in persons for r in _newest(reports)]
    return overall + [r for r in last if r.at < overall[0].at and not _at_rest(fact, r)]


def last_of_each(fact: Fact, evidence: Iterable[Evidence], now: datetime) -> Sequence[Evidence]:
    """The reports on which it rests what is known of a fact: the newest, and of one `per: person` the newest of each."""
    timely = [r for r in evidence if key(r.fact) == key(fact.name) and source_counts(fact, r) and r.at <= now + CLOCKS_DIFFER]
    if not timely:
        return ()
    return [r for reports in _by_person(timely) for r in _newest(reports)] if fact.per_person else _newest(timely)


def _at_rest(fact: Fact, report: Evidence) -> bool:
    return not fact.is_number and _read(fact, report.value) == key(fact.states[0])


def _last_at_rest(fact: Fact, reports: Sequence[Evidence], now: datetime) -> bool:
    """Whether somebody is at rest by the last of their reports; one from a clock that is too far ahead takes nobody away."""
    timely = [r for r in reports if r.at <= now + CLOCKS_DIFFER]
    return all(_at_rest(fact, r) for r in _newest(timely or reports))


def added_up(fact: Fact, evidence: Iterable[Evidence], now: datetime) -> Known | None:
    """
    Where the reports of several persons differ, what is known all the same of those who are not at rest, for who is at rest says nothing
    against another. For what is needed and held alone: a hazard is looked at for each. None where that is not known either, as where it
    hangs on somebody who may have said since that they are at rest: of two reports one of which has no name it can't be told.
    """
    persons = _by_person([r for r in evidence if key(r.fact) == key(fact.name) and source_counts(fact, r)])
    timely = [told for reports in persons if (told := [r for r in reports if r.at <= now + CLOCKS_DIFFER])]
    last = [r for reports in timely for r in _newest(reports)]
    if any(o.at >= r.at and not (r.by and o.by) for r in last if not _at_rest(fact, r) for o in last if _at_rest(fact, o)):
        return None
    others = [r for reports in persons if not _last_at_rest(fact, reports, now) for r in reports]
    together = [r for reports in timely for r in reports]
    if not others or any(_in_doubt(fact, each, now) for each in timely) or _nameless_in_doubt(fact, together, now):
        return None
    found = _weigh_one(fact, others, now)
    return found if isinstance(found, Known) else None


def away(fact: Fact, evidence: Iterable[Evidence], now: datetime) -> tuple[tuple[str | None, Known | Missing], ...]:
    """
    Of a fact `per: person` everybody who is not at rest by what was last reported of them alone: who (None: it is not said), and what is
    known of them. Reports passed check_evidence.
    """
    accepted = [r for r in evidence if key(r.fact) == key(fact.name) and source_counts(fact, r)]
    found = []
    for reports in _by_person(accepted):
        each = _weigh_one(fact, reports, now)
        if (isinstance(each, Missing) and each.why != "too-old") or not _last_at_rest(fact, reports, now):
            found.append((reports[0].by, each))
    return tuple(found)


def good_until(at: datetime, good_for: timedelta | None) -> datetime:
    """The last good instant of a report of this time; FOREVER where it never ages."""
    if good_for is None:
        return FOREVER
    try:
        return at + good_for
    except OverflowError:
        return FOREVER


def how_to_find_out(fact: Fact) -> str:
    """What a person can do to make the fact known."""
    look = f"go and look from a safe place, and report what you see of `{fact.name}`"
    ask = f"have the sensor report `{fact.name}` again"
    ways = [way for source, way in (("seen", look), ("sensor", ask)) if source in fact.known_by]
    joined = ", or ".join(ways)
    good = "" if fact.good_for is None else f"; it stays good for {span_text(fact.good_for)}"
    return f"{joined[:1].upper()}{joined[1:]}{good}."


def span_text(span: timedelta) -> str:
    """A span of time in words, to the second and below: `4 h`, `1 min 5 s`, `60.4 s`."""
    micros = span // timedelta(microseconds=1)
    days, rest = divmod(max(0, micros), 86_400_000_000)
    hours, rest = divmod(rest, 3_600_000_000)
    minutes, rest = divmod(rest, 60_000_000)
    if not days and not hours and minutes <= 1 and rest:
        minutes, rest = 0, rest + minutes * 60_000_000
    shown = [f"{n} {unit}" for n, unit in ((days, "day" if days == 1 else "days"), (hours, "h"), (minutes, "min")) if n]
    if rest or not shown:
        shown.append(f"{number_text(Fraction(rest, 1_000_000))} s")
    return " ".join(shown)
