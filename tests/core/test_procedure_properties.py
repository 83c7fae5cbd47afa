"""What holds of every run of a procedure, held against plain clearances and against each order of happenings, tried one by one."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from itertools import product
from typing import Any

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from fieldworthy.core.answer.clearance import answer_clearance
from fieldworthy.core.answer.ended import excluded_from
from fieldworthy.core.answer.evidence import Evidence
from fieldworthy.core.answer.procedure import DoneStep, ProcedureQuestion, answer_procedure
from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.core.base.fit import Identity
from fieldworthy.core.base.names import key
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.base.vocabulary import Fact, Vocabulary
from fieldworthy.core.condition.ast import Condition, IfThen, Joined, Not, StateTest
from fieldworthy.core.condition.evaluate import Value, evaluate
from fieldworthy.core.procedure.model import Action, Happening, Hazard, Step, Works
from fieldworthy.core.rulebook.model import CheckedRulebook, Task
from tests.core.books import NOW, book_of, tables

NOW_AT = datetime.fromisoformat(NOW)
PRESS = book_of(next(case for name, case in tables("procedure") if name.startswith("rules"))["books"]["press"])
MACHINE = Identity("m-1")
STATES = {"gate": ("closed", "raised", "between"), "lock": ("released", "engaged"), "engine": ("stopped", "running")}
FACTS = {name: Fact(name, states) for name, states in STATES.items()}

tests = st.builds(
    lambda fs, negated: StateTest(*fs, negated),
    st.sampled_from([(f, s) for f, several in STATES.items() for s in several]),
    st.sampled_from([False, False, True]),
)
conditions = st.one_of(
    tests, st.builds(lambda op, parts: Joined(op, tuple(parts)), st.sampled_from(["and", "or"]), st.lists(tests, min_size=2, max_size=3))
)
none = st.none()
perhaps = st.one_of(none, none, conditions)
EFFECTS = [{f: s} for f, several in STATES.items() for s in several]
makes = st.sampled_from(EFFECTS)


@st.composite
def runs(draw: st.DrawFn, happen: bool = True, look: bool = False) -> tuple[CheckedRulebook, ProcedureQuestion]:
    """A task of three steps, of which some are done, and at most one report of each fact. look: no step changes any; each needs one."""
    actions = {f"act {n}": Action(f"act {n}", draw(perhaps), effect, draw(perhaps)) for n, effect in enumerate(EFFECTS)}
    never = Joined("and", tuple(draw(st.lists(tests, min_size=2, max_size=3))))
    works = Works(
        actions=actions,
        hazards={} if look else {"h": Hazard("h", never, "danger", "Keep away.")},
        happenings={f"t {n}": Happening(f"t {n}", draw(perhaps), draw(makes)) for n in range(3 if happen else 0)},
    )
    kinds = st.sampled_from([Step(do="Look."), Step(do="Look."), *(Step(action=name) for name in (() if look else actions))])
    steps = tuple(replace(draw(kinds), needs=draw(tests if look else perhaps), holds=draw(none if look else perhaps)) for _ in range(3))
    task = Task("job", "Job", "inspect", 0, holds=draw(none if look else perhaps), steps=steps)
    book = CheckedRulebook("b", "B", 1, "sha256:0", {}, Vocabulary(facts=FACTS), {"job": task}, {}, works)
    ages = sorted(draw(st.lists(st.sampled_from([3, 10, 20, 40]), min_size=draw(st.sampled_from([0, 1, 1])), max_size=3)), reverse=True)
    done = tuple(DoneStep(n, NOW_AT - timedelta(seconds=age)) for n, age in enumerate(ages, 1))
    states = {name: draw(st.sampled_from(several)) for name, several in STATES.items() if draw(st.integers(0, 15))}
    evidence = tuple(Evidence(n, s, NOW_AT - timedelta(seconds=draw(st.sampled_from([0, 2, 15, 60]))), "seen") for n, s in states.items())
    begun = NOW_AT if len(done) < 3 and draw(st.booleans()) else None
    return book, ProcedureQuestion(NOW_AT, MACHINE, "job", done, begun, evidence=evidence)


def ask(book: CheckedRulebook, question: ProcedureQuestion) -> dict[str, Any]:
    return answer_procedure(book, question).to_json()


@given(runs())
@settings(max_examples=100, deadline=None)
def test_it_grants_nothing_that_a_clearance_withholds(run: tuple[CheckedRulebook, ProcedureQuestion]) -> None:
    """With what was reported last, whatever the steps did to its worth."""
    book, question = run
    following = ask(book, question)["next"]
    if following is not None and following["clearance"] == "granted":
        assert answer_clearance(book, question.clearance(following["step"], question.evidence)).granted


@given(runs(happen=False))
@settings(max_examples=100, deadline=None)
def test_with_all_reported_now_it_is_the_clearance(run: tuple[CheckedRulebook, ProcedureQuestion]) -> None:
    book, question = run
    question = replace(question, evidence=tuple(replace(e, at=NOW_AT) for e in question.evidence))
    answer = ask(book, question)
    assume(answer["interrupted"] is None and answer["next"] is not None)
    plain = answer_clearance(book, question.clearance(answer["next"]["step"], question.evidence)).to_json()
    assert {k: v for k, v in answer["next"].items() if k != "step"} == {k: plain[k] for k in answer["next"] if k != "step"}


@given(runs(), st.randoms(use_true_random=False))
@settings(max_examples=60, deadline=None)
def test_the_order_of_evidence_does_not_matter(run: tuple[CheckedRulebook, ProcedureQuestion], random: Any) -> None:
    book, question = run
    turned = list(question.evidence)
    random.shuffle(turned)
    assert ask(book, question) == ask(book, replace(question, evidence=tuple(turned)))


def after_happenings(book: CheckedRulebook, start: dict[str, Value]) -> list[dict[str, Value]]:
    """Every state that some order of happenings leads to."""
    reached, ahead = [start], [start]
    while ahead:
        here = ahead.pop()
        for each in book.works.happenings.values():
            then = {**here, **{name: key(state) for name, state in each.makes.items()}}
            if (each.needs is None or evaluate(each.needs, here) is Truth.YES) and then not in reached:
                reached.append(then)
                ahead.append(then)
    return reached


def may_come_about(values: dict[str, Value], since: dict[str, datetime], several: list[Happening], start: datetime) -> set[str]:
    """Which happenings may come about from `start` on, in rounds: by what is so ever since and can't have changed by itself."""
    moved: set[str] = set()
    while True:
        known = {n: v for n, v in values.items() if since[n] <= start and n not in moved}
        possible = [h for h in several if h.needs is None or evaluate(h.needs, known) is not Truth.NO]
        more = {n for h in possible for n, state in h.makes.items() if n in values and values[n] != key(state)} - moved
        if not more:
            return {h.name for h in possible}
        moved |= more


nested = st.one_of(
    conditions, conditions.map(Not), st.builds(IfThen, conditions, conditions), st.builds(lambda a, b: Not(IfThen(a, b)), tests, conditions)
)
known_since = st.dictionaries(st.sampled_from(list(STATES)), st.tuples(st.integers(0, 2), st.integers(0, 3)), min_size=2)


@given(st.lists(st.tuples(st.one_of(none, nested, nested, nested), makes), max_size=5), known_since)
@settings(max_examples=300, deadline=None)
def test_since_when_a_happening_is_excluded(
    drawn: list[tuple[Condition | None, dict[str, str]]], known: dict[str, tuple[int, int]]
) -> None:
    """Held against every moment, one by one."""
    several = [Happening(f"t {n}", needs, effect) for n, (needs, effect) in enumerate(drawn)]
    values: dict[str, Value] = {name: STATES[name][n % len(STATES[name])] for name, (n, _) in known.items()}
    moments = [NOW_AT + timedelta(seconds=s) for s in range(4)]
    since = {name: moments[at] for name, (_, at) in known.items()}
    found = dict(zip((h.name for h in several), excluded_from(values, since, several), strict=True))
    for start in moments:
        assert {name for name, moment in found.items() if start < moment} == may_come_about(values, since, several, start)


def told_ever_since(evidence: tuple[Evidence, ...], moment: datetime) -> dict[str, set[str]]:
    """The states that each fact may have been in at that moment: as told then where nothing else was told since, else any."""
    states = {}
    for name, several in STATES.items():
        before = [e for e in evidence if e.fact == name and e.at <= moment]
        since = {str(e.value) for e in evidence if e.fact == name and e.at > moment}
        last = str(max(before, key=lambda e: e.at).value) if before else None
        states[name] = {last} if last is not None and since <= {last} else set(several)
    return states


@given(
    runs(look=True),
    st.lists(st.tuples(st.sampled_from([(f, s) for f, several in STATES.items() for s in several]), st.integers(1, 90)), max_size=3),
)
@settings(max_examples=200, deadline=None)
def test_what_is_granted_is_granted_whatever_has_happened_since(
    run: tuple[CheckedRulebook, ProcedureQuestion], earlier: list[tuple[tuple[str, str], int]]
) -> None:
    """
    29 CFR 1910.147(d)(5): what was reported before the last step may have changed by itself; every such change is tried, from every state
    that the machine may have been in when it was reported. earlier: reports before the newest ones, each some seconds older.
    """
    book, question = run
    assume(question.done and len(question.evidence) == len(STATES))
    newest = {e.fact: e for e in question.evidence}
    older = {(f, newest[f].at - timedelta(seconds=ago)): s for (f, s), ago in earlier}
    evidence = (*question.evidence, *(Evidence(f, s, at, "seen") for (f, at), s in older.items()))
    following = ask(book, replace(question, evidence=evidence))["next"]
    if following is None or following["clearance"] != "granted":
        return
    for each in newest.values():
        if each.at >= question.done[-1].at:
            continue
        may_have_been = told_ever_since(evidence, each.at)
        for start in product(*may_have_been.values()):
            for state in after_happenings(book, dict(zip(may_have_been, start, strict=True))):
                changed = replace(each, value=str(state[each.fact]))
                told = tuple(changed if e is each else e for e in newest.values())
                assert answer_clearance(book, question.clearance(following["step"], told)).granted, (each, start, state)


def holds(c: Condition | None, state: dict[str, Value]) -> bool:
    return c is None or evaluate(c, state) is Truth.YES


@given(runs())
@settings(max_examples=150, deadline=None)
def test_the_way_to_safe_leads_there(run: tuple[CheckedRulebook, ProcedureQuestion]) -> None:
    """Each action can be done where it is done, and at the end no hazard is present; every fact reported anew, nothing interrupts any more,
    or what was changed is at rest."""
    book, question = run
    answer = ask(book, question)
    if answer["interrupted"] is None or not answer["interrupted"]["make_safe"]:
        return
    state: dict[str, Value] = {key(e.fact): str(e.value) for e in question.evidence}
    for each in answer["interrupted"]["make_safe"]:
        action = book.works.actions[each["action"]]
        assert holds(action.needs, state)
        state |= {name: key(made) for name, made in action.makes.items()}
        for then in after_happenings(book, state):
            assert evaluate(book.works.hazards["h"].never, then) is not Truth.YES
    now = replace(question, evidence=tuple(Evidence(n, str(s), NOW_AT, "seen") for n, s in state.items()))
    after = ask(book, now)
    made = {n for each in question.done if (a := book.tasks["job"].steps[each.step - 1].action) for n in book.works.actions[a].makes}
    at_rest = all(state.get(name) == STATES[name][0] for name in made)
    assert after["interrupted"] is None or at_rest, after["interrupted"]


LOFT = book_of(next(case for name, case in tables("procedure") if name.startswith("persons"))["books"]["loft"])
whereabouts = st.builds(
    lambda state, age, by: Evidence("person", state, NOW_AT - timedelta(seconds=age), "seen", by),
    st.sampled_from(["clear", "under tailgate"]),
    st.integers(0, 25),
    st.sampled_from([None, "p-2", "p-3", "p-4"]),
)


@given(st.lists(whereabouts, max_size=4), whereabouts, st.sampled_from(["running", "stopped", None]))
@settings(max_examples=200, deadline=None)
def test_the_report_of_one_more_person_takes_no_stop_away(several: list[Evidence], more: Evidence, engine: str | None) -> None:
    assume(more.by is None or more.by not in {e.by for e in several})
    told = () if engine is None else (Evidence("engine", engine, NOW_AT, "seen"),)
    question = ProcedureQuestion(
        NOW_AT, MACHINE, "listen", (DoneStep(1, NOW_AT - timedelta(seconds=30)),), by="p-1", evidence=(*told, *several)
    )
    if ask(LOFT, question)["interrupted"] is not None:
        after = ask(LOFT, replace(question, evidence=(*question.evidence, more)))
        assert after["interrupted"] is not None
        assert after["next"]["clearance"] == "withheld"


def test_enough_of_the_random_runs_tell_something() -> None:
    """Else the properties above would say nothing."""
    seen: list[tuple[bool, bool, bool, bool]] = []

    @given(st.one_of(runs(look=True), runs()))
    @settings(max_examples=300, deadline=None, database=None, derandomize=True)
    def count(run: tuple[CheckedRulebook, ProcedureQuestion]) -> None:
        answer = ask(*run)
        following, stopped = answer["next"], answer["interrupted"]
        again = following is not None and any(m["why"] == "must-be-verified-again" for m in following["missing"])
        granted = following is not None and following["clearance"] == "granted"
        seen.append((granted, again, stopped is not None, stopped is not None and bool(stopped["make_safe"])))

    count()
    assert all(sum(column) >= 3 for column in zip(*seen, strict=True)), [sum(column) for column in zip(*seen, strict=True)]


FIRST, FINAL = datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=timezone(timedelta(hours=-23)))
TIMES = [FIRST, FINAL, NOW_AT, NOW_AT + timedelta(minutes=2)]
names = st.sampled_from(["chain-look", "filter-change", "two-waits", "lock-and-look", "wipe", "press-two", "nothing", ""])
moments = st.one_of(st.sampled_from(TIMES), st.integers(-500, 500).map(lambda s: NOW_AT + timedelta(seconds=s)))
reports = st.builds(
    Evidence,
    st.sampled_from(["engine", "cover", "valve", "lock", "pressure", "nothing"]),
    st.one_of(st.sampled_from(["stopped", "running", "on", "off", "open", "3 bar", ""]), st.integers(-5, 5)),
    moments,
    st.sampled_from(["seen", "sensor", "felt"]),
    st.sampled_from([None, "p-3", ""]),
)
steps_done = st.one_of(
    st.lists(st.builds(DoneStep, st.integers(-1, 6), moments, st.sampled_from([None, "p-3"])), max_size=4),
    st.integers(0, 4).map(lambda n: [DoneStep(k, NOW_AT - timedelta(seconds=90 - k)) for k in range(1, n + 1)]),
)


@given(names, steps_done, st.one_of(none, moments), moments, st.lists(reports, max_size=6), st.sampled_from([None, "p-3", " "]))
@settings(max_examples=150, deadline=None)
def test_whatever_is_asked_is_answered_or_refused(
    task: str, done: list[DoneStep], begun: datetime | None, now: datetime, evidence: list[Evidence], by: str | None
) -> None:
    question = ProcedureQuestion(now, Identity(model="P1"), task, tuple(done), begun, by, tuple(evidence))
    answer: dict[str, Any] | None = None
    findings: tuple[Finding, ...] = ()
    try:
        answer = ask(PRESS, question)
    except Refused as refused:
        findings = refused.findings
    if answer is None:
        assert findings
        assert all(f.mend and f.path.startswith("/") for f in findings)
        return
    assert [d.step for d in done] == list(range(1, len(done) + 1))
    assert (answer["next"] is None) == (len(done) == len(answer["steps"]))
