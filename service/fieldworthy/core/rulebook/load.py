"""Plain JSON data to a draft: every member read, every finding with its path. What the draft means is checked in check.py."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from fieldworthy.core.base import names
from fieldworthy.core.base.fit import Fit
from fieldworthy.core.base.vocabulary import Vocabulary
from fieldworthy.core.procedure.model import Works
from fieldworthy.core.rulebook.fields import Fields, type_words
from fieldworthy.core.rulebook.load_parts import Offered, Parts, load_offered, load_parts, load_serials
from fieldworthy.core.rulebook.load_tasks import DraftTask, Surroundings, is_slug, load_defaults, load_tasks
from fieldworthy.core.rulebook.load_words import load_vocabulary
from fieldworthy.core.rulebook.load_works import load_works
from fieldworthy.core.rulebook.model import Defaults, Example
from fieldworthy.core.rulebook.report import Report
from fieldworthy.core.rulebook.shapes import APPLIES_TO, EXAMPLE, LANGUAGE, MAX_TITLE, TOP


@dataclass(slots=True)
class Draft:
    """A rulebook as it was read: complete in form, not yet checked for meaning."""

    name: str
    title: str
    language: int
    vocabulary: Vocabulary
    works: Works
    parts: Parts
    tasks: list[DraftTask]
    offered: Offered
    applies_to: Fit | None
    defaults: Defaults
    examples: list[tuple[Example, str]] = field(default_factory=list)


def load(data: Any, report: Report) -> Draft | None:
    """The draft that plain JSON data describe, and every finding of their form in `report`. None only where they are no mapping."""
    if not isinstance(data, dict):
        report.error(
            "wrong_type", "", f"a rulebook must be a mapping, not {type_words(data)}", "write members like `rulebook: name`, one a line"
        )
        return None
    top = Fields(report, data, "", "a rulebook", TOP)
    name = top.text("rulebook", must="plover-r5-baler")
    if name is not None and not is_slug(name):
        report.error("name", "/rulebook", f"`{name[:80]}` is no name for a rulebook", "use lower case letters, digits and single hyphens")
    title = top.text("title", must="Plover R5 round baler", most=MAX_TITLE)
    language = top.whole("language", 1_000)
    if language not in (None, LANGUAGE):
        report.error("language", "/language", f"`{language}` is no language that is known here", f"write `{LANGUAGE}`")
    applies_to = top.mapping("applies_to")
    offered = load_offered(top, applies_to)
    vocabulary = load_vocabulary(top)
    works = load_works(top, vocabulary.facts)
    parts = load_parts(top, offered)
    top.mapping("settings")
    top.mapping("measurements")
    return Draft(
        name or "",
        title or "",
        LANGUAGE,
        vocabulary,
        works,
        parts,
        load_tasks(top, Surroundings(vocabulary, works, parts, offered)),
        offered,
        _applies_to(top, applies_to),
        load_defaults(top),
        _examples(top),
    )


def _applies_to(top: Fields, data: Mapping[str, Any]) -> Fit | None:
    if not data:
        return None
    fields = Fields(top.report, data, "/applies_to", "`applies_to`", APPLIES_TO)
    models = frozenset(names.key(model) for _, model in fields.texts("models"))
    return Fit(models=models, serials=load_serials(fields))


def _examples(top: Fields) -> list[tuple[Example, str]]:
    found = []
    for path, item in top.listed("examples"):
        if not isinstance(item, dict):
            top.report.error(
                "wrong_type", path, f"an example must be a mapping of `name`, `given` and `expect`, not {type_words(item)}", "write it so"
            )
            continue
        fields = Fields(top.report, item, path, "an example", EXAMPLE)
        name = fields.text("name", must="three quarters of the way", most=MAX_TITLE)
        for member in ("given", "expect"):
            if not fields.has(member):
                fields.missing(member, "{…}")
        given, expect = fields.mapping("given"), fields.mapping("expect")
        if name is not None and given and expect:
            found.append((Example(name, given, expect), path))
        elif name is not None and (fields.get("given") == {} or fields.get("expect") == {}):
            top.report.error("blank", path, f"the example `{name}` gives or expects nothing", "say what is given and what is expected")
    return found
