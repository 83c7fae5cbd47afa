"""Warnings: what a rulebook declares and nothing uses."""

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from fieldworthy.core.base import names
from fieldworthy.core.base.vocabulary import Fact, WorkingCondition
from fieldworthy.core.condition.ast import Condition, StateTest
from fieldworthy.core.condition.walk import tests_of
from fieldworthy.core.procedure.model import Step
from fieldworthy.core.rulebook.fields import Fields
from fieldworthy.core.rulebook.load import Draft
from fieldworthy.core.rulebook.report import Report


def warn_unused(draft: Draft, report: Report, data: Mapping[str, Any]) -> None:
    """Warnings for facts, states, working conditions that no expression mentions, actions no step uses, tasks no example touches."""
    top = Fields(report, {k: v for k, v in data.items() if isinstance(v, dict)}, "", "a rulebook", tuple(data))
    over_facts = [*(placed.condition for placed in report.conditions), *report.made]
    rules = [rule for item in draft.tasks if item.task.interval is not None for rule in item.task.interval.rules]
    _unmentioned(top, "facts", draft.vocabulary.facts, over_facts)
    _unmentioned(top, "working_conditions", draft.vocabulary.working_conditions, [rule.when for rule in rules if rule.when is not None])
    used = {names.key(step.action) for step in _steps(draft) if step.action is not None}
    for key, path in _paths(top, "actions"):
        if key in draft.works.actions and key not in used:
            name = draft.works.actions[key].name
            report.warn("unused_action", path, f"no step uses the action `{name}`", "use it in a step, or delete it", at_key=True)
    touched = {name for example, _ in draft.examples for name in touched_tasks((example.given, example.expect))}
    for item in draft.tasks:
        if item.task.name not in touched:
            report.warn(
                "no_example",
                item.path,
                f"no example touches the task `{item.task.name}`",
                "add an example under `examples` that asks for it",
                at_key=True,
            )


def _unmentioned(
    top: Fields, member: str, declared: Mapping[str, Fact] | Mapping[str, WorkingCondition], conditions: Iterable[Condition]
) -> None:
    tests = [test for c in conditions for test in tests_of(c)]
    mentioned = {names.key(test.fact) for test in tests}
    states = {(names.key(test.fact), names.key(test.state)) for test in tests if isinstance(test, StateTest)}
    what = "fact" if member == "facts" else "working condition"
    for key, path in _paths(top, member):
        known = declared.get(key)
        if known is None or key in top.report.broken:
            continue
        if key not in mentioned:
            top.report.warn(
                f"unused_{what.replace(' ', '_')}",
                path,
                f"no expression mentions the {what} `{known.name}`",
                "use it in an expression, or delete it",
                at_key=True,
            )
            continue
        for state in known.states[1:]:  # the first is what holds otherwise: it needs no mention
            if (key, names.key(state)) not in states:
                message = f"no expression mentions that `{known.name}` is `{state}`"
                top.report.warn("unused_state", path, message, "use the state in an expression, or delete it", at_key=True)


def _paths(top: Fields, member: str) -> Iterator[tuple[str, str]]:
    for raw in top.mapping(member):
        yield names.key(raw), Fields(top.report, {}, top.at(member), "", ()).at(raw)


def _steps(draft: Draft) -> Iterator[Step]:
    for item in draft.tasks:
        yield from item.task.steps
    for procedure in draft.works.procedures.values():
        yield from procedure.steps


def touched_tasks(value: Any) -> Iterator[str]:
    """The tasks that an example's `given` and `expect` name, in whatever form of the wire."""
    if isinstance(value, Mapping):
        for name, inner in value.items():
            if name in ("task", "tasks"):
                yield from _names(inner)
            yield from touched_tasks(inner)
    elif isinstance(value, (list, tuple)):
        for inner in value:
            yield from touched_tasks(inner)


def _names(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, list):
        yield from (item for item in value if isinstance(item, str))
    elif isinstance(value, Mapping):
        yield from value
