"""What may have happened by itself since a fact was reported: the moment from which on each happening can't have come about.

Judged over all that was reported, whether it still grants or not: a report that says otherwise ends what was so before it, whatever has
become of that report since. A happening can't have come about at a time at which what it needs is surely false. A fact is surely so from a
report on which is good, which each later one bears out, and since which nothing that makes it otherwise can have come about: what was the
same at two times may have gone away and come back in between.
"""

from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from heapq import heapify, heappop, heappush

from fieldworthy.core.answer.evidence import FOREVER, Evidence, Known, earliest, source_counts, value_of
from fieldworthy.core.answer.progress import Progress
from fieldworthy.core.base.names import key
from fieldworthy.core.base.truth import truth
from fieldworthy.core.condition.ast import Condition, IfThen, Joined, Not, NumberTest, StateTest
from fieldworthy.core.condition.walk import Value, judge, names_of
from fieldworthy.core.procedure.model import Happening


def said_since(progress: Progress, kept: Iterable[Evidence], known: Mapping[str, Known]) -> Mapping[str, Sequence[datetime]]:
    """
    The times, in order, at which each known fact was said to be as it is, or made so by a step: with none between or after them that says
    otherwise, and each while the one before was still good. Of a number, and of what each person has of their own, the last report alone.

    kept: the reports that no step has ended; what says otherwise is sought in all of them, whatever their source.
    """
    of_fact: dict[str, list[Evidence]] = {name: [] for name in known}
    for report in kept:
        of_fact.get(key(report.fact), []).append(report)
    otherwise: dict[str, datetime] = {}
    for report in progress.question.evidence:
        name = key(report.fact)
        if name in known and value_of(known[name].fact, report) != known[name].value:
            otherwise[name] = max(report.at, otherwise.get(name, report.at))
    for other in progress.question.made:
        name = key(other.fact)
        if name in known and (other.state is None or key(other.state) != known[name].value):
            otherwise[name] = max(other.at, otherwise.get(name, other.at))
    made: dict[str, tuple[datetime, str]] = {}
    for done, name, state in progress.changed_by():
        made[name] = done.at, key(state)
    for _, name in progress.changing():
        made.pop(name, None)
    return {
        name: [each.report.at]
        if each.fact.is_number or each.fact.per_person
        else _run(each, of_fact[name], made.get(name), otherwise.get(name), progress.question.now)
        for name, each in known.items()
    }


def _run(
    known: Known, reports: Iterable[Evidence], made: tuple[datetime, str] | None, otherwise: datetime | None, now: datetime
) -> Sequence[datetime]:
    """Of one fact. otherwise: when it was last said to be anything else; a report that may be from before that says nothing."""
    fact = known.fact
    alike = [r for r in reports if value_of(fact, r) == known.value and source_counts(fact, r)]
    same = [r.at for r in alike if otherwise is None or earliest(r, now) > otherwise]
    same += [made[0]] if made is not None and made[1] == known.value else []
    run: list[datetime] = []  # from the last one back: each says so for as long as it stays good, and no longer
    for at in sorted((at for at in same if otherwise is None or at > otherwise), reverse=True):
        if run and fact.good_for is not None and run[-1] - at > fact.good_for:
            break
        run.append(at)
    return run[::-1]


def excluded_from(
    values: Mapping[str, Value],
    said: Mapping[str, Sequence[datetime]],
    happenings: Iterable[Happening],
    rests: Mapping[str, Value] | None = None,
) -> Sequence[datetime]:
    """
    For each happening the moment from which on it can't have come about: what it needs has been false ever since, whatever else may have
    happened by itself; FOREVER where nothing known excludes it.

    values: of the known facts; said: the times, in order, at which each was said to be so, with none that says otherwise from the first
    of them on; rests: of what each person has of their own, what is so of everybody of whom nothing was said. What a happening may have
    made otherwise is sure again only from the first of these times at which that one is excluded. So it is sound: of all happenings that
    came about after their moments, the first would have needed another one before it.
    """
    happenings, rests = tuple(happenings), rests or {}
    sure = {name: times[0] if times else FOREVER for name, times in said.items()}
    found = [_false_since(each.needs, values, sure, rests) for each in happenings]
    hung_on: dict[str, list[int]] = {}
    for number, each in enumerate(happenings):
        for name in names_of(each.needs) if each.needs is not None else ():
            hung_on.setdefault(name, []).append(number)
    ahead = [(FOREVER - moment, number) for number, moment in enumerate(found)]
    heapify(ahead)
    while ahead:  # the latest first: it leaves the least to be looked at again
        _, number = heappop(ahead)
        moment = found[number]
        for name, state in happenings[number].makes.items():
            if name not in values or values[name] == key(state) or sure[name] >= moment:
                continue
            times = said[name]
            place = bisect_left(times, moment)
            sure[name] = times[place] if place < len(times) else FOREVER
            for other in hung_on.get(name, ()):
                later = _false_since(happenings[other].needs, values, sure, rests)
                if later > found[other]:
                    found[other] = later
                    heappush(ahead, (FOREVER - later, other))
    return found


def _false_since(
    needs: Condition | None, values: Mapping[str, Value], sure: Mapping[str, datetime], rests: Mapping[str, Value]
) -> datetime:
    """Since when a condition has been false for certain; FOREVER: it is not. sure: since when each value has been so."""
    return FOREVER if needs is None else _certain_since(needs, False, values, sure, rests)


def _certain_since(
    c: Condition, wanted: bool, values: Mapping[str, Value], sure: Mapping[str, datetime], rests: Mapping[str, Value]
) -> datetime:
    match c:
        case StateTest() | NumberTest():
            name = key(c.fact)
            of_all = (values.get(name), rests[name]) if name in rests else (values.get(name),)
            return sure[name] if all(judge(c, value) is truth(wanted) for value in of_all) else FOREVER
        case Not(part):
            return _certain_since(part, not wanted, values, sure, rests)
        case IfThen(given, then):
            return _certain_since(Joined("or", (Not(given), then)), wanted, values, sure, rests)
        case Joined(op, parts):
            moments = [_certain_since(part, wanted, values, sure, rests) for part in parts]
            return min(moments) if (op == "or") is wanted else max(moments)  # one part decides it, or all must be so
