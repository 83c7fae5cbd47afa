"""Whatever happens to a machine, and however often its standings are computed: what is told of a task says truly what changed."""

import json
from dataclasses import replace
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from fieldworthy.usecases.announce import Made, Watch, announce
from fieldworthy.usecases.events import TASK, NewEvent
from fieldworthy.usecases.kept import Machine
from fieldworthy.usecases.kept_standings import URGENCY, Computed, Row

MACHINE = Machine(1, "c-1", 1, 0, "combine", "north")

moments = st.fixed_dictionaries(
    {
        "tasks": st.dictionaries(st.sampled_from(["oil", "look", "weld"]), st.sampled_from(URGENCY)),
        "fit": st.sampled_from(["fit", "unfit", "unknown"]),
        "in_season": st.sampled_from([True, True, True, False]),
        "problem": st.sampled_from([None, None, None, "{}"]),
        "silent": st.dictionaries(st.just("work"), st.integers(1, 3)),
        "times": st.integers(1, 3),
    }
)


def made(told: dict[str, Any], at: int) -> Made:
    fine = told["problem"] is None
    rows = [
        Row(1, "c-1", task, URGENCY.index(word), 0.0, "inspect", None, None, json.dumps({"task": task, "standing": word, "because": []}))
        for task, word in told["tasks"].items()
    ]
    computed = Computed(1, at, at, at, at, "combine", 1, "d", told["problem"], fit=told["fit"] if fine else None, fit_because="[]")
    return Made(computed, rows if fine else (), Watch(MACHINE, told["in_season"], told["silent"]) if fine else None)


@given(st.lists(moments, max_size=12))
def test_the_events_of_a_task_tell_its_life(life: list[dict[str, Any]]) -> None:
    there: Computed | None = None
    standing: dict[str, str] = {}
    fit, heard = "fit", list[NewEvent]()
    for at, told in enumerate(life):
        for _ in range(told["times"]):
            before = len(heard)
            announced, events = announce(there, made(told, at))
            heard += events
            for event in events:
                if event.task is not None and event.type.startswith(TASK):
                    was = event.data["was"]
                    assert (was or "clear") == standing.get(event.task, "clear")
                    assert event.standing == event.data["standing"] != standing.get(event.task, "clear")
                    standing[event.task] = event.standing
                elif "fit" in event.data:
                    assert (event.data["was"] or "fit", event.data["fit"]) == (fit, event.data["fit"])
                    assert event.data["fit"] != fit
                    fit = event.data["fit"]
            there = replace(made(told, at).computed, announced=announced)
        assert len(heard) == before + len(events)
        quiet = told["problem"] is not None or not told["in_season"]
        if told["times"] > 1 or quiet:
            assert not events  # the last time nothing was new
        if not quiet:  # then what was heard last is what is
            assert fit == told["fit"]
            assert {t: w for t, w in standing.items() if w != "clear"} == {t: w for t, w in told["tasks"].items() if w != "clear"}


@given(st.lists(moments, min_size=1, max_size=4))
def test_of_one_that_was_there_before_anything_was_told_what_stands_is_only_noted(life: list[dict[str, Any]]) -> None:
    there = replace(made(life[0], 0).computed, announced=None)
    for at, told in enumerate(life):
        announced, events = announce(there, made(told, at))
        if there.announced is None:
            assert not events
            assert (announced is None) == (told["problem"] is not None)
        there = replace(made(told, at).computed, announced=announced)
