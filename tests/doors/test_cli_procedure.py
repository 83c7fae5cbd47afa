"""`fieldworthy procedure`: what people and scripts see of a run, and its exit codes."""

from pathlib import Path
from typing import Any

import pytest

from tests.doors.test_cli import NOW, Run, narrow, run

__all__ = ["run"]  # the fixture

RULEBOOK = """\
rulebook: plover-r5-baler
title: Plover R5 round baler
facts:
  engine: {states: [stopped, running], known_by: [sensor, seen], good_for: 2 min}
  rollers: {states: [still, turning], known_by: [sensor, seen], good_for: 2 min}
  side panel: {states: ["on", "off"], known_by: [seen], good_for: 4 h}
actions:
  stop engine: {makes: engine is stopped}
  take side panel off: {needs: engine is stopped and rollers is still, makes: side panel is off}
  put side panel on: {makes: side panel is on, confirm: side panel is on}
  start engine: {needs: side panel is on, makes: engine is running}
hazards:
  caught by chains: {never: side panel is off and engine is running, signal: warning, avoid: Stop the engine first.}
happenings:
  rollers run down: {needs: engine is stopped and rollers is turning, makes: rollers is still}
tasks:
  bearing-grease:
    title: Grease the bearings
    kind: lubricate
    holds: engine is stopped
    steps:
      - stop engine
      - wait: 1 min until rollers is still
      - take side panel off
      - do: Two strokes into each nipple. [bold]not markup[/bold]
        holds: side panel is off
      - put side panel on
"""
TIMES = ["2026-07-14T05:55:00+01:00", "2026-07-14T05:55:10+01:00", "2026-07-14T05:58:00+01:00", "2026-07-14T05:59:00+01:00", NOW]


def ask(done: int, **facts: str) -> dict[str, Any]:
    return {
        "rulebook": "x",
        "now": NOW,
        "machine": {},
        "task": "bearing-grease",
        "done": [{"step": n, "at": at} for n, at in enumerate(TIMES[:done], 1)],
        "evidence": [{"fact": name.replace("_", " "), "value": value, "at": NOW, "via": "seen"} for name, value in facts.items()],
    }


@pytest.fixture
def book(run: Run) -> str:
    Path("run.yaml").write_text(RULEBOOK, "utf-8")
    return "run.yaml"


def test_help_shows_an_example_and_the_exit_codes(run: Run) -> None:
    assert "procedure" in run("--help").out
    shown = run("procedure", "--help").out
    assert "Example:  fieldworthy procedure" in shown
    assert "Exit code 1" in shown
    assert narrow(shown)


def test_the_next_step_is_granted(run: Run, book: str) -> None:
    ran = run("procedure", "-", "-r", book, stdin=ask(3, engine="stopped", side_panel="off"))
    assert ran.code == 0, ran.err
    assert "step 4 is GRANTED" in ran.out
    assert "[bold]not markup[/bold]" in ran.out
    assert "wait 1 min until rollers is still" in ran.out
    assert "side panel is off, must be on" in ran.out
    assert narrow(ran.out)


def test_the_next_step_waits(run: Run, book: str) -> None:
    asked = {**ask(2, engine="stopped", rollers="still", side_panel="on"), "now": "2026-07-14T05:55:40+01:00"}
    ran = run("procedure", "-", "-r", book, stdin=asked)
    assert ran.code == 1
    assert "step 3 is WITHHELD" in ran.out
    assert "the wait is over at 2026-07-14T05:56:10+01:00" in ran.out


def test_it_is_interrupted_and_the_way_to_safe_stands_first(run: Run, book: str) -> None:
    ran = run("procedure", "-", "-r", book, stdin=ask(4, engine="running", side_panel="off", rollers="turning"))
    assert ran.code == 1
    assert ran.out.index("INTERRUPTED") < ran.out.index("1. stop engine") < ran.out.index("step 5 is WITHHELD")


def test_all_done(run: Run, book: str) -> None:
    assert run("procedure", "-", "-r", book, stdin=ask(5)).code == 0
    left = run("procedure", "-", "-r", book, stdin=ask(5, side_panel="off", engine="stopped"))
    assert left.code == 1
    assert "INTERRUPTED" in left.out


def test_json_is_the_answer_of_the_wire(run: Run, book: str) -> None:
    answer = run("procedure", "-", "-r", book, "--json", stdin=ask(3, engine="stopped", side_panel="off")).json
    assert answer["next"]["step"] == 4
    assert answer["rulebook"]["version"] is None


def test_what_does_not_fit_is_refused(run: Run, book: str) -> None:
    asked = ask(2)
    asked["done"][1]["step"] = 3
    ran = run("procedure", "-", "-r", book, stdin=asked)
    assert ran.code == 2
    assert "step 3 is named where step 2 belongs" in ran.err


def test_a_rulebook_inside_the_request_is_told_by_the_paths_of_its_errors(run: Run) -> None:
    steps = {"t": {"title": "T", "kind": "clean", "needs": "engine is\n stoped", "steps": ["stop"]}}
    ran = run("procedure", "-", stdin={**ask(0), "rulebook": {"rulebook": "b", "title": "B", "tasks": steps}, "task": "t"})
    assert ran.code == 2
    assert {line.split(": ")[0].strip() for line in ran.err.splitlines()[1:]} == {"/tasks/t/needs", "/tasks/t/steps/0"}


@pytest.mark.parametrize(
    ("member", "sent", "said"),
    [
        ("task", "bearing\u202e-grease", "/task: `task` contains a control character, U+202E"),
        ("task", "bearing\x1b[31m", "/task: `task` contains a control character, U+001B"),
        ("done", [None], "/done/0: entry 1 of `done` must be an object"),
        ("begun", "9999-12-31T23:59:59Z", "/begun: the step begun is said to be"),
    ],
)
def test_what_is_odd_is_told_in_one_line(run: Run, book: str, member: str, sent: object, said: str) -> None:
    ran = run("procedure", "-", "-r", book, stdin={**ask(0), member: sent})
    assert (ran.code, ran.out, len(ran.err.splitlines())) == (2, "", 1)
    assert ran.err.startswith(f"fieldworthy: {said}")
