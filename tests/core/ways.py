"""A way to safe, followed: after each action the facts that it makes are reported anew, and the same is asked again."""

from collections.abc import Iterable
from dataclasses import replace

from fieldworthy.core.answer.clearance import ClearanceAnswer, ClearanceQuestion, Evidence, answer_clearance
from fieldworthy.core.answer.others import takes_off
from fieldworthy.core.base.names import key
from fieldworthy.core.rulebook.model import CheckedRulebook


def done(book: CheckedRulebook, question: ClearanceQuestion, action: str) -> ClearanceQuestion:
    """The question once the action is done and what it makes was reported, by everybody it is reported of; what it takes off is off."""
    made = book.works.actions[key(action)].makes
    facts = book.vocabulary.facts
    kept = [report for report in question.evidence if key(report.fact) not in made]
    new = [Evidence(facts[n].name, state, question.now, min(facts[n].known_by), "p-1") for n, state in made.items()]
    on = tuple(each for each in question.put_on if not takes_off(made, each))
    return replace(question, evidence=(*kept, *new), put_on=on)


def followed(book: CheckedRulebook, question: ClearanceQuestion, actions: Iterable[str]) -> ClearanceAnswer:
    """The answer at the end of the way."""
    for action in actions:
        question = done(book, question, action)
    return answer_clearance(book, question)
