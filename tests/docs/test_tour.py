"""The README's tour, run as it stands: each `$ ` line in a console block, and what it prints."""

import os
import re
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parents[2]
ADDRESS = "http://127.0.0.1:8000"


def steps() -> list[tuple[str, str]]:
    """Every command of the README with the output that stands below it."""
    text = (TOP / "README.md").read_text("utf-8")
    found = []
    for block in re.findall(r"^```console\n(.*?)^```$", text, re.MULTILINE | re.DOTALL):
        for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            lines = part.splitlines()
            command = [lines.pop(0)]
            while command[-1].endswith("\\"):
                command.append(lines.pop(0))
            found.append(("\n".join(command), "\n".join(line.rstrip() for line in lines).strip()))
    return found


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A running service with a database of its own."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    env = os.environ | {"FIELDWORTHY_DATA_DIR": str(tmp_path_factory.mktemp("data"))}
    script = str(Path(sys.executable).parent / "fieldworthy")
    served = subprocess.Popen([script, "serve", "--open", "--port", str(port)], env=env, cwd=TOP, stdout=subprocess.DEVNULL)
    try:
        for _ in range(100):
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.1)
        yield f"http://127.0.0.1:{port}"
    finally:
        served.terminate()
        served.wait(20)


@pytest.mark.slow
def test_the_tour_prints_what_it_says(address: str) -> None:
    commands = steps()
    assert len(commands) >= 10
    env = os.environ | {"PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}", "COLUMNS": "80", "NO_COLOR": "1"}
    for command, wanted in commands:
        ran = subprocess.run(command.replace(ADDRESS, address), shell=True, cwd=TOP, env=env, capture_output=True, text=True, timeout=60)  # noqa: S602
        got = "\n".join(line.rstrip() for line in (ran.stdout + ran.stderr).replace(address, ADDRESS).splitlines()).strip()
        got = re.sub(r'"(published_at|changed_at|as_of|known)": ?"2[^"]*"', r'"\1":"…"', got)
        if wanted.endswith("…"):  # the beginning is shown
            assert got.startswith(wanted[:-1].strip()), command
        else:
            assert got == wanted, command
