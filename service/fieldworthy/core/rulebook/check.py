"""From plain data to a checked rulebook: everything loaded, then checked for meaning, all findings at once."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from fieldworthy.core.base.finding import Finding, Severity, pointer
from fieldworthy.core.condition.check import check_condition
from fieldworthy.core.condition.evaluate import names_of
from fieldworthy.core.interval.check import check_interval
from fieldworthy.core.interval.plan import make_plan
from fieldworthy.core.parts.check import check_lines, check_parts, keyed
from fieldworthy.core.procedure.check import check_works
from fieldworthy.core.procedure.explore import MOST_STATES
from fieldworthy.core.rulebook.check_safety import check_safety
from fieldworthy.core.rulebook.cycles import loops, reached
from fieldworthy.core.rulebook.digest import digest
from fieldworthy.core.rulebook.document import Document
from fieldworthy.core.rulebook.lines import lines_of
from fieldworthy.core.rulebook.load import Draft, load
from fieldworthy.core.rulebook.load_tasks import DraftTask
from fieldworthy.core.rulebook.model import CheckedRulebook, Example, Task
from fieldworthy.core.rulebook.plain import check_plain
from fieldworthy.core.rulebook.reading import MAX_BYTES
from fieldworthy.core.rulebook.report import MOST_EXPRESSIONS, Report, TooManyErrors
from fieldworthy.core.rulebook.text import read_text
from fieldworthy.core.rulebook.usage import warn_unused

RunExample = Callable[[CheckedRulebook, Example], list[Finding]]
"""Runs one worked example and gives what is not as it expects; paths are inside the example ("/expect/due_at")."""

Result = tuple[CheckedRulebook | None, list[Finding]]

MAX_TASKS = 2_000


def check_text(data: bytes | str, run: RunExample | None = None, max_bytes: int = MAX_BYTES, most_states: int = MOST_STATES) -> Result:
    """The checked rulebook that a text in YAML or JSON describes (None where it has errors), and every finding in the order of the text."""
    document, findings = read_text(data, max_bytes)
    if document is None:
        return None, findings
    book, more = check_rulebook(document.data, document, run, most_states)
    if not findings:
        return book, more
    return None, sorted([*findings, *more], key=lambda f: (f.line or 0, f.column or 0))


def check_rulebook(data: Any, document: Document | None = None, run: RunExample | None = None, most_states: int = MOST_STATES) -> Result:
    """
    The checked rulebook of plain JSON data (None where they have errors), and every finding; never an exception.

    document: where the data were read from, for lines and columns. run: runs the worked examples (core.answer.examples); without it
    they are read but not run and no procedure is explored, which is for rulebooks that were published and thus went through both before.
    most_states: of one procedure; one with more is not shown safe.
    """
    report = Report(document, data)
    if document is None:
        broken = check_plain(data)
        if broken:
            return None, broken
    try:
        return _check(data, report, run, most_states)
    except TooManyErrors:
        return None, report.in_order()


def _check(data: Any, report: Report, run: RunExample | None, most_states: int) -> Result:
    draft = load(data, report)
    if draft is None:
        return None, report.in_order()
    if len(draft.tasks) > MAX_TASKS:
        report.error(
            "too_many_tasks",
            "/tasks",
            f"the rulebook has {len(draft.tasks):,} tasks, more than {MAX_TASKS:,}",
            "split it into several rulebooks",
        )
        return None, report.in_order()
    if report.unread is not None:
        report.error(
            "too_many_expressions",
            report.unread,
            f"the rulebook's intervals and conditions have {report.expressions:,} characters together, more than {MOST_EXPRESSIONS:,}; "
            "from here on they were not read",
            "split it into several rulebooks, or give conditions that are said often a fact of their own",
        )
        return None, report.in_order()
    _check_conditions(draft, report)
    _check_intervals(draft, report)
    covers = _check_covers(draft, report)
    _check_parts(draft, report)
    _check_works(draft, report, data)
    warn_unused(draft, report, data)
    if report.errors():
        return None, report.in_order()
    book = _finish(draft, data, covers)
    if run is not None:
        check_safety(book, report, most_states)
        _run_examples(book, draft, report, run)
    findings = report.in_order()
    if report.errors():
        return None, findings
    return replace(book, warnings=tuple(findings)), findings


def _check_conditions(draft: Draft, report: Report) -> None:
    for placed in report.conditions:
        if report.broken.isdisjoint(names_of(placed.condition)):
            for finding in check_condition(placed.condition, draft.vocabulary.facts, "fact"):
                if finding.code == "condition.never_true" and placed.path.endswith("/needs"):
                    finding = replace(finding, severity=Severity.ERROR)  # what needs it could never start
                report.in_text(finding, [(-placed.start, placed.path)])


_OF_METERS = frozenset({"interval.no_meter", "interval.which_meter", "interval.unit_of_meter", "interval.unknown_meter"})


def _check_intervals(draft: Draft, report: Report) -> None:
    for item in draft.tasks:
        if item.task.interval is None:
            continue
        unclear = any(rule.when is not None and not report.broken.isdisjoint(names_of(rule.when)) for rule in item.task.interval.rules)
        for finding in check_interval(item.task.interval, draft.vocabulary):
            if (report.unclear_meters and finding.code in _OF_METERS) or (unclear and finding.code.startswith("condition.")):
                continue  # the declaration that it leans on has a finding of its own
            report.in_text(finding, item.pieces)
        if item.task.says == "law":
            _refuse_late(item, report)


def _refuse_late(item: DraftTask, report: Report) -> None:
    assert item.task.interval is not None  # INVARIANT: the caller looked
    for rule in item.task.interval.rules:
        for allowance in rule.within:
            if allowance.way != "early":
                message, mend = "a task that the law asks for takes no late allowance", "write `early` behind it, or delete it"
                report.in_text(Finding("rulebook.law_late", message, mend, span=allowance.span), item.pieces)


def _check_covers(draft: Draft, report: Report) -> Mapping[str, tuple[str, ...]]:
    """Task -> the tasks whose records count for it, directly or by others."""
    edges = {item.task.name: item.task.covers for item in draft.tasks}
    circles = loops(edges)
    for circle in circles:
        chain = " covers ".join(f"`{name}`" for name in [*circle, circle[0]][:12])
        report.error(
            "cycle", pointer("tasks", circle[0], "covers"), f"tasks cover each other in a circle: {chain}", "take one of these `covers` out"
        )
    back: dict[str, list[str]] = {}
    for name, covered in edges.items():
        for other in covered:
            back.setdefault(other, []).append(name)
    return {} if circles else {name: tuple(reached(name, back)) for name in edges}


def _check_parts(draft: Draft, report: Report) -> None:
    parts = draft.parts
    for finding in check_parts(parts.declared, parts.unclear):
        report.add(finding)
    by_key = keyed(parts.declared)
    for item in draft.tasks:
        where = ("tasks", item.task.name, "uses")
        for finding in check_lines(item.task.uses, parts.declared, *where, at=item.lines_at, unclear=parts.unclear, by_key=by_key):
            report.add(finding)


def _check_works(draft: Draft, report: Report, data: Any) -> None:
    steps = {item.task.name: item.task.steps for item in draft.tasks}
    has_error = {f.path for f in report.findings if f.severity is Severity.ERROR}
    for finding in check_works(draft.works, steps, draft.vocabulary.facts):
        path = _as_written(finding.path, data)
        if finding.code.startswith("condition."):
            continue  # what an action makes was checked against the facts when it was read, with its place in the text
        told = any(p in (path, f"{path}/steps", path.rpartition("/")[0]) for p in has_error)
        if not (told and finding.code in ("procedure.makes_nothing", "procedure.no_steps")):
            report.add(replace(finding, path=path))


def _as_written(path: str, data: Any) -> str:
    """A procedure may be a plain list of steps: then its path has no `steps`."""
    parts = path.split("/")
    if parts[1:2] == ["procedures"] and parts[3:4] == ["steps"]:
        name = parts[2].replace("~1", "/").replace("~0", "~")
        if isinstance(data["procedures"].get(name), list):
            return "/".join(parts[:3] + parts[4:])
    return path


def _finish(draft: Draft, data: Mapping[str, Any], covered_by: Mapping[str, tuple[str, ...]]) -> CheckedRulebook:
    tasks: dict[str, Task] = {}
    for item in draft.tasks:
        task = item.task
        plan = None
        if task.interval is not None:
            notices = tuple(n for n in (task.notice, draft.defaults.notice) if n is not None)
            plan = make_plan(task.interval, draft.vocabulary, draft.defaults.allowances, notices, task.may_defer, law=task.says == "law")
        skill = task.skill or draft.defaults.skill
        lines = None if plan is None else lines_of(task.name, task.title, task.kind, plan.rules[0].text, task.needs_text)
        tasks[task.name] = replace(task, plan=plan, skill=skill, covered_by=covered_by.get(task.name, ()), lines=lines)
    return CheckedRulebook(
        draft.name,
        draft.title,
        draft.language,
        digest(data),
        data,
        draft.vocabulary,
        tasks,
        draft.parts.declared,
        draft.works,
        draft.offered.options,
        draft.offered.models,
        draft.applies_to,
        draft.defaults,
        tuple(example for example, _ in draft.examples),
    )


def _run_examples(book: CheckedRulebook, draft: Draft, report: Report, run: RunExample) -> None:
    for example, path in draft.examples:
        for finding in run(book, example):
            report.add(replace(finding, path=path + finding.path))
