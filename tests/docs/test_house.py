"""The house itself: the lock, the container's recipe, the words of the documents."""

import re
import subprocess
import tomllib
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parents[2]


def lock_text() -> str:
    return (TOP / "requirements.lock").read_text("utf-8")


def test_the_lock_names_no_address() -> None:
    assert "://" not in lock_text()


def test_every_locked_package_has_a_hash() -> None:
    blocks = re.split(r"\n(?=\S)", lock_text().strip())
    assert len(blocks) > 50
    assert [b.splitlines()[0] for b in blocks if "--hash=sha256:" not in b] == []


def test_what_the_project_asks_for_is_locked() -> None:
    project = tomllib.loads((TOP / "pyproject.toml").read_text("utf-8"))["project"]
    asked = [*project["dependencies"], *(d for extra in project["optional-dependencies"].values() for d in extra)]
    names = {re.split(r"[\[><=;! ]", d)[0].lower().replace("_", "-") for d in asked}
    locked = {line.split("==")[0].lower() for line in lock_text().splitlines() if "==" in line and not line.startswith(" ")}
    assert names - locked == set()


def test_the_readme_and_the_pipeline_share_their_command() -> None:
    readme = (TOP / "README.md").read_text("utf-8")
    assert re.search(r"^    \.ci/run$", readme, re.MULTILINE)
    assert (TOP / ".ci" / "run").stat().st_mode & 0o111


@pytest.mark.parametrize("words", ["handbook", "local law", "trained", "never rely on it alone"])
def test_safety_words_stand_in_the_readme(words: str) -> None:
    readme = (TOP / "README.md").read_text("utf-8").casefold()
    assert words in readme


def test_no_file_is_too_long() -> None:
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard", "service"], cwd=TOP, capture_output=True, text=True
    )
    files = [TOP / name for name in listed.stdout.splitlines() if name.endswith(".py")]
    assert files
    assert [f.name for f in files if f.exists() and len(f.read_text("utf-8").splitlines()) > 400] == []
