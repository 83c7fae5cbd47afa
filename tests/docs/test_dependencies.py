"""What the service needs from others: under which licences, as the packages themselves say it."""

import re
import tomllib
from importlib.metadata import metadata, requires
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

PROJECT = tomllib.loads((Path(__file__).resolve().parents[2] / "pyproject.toml").read_text("utf-8"))["project"]

PERMISSIVE = {
    "0BSD",
    "MIT",
    "MIT License",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "BSD License",
    "Apache-2.0",
    "Apache Software License",
    "ISC License",
    "PSF-2.0",
}
FILE_BY_FILE = {"certifi", "orjson"}
"""MPL 2.0: who changes their files gives those away; used as they are they may stand in a larger work (section 3.3)."""


def needed() -> set[str]:
    """All that an installation of the service brings along, with what those need in turn."""
    waiting = [Requirement(text) for text in (*PROJECT["dependencies"], *PROJECT["optional-dependencies"]["postgres"])]
    found: set[tuple[str, frozenset[str]]] = set()
    while waiting:
        one = waiting.pop()
        place = (canonicalize_name(one.name), frozenset(one.extras))
        if place in found or (one.marker is not None and not one.marker.evaluate({"extra": ""})):
            continue
        found.add(place)
        for text in requires(one.name) or ():
            of = Requirement(text)
            if of.marker is None or any(of.marker.evaluate({"extra": extra}) for extra in ("", *one.extras)):
                waiting.append(Requirement(text.split(";")[0]))
    return {name for name, _ in found}


def licences(name: str) -> set[str]:
    """By its expression, else its classifiers, else its own words."""
    said = metadata(name)
    expression = said.get("License-Expression")
    classified = [c.split(" :: ")[-1] for c in said.get_all("Classifier") or () if c.startswith("License :: ")]
    words = re.split(r" AND | OR |[()]+", expression) if expression else classified or [said.get("License") or ""]
    return {word.strip() for word in words if word.strip()}


def test_all_that_is_brought_along_may_be_used_freely() -> None:
    names = needed()
    assert {"fastapi", "starlette", "sqlalchemy", "greenlet", "pydantic-core", "certifi", "asyncpg"} <= names
    for name in sorted(names - FILE_BY_FILE):
        said = licences(name)
        assert said, f"{name} says nothing of its licence"
        assert all(word in PERMISSIVE or word.startswith("ISC") for word in said), (name, said)
    assert all("MPL" in " ".join(licences(name)) or "Mozilla" in " ".join(licences(name)) for name in FILE_BY_FILE)
