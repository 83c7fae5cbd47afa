"""What reading and checking a rulebook costs, and what hostile texts cost before they are refused.

    python tests/benchmarks/bench_rulebook.py [rulebook.yaml ...]

Each line: the best of five, in milliseconds of CPU. A hostile text of a megabyte should cost no more than a good one of that size, and
the check of a rulebook that is full of expressions no more than 1,500 ms; nothing here fails by itself.
"""

import json
import sys
import time
from collections.abc import Callable
from pathlib import Path

TOP = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(TOP), str(TOP / "service")]

from fieldworthy.core.answer.examples import run_example  # noqa: E402
from fieldworthy.core.rulebook.check import check_text  # noqa: E402
from fieldworthy.core.rulebook.report import MOST_EXPRESSIONS  # noqa: E402
from fieldworthy.core.rulebook.text import read_text  # noqa: E402

HOSTILE = {
    "lists in lists": "[" * 1_000_000,
    "mappings in mappings": "{" * 1_000_000,
    "blocks in blocks": "- " * 500_000,
    "JSON in JSON": '{"a":' * 200_000,
    "names in names": "? " * 500_000,
    "anchors": "a: " + "&x " * 330_000,
    "aliases": "a: &x 1\nb: [" + "*x, " * 240_000 + "]",
    "tags": "- !a b\n" * 140_000,
    "one name many times": "{" + "a, " * 330_000 + "}",
    "very many values": "- a\n" * 250_000,
    "one long name": "? " + "a" * 990_000 + "\n: 1\n",
    "one number": "9" * 1_000_000,
    "blanks": " " * 1_000_000,
    "ten megabytes": "x" * 10_000_000,
}

LONGEST = 2_000
FULL = {  # member of a task, what its text repeats, what joins it
    "amounts": ("interval", "every 9 h", " or "),
    "brackets": ("interval", "(" * 19 + "daily" + ")" * 19, " or "),
    "rules": ("interval", "when state is dry, daily", "; "),
    "conditions": ("needs", "not not not state is wet", " or "),
}


def full(member: str, unit: str, joiner: str, characters: int) -> bytes:
    """A rulebook with so many characters of expressions, each as long as one may be."""
    text = joiner.join([unit] * ((LONGEST + len(joiner)) // (len(unit) + len(joiner))))
    return json.dumps(
        {
            "rulebook": "full",
            "title": "Full",
            "language": 1,
            "meters": {"engine": {"unit": "h"}},
            "working_conditions": {"state": ["dry", "wet"]},
            "facts": {"state": {"states": ["dry", "wet"]}},
            "tasks": {f"t{n}": {"title": "T", "kind": "inspect", member: text} for n in range(characters // len(text))},
        }
    ).encode()


def best(call: Callable[[], object]) -> float:
    times = []
    for _ in range(5):
        began = time.process_time()
        call()
        times.append(time.process_time() - began)
    return min(times) * 1000


def main() -> None:
    files = [Path(name) for name in sys.argv[1:]] or [TOP / "tests" / "cases" / "rulebook" / "good.yaml"]
    for file in files:
        text = file.read_bytes()
        print(f"{file.name}, {len(text):,} bytes: read {best(lambda: read_text(text)):.1f} ms, ", end="")  # noqa: B023, T201
        print(f"checked {best(lambda: check_text(text, run_example)):.1f} ms")  # noqa: B023, T201
    for name, text in HOSTILE.items():
        print(f"{name}: {best(lambda: read_text(text)):.1f} ms")  # noqa: B023, T201
    for name, (member, unit, joiner) in FULL.items():
        for much, characters in (("up to the bound", MOST_EXPRESSIONS), ("beyond it", 900_000)):
            text = full(member, unit, joiner, characters)
            print(f"{name} {much}: {best(lambda: check_text(text, run_example)):.0f} ms")  # noqa: B023, T201


if __name__ == "__main__":
    main()
