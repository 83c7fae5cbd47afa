"""What exploring procedures costs.

    python tests/benchmarks/bench_explore.py            the engine beside a search over a set of numbers, and the demo's rulebooks
    python tests/benchmarks/bench_explore.py --agree N  the engine, its slow twin and a solver on N small procedures each

The first table asks both for the same: how many states can be reached and how many events the hazard takes. Nothing here fails by itself
but for two that differ.
"""

import sys
import time
import tracemalloc
from collections import Counter
from collections.abc import Callable
from pathlib import Path

TOP = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(TOP), str(TOP / "service")]

from fieldworthy.core.base.vocabulary import Fact  # noqa: E402
from fieldworthy.core.condition.ast import Condition, Joined, StateTest  # noqa: E402
from fieldworthy.core.procedure.explore import Verdict, explore, not_followed  # noqa: E402
from fieldworthy.core.procedure.model import Action, Hazard, Step, Works  # noqa: E402
from fieldworthy.core.procedure.steps import laid_out  # noqa: E402
from fieldworthy.core.rulebook.check import check_text  # noqa: E402

STATES = ("first", "second", "third")


def timed(call: Callable[[], object]) -> tuple[float, object]:
    """Milliseconds of CPU, which other programs on the machine change little."""
    began = time.process_time()
    found = call()
    return (time.process_time() - began) * 1000, found


# --- the engine beside a search over a set of numbers ------------------------------------------------------------------------


def ring_of(facts: int) -> tuple[Works, dict[str, Fact], Condition]:
    """Facts of three states in a ring; each can be given each state in two ways, if the next fact has one of two states."""
    names = [f"fact {chr(97 + n)}" for n in range(facts)]
    declared = {name: Fact(name, STATES) for name in names}
    actions = {}
    for n, name in enumerate(names):
        for to in range(3):
            for way in range(2):
                needs = StateTest(names[(n + 1) % facts], STATES[(to + way) % 3])
                label = f"{name} {STATES[to]} {'ab'[way]}"
                actions[label] = Action(label, needs, {name: STATES[to]})
    never = Joined("and", tuple(StateTest(name, "third") for name in names))
    rest = Joined("and", tuple(StateTest(name, "first") for name in names))
    return Works(actions, {"harm": Hazard("harm", never, "danger", "Keep off.")}), declared, rest


def over_numbers(facts: int) -> tuple[int, int]:
    """The same search over a set of numbers: states reached and events to the hazard."""
    weights = [3**n for n in range(facts)]
    actions = [(n, to, (n + 1) % facts, (to + way) % 3) for n in range(facts) for to in range(3) for way in range(2)]
    frontier, seen, layer, harm = [0], {0}, 0, 0
    worst = sum(2 * w for w in weights)
    while frontier:
        layer += 1
        ahead = []
        for state in frontier:
            digits, rest = [], state
            for _ in range(facts):
                rest, digit = divmod(rest, 3)
                digits.append(digit)
            for fact, to, other, needed in actions:
                if digits[other] == needed:
                    after = state + (to - digits[fact]) * weights[fact]
                    if after not in seen:
                        seen.add(after)
                        ahead.append(after)
        if not harm and worst in seen:
            harm = layer
        frontier = ahead
    return len(seen), harm


def beside_numbers() -> None:
    print(f"{'states':>10} {'actions':>8} {'reached':>10} {'events':>7} {'numbers':>11} {'engine':>10} {'ratio':>6} {'peak':>8}")  # noqa: T201
    for facts in (6, 8, 10, 12):
        works, declared, rest = ring_of(facts)

        def ask(works: Works = works, declared: dict[str, Fact] = declared, rest: Condition = rest) -> Verdict:
            return explore(works, declared, (), needs=rest, most_states=3**12)

        quick = min((timed(ask) for _ in range(5)), key=lambda found: found[0])
        slow, numbers = timed(lambda facts=facts: over_numbers(facts))
        verdict = quick[1]
        assert isinstance(verdict, Verdict)
        # the engine counts the beginning as a state of its own, and the start of the work as an event
        found = (verdict.figures.reached - 1, len(verdict.hazards[0].trace.events) - 1)
        assert found == numbers, (found, numbers)
        print(  # noqa: T201
            f"{3**facts:>10,} {len(works.actions):>8} {found[0]:>10,} {found[1]:>7} {slow:>8.0f} ms {quick[0]:>7.1f} ms "
            f"{slow / quick[0]:>5.0f}x {peak(ask):>5.1f} MB"
        )


def peak(call: Callable[[], object]) -> float:
    tracemalloc.start()
    call()
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return most / 1e6


# --- the demo ----------------------------------------------------------------------------------------------------------------


def demo() -> None:
    print(f"\n{'rulebook':<18} {'procedures':>10} {'with steps':>10} {'largest':>8} {'reached':>8} {'all of it':>10} {'peak':>8}")  # noqa: T201
    for file in sorted((TOP / "service" / "fieldworthy" / "demo").glob("*.yaml")):
        book, findings = check_text(file.read_bytes())
        assert book is not None, findings
        works, facts = book.works, book.vocabulary.facts
        asked = [(laid_out(t.steps, works.procedures), t.needs, t.holds, t.leaves) for t in book.tasks.values()]
        asked += [
            (laid_out(p.steps, works.procedures), None, None, None) for p in not_followed(works, [t.steps for t in book.tasks.values()])
        ]

        def all_of_it(asked: list = asked, works: Works = works, facts: dict[str, Fact] = facts) -> list[Verdict]:
            return [explore(works, facts, steps, needs=n, holds=h, leaves=left) for steps, n, h, left in asked]

        took, _ = min((timed(all_of_it) for _ in range(5)), key=lambda found: found[0])
        verdicts = all_of_it()
        print(  # noqa: T201
            f"{file.stem:<18} {len(asked):>10} {sum(1 for a in asked if a[0]):>10} {max(v.figures.states for v in verdicts):>8,} "
            f"{max(v.figures.reached for v in verdicts):>8,} {took:>7.1f} ms {peak(all_of_it):>5.1f} MB"
        )


def long_one() -> None:
    """The longest procedure in the largest space that is allowed."""
    states = tuple(f"state {'abcde'[n]}" for n in range(5))
    facts = {f"fact {'abcdefg'[n]}": Fact(f"fact {'abcdefg'[n]}", states) for n in range(7)}
    actions = {
        f"{name} {s}": Action(f"{name} {s}", StateTest(list(facts)[n - 1], states[i - 1], True), {name: s})
        for n, name in enumerate(facts)
        for i, s in enumerate(states)
    }
    never = Joined("and", tuple(StateTest(name, states[-1]) for name in facts))
    works = Works(actions, {"harm": Hazard("harm", never, "danger", "Keep off.")})
    steps = tuple(Step(do="Look at it.", holds=StateTest(list(facts)[n % 7], states[n % 5], True)) for n in range(500))

    def ask() -> Verdict:
        return explore(works, facts, steps)

    took, verdict = timed(ask)
    assert isinstance(verdict, Verdict)
    f = verdict.figures
    print(f"\n500 steps in {f.states:,} states: {f.reached:,} reached, {f.layers} layers, {took:,.0f} ms, {peak(ask):.0f} MB")  # noqa: T201


# --- agreement ---------------------------------------------------------------------------------------------------------------


def agree(many: int) -> None:
    from tests.twin.agreement import differences, explored
    from tests.twin.small_procedures import small

    assert many > 0
    seen: Counter[str] = Counter()
    wrong = [number for number in range(many) if differences(number)]
    for number in range(many):
        verdict = explored(small(number))
        seen["safe"] += verdict.safe
        seen["no state to begin in"] += verdict.no_start is not None
        seen["a hazard"] += bool(verdict.hazards)
        seen["a step that can't start"] += verdict.cannot_start is not None
        seen["never over"] += verdict.never_over
        seen["something left changed"] += bool(verdict.left_changed)
        seen.update(f"a hazard after {len(r.trace.events)} events" for r in verdict.hazards)
    print(f"{many} small procedures, engine, twin and solver: {len(wrong)} differ {wrong or ''}")  # noqa: T201
    for what, count in sorted(seen.items()):
        print(f"  {what}: {count}")  # noqa: T201


if __name__ == "__main__":
    if sys.argv[1:2] == ["--agree"]:
        agree(int(sys.argv[2]))
    else:
        beside_numbers()
        demo()
        long_one()
