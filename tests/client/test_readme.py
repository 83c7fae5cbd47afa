"""What the README shows of the client: its script is the file that the tour runs, and five lines of it do something."""

import re
from pathlib import Path

from fieldworthy.client import errors

TOP = Path(__file__).resolve().parents[2]
README = (TOP / "README.md").read_text("utf-8")


def test_the_readmes_script_is_the_one_that_the_tour_runs() -> None:
    (shown,) = re.findall(r"^```python\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
    assert shown == (TOP / "tests/docs/tour/five_lines.py").read_text("utf-8")
    lines = [line for line in shown.splitlines() if line and not line.startswith("#")]
    assert len(lines) == 5


def test_every_kind_of_error_stands_in_the_readme() -> None:
    kinds = [kind.__name__ for kind in vars(errors).values() if isinstance(kind, type) and issubclass(kind, errors.FieldworthyError)]
    assert len(kinds) == 8
    assert [kind for kind in kinds if f"`{kind}`" not in README] == []
