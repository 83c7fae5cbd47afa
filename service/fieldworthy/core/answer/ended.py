"""Which reports no longer count while a procedure is under way, and why they must be made anew.

Two rules, beside those of `evidence`:

1.  **A report ends with the step that overtakes it.** A step overtakes the facts that its action makes, and those by which it is
    confirmed or that it waits for (doing proves nothing, so neither does what was seen before). A report of such a fact counts only
    if it was made at the time of that step or later. Of a fact `per: person` a step ends what its own worker reported and that others
    were at rest; who else was reported elsewhere is still there.
2.  **What can change by itself is verified again.** Energy that can build up again is verified until the work is done (29 CFR
    1910.147(d)(5)). A happening is possible unless what it needs is false by the reports that count, where every fact that a possible
    happening could have changed counts as not known. A report older than the last step done, of a fact that a possible happening
    would bring into another state than the reported one, is not used to grant the next step. (Where the step is withheld
    even with it, it stays, and says more.)
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from fieldworthy.core.answer.clearance import ClearanceAnswer, answer_clearance
from fieldworthy.core.answer.evidence import Evidence, Known, Missing, how_to_find_out, weigh
from fieldworthy.core.answer.progress import DoneStep, Progress
from fieldworthy.core.base.names import key
from fieldworthy.core.base.reason import Reason
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.base.vocabulary import Fact, state_of
from fieldworthy.core.condition.evaluate import Value, evaluate, names_of
from fieldworthy.core.procedure.model import Happening


@dataclass(frozen=True, slots=True)
class Ended:
    """Why a fact (names.key) must be reported anew. why: `must-be-reported-again` or `must-be-verified-again`."""

    fact: str
    why: str
    text: str


@dataclass(frozen=True, slots=True)
class Reports:
    """The reports that count, and by fact (names.key) why older ones no longer do."""

    kept: tuple[Evidence, ...]
    ended: Mapping[str, Ended]


def overtaken(progress: Progress) -> Reports:
    """The reports that no done step has overtaken (rule 1)."""
    facts = progress.book.vocabulary.facts
    steps: dict[str, list[DoneStep]] = {}
    for each, name in _overtakes(progress):
        steps.setdefault(name, []).append(each)
    kept: list[Evidence] = []
    ended: dict[str, Ended] = {}
    for report in progress.question.evidence:
        name = key(report.fact)
        by = next((s for s in reversed(steps.get(name, ())) if report.at < s.at and _ends(facts[name], report, s, progress)), None)
        if by is None:
            kept.append(report)
        else:
            text = f"What was reported of `{facts[name].name}` is from before step {by.step} was done, and no longer counts."
            ended[name] = Ended(name, "must-be-reported-again", text)
    return Reports(tuple(kept), ended)


def _overtakes(progress: Progress) -> Iterable[tuple[DoneStep, str]]:
    for each in progress.question.done:
        action, step = progress.action(each.step), progress.steps[each.step - 1]
        named = dict.fromkeys(action.makes if action is not None else ())
        for proof in (None if action is None else action.confirm, step.wait_until):
            named.update(dict.fromkeys(names_of(proof) if proof is not None else ()))
        yield from ((each, name) for name in named)


def _ends(fact: Fact, report: Evidence, step: DoneStep, progress: Progress) -> bool:
    """Whether what a step did ends a report that is older."""
    if not fact.per_person or report.by == (step.by or progress.question.by):
        return True
    return isinstance(report.value, str) and state_of(fact.states, report.value) == fact.states[0]


def clear_next(progress: Progress, number: int, reports: Reports, way: bool) -> ClearanceAnswer:
    """
    The clearance of the next step by the reports that count (rule 1), verified again where they must be (rule 2).

    way: whether what has to be done first is sought.
    """
    answer = answer_clearance(progress.book, progress.question.clearance(number, reports.kept), way)
    again = verify_again(progress, reports.kept) if answer.granted else {}
    if not again:
        return _restated(answer, reports.ended, progress)
    kept = tuple(r for r in reports.kept if key(r.fact) not in again)
    sure = answer_clearance(progress.book, progress.question.clearance(number, kept), way)
    return _restated(sure, {**reports.ended, **again}, progress)


def verify_again(progress: Progress, kept: tuple[Evidence, ...]) -> Mapping[str, Ended]:
    """The facts whose reports are older than the last done step, and that may have changed by themselves since they were made."""
    last, facts = progress.last, progress.book.vocabulary.facts
    if last is None:
        return {}
    known = {n: each for n, each in weigh(facts, kept, progress.question.now).items() if isinstance(each, Known)}
    moved = may_have_changed({name: each.value for name, each in known.items()}, progress.book.works.happenings.values())
    again = {}
    for name, happening in moved.items():
        if known[name].report.at < last.at:
            text = (
                f"`{facts[name].name}` can change by itself (`{happening.name}`), and what was reported of it is older than step "
                f"{last.step}: it must be verified again."
            )
            again[name] = Ended(name, "must-be-verified-again", text)
    return again


def may_have_changed(values: Mapping[str, Value], happenings: Iterable[Happening]) -> Mapping[str, Happening]:
    """
    The known facts that any order of happenings could bring into another state, each with the first happening that could.

    values: of the known facts. Over-cautious, never the other way: what may have changed counts as not known for what happens then.
    """
    happenings = tuple(happenings)
    moved: dict[str, Happening] = {}
    while True:
        since = {name: None if name in moved else value for name, value in values.items()}
        more = {
            name: happening
            for happening in reversed(happenings)
            if happening.needs is None or evaluate(happening.needs, since) is not Truth.NO
            for name, state in happening.makes.items()
            if name in values and name not in moved and values[name] != key(state)
        }
        if not more:
            return moved
        moved |= more


def _restated(answer: ClearanceAnswer, ended: Mapping[str, Ended], progress: Progress) -> ClearanceAnswer:
    """The answer, saying of a fact whose reports have ended why they have, and not that there is none."""
    facts = progress.book.vocabulary.facts
    missing = tuple(missing_of(m, facts, ended) for m in answer.missing)
    restated = {m.fact: Reason(m.why, m.text, {"fact": m.fact}) for m in missing if m.why not in ("not-reported", "not-said")}
    because = tuple(restated.get(r.values.get("fact", ""), r) if r.code == "not-reported" else r for r in answer.because)
    return replace(answer, missing=missing, because=because)


def missing_of(missing: Missing, facts: Mapping[str, Fact], ended: Mapping[str, Ended]) -> Missing:
    """What is missing, with why its reports have ended where that is so."""
    each = ended.get(key(missing.fact)) if missing.why == "not-reported" else None
    return missing if each is None else Missing(missing.fact, each.why, each.text, how_to_find_out(facts[each.fact]))
