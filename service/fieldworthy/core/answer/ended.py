"""Which reports no longer grant while a procedure is under way, and why they must be made anew. What stops the work is in `words`.

Two rules, beside those of `evidence`:

1.  **A report ends with the step that overtakes it.** A step overtakes the facts that its action makes, and those by which it is
    confirmed or that it waits for (doing proves nothing, so neither does what was seen before). A report of such a fact counts only
    if it was surely made at the time of that step or later (its clock may be ahead); while a step is begun and not done, what its action
    makes ends at its beginning. Of a fact `per: person` a step ends what its own worker reported and that others were at rest; who else was
    reported elsewhere is still there, and a report without a name may be anybody's. Of whoever a step moved, and of whoever was last
    reported not to be at rest in a report that ended, the fact is not known before they themselves have reported it anew, in a report that
    counts, whatever others have reported of themselves.
2.  **What can change by itself is verified again.** Energy that can build up again is verified until the work is done (29 CFR
    1910.147(d)(5)). A report older than the end of the last step, of a fact that a happening may have brought into another state since it
    was made (`happened`), grants nothing, and no way is planned on it. Where several persons have reported a fact of their own, each of
    these reports is looked at.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from fieldworthy.core.answer.clearance import ClearanceAnswer, clear
from fieldworthy.core.answer.evidence import (
    Doubt,
    Evidence,
    Known,
    Missing,
    earliest,
    how_to_find_out,
    is_ahead,
    latest,
    said,
    source_counts,
    value_of,
    weigh,
)
from fieldworthy.core.answer.happened import excluded_from, said_since
from fieldworthy.core.answer.meanwhile import TOLD_OTHERWISE, Verifying, doubted_before, stands_on
from fieldworthy.core.answer.others import same_person
from fieldworthy.core.answer.progress import DoneStep, Progress, worker_of
from fieldworthy.core.answer.words import told_and_done
from fieldworthy.core.base.names import key, tidy
from fieldworthy.core.base.reason import Reason
from fieldworthy.core.base.vocabulary import Fact, state_of
from fieldworthy.core.condition.walk import names_of


@dataclass(frozen=True, slots=True)
class Reports:
    """The reports that count; by fact (names.key) why older ones no longer do; of what nothing that was reported grants."""

    kept: tuple[Evidence, ...]
    ended: Mapping[str, Missing]
    doubts: tuple[Doubt, ...] = ()

    def doubted(self) -> Mapping[str, Missing]:
        """By fact (names.key) why it is not known, whatever was reported."""
        return {key(doubt.missing.fact): doubt.missing for doubt in reversed(self.doubts)}


def overtaken(progress: Progress) -> Reports:
    """The reports that no step has overtaken (rule 1)."""
    facts, now = progress.book.vocabulary.facts, progress.question.now
    steps: dict[str, list[DoneStep]] = {}
    for each, name in _overtakes(progress):
        steps.setdefault(name, []).append(each)
    kept: list[Evidence] = []
    ended: dict[str, Missing] = {}
    open_: list[Evidence] = []
    owing: dict[tuple[str, str], tuple[datetime, Missing]] = {}
    for report in progress.question.evidence:
        fact = facts[key(report.fact)]
        made = earliest(report, now)
        by = next((s for s in reversed(steps.get(key(fact.name), ())) if made < s.at and _ends(fact, report, s, progress)), None)
        if by is None:
            kept.append(report)
        else:
            was = "done" if by.step <= progress.done else "begun"
            before = f"from before step {by.step} was {was}"
            text = f"What was reported of `{fact.name}` is {before}, and no longer counts."
            if report.at >= by.at:
                text = f"What was reported of `{fact.name}` may be {before}: its time is later than now, so its clock is ahead."
            may_be_since = is_ahead(report, now) and latest(report, now) >= by.at
            open_ += [report] if may_be_since and source_counts(fact, report) else []
            ended[key(fact.name)] = Missing(fact.name, "must-be-reported-again", text, how_to_find_out(fact))
            if fact.per_person and report.by and not _at_rest(fact, report):
                owing[key(fact.name), tidy(report.by)] = by.at, ended[key(fact.name)]
    doubts = (*_owed(progress, kept, owing), *_may_be_newer(facts, open_, kept))
    return in_doubt(progress, Reports(tuple(kept), ended), doubts)


def in_doubt(progress: Progress, reports: Reports, doubts: Sequence[Doubt]) -> Reports:
    """The same where more is not known: of the machine no report of it counts then; of persons each stays, for it says who is there."""
    facts = progress.book.vocabulary.facts
    gone = {key(doubt.missing.fact) for doubt in doubts if not facts[key(doubt.missing.fact)].per_person}
    return Reports(tuple(r for r in reports.kept if key(r.fact) not in gone), reports.ended, (*reports.doubts, *doubts))


def _may_be_newer(facts: Mapping[str, Fact], dropped: Iterable[Evidence], kept: Sequence[Evidence]) -> Iterable[Doubt]:
    """Of reports from a clock ahead, which may be from before a step: what says otherwise than one that counts may be the newer."""
    for report in dropped:
        fact = facts[key(report.fact)]
        others = [r for r in kept if key(r.fact) == key(fact.name) and (not fact.per_person or _may_be_one(r, report))]
        other = next((r for r in others if value_of(fact, r) != value_of(fact, report)), None)
        if other is not None:
            words = " and ".join(f"`{said(fact, value_of(fact, r))}`" for r in (other, report))
            text = f"A clock is ahead, so that which of two reports of `{fact.name}` is the newer is not known: they say {words}."
            missing = Missing(fact.name, "contradictory", text, f"Set the clock right. {how_to_find_out(fact)}")
            yield Doubt(missing, report.by if fact.per_person else None)


def _may_be_one(one: Evidence, other: Evidence) -> bool:
    """Whether two reports may be of one person."""
    return not tidy(one.by or "") or not tidy(other.by or "") or same_person(one.by, other.by)


def _overtakes(progress: Progress) -> Iterable[tuple[DoneStep, str]]:
    for each in progress.question.done:
        action, step = progress.action(each.step), progress.steps[each.step - 1]
        named = dict.fromkeys(action.makes if action is not None else ())
        for proof in (None if action is None else action.confirm, step.wait_until):
            named.update(dict.fromkeys(names_of(proof) if proof is not None else ()))
        yield from ((each, name) for name in named)
    yield from progress.changing()


def _ends(fact: Fact, report: Evidence, step: DoneStep, progress: Progress) -> bool:
    """Whether what a step did ends a report that is older."""
    if not fact.per_person or same_person(report.by, worker_of(progress, step.step)):
        return True
    return _at_rest(fact, report)


def _at_rest(fact: Fact, report: Evidence) -> bool:
    return isinstance(report.value, str) and state_of(fact.states, report.value) == fact.states[0]


def _owed(progress: Progress, kept: Iterable[Evidence], owing: Mapping[tuple[str, str], tuple[datetime, Missing]]) -> Iterable[Doubt]:
    """
    Facts `per: person` that somebody has not reported since a step changed them for whoever did it, or since a step ended what they had
    reported: that they were not at rest (owing: of the fact and the person, when and why). What others say is of others, and of whoever did
    a step without a name nobody can say anything.
    """
    facts = progress.book.vocabulary.facts
    owed = dict(owing)
    for each, name, _ in progress.changed_by():
        fact, worker = facts[name], worker_of(progress, each.step)
        if fact.per_person:
            how = how_to_find_out(fact)
            if not worker:
                how += " Send who did the step (`by`) with the step, and with each report who reports it."
            who = f"`{worker}`" if worker else "who did it"
            text = f"Step {each.step} changed `{fact.name}` for {who}, and they have not reported it since."
            if (name, worker) not in owed or owed[name, worker][0] <= each.at:
                owed[name, worker] = each.at, Missing(fact.name, "must-be-reported-again", text, how)
    now = progress.question.now
    for (name, person), (at, missing) in owed.items():
        since = [r for r in kept if key(r.fact) == name and at <= earliest(r, now) <= now and source_counts(facts[name], r)]
        if not person or not any(same_person(r.by, person) for r in since):
            yield Doubt(missing, person or None)


def verified(progress: Progress, reports: Reports) -> Reports:
    """Of the reports that count those on which a step may start (rule 2)."""
    facts, now = progress.book.vocabulary.facts, progress.question.now
    happenings = tuple(progress.book.works.happenings.values())
    verifying = Verifying(facts, reports.kept, now, happenings)
    if (last := progress.last) is not None:
        over = progress.over(last)
        waits = last.at < over <= now
        end, of = (over, f"the end of the wait of step {last.step}") if waits else (last.at, f"step {last.step}")
        doubted = reports.doubted()
        found = weigh(facts, reports.kept, now)
        certain = {name: each for name, each in found.items() if isinstance(each, Known) and name not in doubted}
        verifying.lasts |= {name: () for name, fact in facts.items() if not fact.per_person and name not in certain}
        said = said_since(progress, reports.kept, certain)
        rests = {name: key(fact.states[0]) for name, fact in facts.items() if fact.per_person and fact.states}
        moments = excluded_from({n: k.value for n, k in certain.items()}, said, happenings, rests)
        for happening, moment in zip(happenings, moments, strict=True):
            verifying.look(happening, min(end, moment), f"what was reported of it is older than {of}")
    for happening, moment in zip(happenings, doubted_before(happenings, facts, told_and_done(progress), now), strict=True):
        verifying.look(happening, moment, TOLD_OTHERWISE)
    return Reports(verifying.kept(), reports.ended, (*reports.doubts, *verifying.doubts))


def clear_next(progress: Progress, number: int, counting: Reports, sure: Reports, way: bool) -> ClearanceAnswer:
    """
    The clearance of the next step. counting: the reports that count, sure: those of them on which it may start; way: whether what has to be
    done first is sought.
    """
    question = progress.question.clearance(number, sure.kept)
    answer = _restated(clear(progress.book, question, way, sure.doubts), sure.ended)
    if not answer.granted:
        return answer

    def still(later: datetime) -> bool:
        then = replace(progress, question=replace(progress.question, now=later))
        good = verified(then, counting)
        if set(map(id, sure.kept)) <= set(map(id, good.kept)):
            return True
        return clear(progress.book, then.question.clearance(number, good.kept), False, good.doubts).granted

    happenings, facts = progress.book.works.happenings.values(), progress.book.vocabulary.facts
    return answer.until(stands_on(happenings, facts, sure.kept, question.now, answer.valid_until, still))


def _restated(answer: ClearanceAnswer, ended: Mapping[str, Missing]) -> ClearanceAnswer:
    """The answer, saying of a fact whose reports have ended why they have, and not that there is none."""
    missing = tuple(missing_of(m, ended) for m in answer.missing)
    restated = {m.fact: Reason(m.why, m.text, {"fact": m.fact}) for m in missing if m.why not in ("not-reported", "not-said")}
    because = tuple(restated.get(r.values.get("fact", ""), r) if r.code == "not-reported" else r for r in answer.because)
    return replace(answer, missing=missing, because=because)


def missing_of(missing: Missing, ended: Mapping[str, Missing]) -> Missing:
    """What is missing, with why its reports have ended where that is so."""
    return ended.get(key(missing.fact), missing) if missing.why == "not-reported" else missing
