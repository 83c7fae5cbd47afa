"""POST /v1/expressions/check: one interval or condition on its own."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from fieldworthy.core.base.finding import Finding, Severity
from fieldworthy.core.base.vocabulary import Vocabulary
from fieldworthy.core.condition import check as condition_check
from fieldworthy.core.condition import explain as condition_explain
from fieldworthy.core.condition import parse as condition_parse
from fieldworthy.core.interval import check as interval_check
from fieldworthy.core.interval import explain as interval_explain
from fieldworthy.core.interval import parse as interval_parse
from fieldworthy.usecases.asking import Finder
from fieldworthy.usecases.expression_tree import tree
from fieldworthy.usecases.find_rulebook import RulebookSource

Over = Literal["facts", "working conditions"]

VOCABULARY_MEMBERS = ("meters", "seasons", "occurrences", "working_conditions", "facts")


@dataclass(frozen=True, slots=True)
class ExpressionChecked:
    """canonical, tree, aloud: None where the text can't be read. rulebook: whose names were used; None for none.

    names_checked: False where no vocabulary was given: then only the text's form was looked at.
    """

    kind: str
    text: str
    canonical: str | None
    tree: dict[str, Any] | None
    aloud: str | None
    findings: tuple[Finding, ...]
    names_checked: bool
    rulebook: dict[str, Any] | None

    @property
    def good(self) -> bool:
        """Whether a rulebook could be published with it, as far as was looked."""
        return not any(f.severity is Severity.ERROR for f in self.findings)

    def to_json(self) -> dict[str, Any]:
        """Everything but `findings`, which a door writes in its own shape."""
        return {
            "kind": self.kind,
            "text": self.text,
            "canonical": self.canonical,
            "tree": self.tree,
            "aloud": self.aloud,
            "names_checked": self.names_checked,
            "rulebook": self.rulebook,
        }


class CheckExpression:
    """Reads an interval or a condition, and checks its names where a vocabulary is given."""

    def __init__(self, find: Finder) -> None:
        self._find = find

    async def interval(
        self, text: str, rulebook: RulebookSource | None = None, vocabulary: Mapping[str, Any] | None = None
    ) -> ExpressionChecked:
        """rulebook: whose names it may use; vocabulary: `meters`, `seasons`, ... as in a rulebook, in place of one.

        Raises what FindRulebook raises.
        """
        known, provenance = await self._known(rulebook, vocabulary)
        parsed = interval_parse.parse(text)
        if isinstance(parsed, Finding):
            return _unreadable("interval", text, parsed, known, provenance)
        findings = interval_check.check_interval(parsed, known or Vocabulary())
        if known is None:
            findings = [f for f in findings if not _of_names(f)]
        return ExpressionChecked(
            "interval",
            text,
            interval_explain.render(parsed),
            tree(parsed),
            interval_explain.aloud(parsed),
            tuple(findings),
            known is not None,
            provenance,
        )

    async def condition(
        self, text: str, over: Over = "facts", rulebook: RulebookSource | None = None, vocabulary: Mapping[str, Any] | None = None
    ) -> ExpressionChecked:
        """over: what it speaks of. The rest as for an interval."""
        known, provenance = await self._known(rulebook, vocabulary)
        parsed = condition_parse.parse(text)
        if isinstance(parsed, Finding):
            return _unreadable("condition", text, parsed, known, provenance)
        findings: list[Finding] = []
        if known is not None and over == "facts":
            findings = condition_check.check_condition(parsed, known.facts, "fact")
        elif known is not None:
            findings = condition_check.check_condition(parsed, known.working_conditions, "working condition")
        return ExpressionChecked(
            "condition",
            text,
            condition_explain.render(parsed),
            tree(parsed),
            condition_explain.aloud(parsed),
            tuple(findings),
            known is not None,
            provenance,
        )

    async def _known(
        self, rulebook: RulebookSource | None, vocabulary: Mapping[str, Any] | None
    ) -> tuple[Vocabulary | None, dict[str, Any] | None]:
        if rulebook is not None:
            found = await self._find(rulebook)
            return found.book.vocabulary, found.provenance()
        if vocabulary is not None:
            # the smallest rulebook that declares these names: so they are read and checked by the one reader that there is
            asked = {member: vocabulary[member] for member in VOCABULARY_MEMBERS if member in vocabulary}
            found = await self._find({"rulebook": "vocabulary", "title": "vocabulary", **asked})
            return found.book.vocabulary, None
        return None, None


_OF_METERS = frozenset({"interval.no_meter", "interval.which_meter", "interval.unit_of_meter"})


def _of_names(finding: Finding) -> bool:
    """Whether a finding is about what a rulebook declares; a misspelt unit is not, for units are the same everywhere."""
    code = finding.code
    about_names = code.startswith(("interval.unknown_", "condition.")) and code != "interval.unknown_unit"
    return about_names or code in _OF_METERS


def _unreadable(kind: str, text: str, finding: Finding, known: Vocabulary | None, provenance: dict[str, Any] | None) -> ExpressionChecked:
    return ExpressionChecked(kind, text, None, None, None, (finding,), known is not None, provenance)
