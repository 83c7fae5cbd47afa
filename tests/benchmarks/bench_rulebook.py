"""What reading and checking a rulebook costs, and what hostile texts cost before they are refused.

    python tests/benchmarks/bench_rulebook.py [rulebook.yaml ...]

Each line: the best of five, in milliseconds. A hostile text of a megabyte should cost no more than a good one of that size; nothing here
fails by itself.
"""

import sys
import time
from collections.abc import Callable
from pathlib import Path

TOP = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(TOP), str(TOP / "service")]

from fieldworthy.core.answer.examples import run_example  # noqa: E402
from fieldworthy.core.rulebook.check import check_text  # noqa: E402
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


def best(call: Callable[[], object]) -> float:
    times = []
    for _ in range(5):
        began = time.perf_counter()
        call()
        times.append(time.perf_counter() - began)
    return min(times) * 1000


def main() -> None:
    files = [Path(name) for name in sys.argv[1:]] or [TOP / "tests" / "cases" / "rulebook" / "good.yaml"]
    for file in files:
        text = file.read_bytes()
        print(f"{file.name}, {len(text):,} bytes: read {best(lambda: read_text(text)):.1f} ms, ", end="")  # noqa: B023, T201
        print(f"checked {best(lambda: check_text(text, run_example)):.1f} ms")  # noqa: B023, T201
    for name, text in HOSTILE.items():
        print(f"{name}: {best(lambda: read_text(text)):.1f} ms")  # noqa: B023, T201


if __name__ == "__main__":
    main()
