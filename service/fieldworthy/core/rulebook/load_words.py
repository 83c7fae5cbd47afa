"""The names that a rulebook declares for its texts: meters, seasons, occurrences, working conditions, facts."""

from collections.abc import Mapping
from typing import Any

from fieldworthy.core.base import names
from fieldworthy.core.base.finding import did_you_mean
from fieldworthy.core.base.quantity import METER_UNITS, UNITS, Unit
from fieldworthy.core.base.vocabulary import Fact, Meter, Occurrence, Season, Vocabulary, WorkingCondition
from fieldworthy.core.rulebook.amounts import duration, month_day, unit_of
from fieldworthy.core.rulebook.fields import Fields, check_name, wrong_type
from fieldworthy.core.rulebook.report import Report
from fieldworthy.core.rulebook.shapes import FACT, KNOWN_BY, METER, OCCURRENCE, SEASON, WORKING_CONDITION

FACT_UNITS = tuple(UNITS)
NO_UNIT = "number"
"""Stands for the unit of a fact that is a bare number."""

MOST_STATES = 100
"""So many states a fact or a working condition may have."""


def load_vocabulary(top: Fields) -> Vocabulary:
    """All declared names. One that is declared with a mistake counts as declared, so that the mistake is told once."""
    return Vocabulary(_meters(top), _seasons(top), _occurrences(top), _working_conditions(top), _facts(top))


def _entry(report: Report, value: Any, path: str, what: str, name: str, known: tuple[str, ...]) -> Fields | None:
    if not isinstance(value, dict):
        wrong_type(report, path, name, f"a mapping of {', '.join(f'`{k}`' for k in known)}", value)
        return None
    return Fields(report, value, path, f"the {what} `{name}`", known)


def _meters(top: Fields) -> Mapping[str, Meter]:
    found: dict[str, Meter] = {}
    defaults: dict[str, str] = {}
    for name, key, value, path in top.declared("meters", "a meter"):
        fields = _entry(top.report, value, path, "meter", name, METER)
        if fields is None:
            top.report.unclear_meters = True
            continue
        unit = unit_of(fields, "unit", METER_UNITS, "meters")
        default, good_for = fields.flag("default"), duration(fields, "good_for")
        if unit is None:
            top.report.unclear_meters = True
            continue
        if default and defaults.setdefault(unit.dimension, name) != name:
            other = defaults[unit.dimension]
            top.report.unclear_meters = True
            top.report.error(
                "two_defaults",
                fields.at("default"),
                f"`{other}` and `{name}` are both the default meter of {unit.many}",
                "keep one `default: true`",
            )
        found[key] = Meter(name, unit, default, good_for)
    return found


def _seasons(top: Fields) -> Mapping[str, Season]:
    found: dict[str, Season] = {}
    for name, key, value, path in top.declared("seasons", "a season"):
        fields = _entry(top.report, value, path, "season", name, SEASON)
        start, end = (None, None) if fields is None else (month_day(fields, "from"), month_day(fields, "to"))
        found[key] = Season(name, start or (1, 1), end or (12, 31))
    return found


def _occurrences(top: Fields) -> Mapping[str, Occurrence]:
    found: dict[str, Occurrence] = {}
    for name, key, value, path in top.declared("occurrences", "an occurrence"):
        fields = _entry(top.report, value, path, "occurrence", name, OCCURRENCE)
        found[key] = Occurrence(name, month_day(fields, "yearly") if fields is not None and fields.has("yearly") else None)
    return found


def _working_conditions(top: Fields) -> Mapping[str, WorkingCondition]:
    found: dict[str, WorkingCondition] = {}
    report = top.report
    for name, key, value, path in top.declared("working_conditions", "a working condition", in_conditions=True):
        if isinstance(value, list):
            value, states_path = {"states": value}, path
        else:
            states_path = f"{path}/states"
        fields = _entry(report, value, path, "working condition", name, WORKING_CONDITION)
        states = () if fields is None else _states(fields, states_path)
        if fields is not None and fields.has("unless_told"):
            fields.choice("unless_told", ("unknown",))
        if not states:
            if fields is not None and not fields.has("states"):
                fields.missing("states", "[light, heavy]")
            report.broken.add(key)
        found[key] = WorkingCondition(name, states, fields is None or fields.get("unless_told") != "unknown")
    return found


def _states(fields: Fields, path: str) -> tuple[str, ...]:
    """The states, tidied, each once; () where there are none or one was refused for its type."""
    value = fields.get("states")
    if "states" not in fields.data:
        return ()
    if not isinstance(value, list):
        wrong_type(fields.report, path, "states", "a list of texts", value)
        return ()
    if not value:
        fields.report.error("no_states", path, f"{fields.what} has no state", "list its states, the usual or resting one first")
        return ()
    if len(value) > MOST_STATES:
        message = f"{fields.what} has {len(value):,} states, more than {MOST_STATES}"
        fields.report.error("too_many_states", path, message, "declare a number with its `unit` instead, or keep the states that matter")
        return ()
    states: dict[str, str] = {}
    for number, state in enumerate(value):
        at = f"{path}/{number}"
        if not isinstance(state, str):
            wrong_type(fields.report, at, "states", "a text", state)
            return ()
        tidy = check_name(fields.report, at, state, "a state", in_conditions=True)
        if names.key(tidy) in states:
            fields.report.error("duplicate_name", at, f"the state `{tidy}` is listed twice", "delete one of the two")
        states.setdefault(names.key(tidy), tidy)
    return tuple(states.values())


def _facts(top: Fields) -> Mapping[str, Fact]:
    found: dict[str, Fact] = {}
    report = top.report
    for name, key, value, path in top.declared("facts", "a fact", in_conditions=True):
        fields = _entry(report, value, path, "fact", name, FACT)
        if fields is None:
            report.broken.add(key)
            found[key] = Fact(name)
            continue
        states = _states(fields, f"{path}/states")
        unit = None
        if fields.has("states") and fields.has("unit"):
            report.error(
                "states_and_unit",
                fields.at("unit"),
                f"the fact `{name}` has states and a unit",
                "keep the one that it is reported in",
                at_key=True,
            )
            report.broken.add(key)
        elif fields.has("unit"):
            unit = _fact_unit(fields)
            if unit is None and fields.get("unit") != NO_UNIT:
                report.broken.add(key)
        elif not states:
            if not fields.has("states"):
                fields.missing("states", "[closed, open]")
            report.broken.add(key)
        per_person = fields.choice("per", ("person",)) == "person"
        found[key] = Fact(name, states, unit, _known_by(fields), duration(fields, "good_for"), per_person)
    return found


def _fact_unit(fields: Fields) -> Unit | None:
    return None if fields.get("unit") == NO_UNIT else unit_of(fields, "unit", FACT_UNITS, "facts")


def _known_by(fields: Fields) -> frozenset[str]:
    if not fields.has("known_by"):
        return frozenset(KNOWN_BY)
    found = fields.texts("known_by")
    for path, source in found:
        if source not in KNOWN_BY:
            fields.report.error(
                "unknown_word", path, f"`{source}` is no source of evidence", did_you_mean(source, KNOWN_BY, "write `sensor` or `seen`")
            )
    if fields.get("known_by") == []:
        fields.report.error(
            "no_source",
            fields.at("known_by"),
            f"nobody can report {fields.what}",
            "list `sensor`, `seen` or both, or leave it out for both",
        )
    return frozenset(source for _, source in found if source in KNOWN_BY)
