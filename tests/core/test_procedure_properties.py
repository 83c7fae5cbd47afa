"""What holds of every run of a procedure, held against plain clearances and against each order of happenings, tried one by one."""

from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from itertools import product
from typing import Any

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from fieldworthy.core.answer.clearance import answer_clearance
from fieldworthy.core.answer.evidence import FOREVER, Evidence
from fieldworthy.core.answer.happened import excluded_from
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
from tests.effort import examples

NOW_AT = datetime.fromisoformat(NOW)
PRESS = book_of(next(case for name, case in tables("procedure") if name.startswith("rules"))["books"]["press"])
MACHINE = Identity("m-1")
STATES = {"gate": ("closed", "raised", "between"), "lock": ("released", "engaged"), "engine": ("stopped", "running")}
State = tuple[str, ...]  # a value for each of STATES
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
@settings(max_examples=examples(100), deadline=None)
def test_it_grants_nothing_that_a_clearance_withholds(run: tuple[CheckedRulebook, ProcedureQuestion]) -> None:
    """With what was reported last, whatever the steps did to its worth."""
    book, question = run
    following = ask(book, question)["next"]
    if following is not None and following["clearance"] == "granted":
        assert answer_clearance(book, question.clearance(following["step"], question.evidence)).granted


@given(runs(happen=False))
@settings(max_examples=examples(100), deadline=None)
def test_with_all_reported_now_it_is_the_clearance(run: tuple[CheckedRulebook, ProcedureQuestion]) -> None:
    book, question = run
    told = {name: several[0] for name, several in STATES.items()} | {e.fact: str(e.value) for e in question.evidence}
    question = replace(question, evidence=tuple(Evidence(name, state, NOW_AT, "seen") for name, state in told.items()))
    answer = ask(book, question)
    assume(answer["interrupted"] is None and answer["next"] is not None)
    plain = answer_clearance(book, question.clearance(answer["next"]["step"], question.evidence)).to_json()
    assert {k: v for k, v in answer["next"].items() if k != "step"} == {k: plain[k] for k in answer["next"] if k != "step"}


@given(runs(), st.randoms(use_true_random=False))
@settings(max_examples=examples(60), deadline=None)
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


def moved_on(states: set[State], several: Iterable[Happening], free: Iterable[str]) -> set[State]:
    """These, and all that some order of happenings, and of changes of what is free, leads to."""
    free, reached, ahead = list(free), set(states), list(states)
    while ahead:
        here = ahead.pop()
        values = dict(zip(STATES, here, strict=True))
        then = [{**values, name: state} for name in free for state in STATES[name]]
        then += [values | {n: key(s) for n, s in each.makes.items()} for each in several if can_come(each, here)]
        new = {tuple(each.values()) for each in then} - reached
        reached |= new
        ahead += new
    return reached


def can_come(happening: Happening, state: State) -> bool:
    return holds(happening.needs, dict(zip(STATES, state, strict=True)))


def comes_about(values: dict[str, str], told: dict[str, list[int]], several: list[Happening]) -> set[tuple[str, int]]:
    """
    Which happening may come about between one second and the next, in some history in which each known fact was so whenever it was told,
    and from the first time on changed by happenings alone. All else changes as it likes.
    """

    def fits(state: State, second: int) -> bool:
        return all(state[list(STATES).index(n)] == values[n] for n in values if second in told[n])

    every = set(product(*STATES.values()))
    free = [[n for n in STATES if n not in values or second < told[n][0]] for second in range(LAST + 1)]
    ends_well = [every] * (LAST + 1)
    for second in range(LAST - 1, -1, -1):
        after = {s for s in ends_well[second + 1] if fits(s, second + 1)}
        ends_well[second] = {s for s in every if moved_on({s}, several, free[second]) & after}
    found, now = set(), {s for s in every if fits(s, 0)}
    for second in range(LAST + 1):
        now = moved_on(now, several, free[second])
        for each in several:
            then = {tuple((dict(zip(STATES, s, strict=True)) | each.makes).values()) for s in now if can_come(each, s)}
            found |= {(each.name, second)} if then & ends_well[second] else set()
        now = {s for s in now if fits(s, second + 1)}
    return found


nested = st.one_of(
    conditions, conditions.map(Not), st.builds(IfThen, conditions, conditions), st.builds(lambda a, b: Not(IfThen(a, b)), tests, conditions)
)
LAST = 3
told_so = st.lists(st.integers(0, LAST), min_size=1, max_size=3, unique=True).map(sorted)
known_facts = st.dictionaries(st.sampled_from(list(STATES)), st.tuples(st.integers(0, 2), told_so), min_size=2)


@given(st.lists(st.tuples(st.one_of(none, nested, tests, tests), makes), max_size=4), known_facts)
@settings(max_examples=examples(150), deadline=None)
def test_a_happening_does_not_come_about_once_it_is_excluded(
    drawn: list[tuple[Condition | None, dict[str, str]]], known: dict[str, tuple[int, list[int]]]
) -> None:
    """Held against every history that what was told leaves open, second by second."""
    several = [Happening(f"t {n}", needs, effect) for n, (needs, effect) in enumerate(drawn)]
    values = {name: STATES[name][n % len(STATES[name])] for name, (n, _) in known.items()}
    told = {name: seconds for name, (_, seconds) in known.items()}
    said = {name: [NOW_AT + timedelta(seconds=s) for s in seconds] for name, seconds in told.items()}
    moments = dict(zip((h.name for h in several), excluded_from(values, said, several), strict=True))
    for name, second in comes_about(values, told, several):
        assert NOW_AT + timedelta(seconds=second) < moments[name], (name, second, moments)


def test_what_is_the_same_at_two_times_may_have_been_away_in_between() -> None:
    """The pump may have turned until the engine was stopped and run down after it: it is surely still only from the next look on."""

    def at(second: int) -> datetime:
        return NOW_AT + timedelta(seconds=second)

    turns = Happening("gate rises", StateTest("engine", "running"), {"gate": "raised"})
    stops = Happening("gate sinks", StateTest("engine", "stopped"), {"gate": "closed"})
    builds_up = Happening("lock opens", StateTest("gate", "raised"), {"lock": "released"})
    values: dict[str, Value] = {"engine": "stopped", "gate": "closed", "lock": "engaged"}
    said = {"engine": [at(100)], "gate": [at(0), at(250)], "lock": [at(110)]}
    assert excluded_from(values, said, [turns, stops, builds_up]) == [at(100), FOREVER, at(250)]


def left_open(book: CheckedRulebook, evidence: tuple[Evidence, ...], end: datetime) -> set[State]:
    """
    Every state that the reports leave open after the last one of them: each is true when it is made, and up to `end` happens what can. A
    fact that was not told before, or that is told otherwise next, somebody may have changed.
    """
    worlds, several = set(product(*STATES.values())), list(book.works.happenings.values())
    moments = sorted({e.at for e in evidence})
    for moment, following in zip(moments, [*moments[1:], None], strict=True):
        for e in evidence:
            worlds = {w for w in worlds if e.at != moment or w[list(STATES).index(e.fact)] == e.value}
        free = []
        for name in STATES:
            before = sorted((e.at, e.value) for e in evidence if e.fact == name and e.at <= moment)
            after = sorted((e.at, e.value) for e in evidence if e.fact == name and e.at > moment)
            free += [name] if not before or (after and after[0][1] != before[-1][1]) else []
        worlds = moved_on(worlds, several if moment < end else (), free if following is not None else ())
    return worlds


@given(
    runs(look=True),
    st.lists(st.tuples(st.sampled_from([(f, s) for f, several in STATES.items() for s in several]), st.integers(1, 90)), max_size=4),
)
@settings(max_examples=examples(200), deadline=None)
def test_what_is_granted_is_granted_whatever_has_happened_since(
    run: tuple[CheckedRulebook, ProcedureQuestion], earlier: list[tuple[tuple[str, str], int]]
) -> None:
    """
    29 CFR 1910.147(d)(5): what was reported before the last step may have changed by itself; every such change is tried, in every history
    that the reports leave open. earlier: reports before the newest ones, each some seconds older.
    """
    book, question = run
    assume(question.done and len(question.evidence) == len(STATES))
    newest = {e.fact: e for e in question.evidence}
    older = {(f, newest[f].at - timedelta(seconds=ago)): s for (f, s), ago in earlier}
    evidence = (*question.evidence, *(Evidence(f, s, at, "seen") for (f, at), s in older.items()))
    following = ask(book, replace(question, evidence=evidence))["next"]
    if following is None or following["clearance"] != "granted":
        return
    for state in left_open(book, evidence, question.done[-1].at):
        told = tuple(replace(newest[name], value=value) for name, value in zip(STATES, state, strict=True))
        assert answer_clearance(book, question.clearance(following["step"], told)).granted, state


def holds(c: Condition | None, state: dict[str, Value]) -> bool:
    return c is None or evaluate(c, state) is Truth.YES


@given(runs())
@settings(max_examples=examples(150), deadline=None)
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
@settings(max_examples=examples(200), deadline=None)
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
@settings(max_examples=examples(150), deadline=None)
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
