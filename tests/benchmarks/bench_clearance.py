"""What a clearance costs in process, with the way to safe: for each rulebook of the demo, every task, its steps and every action.

    python tests/benchmarks/bench_clearance.py [states]

Each question is asked in so many random states in which every fact is known (20), and once more in the same states with a third of the
facts not reported. Milliseconds: the median, the 95th of a hundred, the slowest. The aim is a median below 5; nothing here fails by itself.
"""

import random
import statistics
import sys
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path

TOP = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(TOP), str(TOP / "service")]

from fieldworthy.core.answer.clearance import ClearanceAnswer, ClearanceQuestion, Evidence, answer_clearance  # noqa: E402
from fieldworthy.core.base.finding import Refused  # noqa: E402
from fieldworthy.core.base.fit import Identity  # noqa: E402
from fieldworthy.core.procedure.steps import laid_out  # noqa: E402
from fieldworthy.core.rulebook.check import check_text  # noqa: E402
from fieldworthy.core.rulebook.model import CheckedRulebook  # noqa: E402
from fieldworthy.demo.world import load  # noqa: E402

NOW = datetime(2026, 7, 14, 6, tzinfo=UTC)


def questions(book: CheckedRulebook) -> Iterator[ClearanceQuestion]:
    """Everything that can be asked for."""
    fits = book.applies_to
    model = min(fits.models) if fits is not None and fits.models else None
    serial = fits.serials.first if fits is not None and fits.serials is not None else None
    asked = ClearanceQuestion(NOW, Identity("m-1", model, serial, frozenset()))
    for action in book.works.actions.values():
        yield replace(asked, action=action.name)
    for task in book.tasks.values():
        yield replace(asked, task=task.name)
        for step in range(1, len(laid_out(task.steps, book.works.procedures)) + 1):
            yield replace(asked, task=task.name, step=step)


def state(book: CheckedRulebook, chance: random.Random, share: float) -> tuple[Evidence, ...]:
    """A report of each fact, of so large a share of them."""
    reports = []
    for fact in book.vocabulary.facts.values():
        if chance.random() < share:
            value = chance.choice(fact.states) if fact.states else Fraction(chance.choice((5, 45, 70, 200)))
            reports.append(Evidence(fact.name, value, NOW, min(fact.known_by), "p-1"))
    return tuple(reports)


def ask(book: CheckedRulebook, question: ClearanceQuestion) -> tuple[float, ClearanceAnswer] | None:
    """How long it took and what came; None for a task of another machine."""
    began = time.perf_counter()
    try:
        answer = answer_clearance(book, question)
    except Refused:  # a task that is not for this machine is no question
        return None
    return (time.perf_counter() - began) * 1000, answer


def main() -> None:
    states = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    chance = random.Random(20)
    everything: list[float] = []
    for name, text in load().texts.items():
        book, _ = check_text(text)
        assert book is not None, name
        for share in (1.0, 0.67):
            took: list[float] = []
            came: Counter[str] = Counter()
            for question in questions(book):
                for _ in range(states):
                    found = ask(book, replace(question, evidence=state(book, chance, share)))
                    if found is None:
                        continue
                    took.append(found[0])
                    codes = {r.code for r in found[1].because} & {"way-to-safe", "no-way-to-safe", "way-needs-evidence"}
                    came["granted" if found[1].granted else codes.pop()] += 1
            everything += took
            took.sort()
            line = f"{statistics.median(took):.2f} {took[len(took) * 95 // 100]:.2f} {took[-1]:.2f} ms"
            print(f"{book.name}, {share:.0%} known, {len(took)} questions: {line}; {dict(came)}")  # noqa: T201
    print(f"all: median {statistics.median(everything):.2f} ms")  # noqa: T201


if __name__ == "__main__":
    main()
