"""The way to safe on the command line: in words, numbered, within 80 columns."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

NOW = "2026-07-14T06:00:00+01:00"
BOOK = """\
rulebook: plover-h7-combine
title: Plover H7 combine harvester
facts:
  engine: {states: [stopped, running]}
  key: {states: [removed, in lock]}
  intake: {states: [lowered, raised]}
  cylinder stop: {states: [stowed, set], known_by: [seen]}
  side guard: {states: [closed, open]}
  person: {states: [clear, under intake], known_by: [seen], per: person}
actions:
  stop engine: {makes: engine is stopped}
  take key out: {needs: engine is stopped, makes: key is removed}
  set cylinder stop:
    needs: intake is raised and engine is stopped and key is removed
    makes: cylinder stop is set
    confirm: cylinder stop is set
  go under intake: {needs: intake is raised and cylinder stop is set and key is removed, makes: person is under intake}
  open side guard: {needs: engine is stopped, makes: side guard is open}
hazards:
  crushed under intake:
    never: person is under intake and intake is raised and cylinder stop is stowed
    signal: danger
    avoid: Set the cylinder stop before anyone goes under the raised intake; the handbook shows where it sits.
  caught by belts:
    never: side guard is open and engine is running
    signal: warning
    avoid: Keep the side guard closed whenever the engine may run; the handbook says how it locks.
tasks:
  look: {title: Look, kind: inspect}
"""
STATE = {"engine": "running", "key": "in lock", "intake": "raised", "cylinder stop": "stowed", "side guard": "closed", "person": "clear"}


def ask(folder: Path, asked: dict[str, Any], **more: Any) -> str:
    """What is printed for a withheld clearance."""
    evidence = [{"fact": f, "value": v, "at": NOW, "via": "seen", "by": "p-3"} for f, v in STATE.items()]
    request = {"now": NOW, "machine": {"id": "h7-03"}, "for": asked, "evidence": evidence, **more}
    (folder / "book.yaml").write_text(BOOK, "utf-8")
    command = [str(Path(sys.executable).parent / "fieldworthy"), "clearance", "-", "--rulebook", str(folder / "book.yaml")]
    ran = subprocess.run(command, input=json.dumps(request), capture_output=True, text=True, timeout=60)
    assert ran.returncode == 1, ran.stderr
    assert all(len(line) <= 80 for line in ran.stdout.splitlines())
    return ran.stdout


def test_the_way_is_numbered_and_says_what_to_confirm(tmp_path: Path) -> None:
    out = ask(tmp_path, {"action": "go under intake"})
    assert (
        """do first, and report the facts anew after each:
  1. stop engine: engine is stopped
     WARNING, caught by belts: Keep the side guard closed whenever the engine
     may run; the handbook says how it locks.
  2. take key out: key is removed
  3. set cylinder stop: cylinder stop is set
     confirm it before what follows: cylinder stop is set
"""
        in out
    )
    assert out.count("caught by belts") == 1, "a caution is told once"
    assert "This is a plan and no evidence" in " ".join(out.split())


@pytest.mark.parametrize(
    ("by", "words"), [("p-4", "do first"), ("p-3", "put on by somebody else:\n  - side guard is closed, for p-4 alone")]
)
def test_what_another_put_on_is_named(tmp_path: Path, by: str, words: str) -> None:
    lock = [{"fact": "side guard", "state": "closed", "by": "p-4"}]
    assert words in ask(tmp_path, {"action": "open side guard"}, put_on=lock, by=by)
