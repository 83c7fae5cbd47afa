"""Both clients as a strict type checker sees them."""

import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parents[2]


@pytest.mark.slow
def test_a_strict_checker_sees_what_each_method_gives() -> None:
    ran = subprocess.run(
        [sys.executable, "-m", "mypy", "--strict", "tests/client/typed.py"], cwd=TOP, capture_output=True, text=True, timeout=100
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
