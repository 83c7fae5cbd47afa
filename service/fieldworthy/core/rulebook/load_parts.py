"""Parts, the lines of tasks that use them, and which machines something is for."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from fieldworthy.core.base import names
from fieldworthy.core.base.finding import did_you_mean
from fieldworthy.core.base.fit import Fit, Serials
from fieldworthy.core.base.quantity import PART_UNITS, UNITS, Quantity
from fieldworthy.core.parts.model import Line, Part, Replacement
from fieldworthy.core.rulebook.amounts import day, part_amount, unit_of
from fieldworthy.core.rulebook.fields import Fields, check_known, check_name, type_words, wrong_type
from fieldworthy.core.rulebook.report import Report
from fieldworthy.core.rulebook.shapes import LINE, MAX_NAME, MAX_TITLE, ONLY_WITH, PART, REPLACEMENT, SERIALS


@dataclass(frozen=True, slots=True)
class Offered:
    """What machines of the rulebook may have or be: `names.key` -> as declared. models: empty where `applies_to` names none."""

    options: Mapping[str, str] = field(default_factory=dict)
    models: Mapping[str, str] = field(default_factory=dict)


@dataclass(slots=True)
class Parts:
    """
    declared: by number as declared. numbers: `names.key` -> as declared. unclear: `names.key` of parts whose unit could not be
    understood.
    """

    declared: dict[str, Part] = field(default_factory=dict)
    numbers: dict[str, str] = field(default_factory=dict)
    unclear: set[str] = field(default_factory=set)


def load_parts(top: Fields, offered: Offered) -> Parts:
    """All parts; what is wrong among them is found by parts.check."""
    parts = Parts()
    raw: dict[str, tuple[Fields | None, str]] = {}
    for number, key, value, path in top.declared("parts", "a part", free=True):
        fields = Fields(top.report, value, path, f"the part `{number}`", PART) if isinstance(value, dict) else None
        if fields is None:
            wrong_type(top.report, path, number, "a mapping with `title` and `unit`", value)
        unit = None if fields is None else unit_of(fields, "unit", PART_UNITS, "parts")
        if unit is None:
            parts.unclear.add(key)
        raw[path] = (fields, number)
        parts.declared[number] = Part(number, "", unit or UNITS["each"])
        parts.numbers.setdefault(names.key(number), number)
    for fields, number in raw.values():
        if fields is not None:
            parts.declared[number] = _part(fields, number, parts, offered)
    return parts


def _part(fields: Fields, number: str, parts: Parts, offered: Offered) -> Part:
    report, unit = fields.report, parts.declared[number].unit
    title = fields.text("title", must="Grease EP 2", most=MAX_TITLE) or ""
    packs = [part_amount(report, path, item, "packs", unit) for path, item in fields.listed("packs")]
    return Part(
        number,
        title,
        unit,
        packs=tuple(p for p in packs if p is not None),
        replaced_by=_replaced_by(fields, parts),
        from_day=day(fields, "from"),
        or_else=tuple(item for _, item in fields.texts("or_else")),
        only_with=only_with(fields, offered),
        meets=dict(fields.mapping("meets")),
    )


def _replaced_by(fields: Fields, parts: Parts) -> tuple[Replacement, ...]:
    value = fields.get("replaced_by")
    items = [(fields.at("replaced_by"), value)] if isinstance(value, str) else fields.listed("replaced_by")
    found: list[Replacement] = []
    for path, item in items:
        if isinstance(item, str):
            found.append(Replacement(item))
            continue
        if not isinstance(item, dict):
            wrong_type(fields.report, path, "replaced_by", "a part's number or `{part, amount}`", item)
            continue
        inner = Fields(fields.report, item, path, "a replacement", REPLACEMENT)
        part = inner.text("part", must="PL-1181", most=MAX_NAME)
        if part is not None:
            found.append(Replacement(part, _of_part(inner, part, parts)))
    return tuple(found)


def _of_part(fields: Fields, part: str, parts: Parts) -> Quantity | None:
    if not fields.has("amount"):
        return None
    known = parts.declared.get(parts.numbers.get(names.key(part), part))
    return part_amount(fields.report, fields.at("amount"), fields.get("amount"), "amount", None if known is None else known.unit)


def load_lines(fields: Fields, parts: Parts, offered: Offered) -> Mapping[int, Line]:
    """The `uses` of a task by their place in the list. An entry that could not be read becomes no line."""
    lines: dict[int, Line] = {}
    for place, (path, item) in enumerate(fields.listed("uses")):
        if not isinstance(item, dict):
            wrong_type(fields.report, path, "uses", "a mapping `{part, amount}`", item)
            continue
        inner = Fields(fields.report, item, path, "a line", LINE)
        part = inner.text("part", must="PL-0400", most=MAX_NAME)
        if not inner.has("amount"):
            inner.missing("amount", "60 g")
        amount = None if part is None else _of_part(inner, part, parts)
        fit = only_with(inner, offered)
        if part is not None and amount is not None:
            lines[place] = Line(part, amount, fit)
    return lines


def load_serials(fields: Fields, name: str = "serials") -> Serials | None:
    """A range of serial numbers, one end of which may be open."""
    if not fields.has(name):
        return None
    value = fields.get(name)
    if not isinstance(value, dict):
        fields.wrong(name, "a mapping of `from`, `to` or both")
        return None
    inner = Fields(fields.report, value, fields.at(name), "a range of serial numbers", SERIALS)
    if not value:
        fields.report.error(
            "missing", fields.at(name), "the range of serial numbers is empty", "write `from`, `to` or both, or leave it out"
        )
        return None
    return Serials(inner.text("from", most=MAX_NAME), inner.text("to", most=MAX_NAME))


def only_with(fields: Fields, offered: Offered) -> Fit | None:
    """The member `only_with`: a mapping, one text, or several (each means an option, else a model). None where absent."""
    if not fields.has("only_with"):
        return None
    value, path = fields.get("only_with"), fields.at("only_with")
    if isinstance(value, dict):
        return _fit(Fields(fields.report, value, path, "`only_with`", ONLY_WITH), offered)
    if isinstance(value, str):
        return _named(fields.report, [(path, value)], offered)
    if isinstance(value, list):
        return _named(fields.report, fields.texts("only_with"), offered)
    message = f"`only_with` must be an option, a list or a mapping, not {type_words(value)}"
    fields.report.error("wrong_type", path, message, "write an option, or `{options: [...], models: [...]}`")
    return None


def _fit(fields: Fields, offered: Offered) -> Fit:
    report = fields.report
    options, barred = (
        frozenset(names.key(n) for path, n in fields.texts(member) if check_known(report, path, n, offered.options, "option", "options"))
        for member in ("options", "not_options")
    )
    both = sorted(options & barred)
    if both:
        report.error(
            "never_fits",
            fields.at("not_options"),
            f"`{offered.options[both[0]]}` must be fitted and must not be",
            "take it out of one of the two",
        )
    models = frozenset(names.key(n) for path, n in fields.texts("models") if _model(report, path, n, offered))
    return Fit(options, barred, models, load_serials(fields))


def _model(report: Report, path: str, name: str, offered: Offered) -> bool:
    return not offered.models or check_known(report, path, name, offered.models, "model", "applies_to: {models: [...]}") is not None


def _named(report: Report, named: list[tuple[str, str]], offered: Offered) -> Fit:
    options, models = set(), set()
    for path, name in named:
        key = names.key(name)
        if key in offered.options:
            options.add(key)
        elif key in offered.models:
            models.add(key)
        else:
            known = [*offered.options.values(), *offered.models.values()]
            mend = did_you_mean(name, known, "declare it under `options`, or under `applies_to: {models: [...]}`")
            report.error("unknown_option", path, f"no option and no model is called `{names.tidy(name)[:MAX_NAME]}`", mend)
    return Fit(options=frozenset(options), models=frozenset(models))


def load_offered(top: Fields, applies_to: Mapping[str, Any]) -> Offered:
    """The options that the rulebook declares, and the models that it applies to."""
    options: dict[str, str] = {}
    for path, raw in top.texts("options"):
        tidy = check_name(top.report, path, raw, "an option")
        if names.key(tidy) in options:
            top.report.error("duplicate_name", path, f"the option `{tidy}` is listed twice", "delete one of the two")
        options.setdefault(names.key(tidy), tidy)
    models = applies_to.get("models")
    listed = [m for m in models if isinstance(m, str)] if isinstance(models, list) else []
    return Offered(options, {names.key(m): names.tidy(m) for m in listed})
