"""How machines work and hurt: actions, hazards, happenings, procedures and steps. Needs the vocabulary, for what an action makes."""

import re
from collections.abc import Mapping
from typing import Any

from fieldworthy.core.base import names
from fieldworthy.core.base.finding import Finding
from fieldworthy.core.base.vocabulary import Fact
from fieldworthy.core.condition.ast import Condition
from fieldworthy.core.condition.evaluate import names_of
from fieldworthy.core.procedure.check import makes_of
from fieldworthy.core.procedure.model import Action, Certainty, Happening, Hazard, Outcome, Procedure, Signal, Step, Works, signal_of
from fieldworthy.core.rulebook.amounts import read_duration
from fieldworthy.core.rulebook.fields import Fields, type_words, wrong_type
from fieldworthy.core.rulebook.report import Report
from fieldworthy.core.rulebook.shapes import ACTION, CERTAINTIES, HAPPENING, HAZARD, MAX_NAME, OUTCOMES, PROCEDURE, SIGNALS, STEP

_WAIT = re.compile(r"\s*(?P<time>.{1,40}?)(?:\s+until\s(?P<until>.*))?\Z", re.IGNORECASE | re.DOTALL)


def load_works(top: Fields, facts: Mapping[str, Fact]) -> Works:
    """All of it. How the pieces fit together is procedure.check's to tell."""
    actions: dict[str, Action] = {}
    for name, key, value, path in top.declared("actions", "an action", free=True):
        fields = _entry(top.report, value, path, f"the action `{name}`", ACTION)
        if fields is not None:
            actions[key] = Action(name, condition(fields, "needs"), _makes(fields, facts), condition(fields, "confirm"))
        else:
            actions[key] = Action(name, None, {})
    happenings: dict[str, Happening] = {}
    hazards = _hazards(top)
    for name, key, value, path in top.declared("happenings", "a happening"):
        fields = _entry(top.report, value, path, f"the happening `{name}`", HAPPENING)
        if fields is not None:
            happenings[key] = Happening(name, condition(fields, "needs"), _makes(fields, facts))
    procedures = _procedures(top, actions)
    return Works(actions, hazards, happenings, procedures)


def _entry(report: Report, value: Any, path: str, what: str, known: tuple[str, ...]) -> Fields | None:
    if isinstance(value, dict):
        return Fields(report, value, path, what, known)
    wrong_type(report, path, path.rpartition("/")[2], f"a mapping of {', '.join(f'`{k}`' for k in known)}", value)
    return None


def condition(fields: Fields, name: str, must: str | None = None) -> Condition | None:
    """A member that is a condition over facts."""
    text = fields.text(name, must)
    return None if text is None else fields.report.condition(text, fields.at(name))


def _hazards(top: Fields) -> Mapping[str, Hazard]:
    found: dict[str, Hazard] = {}
    for name, key, value, path in top.declared("hazards", "a hazard"):
        fields = _entry(top.report, value, path, f"the hazard `{name}`", HAZARD)
        if fields is None:
            continue
        never = condition(fields, "never", must="person is under tailgate and tailgate lock is released")
        signal, outcome, certainty = _signal(fields)
        avoid = fields.text("avoid", must="Engage the lock before anyone goes under it.")
        if never is not None and signal is not None and avoid is not None:
            found[key] = Hazard(name, never, signal, avoid, outcome, certainty)
    return found


def _signal(fields: Fields) -> tuple[Signal | None, Outcome | None, Certainty | None]:
    """A hazard's signal word, outcome and certainty; the word is None where it is neither stated nor follows."""
    stated: Signal | None = fields.choice("signal", SIGNALS)
    outcome: Outcome | None = fields.choice("outcome", OUTCOMES)
    certainty: Certainty | None = fields.choice("certainty", CERTAINTIES)
    given = [member for member in ("outcome", "certainty") if fields.has(member)]
    if len(given) == 1:
        other, example = ("certainty", "could") if given == ["outcome"] else ("outcome", "serious injury")
        fields.missing(other, example)
    elif not given and not fields.has("signal"):
        mend = "add `signal: danger`, or add `outcome` and `certainty`, from which it follows"
        fields.report.error("missing", fields.path, f"{fields.what} has no `signal`", mend, at_key=True)
    if outcome is None or certainty is None:
        return stated, None, None
    follows = signal_of(outcome, certainty)
    if stated is not None and stated != follows:
        message = f"`{outcome}` that `{certainty}` come of it is signalled by `{follows}`, not by `{stated}`"
        mend = f"write `signal: {follows}`, leave `signal` out, or correct `outcome` and `certainty`"
        fields.report.error("signal_contradicts", fields.at("signal"), message, mend)
    return follows, outcome, certainty


def check_flat(report: Report, c: Condition, path: str, facts: Mapping[str, Fact]) -> Mapping[str, str]:
    """fact (names.key) -> state as declared, of an `and` of `fact is state`; a finding where it is none, or names what is not declared."""
    found = makes_of(c, facts if report.broken.isdisjoint(names_of(c)) else None)
    if isinstance(found, Finding):
        report.in_text(found, [(0, path)])
        return {}
    return found


def _makes(fields: Fields, facts: Mapping[str, Fact]) -> Mapping[str, str]:
    text = fields.text("makes", must="tailgate is raised")
    if text is None:
        return {}
    path, report = fields.at("makes"), fields.report
    made = report.condition(text, path)
    if made is None:
        return {}
    report.made.append(report.conditions.pop().condition)  # checked here: it is no test, so it can't be `always true`
    return check_flat(report, made, path, facts)


def _procedures(top: Fields, actions: Mapping[str, Action]) -> Mapping[str, Procedure]:
    declared = list(top.declared("procedures", "a procedure"))
    known = {key: name for name, key, _, _ in declared}
    acts = {key: action.name for key, action in actions.items()}
    found: dict[str, Procedure] = {}
    for name, key, value, path in declared:
        what = f"the procedure `{name}`"
        steps: tuple[Step, ...] = ()
        if isinstance(value, list):
            steps = load_steps(top.report, value, path, acts, known)
        elif isinstance(value, dict):
            fields = Fields(top.report, value, path, what, PROCEDURE)
            if fields.has("steps"):
                steps = steps_of(fields, acts, known)
            else:
                fields.missing("steps", "[take side panel off]")
        else:
            wrong_type(top.report, path, name, "a list of steps", value)
        found[key] = Procedure(name, steps)
    return found


def steps_of(fields: Fields, actions: Mapping[str, str], procedures: Mapping[str, str]) -> tuple[Step, ...]:
    """The member `steps`."""
    return load_steps(fields.report, [item for _, item in fields.listed("steps")], fields.at("steps"), actions, procedures)


_UNREADABLE = Step(do="")
"""Stands in the place of a step that has an error, so that those after it keep their numbers."""


def load_steps(report: Report, items: list[Any], path: str, actions: Mapping[str, str], procedures: Mapping[str, str]) -> tuple[Step, ...]:
    """Steps in order. actions, procedures: `names.key` -> as declared; whether a step names a declared one is procedure.check's to tell."""
    steps = []
    for number, item in enumerate(items):
        at = f"{path}/{number}"
        if isinstance(item, str):
            steps.append(Step(action=_declared(item, actions)))
        elif isinstance(item, dict):
            step = _step(Fields(report, item, at, f"step {number + 1}", STEP), actions, procedures)
            steps.append(step or _UNREADABLE)
        else:
            steps.append(_UNREADABLE)
            message = f"a step must be an action's name or a mapping with `do`, `wait` or `follow`, not {type_words(item)}"
            report.error("wrong_type", at, message, "write the name of an action, or `do: …`")
    return tuple(steps)


def _declared(name: str, known: Mapping[str, str]) -> str:
    """The name as declared; as written where it is not (procedure.check tells)."""
    return known.get(names.key(name), names.tidy(name))


def _step(fields: Fields, actions: Mapping[str, str], procedures: Mapping[str, str]) -> Step | None:
    report = fields.report
    kinds = [kind for kind in ("action", "do", "wait", "follow") if fields.has(kind)]
    if len(kinds) != 1:
        message = f"{fields.what} says {' and '.join(f'`{k}`' for k in kinds)}" if kinds else f"{fields.what} says nothing to do"
        report.error("step", fields.path, message, "a step has exactly one of `action`, `do`, `wait` and `follow`")
        return None
    if kinds == ["follow"]:
        for member in ("needs", "holds"):
            if fields.has(member):
                report.error(
                    "step",
                    fields.at(member),
                    f"a step that follows a procedure has no `{member}` of its own",
                    "move it to the procedure's steps",
                    at_key=True,
                )
        name = fields.text("follow", most=MAX_NAME)
        if name is None:
            return None
        return Step(follow=_declared(name, procedures))
    needs, holds = condition(fields, "needs"), condition(fields, "holds")
    if kinds == ["wait"]:
        return _wait(fields, needs, holds)
    text = fields.text(kinds[0])
    if text is None:
        return None
    if kinds == ["do"]:
        return Step(do=text, needs=needs, holds=holds)
    return Step(action=_declared(text, actions), needs=needs, holds=holds)


def _wait(fields: Fields, needs: Condition | None, holds: Condition | None) -> Step | None:
    text = fields.text("wait")
    if text is None:
        return None
    found = _WAIT.match(text)
    time = None if found is None else read_duration(found["time"])
    if found is None or time is None:
        fields.report.error(
            "duration",
            fields.at("wait"),
            f"`{text[:60]}` is no time to wait",
            "write a number and `s`, `min`, `h`, `days` or `weeks`, at most ten years, as in `2 min` or `2 min until rotor is still`",
        )
        return None
    until = None
    if found["until"] is not None:
        until = fields.report.condition(found["until"], fields.at("wait"), start=found.start("until"))
    return Step(wait=time, wait_until=until, needs=needs, holds=holds)
