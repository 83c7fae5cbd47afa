"""Which members each part of a rulebook has: the one list that both the loader and the published schema follow."""

from typing import Final

TOP: Final = (
    "rulebook",
    "title",
    "language",
    "applies_to",
    "defaults",
    "meters",
    "seasons",
    "occurrences",
    "working_conditions",
    "facts",
    "actions",
    "hazards",
    "happenings",
    "procedures",
    "options",
    "tasks",
    "parts",
    "settings",
    "measurements",
    "examples",
)
APPLIES_TO: Final = ("models", "serials")
SERIALS: Final = ("from", "to")
DEFAULTS: Final = ("allowance", "notice", "skill")
NOTICE: Final = ("share", "days")
METER: Final = ("unit", "default", "good_for")
SEASON: Final = ("from", "to")
OCCURRENCE: Final = ("yearly",)
WORKING_CONDITION: Final = ("states", "unless_told")
FACT: Final = ("states", "unit", "known_by", "good_for", "per")
ACTION: Final = ("needs", "makes", "confirm")
HAZARD: Final = ("never", "outcome", "certainty", "signal", "avoid")
HAPPENING: Final = ("needs", "makes")
PROCEDURE: Final = ("steps",)
STEP: Final = ("action", "do", "wait", "follow", "needs", "holds")
ONLY_WITH: Final = ("options", "not_options", "models", "serials")
TASK: Final = (
    "title",
    "kind",
    "where",
    "interval",
    "only_with",
    "needs",
    "holds",
    "leaves",
    "says",
    "may_defer",
    "covers",
    "causes",
    "points",
    "if_found",
    "notice",
    "skill",
    "minutes",
    "tools",
    "uses",
    "steps",
)
FOLLOW_UP: Final = ("then", "within", "unfit")
LINE: Final = ("part", "amount", "only_with")
PART: Final = ("title", "unit", "packs", "replaced_by", "from", "or_else", "only_with", "meets")
REPLACEMENT: Final = ("part", "amount")
AMOUNT: Final = ("value", "unit")
EXAMPLE: Final = ("name", "given", "expect")

KINDS: Final = ("inspect", "clean", "lubricate", "adjust", "replace", "couple")
SAYS: Final = ("law", "maker", "house")
SKILLS: Final = ("operator", "workshop", "specialist")
SIGNALS: Final = ("danger", "warning", "caution", "notice")
OUTCOMES: Final = ("death", "serious injury", "moderate injury", "minor injury", "property damage")
CERTAINTIES: Final = ("will", "could")
KNOWN_BY: Final = ("sensor", "seen")

LANGUAGE: Final = 1
MAX_TEXT: Final = 2000
MAX_TITLE: Final = 200
MAX_NAME: Final = 80
"""A declared name, a part number, a model."""
LEAST_POINTS: Final = 2
MOST_POINTS: Final = 50
MOST_WORDS: Final = 50
"""Words of one task's `if_found`."""
