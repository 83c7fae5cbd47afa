"""What linters of contracts say of openapi/rest.json, and what we answer: python -m tests.strangers.lint

Spectral, with its general rules for OpenAPI and those made after the OWASP API Security Top 10 (2023). What it finds is mended, or answered
in lint_answers.yaml with a reason. Prints how often each rule was broken, and what has no answer; exit code 1 where there is such.
"""

import hashlib
import json
import re
import tempfile
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from tests.strangers.programs import HERE, Programs, installed

CONTRACT = HERE.parents[1] / "openapi" / "rest.json"
ANSWERS = HERE / "lint_answers.yaml"
RULES = "extends: ['spectral:oas', '@stoplight/spectral-owasp-ruleset']\n"
SEVERITIES = ("error", "warning", "information", "hint")


@dataclass(frozen=True, slots=True)
class Found:
    """One finding. place: the path in the contract, with `/` between its steps."""

    severity: str
    rule: str
    place: str
    message: str


@dataclass(frozen=True, slots=True)
class Answer:
    """Findings of a rule at places that fit, and why they stay."""

    rule: str
    at: re.Pattern[str]
    because: str

    def answers(self, found: Found) -> bool:
        return found.rule == self.rule and self.at.fullmatch(found.place) is not None


def answers() -> list[Answer]:
    """The file's answers. `members` stands for these members of any object of the contract."""
    rows = yaml.safe_load(ANSWERS.read_text("utf-8"))
    return [Answer(row["rule"], re.compile(_pattern(row)), row["because"]) for row in rows]


def _pattern(row: dict[str, Any]) -> str:
    if "at" in row:
        return str(row["at"])
    members = "|".join(re.escape(member) for member in row["members"].split())
    return rf"components/schemas/\w+/properties/(?:{members})(?:/items|/anyOf/\d+)*"


def lint(programs: Programs, contract: Path = CONTRACT) -> list[Found]:
    """
    What Spectral finds. Examples are left out of what it reads, since tests/contract holds each to its schema and they double its time.
    What it said of the same contract by the same rules is kept beside the programs.
    """
    read = json.dumps(_without_examples(json.loads(contract.read_text("utf-8"))))
    said = programs.modules.parent / f"lint-{hashlib.sha256((RULES + read).encode()).hexdigest()[:16]}.json"
    if not said.exists():
        with tempfile.TemporaryDirectory() as place:
            room = programs.room(Path(place) / "room")
            (room / "rules.yaml").write_text(RULES, "utf-8")
            (room / "rest.json").write_text(read, "utf-8")
            told = programs.tool(
                "spectral",
                "lint",
                "-r",
                "rules.yaml",
                "-f",
                "json",
                "--quiet",
                "--fail-on-unmatched-globs",
                "rest.json",
                cwd=room,
                ends=(0, 1),
            )
        half = said.with_suffix(f".{hash(place)}")
        half.write_text(told, "utf-8")
        half.rename(said)
    return [
        Found(SEVERITIES[f["severity"]], f["code"], "/".join(map(str, f["path"])), f["message"])
        for f in json.loads(said.read_text("utf-8"))
    ]


def _without_examples(node: Any) -> Any:
    if isinstance(node, dict):
        return {name: _without_examples(part) for name, part in node.items() if name != "example"}
    return [_without_examples(part) for part in node] if isinstance(node, list) else node


def unanswered(found: Iterable[Found], given: Sequence[Answer]) -> list[Found]:
    """What no answer is for."""
    return [one for one in found if not any(answer.answers(one) for answer in given)]


def unasked(found: Sequence[Found], given: Iterable[Answer]) -> list[Answer]:
    """Answers that are for nothing any more."""
    return [answer for answer in given if not any(answer.answers(one) for one in found)]


def main() -> int:
    found, given = lint(installed()), answers()
    left = unanswered(found, given)
    for (severity, rule), times in sorted(Counter((f.severity, f.rule) for f in found).items()):
        open_ = sum(f.rule == rule and f.severity == severity for f in left)
        print(f"{severity:8} {rule:45} {times:4} found, {times - open_:4} answered, {open_:3} not")  # noqa: T201
    for one in left[:40]:
        print(f"  {one.severity} {one.rule} at {one.place}: {one.message}")  # noqa: T201
    return 1 if left else 0


if __name__ == "__main__":
    raise SystemExit(main())
