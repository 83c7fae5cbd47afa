"""What the check of an interval finds: the table cases/interval/findings.toml."""

import tomllib
from pathlib import Path
from typing import Any

import pytest

from fieldworthy.core.base.finding import Finding
from fieldworthy.core.base.quantity import UNITS
from fieldworthy.core.base.vocabulary import Meter, Occurrence, Season, Vocabulary, WorkingCondition
from fieldworthy.core.interval.check import check_interval
from fieldworthy.core.interval.parse import parse

CASES = tomllib.loads((Path(__file__).parents[1] / "cases" / "interval" / "findings.toml").read_text("utf-8"))["case"]
METERS = (
    Meter("engine", UNITS["h"], default=True),
    Meter("drum", UNITS["h"]),
    Meter("area", UNITS["ha"]),
    Meter("left wagon", UNITS["loads"]),
    Meter("right wagon", UNITS["loads"]),
)
KNOWN = Vocabulary(
    meters={m.name: m for m in METERS},
    seasons={"silage": Season("silage", (5, 10), (9, 25)), "winter": Season("winter", (11, 15), (2, 28))},
    occurrences={"belt fitted": Occurrence("belt fitted"), "wheel fitted": Occurrence("wheel fitted")},
    working_conditions={"ground": WorkingCondition("ground", ("normal", "stony"))},
)


@pytest.mark.parametrize("case", CASES, ids=[c["text"] for c in CASES])
def test_all_that_does_not_fit_is_found_in_the_order_of_the_text(case: dict[str, Any]) -> None:
    interval = parse(case["text"])
    assert not isinstance(interval, Finding), interval
    found = check_interval(interval, KNOWN)
    wanted = case.get("find", [])
    assert [f.code for f in found] == [w["code"] for w in wanted], found
    for finding, want in zip(found, wanted, strict=True):
        assert finding.span is not None
        if "at" in want:
            assert [finding.span.start, finding.span.end] == want["at"]
        assert want["says"] in finding.message
        assert want["mend"] in finding.mend
        assert finding.message[0] in "`" or finding.message[0].islower()
        assert not finding.message.endswith(".")


def test_names_are_the_same_in_any_case() -> None:
    interval = parse("EVERY 5 H OF Drum OR BEFORE EACH Silage OR EVERY Belt FITTED")
    assert not isinstance(interval, Finding)
    assert check_interval(interval, KNOWN) == []
