"""The examples that the contract shows. A test runs each against the app, in this order, and gets exactly what is shown."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib.resources import files
from typing import Any


@dataclass(frozen=True, slots=True)
class Example:
    """One call and its answer. parameters: those of the path, the query and the headers, by name."""

    operation: str
    method: str
    path: str
    status: int
    parameters: Mapping[str, str] = field(default_factory=dict)
    body: Any = None
    body_type: str = "application/json"
    answer: Any = None
    answer_type: str = "application/json"


def load() -> dict[str, Example]:
    """Every example by its operation, in the order in which they run."""
    raw = (files("fieldworthy.rest") / "examples.json").read_text("utf-8")
    return {entry["operation"]: Example(**entry) for entry in json.loads(raw)}


EXAMPLES: Mapping[str, Example] = load()
