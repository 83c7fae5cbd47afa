"""A client in TypeScript, made from the contract by generators that no one here wrote: the README's own script compiles and runs."""

import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from tests.faults.harness import free_port
from tests.strangers.lint import CONTRACT
from tests.strangers.programs import Programs

TOP = CONTRACT.parents[1]
TOUR = TOP / "tests" / "docs" / "tour"
SCRIPT = TOUR / "first_client.ts"
ADDRESS = "http://127.0.0.1:8000"
STRICT = ("--noEmit", "--strict", "--target", "es2022", "--lib", "es2022,dom", "--module", "nodenext", "--allowImportingTsExtensions")


@pytest.fixture(scope="module")
def room(programs: Programs, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the types of the contract, and the packages."""
    room = programs.room(tmp_path_factory.mktemp("typescript") / "room")
    programs.tool("openapi-typescript", CONTRACT, "-o", "fieldworthy.d.ts", cwd=room)
    return room


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A running service to which the README's rulebook is published."""
    env = os.environ | {"FIELDWORTHY_DATA_DIR": str(tmp_path_factory.mktemp("data")), "FIELDWORTHY_LOG_LEVEL": "error"}
    port = free_port()
    served = subprocess.Popen([Path(sys.executable).parent / "fieldworthy", "serve", "--open", "--port", str(port)], env=env)
    try:
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", trust_env=False, timeout=30) as http:
            for _ in range(600):
                try:
                    if http.get("/readyz").status_code == 200:
                        break
                except httpx.TransportError:
                    time.sleep(0.1)
            document = {"content": (TOUR / "baler.yaml").read_bytes(), "headers": {"content-type": "application/yaml"}}
            assert http.put("/v1/rulebooks/plover-r5-baler/draft", **document).status_code == 200
            assert http.post("/v1/rulebooks/plover-r5-baler/publish").status_code == 200
        yield f"http://127.0.0.1:{port}"
    finally:
        served.terminate()
        served.wait(30)


def shown() -> tuple[str, list[str]]:
    """The README's script in TypeScript, and the lines that it says the script prints."""
    readme = (TOP / "README.md").read_text("utf-8")
    (found,) = re.findall(r"^```typescript\n(.*?)^```\n\n```text\n(.*?)^```$", readme, re.MULTILINE | re.DOTALL)
    return found[0], found[1].splitlines()


def test_the_readme_shows_the_script_that_is_run() -> None:
    assert shown()[0] == SCRIPT.read_text("utf-8")


MISTAKES = """
import createClient from "openapi-fetch";
import type { paths } from "./fieldworthy.d.ts";
const service = createClient<paths>({ baseUrl: "" });
await service.GET("/v1/machine/{id}", { params: { path: { id: "r5-21" } } });
await service.PUT("/v1/machines/{id}", { params: { path: { id: "r5-21" } }, body: { model: "R5" } });
const due = await service.GET("/v1/machines/{id}/due", { params: { path: { id: "r5-21" } } });
const standing: "late" | undefined = due.data?.tasks[0]?.standing;
const always: number = due.error.status;
"""


@pytest.mark.slow
def test_the_script_compiles_and_the_compiler_sees_what_the_contract_forbids(programs: Programs, room: Path) -> None:
    (room / SCRIPT.name).write_text(shown()[0], "utf-8")
    (room / "mistakes.ts").write_text(MISTAKES.lstrip(), "utf-8")
    told = programs.tool("tsc", *STRICT, SCRIPT.name, "mistakes.ts", cwd=room, ends=(1, 2))
    wrong = re.findall(r"^(\S+)\((\d+),\d+\): error TS", told, re.MULTILINE)
    # no such path; no rulebook; no such standing; perhaps no error; and nothing in the script, nor in what was generated
    assert sorted(set(wrong)) == [("mistakes.ts", line) for line in ("4", "5", "7", "8")], told


@pytest.mark.slow
def test_the_script_prints_what_the_readme_says(programs: Programs, room: Path, address: str) -> None:
    script = room / "run.ts"
    script.write_text(shown()[0].replace(ADDRESS, address), "utf-8")
    assert programs.node(script, cwd=room).splitlines() == shown()[1]
