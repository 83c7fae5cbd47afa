"""Tasks, and the defaults that hold where a task says nothing."""

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Literal

from fieldworthy.core.base.finding import pointer
from fieldworthy.core.base.quantity import CALENDAR_UNITS, METER_UNITS, UNITS, exact, read_amount
from fieldworthy.core.base.vocabulary import Vocabulary
from fieldworthy.core.interval.ast import Allowance, Amount, Interval, Notice
from fieldworthy.core.interval.check import check_allowance
from fieldworthy.core.interval.parse import parse, parse_allowance
from fieldworthy.core.procedure.model import Works
from fieldworthy.core.rulebook.fields import Fields, check_known, type_words, wrong_type
from fieldworthy.core.rulebook.load_found import load_if_found, load_points
from fieldworthy.core.rulebook.load_parts import Offered, Parts, load_lines, only_with
from fieldworthy.core.rulebook.load_works import check_flat, condition, steps_of
from fieldworthy.core.rulebook.model import Defaults, Kind, Task
from fieldworthy.core.rulebook.report import Piece, Report
from fieldworthy.core.rulebook.shapes import DEFAULTS, KINDS, MAX_NAME, MAX_TITLE, NOTICE, SAYS, SKILLS, TASK

_SLUG = re.compile(r"[^\W_]+(?:-[^\W_]+)*\Z")
_SHARE = re.compile(r"\s*(\d{1,3}(?:\.\d{1,6})?)\s*%\s*\Z", re.ASCII)
MAX_MINUTES = 100_000
MAX_NOTICE_DAYS = 3660


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a task may name."""

    vocabulary: Vocabulary
    works: Works
    parts: Parts
    offered: Offered


@dataclass(frozen=True, slots=True)
class DraftTask:
    """A task as it was read, without its plan. pieces: where its interval's rules stand. lines_at: the place of each line in `uses`."""

    task: Task
    path: str
    pieces: tuple[Piece, ...]
    lines_at: tuple[int, ...]


def is_slug(name: str) -> bool:
    """Lower case, digits and hyphens: the form of a rulebook's and a task's name."""
    return len(name) <= MAX_NAME and name == unicodedata.normalize("NFC", name).lower() and _SLUG.match(name) is not None


def load_defaults(top: Fields) -> Defaults:
    """The member `defaults`."""
    if not top.has("defaults"):
        return Defaults()
    value = top.get("defaults")
    if not isinstance(value, dict):
        top.wrong("defaults", "a mapping of `allowance`, `notice` and `skill`")
        return Defaults()
    fields = Fields(top.report, value, top.at("defaults"), "`defaults`", DEFAULTS)
    return Defaults(_allowances(fields), load_notice(fields), fields.choice("skill", SKILLS))


def _allowances(fields: Fields) -> tuple[Allowance, ...]:
    value, path = fields.get("allowance"), fields.at("allowance")
    items = [(path, value)] if isinstance(value, str) else fields.listed("allowance")
    found: list[Allowance] = []
    for at, item in items:
        allowance = _allowance(fields.report, at, item, "allowance")
        if allowance is None:
            continue
        if any(_overlap(allowance, other) for other in found):
            fields.report.error("two_allowances", at, "two allowances hold for the same time and direction", "keep one of them")
        found.append(allowance)
    return tuple(found)


def _overlap(a: Allowance, b: Allowance) -> bool:
    """Whether both can hold for one time: a percentage fits every dimension, an amount its own."""
    ways = a.way is None or b.way is None or a.way == b.way
    units = [UNITS.get(x.amount.unit) for x in (a, b) if x.amount is not None]
    return ways and (len(units) < 2 or units[0] is None or units[1] is None or units[0].dimension == units[1].dimension)


def _allowance(report: Report, path: str, value: Any, name: str) -> Allowance | None:
    if not isinstance(value, str):
        wrong_type(report, path, name, "a text like `10 % late`", value)
        return None
    allowance = report.read(value, [(0, path)], parse_allowance)
    for finding in () if allowance is None else check_allowance(allowance):
        report.in_text(finding, [(0, path)])
    return allowance


def load_notice(fields: Fields) -> Notice | None:
    """The member `notice`: an amount (`3 weeks`, `20 h`), a share (`10 %`), or {share, days}."""
    if not fields.has("notice"):
        return None
    value, path, report = fields.get("notice"), fields.at("notice"), fields.report
    if isinstance(value, dict):
        inner = Fields(report, value, path, "`notice`", NOTICE)
        if not value:
            report.error("missing", path, "`notice` says nothing", "write `share`, `days` or both, or leave it out")
        return Notice(share=_share(inner), days=inner.whole("days", MAX_NOTICE_DAYS))
    text = fields.text("notice")
    if text is None:
        return None
    if "%" in text:
        share = _percent(report, path, text)
        return None if share is None else Notice(share=share)
    amount = read_amount(text)
    if amount is None or amount.value <= 0 or amount.unit.name not in METER_UNITS + CALENDAR_UNITS:
        report.error("notice", path, f"`{text[:60]}` is no notice", "write an amount like `3 weeks` or `20 h`, or `{share: 10 %, days: 7}`")
        return None
    if amount.unit.dimension == "calendar" and amount.value.denominator != 1:
        report.error("notice", path, f"`{text[:60]}` is no whole number of {amount.unit.many}", "write a whole number, or a smaller unit")
        return None
    return Notice(amount=Amount(Fraction(amount.value), amount.unit.name))


def _share(fields: Fields) -> Fraction | None:
    value = fields.get("share")
    if not fields.has("share"):
        return None
    if isinstance(value, str):
        return _percent(fields.report, fields.at("share"), value)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 <= value <= 1:
        fields.report.error(
            "share", fields.at("share"), f"a share is from 0 to 1, not {type_words(value)}", "write it as in `10 %` or `0.1`"
        )
        return None
    return exact(value)


def _percent(report: Report, path: str, text: str) -> Fraction | None:
    found = _SHARE.match(text)
    if found is None or Fraction(found[1]) > 100:
        report.error("share", path, f"`{text[:40]}` is no share", "write it as in `10 %`, from 0 to 100")
        return None
    return Fraction(found[1]) / 100


def load_tasks(top: Fields, around: Surroundings) -> list[DraftTask]:
    """All tasks, in order. Names that they give of each other are checked against all declared ones."""
    entries: list[tuple[str, Any, str]] = []
    for raw, value in top.mapping("tasks").items():
        path = top.at("tasks") + pointer(raw)
        if not is_slug(raw):
            top.report.error(
                "name",
                path,
                f"`{raw[:MAX_NAME]}` is no name for a task",
                "use lower case letters, digits and single hyphens, as in `chain-oil`",
                at_key=True,
            )
        entries.append((raw, value, path))
    known = {raw.casefold(): raw for raw, _, _ in entries}
    found = []
    for order, (raw, value, path) in enumerate(entries):
        if isinstance(value, dict):
            found.append(_task(Fields(top.report, value, path, f"the task `{raw[:MAX_NAME]}`", TASK), raw, order, around, known))
        else:
            wrong_type(top.report, path, raw, "a mapping with `title` and `kind`", value)
    return found


def _task(fields: Fields, name: str, order: int, around: Surroundings, known: Mapping[str, str]) -> DraftTask:
    report = fields.report
    title = fields.text("title", must="Oil the chain", most=MAX_TITLE) or name
    kind: Kind = fields.choice("kind", KINDS, must=True) or "inspect"
    interval, pieces = _interval(fields)
    says: Literal["law", "maker", "house"] = fields.choice("says", SAYS) or "maker"
    leaves = condition(fields, "leaves")
    if leaves is not None:
        report.made.append(report.conditions.pop().condition)
        check_flat(report, leaves, fields.at("leaves"), around.vocabulary.facts)
    needs, holds = condition(fields, "needs"), condition(fields, "holds")
    lines = load_lines(fields, around.parts, around.offered)
    task = Task(
        name=name,
        title=title,
        kind=kind,
        order=order,
        where=tuple(text for _, text in fields.texts("where")),
        interval=interval,
        only_with=only_with(fields, around.offered),
        needs=needs,
        holds=holds,
        needs_text=None if needs is None else fields.get("needs"),
        holds_text=None if holds is None else fields.get("holds"),
        says=says,
        may_defer=_may_defer(fields, says),
        covers=_names(fields, "covers", known, "task", "tasks", own=name),
        causes=_names(fields, "causes", {k: o.name for k, o in around.vocabulary.occurrences.items()}, "occurrence", "occurrences"),
        points=load_points(fields),
        if_found=load_if_found(fields, known, around.vocabulary),
        notice=load_notice(fields),
        skill=fields.choice("skill", SKILLS),
        minutes=fields.whole("minutes", MAX_MINUTES),
        tools=tuple(text for _, text in fields.texts("tools")),
        uses=tuple(lines.values()),
        steps=steps_of(
            fields, {k: a.name for k, a in around.works.actions.items()}, {k: p.name for k, p in around.works.procedures.items()}
        ),
        leaves=leaves,
    )
    return DraftTask(task, fields.path, pieces, tuple(lines))


def _names(fields: Fields, member: str, known: Mapping[str, str], what: str, where: str, own: str | None = None) -> tuple[str, ...]:
    found: dict[str, None] = {}
    for path, raw in fields.texts(member):
        if raw == own:
            fields.report.error(
                "cycle", path, f"the task `{own}` covers itself", "delete it: a record of a task always counts for the task itself"
            )
            continue
        name = check_known(fields.report, path, raw, known, what, where)
        if name is not None:
            found[name] = None
    return tuple(found)


def _interval(fields: Fields) -> tuple[Interval | None, tuple[Piece, ...]]:
    """The interval, a text or a list of rules; and where each rule stands in the one text that was read."""
    value, path = fields.get("interval"), fields.at("interval")
    if not isinstance(value, list):
        text = fields.text("interval")
        if text is None:
            return None, ()
        return fields.report.read(text, [(0, path)], parse), ((0, path),)
    rules = fields.texts("interval", most=2000)
    if len(rules) != len(value):
        return None, ()
    if not value:
        fields.report.error(
            "blank", path, "`interval` is an empty list", "write a rule, or leave it out for a task that is done when asked"
        )
        return None, ()
    pieces, start = [], 0
    for at, text in rules:
        pieces.append((start, at))
        start += len(text) + 2
    return fields.report.read("; ".join(text for _, text in rules), pieces, parse), tuple(pieces)


def _may_defer(fields: Fields, says: str) -> Allowance | None:
    if not fields.has("may_defer"):
        return None
    path = fields.at("may_defer")
    allowance = _allowance(fields.report, path, fields.get("may_defer"), "may_defer")
    if says == "law":
        fields.report.error("law_deferred", path, "a task that the law asks for can't be deferred", "delete `may_defer`", at_key=True)
    elif allowance is not None and allowance.way == "early":
        fields.report.error("deferral", path, "a deferral moves a due point later, never earlier", "delete `early`")
    return allowance
