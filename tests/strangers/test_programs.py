"""What is installed of others: locked by digests, without an address, under free licences, found by scripts of ours."""

import json
from pathlib import Path
from typing import Any

import pytest

from tests.strangers.programs import HERE, NODE, Failed, Programs

FREE = {"0BSD", "Apache-2.0", "BSD-2-Clause", "BSD-3-Clause", "BlueOak-1.0.0", "CC0-1.0", "ISC", "MIT", "Python-2.0", "Unlicense"}
SAID_OTHERWISE = {"node_modules/reserved": "MIT"}
"""What says its licence in a form that the lock does not take over (`licenses`)."""


def packages() -> dict[str, dict[str, Any]]:
    lock = json.loads((HERE / "package-lock.json").read_text("utf-8"))
    return {name: package for name, package in lock["packages"].items() if name}


def test_the_lock_names_no_address() -> None:
    assert "://" not in (HERE / "package-lock.json").read_text("utf-8")


def test_every_locked_package_has_a_digest_and_a_free_licence() -> None:
    assert len(packages()) > 100
    assert [name for name, package in packages().items() if not package.get("integrity", "").startswith("sha512-")] == []
    for name, package in packages().items():
        licence = package.get("license") or SAID_OTHERWISE[name]
        assert {word.strip("()") for word in licence.split() if word not in ("OR", "AND")} <= FREE, name


def test_what_is_asked_for_is_locked_as_it_is_asked_for() -> None:
    asked = json.loads((HERE / "package.json").read_text("utf-8"))["dependencies"]
    assert {name: packages()[f"node_modules/{name}"]["version"] for name in asked} == asked


def test_scripts_find_the_packages(programs: Programs, tmp_path: Path) -> None:
    room = programs.room(tmp_path / "room")
    (room / "asks.ts").write_text(
        'import { version } from "graphql";\nconst said: string = version;\nconsole.log(said, process.execPath);\n', "utf-8"
    )
    version, node = programs.node(room / "asks.ts", cwd=room).split(maxsplit=1)
    assert version == packages()["node_modules/graphql"]["version"]
    assert Path(node.strip()) == NODE


def test_a_program_that_fails_is_told(programs: Programs, tmp_path: Path) -> None:
    room = programs.room(tmp_path / "room")
    (room / "wrong.js").write_text("throw new Error('no such thing');\n", "utf-8")
    with pytest.raises(Failed, match="no such thing"):
        programs.node(room / "wrong.js", cwd=room)
