"""Which reports no longer count while a procedure is under way, and why they must be made anew.

Two rules, beside those of `evidence`:

1.  **A report ends with the step that overtakes it.** A step overtakes the facts that its action makes, and those by which it is
    confirmed or that it waits for (doing proves nothing, so neither does what was seen before). A report of such a fact counts only
    if it was made at the time of that step or later; while a step is begun and not done, what its action makes ends at its beginning.
    Of a fact `per: person` a step ends what its own worker reported and that others were at rest; who else was reported elsewhere is
    still there, a report without a name may be anybody's, and nothing is granted until that worker has reported the fact anew.
2.  **What can change by itself is verified again.** Energy that can build up again is verified until the work is done (29 CFR
    1910.147(d)(5)). A report older than the end of the last step, of a fact that a happening may have brought into another state since it
    was made, grants nothing, and no way is planned on it. A happening may have come about since a report unless what it needs is false
    by what is known to have been so ever since that report, where every fact that may have changed by itself counts as not known.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from heapq import heapify, heappop, heappush

from fieldworthy.core.answer.clearance import ClearanceAnswer, answer_clearance
from fieldworthy.core.answer.evidence import FOREVER, Evidence, Known, Missing, how_to_find_out, weigh
from fieldworthy.core.answer.others import same_person
from fieldworthy.core.answer.progress import DoneStep, Progress
from fieldworthy.core.base.names import key
from fieldworthy.core.base.reason import Reason
from fieldworthy.core.base.truth import truth
from fieldworthy.core.base.vocabulary import Fact, state_of
from fieldworthy.core.condition.ast import Condition, IfThen, Joined, Not, NumberTest, StateTest
from fieldworthy.core.condition.walk import Value, judge, names_of
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


def overtaken(progress: Progress, begun: bool = True) -> Reports:
    """The reports that no step has overtaken (rule 1). begun: False leaves out the step that is begun, for what speaks against the work."""
    facts = progress.book.vocabulary.facts
    steps: dict[str, list[DoneStep]] = {}
    for each, name in _overtakes(progress, begun):
        steps.setdefault(name, []).append(each)
    kept: list[Evidence] = []
    ended: dict[str, Ended] = {}
    for report in progress.question.evidence:
        name = key(report.fact)
        by = next((s for s in reversed(steps.get(name, ())) if report.at < s.at and _ends(facts[name], report, s, progress)), None)
        if by is None:
            kept.append(report)
        else:
            was = "done" if by.step <= progress.done else "begun"
            text = f"What was reported of `{facts[name].name}` is from before step {by.step} was {was}, and no longer counts."
            ended[name] = Ended(name, "must-be-reported-again", text)
    return Reports(tuple(kept), ended)


def _overtakes(progress: Progress, begun: bool) -> Iterable[tuple[DoneStep, str]]:
    for each in progress.question.done:
        action, step = progress.action(each.step), progress.steps[each.step - 1]
        named = dict.fromkeys(action.makes if action is not None else ())
        for proof in (None if action is None else action.confirm, step.wait_until):
            named.update(dict.fromkeys(names_of(proof) if proof is not None else ()))
        yield from ((each, name) for name in named)
    yield from progress.changing() if begun else ()


def _ends(fact: Fact, report: Evidence, step: DoneStep, progress: Progress) -> bool:
    """Whether what a step did ends a report that is older."""
    if not fact.per_person or same_person(report.by, step.by or progress.question.by):
        return True
    return isinstance(report.value, str) and state_of(fact.states, report.value) == fact.states[0]


def verified(progress: Progress, reports: Reports) -> Reports:
    """Of the reports that count those on which a step may start (rule 2)."""
    last, facts = progress.last, progress.book.vocabulary.facts
    if last is None:
        return reports
    over = progress.over(last)
    waits = last.at < over <= progress.question.now
    end, words = (over, f"the end of the wait of step {last.step}") if waits else (last.at, f"step {last.step}")
    found = weigh(facts, reports.kept, progress.question.now)
    known = {name: each for name, each in found.items() if isinstance(each, Known)}
    happenings = progress.book.works.happenings.values()
    excluded = excluded_from({n: each.value for n, each in known.items()}, _so_since(progress, reports.kept, known), happenings)
    again = dict(_workers_own(progress, reports))
    for happening, moment in zip(happenings, excluded, strict=True):
        for name, state in happening.makes.items():
            if name not in known or name in again or known[name].value == key(state) or known[name].report.at >= min(end, moment):
                continue
            text = (
                f"`{facts[name].name}` can change by itself (`{happening.name}`), and what was reported of it is older than {words}: "
                "it must be verified again."
            )
            again[name] = Ended(name, "must-be-verified-again", text)
    return Reports(tuple(r for r in reports.kept if key(r.fact) not in again), {**reports.ended, **again})


def _workers_own(progress: Progress, reports: Reports) -> Iterable[tuple[str, Ended]]:
    """Facts `per: person` that a step changed for whoever did it and that they have not reported since: what others say is of others."""
    facts = progress.book.vocabulary.facts
    last: dict[str, DoneStep] = {name: each for each, name, _ in progress.changed_by() if facts[name].per_person}
    for name, each in last.items():
        worker = each.by or progress.question.by
        since = [r.by for r in reports.kept if key(r.fact) == name and r.at >= each.at]
        if not any(by is None if worker is None else same_person(by, worker) for by in since):
            who = "who did it" if worker is None else f"`{worker}`"
            text = f"Step {each.step} changed `{facts[name].name}` for {who}, and they have not reported it since."
            yield name, Ended(name, "must-be-reported-again", text)


def _so_since(progress: Progress, kept: Iterable[Evidence], known: Mapping[str, Known]) -> Mapping[str, datetime]:
    """
    Since when each known fact has been as it is: since the first report that says so, or the step that made it so, with none after it that
    says otherwise, and each made while the one before was still good. Of a number, and of what each person has of their own, since the
    report that counts.
    """
    of_fact: dict[str, list[Evidence]] = {name: [] for name in known}
    for report in kept:
        of_fact.get(key(report.fact), []).append(report)
    made = {name: (each.at, key(state)) for each, name, state in progress.changed_by()}
    for _, name in progress.changing():
        made.pop(name, None)
    found = {}
    for name, each in known.items():
        if each.fact.is_number or each.fact.per_person:
            found[name] = each.report.at
            continue
        otherwise = max((r.at for r in of_fact[name] if key(str(r.value)) != each.value), default=None)
        at, state = made.get(name, (FOREVER, ""))
        same = [r.at for r in of_fact[name] if key(str(r.value)) == each.value and r.via in each.fact.known_by]
        same += [at] if state == each.value else []
        run = sorted((at for at in same if otherwise is None or at > otherwise), reverse=True)
        since = run[0] if run else FOREVER
        for before in run:  # a report says so for as long as it stays good, and no longer
            if each.fact.good_for is not None and since - before > each.fact.good_for:
                break
            since = before
        found[name] = since
    return found


def excluded_from(values: Mapping[str, Value], since: Mapping[str, datetime], happenings: Iterable[Happening]) -> Sequence[datetime]:
    """
    For each happening the moment from which on it can't have come about: what it needs has been false ever since, whatever else may have
    happened by itself; FOREVER where nothing known excludes it.

    values: of the known facts; since: since when each has been so. Over-cautious, never the other way: what a happening may have changed
    counts as not known, though it may have been changed back.
    """
    happenings = tuple(happenings)
    sure = dict(since)
    found = [_false_since(each.needs, values, sure) for each in happenings]
    hung_on: dict[str, list[int]] = {}
    for number, each in enumerate(happenings):
        for name in names_of(each.needs) if each.needs is not None else ():
            hung_on.setdefault(name, []).append(number)
    ahead = [(FOREVER - moment, number) for number, moment in enumerate(found)]
    heapify(ahead)
    while ahead:  # the latest first: what follows from one is never later than that one, so each is settled once
        _, number = heappop(ahead)
        moment = found[number]
        for name, state in happenings[number].makes.items():
            if name in values and values[name] != key(state) and sure[name] < moment:
                sure[name] = moment
                for other in hung_on.get(name, ()):
                    later = _false_since(happenings[other].needs, values, sure)
                    if later > found[other]:
                        found[other] = later
                        heappush(ahead, (FOREVER - later, other))
    return found


def _false_since(needs: Condition | None, values: Mapping[str, Value], sure: Mapping[str, datetime]) -> datetime:
    """Since when a condition has been false for certain; FOREVER: it is not. sure: since when each value has been so."""
    return FOREVER if needs is None else _certain_since(needs, False, values, sure)


def _certain_since(c: Condition, wanted: bool, values: Mapping[str, Value], sure: Mapping[str, datetime]) -> datetime:
    match c:
        case StateTest() | NumberTest():
            name = key(c.fact)
            return sure[name] if judge(c, values.get(name)) is truth(wanted) else FOREVER
        case Not(part):
            return _certain_since(part, not wanted, values, sure)
        case IfThen(given, then):
            return _certain_since(Joined("or", (Not(given), then)), wanted, values, sure)
        case Joined(op, parts):
            moments = [_certain_since(part, wanted, values, sure) for part in parts]
            return min(moments) if (op == "or") is wanted else max(moments)  # one part decides it, or all must be so


def clear_next(progress: Progress, number: int, sure: Reports, way: bool) -> ClearanceAnswer:
    """The clearance of the next step. sure: the reports on which it may start; way: whether what has to be done first is sought."""
    return _restated(answer_clearance(progress.book, progress.question.clearance(number, sure.kept), way), sure.ended, progress)


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
