"""The house itself: the lock, the container's recipe, the words of the documents."""

import re
import subprocess
import tomllib
from pathlib import Path

import pytest

from fieldworthy.cli.connection import MOST_WAITING, Patience
from fieldworthy.cli.serving import IDLE_CONNECTIONS
from fieldworthy.core.answer.machine import MOST_RECORDS
from fieldworthy.core.answer.progress import MOST_CAUTION_CHARACTERS
from fieldworthy.core.condition import parse as condition_parse
from fieldworthy.core.interval import parse as interval_parse
from fieldworthy.core.rulebook import reading
from fieldworthy.core.rulebook.check import MAX_TASKS
from fieldworthy.core.rulebook.report import MOST_EXPRESSIONS
from fieldworthy.rest.limits import MAX_HEADER_BYTES, MAX_HEADERS, MAX_TARGET_BYTES
from fieldworthy.settings import VARIABLES
from fieldworthy.usecases import limits
from fieldworthy.wire.reading import MAX_DEPTH

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
    assert {re.sub("[-_.]+", "-", name) for name in names} - locked == set()  # as PyPA's name normalization has it


def test_the_readme_and_the_pipeline_share_their_command() -> None:
    readme = (TOP / "README.md").read_text("utf-8")
    assert re.search(r"^    \.ci/run$", readme, re.MULTILINE)
    assert (TOP / ".ci" / "run").stat().st_mode & 0o111


@pytest.mark.parametrize("words", ["handbook", "local law", "trained", "never rely on it alone"])
def test_safety_words_stand_in_the_readme(words: str) -> None:
    readme = (TOP / "README.md").read_text("utf-8").casefold()
    assert words in readme


def test_every_setting_stands_in_the_readme() -> None:
    readme = (TOP / "README.md").read_text("utf-8")
    assert [name for name in VARIABLES if f"`{name}`" not in readme] == []


@pytest.mark.parametrize(
    ("value", "row"),
    [
        (limits.MAX_BODY_BYTES, "one request, unpacked"),
        (limits.MAX_RULEBOOK_BYTES, "one rulebook"),
        (limits.MAX_BATCH_LINES, "one batch"),
        (limits.MAX_BATCH_LINE_BYTES, "one batch"),
        (limits.MAX_EXPRESSION_CHARACTERS, "one interval or condition"),
        (limits.MAX_PAGE, "one page of a list"),
        (MAX_TASKS, "one rulebook"),
        (MOST_EXPRESSIONS, "all intervals and conditions of one rulebook"),
        (interval_parse.MAX_DEPTH, "one interval or condition"),
        (MOST_RECORDS, "records of one task that are folded"),
        (MOST_CAUTION_CHARACTERS, "cautions of all steps of one procedure that is run"),
        (limits.MAX_AT_ONCE, "requests at once"),
        (limits.MAX_REQUESTS, "requests of one key"),
        (limits.MAX_REQUESTS_SECONDS, "requests of one key"),
        (limits.MAX_WRONG_KEYS, "wrong keys from one address"),
        (limits.MAX_AT_ONCE + IDLE_CONNECTIONS, "connections"),
        (MOST_WAITING, "connections"),
        (MAX_HEADERS, "a request's headers and address"),
        (MAX_HEADER_BYTES, "a request's headers and address"),
        (MAX_TARGET_BYTES, "a request's headers and address"),
        (int(Patience().head), "a request's headers and address"),
        (MAX_DEPTH, "arrays and objects of JSON inside each other"),
        (int(Patience().slow), "a body on its way, an answer that is read"),
        (Patience().rate, "a body on its way, an answer that is read"),
        (limits.MAX_REQUEST_SECONDS, "one request in all"),
    ],
)
def test_the_readme_states_the_limits_as_they_are(value: int, row: str) -> None:
    readme = (TOP / "README.md").read_text("utf-8")
    (stated,) = [line for line in readme.splitlines() if line.startswith(f"| {row} |")]
    assert re.search(rf"(?<![\d,]){value:,}(?![\d,])", stated)


def test_limits_that_are_said_twice_agree() -> None:
    """The core keeps its own limits, for it knows no use cases."""
    assert limits.MAX_RULEBOOK_BYTES == reading.MAX_BYTES
    assert limits.MAX_EXPRESSION_CHARACTERS == interval_parse.MAX_TEXT == condition_parse.MAX_TEXT


def ours(*rooms: str) -> list[Path]:
    """The files that git keeps, or would."""
    told = ["git", "ls-files", "--cached", "--others", "--exclude-standard", *rooms]
    listed = subprocess.run(told, cwd=TOP, capture_output=True, text=True).stdout.splitlines()
    return [path for path in map(TOP.joinpath, listed) if path.is_file()]


def test_no_file_is_too_long() -> None:
    files = [path for path in ours("service") if path.suffix == ".py"]
    assert files
    assert [f.name for f in files if len(f.read_text("utf-8").splitlines()) > 400] == []


def test_no_merge_was_left_half_done() -> None:
    marks = re.compile(rb"^(?:<{7}|>{7}) ", re.MULTILINE)
    files = ours()
    assert len(files) > 700
    assert [path.name for path in files if marks.search(path.read_bytes())] == []
