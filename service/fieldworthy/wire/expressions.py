"""An expression read back, as it is asked for and answered."""

from typing import Any

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.core.base.span import line_and_column
from fieldworthy.usecases.check_expression import CheckExpression
from fieldworthy.wire.problems import finding_json


def document_of(given: Any) -> tuple[Any, str]:
    """The rulebook or vocabulary that a validated ExpressionIn names, and where it stands."""
    rulebook = given.get("rulebook")
    return rulebook, "/rulebook" if rulebook is not None else "/vocabulary"


async def read_back(given: Any, check: CheckExpression) -> dict[str, Any]:
    """The answer to a validated ExpressionIn. Raises Refused, and what FindRulebook raises."""
    _one_of(given, "interval", "condition")
    if "rulebook" in given and "vocabulary" in given:
        raise _refused("`rulebook` and `vocabulary` are both given", "give one of them, or neither")
    if "over" in given and "condition" not in given:
        raise _refused("`over` is given without `condition`", "leave `over` out: only a condition speaks of facts or of working conditions")
    rulebook, vocabulary = given.get("rulebook"), given.get("vocabulary")
    if "interval" in given:
        checked = await check.interval(given["interval"], rulebook, vocabulary)
    else:
        checked = await check.condition(given["condition"], given.get("over", "facts"), rulebook, vocabulary)
    return {**checked.to_json(), "findings": [finding_json(_placed(f, checked.kind, checked.text)) for f in checked.findings]}


def _placed(finding: Finding, member: str, text: str) -> Finding:
    """A finding of an expression with its line and column in it."""
    if finding.span is None:
        return finding.at("/" + member)
    return finding.at("/" + member, *line_and_column(text, finding.span.start))


def _one_of(given: Any, *members: str) -> None:
    if sum(m in given for m in members) != 1:
        wanted = " and ".join(f"`{m}`" for m in members)
        raise _refused(f"exactly one of {wanted} is to be given", "give one of them")


def _refused(message: str, mend: str) -> Refused:
    return Refused([Finding("request.one_of", message, mend)])
