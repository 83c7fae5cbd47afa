"""The form of a rulebook as a JSON Schema (2020-12), for editors and programs. It follows load.py; what a rulebook means it can't say.

The schema never refuses what the check accepts, and it refuses every unknown member, wrong type and missing member: a test holds both.
"""

from collections.abc import Sequence
from typing import Any

from fieldworthy.core.rulebook import shapes
from fieldworthy.core.rulebook.check import MAX_TASKS
from fieldworthy.core.rulebook.load_tasks import MAX_MINUTES, MAX_NOTICE_DAYS
from fieldworthy.core.rulebook.schema_words import DESCRIBED

Schema = dict[str, Any]

_BLANK_FREE = r"\S"


def rulebook_schema() -> Schema:
    """The schema as plain JSON data, new each time."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": "urn:fieldworthy:rulebook:1",
        "title": "Rulebook",
        "description": "When the upkeep of a kind of machine is due, what it needs to be safe, and the parts that it takes.",
        **_object("rulebook", shapes.TOP, _top(), ("rulebook", "title")),
        "$defs": _definitions(),
    }


def _object(what: str, members: Sequence[str], schemas: dict[str, Schema], required: Sequence[str] = (), **more: Any) -> Schema:
    """A mapping of exactly these members, each described."""
    properties = {name: {**schemas[name], "description": DESCRIBED[f"{what}.{name}"]} for name in members}
    needed = {"required": list(required)} if required else {}
    return {"type": "object", "properties": properties, "additionalProperties": False, **needed, **more}


def _text(most: int = shapes.MAX_TEXT, **more: Any) -> Schema:
    return {"type": "string", "minLength": 1, "maxLength": most, "pattern": _BLANK_FREE, **more}


def _ref(name: str) -> Schema:
    return {"$ref": f"#/$defs/{name}"}


def _list(items: Schema, **more: Any) -> Schema:
    return {"type": "array", "items": items, **more}


def _declared(entry: Schema) -> Schema:
    """A mapping from declared names to their entries."""
    return {"type": "object", "propertyNames": {"minLength": 1, "maxLength": shapes.MAX_NAME}, "additionalProperties": entry}


def _top() -> dict[str, Schema]:
    any_mapping: Schema = {"type": "object"}
    return {
        "rulebook": _ref("slug"),
        "title": _text(shapes.MAX_TITLE),
        "language": {"const": shapes.LANGUAGE},
        "applies_to": _object("applies_to", shapes.APPLIES_TO, {"models": _list(_text(shapes.MAX_NAME)), "serials": _ref("serials")}),
        "defaults": _object(
            "defaults", shapes.DEFAULTS, {"allowance": _one_or_many(_ref("text")), "notice": _ref("notice"), "skill": _enum(shapes.SKILLS)}
        ),
        "meters": _declared(_ref("meter")),
        "seasons": _declared(_ref("season")),
        "occurrences": _declared(_ref("occurrence")),
        "working_conditions": _declared(_ref("working_condition")),
        "facts": _declared(_ref("fact")),
        "actions": _declared(_ref("action")),
        "hazards": _declared(_ref("hazard")),
        "happenings": _declared(_ref("happening")),
        "procedures": _declared(_ref("procedure")),
        "options": _list(_text(shapes.MAX_NAME)),
        "tasks": {
            "type": "object",
            "propertyNames": _ref("slug"),
            "additionalProperties": _ref("task"),
            "maxProperties": MAX_TASKS,
        },
        "parts": _declared(_ref("part")),
        "settings": any_mapping,
        "measurements": any_mapping,
        "examples": _list(_ref("example")),
    }


def _enum(words: Sequence[str]) -> Schema:
    return {"enum": list(words)}


def _one_or_many(one: Schema, **more: Any) -> Schema:
    return {"anyOf": [one, _list(one, **more)]}


def _definitions() -> dict[str, Schema]:
    condition, duration, month_day = _ref("condition"), _ref("duration"), _ref("month_day")
    states = _list(_text(shapes.MAX_NAME), minItems=1)
    return {
        "slug": {"type": "string", "minLength": 1, "maxLength": shapes.MAX_NAME, "pattern": r"^[^A-Z\s_]+$"},
        "text": _text(),
        "condition": _text(description="A condition over facts, as in `engine is stopped and key is removed`."),
        "duration": _text(description="A length of time: `60 s`, `2 min`, `4 h`, `2 days`."),
        "month_day": {"type": "string", "pattern": r"^\d\d-\d\d$", "description": "A day of the year, MM-DD."},
        "amount": {
            "description": "An amount of a part: `60 g`, {value, unit}, or a number of the part's own unit.",
            "anyOf": [
                _text(60),
                {"type": "number"},
                _object("amount", shapes.AMOUNT, {"value": {"type": "number"}, "unit": _text()}, shapes.AMOUNT),
            ],
        },
        "serials": _object("serials", shapes.SERIALS, {"from": _text(shapes.MAX_NAME), "to": _text(shapes.MAX_NAME)}, minProperties=1),
        "notice": {
            "anyOf": [
                _text(),
                _object(
                    "notice",
                    shapes.NOTICE,
                    {
                        "share": {"anyOf": [_text(), {"type": "number", "minimum": 0, "maximum": 1}]},
                        "days": {"type": "integer", "minimum": 0, "maximum": MAX_NOTICE_DAYS},
                    },
                    minProperties=1,
                ),
            ]
        },
        "meter": _object("meter", shapes.METER, {"unit": _text(), "default": {"type": "boolean"}, "good_for": duration}, ("unit",)),
        "season": _object("season", shapes.SEASON, {"from": month_day, "to": month_day}, shapes.SEASON),
        "occurrence": _object("occurrence", shapes.OCCURRENCE, {"yearly": month_day}),
        "working_condition": {
            "anyOf": [
                states,
                _object(
                    "working_condition", shapes.WORKING_CONDITION, {"states": states, "unless_told": {"const": "unknown"}}, ("states",)
                ),
            ]
        },
        "fact": _object(
            "fact",
            shapes.FACT,
            {
                "states": states,
                "unit": _text(),
                "known_by": _list(_enum(shapes.KNOWN_BY), minItems=1),
                "good_for": duration,
                "per": {"const": "person"},
            },
            oneOf=[{"required": ["states"]}, {"required": ["unit"]}],
        ),
        "action": _object("action", shapes.ACTION, {"needs": condition, "makes": condition, "confirm": condition}, ("makes",)),
        "hazard": _hazard(),
        "happening": _object("happening", shapes.HAPPENING, {"needs": condition, "makes": condition}, ("makes",)),
        "steps": _list(_ref("step")),
        "procedure": {"anyOf": [_ref("steps"), _object("procedure", shapes.PROCEDURE, {"steps": _ref("steps")}, shapes.PROCEDURE)]},
        "step": _step(),
        "only_with": _only_with(),
        "task": _task(),
        "follow_up": _follow_up(),
        "line": _object(
            "line",
            shapes.LINE,
            {"part": _text(shapes.MAX_NAME), "amount": _ref("amount"), "only_with": _ref("only_with")},
            ("part", "amount"),
        ),
        "part": _part(),
        "example": _object(
            "example",
            shapes.EXAMPLE,
            {
                "name": _text(shapes.MAX_TITLE),
                "given": {"type": "object", "minProperties": 1},
                "expect": {"type": "object", "minProperties": 1},
            },
            shapes.EXAMPLE,
        ),
    }


def _hazard() -> Schema:
    members: dict[str, Schema] = {
        "never": _ref("condition"),
        "outcome": _enum(shapes.OUTCOMES),
        "certainty": _enum(shapes.CERTAINTIES),
        "signal": _enum(shapes.SIGNALS),
        "avoid": _text(),
    }
    either: list[Schema] = [{"required": ["signal"]}, {"required": ["outcome", "certainty"]}]
    together = {"outcome": ["certainty"], "certainty": ["outcome"]}
    return _object("hazard", shapes.HAZARD, members, ("never", "avoid"), anyOf=either, dependentRequired=together)


def _step() -> Schema:
    condition = _ref("condition")
    members = {"action": _text(), "do": _text(), "wait": _text(), "follow": _text(shapes.MAX_NAME), "needs": condition, "holds": condition}
    kinds: list[Schema] = [{"required": [kind]} for kind in ("action", "do", "wait")]
    kinds.append({"required": ["follow"], "not": {"anyOf": [{"required": ["needs"]}, {"required": ["holds"]}]}})
    return {
        "anyOf": [
            {"type": "string", "description": "The name of an action."},
            _object("step", shapes.STEP, members, oneOf=kinds),
        ]
    }


def _only_with() -> Schema:
    names = _list(_text(shapes.MAX_NAME))
    members = {"options": names, "not_options": names, "models": names, "serials": _ref("serials")}
    return {
        "description": "Which machines this is for; a text means an option, else a model.",
        "anyOf": [{"type": "string"}, names, _object("only_with", shapes.ONLY_WITH, members)],
    }


def _task() -> Schema:
    condition, names = _ref("condition"), _list(_text(shapes.MAX_NAME))
    members: dict[str, Schema] = {
        "title": _text(shapes.MAX_TITLE),
        "kind": _enum(shapes.KINDS),
        "where": names,
        "interval": _one_or_many(_ref("text"), minItems=1),
        "only_with": _ref("only_with"),
        "needs": condition,
        "holds": condition,
        "leaves": condition,
        "says": _enum(shapes.SAYS),
        "may_defer": _text(),
        "covers": names,
        "causes": names,
        "points": {
            "type": "array",
            "items": _text(shapes.MAX_NAME),
            "minItems": shapes.LEAST_POINTS,
            "maxItems": shapes.MOST_POINTS,
        },
        "if_found": {**_declared(_ref("follow_up")), "maxProperties": shapes.MOST_WORDS},
        "notice": _ref("notice"),
        "skill": _enum(shapes.SKILLS),
        "minutes": {"type": "integer", "minimum": 0, "maximum": MAX_MINUTES},
        "tools": names,
        "uses": _list(_ref("line")),
        "steps": _ref("steps"),
    }
    return _object("task", shapes.TASK, members, ("title", "kind"))


def _follow_up() -> Schema:
    members: dict[str, Schema] = {"then": _text(shapes.MAX_NAME), "within": _text(), "unfit": {"type": "boolean"}}
    either: list[Schema] = [{"required": ["then"]}, {"required": ["unfit"]}]
    return _object("follow_up", shapes.FOLLOW_UP, members, anyOf=either, dependentRequired={"within": ["then"]})


def _part() -> Schema:
    replacement = _object("replacement", shapes.REPLACEMENT, {"part": _text(shapes.MAX_NAME), "amount": _ref("amount")}, ("part",))
    members: dict[str, Schema] = {
        "title": _text(shapes.MAX_TITLE),
        "unit": _text(),
        "packs": _list(_ref("amount")),
        "replaced_by": {"anyOf": [{"type": "string"}, _list({"anyOf": [{"type": "string"}, replacement]})]},
        "from": {"type": "string", "pattern": r"^\d{4}-\d\d-\d\d$"},
        "or_else": _list(_text(shapes.MAX_NAME)),
        "only_with": _ref("only_with"),
        "meets": {"type": "object"},
    }
    return _object("part", shapes.PART, members, ("title", "unit"))
