"""What differs between two versions of a rulebook."""

import json
from collections.abc import Mapping
from typing import Any

import pytest

from fieldworthy.core.rulebook.check import check_text
from fieldworthy.core.rulebook.compare import compare
from fieldworthy.core.rulebook.model import CheckedRulebook
from tests.core.test_rulebook_check import GOOD

NOTHING: Mapping[str, Any] = {"added": [], "removed": [], "changed": []}


def version(*change: str) -> CheckedRulebook:
    text = GOOD
    for old, new in zip(change[::2], change[1::2], strict=True):
        assert old in text
        text = text.replace(old, new, 1)
    book, findings = check_text(text)
    assert book is not None, findings
    return book


def test_a_version_and_itself() -> None:
    found = compare(version(), version())
    assert found.same
    assert found.to_json()["tasks"] == NOTHING


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("interval: every 80 h, within 10 % late ", "interval: Each  80 hours , within 10% late "),
        ("needs: tailgate is closed and engine is stopped", "needs: (Tailgate is closed) and engine is stopped"),
        ("# A rulebook", "# The rulebook"),
    ],
)
def test_another_spelling_is_no_difference(old: str, new: str) -> None:
    assert compare(version(), version(old, new)).same


def test_an_interval_that_changed() -> None:
    found = compare(version(), version("interval: every 80 h, within", "interval: every 90 h, within")).to_json()
    assert found["intervals"] == ["roller-bearing-grease"]
    assert found["tasks"] == {
        **NOTHING,
        "changed": [
            {
                "name": "roller-bearing-grease",
                "members": [{"member": "interval", "before": "every 80 h, within 10 % late", "after": "every 90 h, within 10 % late"}],
            }
        ],
    }
    assert found["parts"] == NOTHING
    assert not found["same"]
    json.dumps(found)


def test_needs_and_holds_that_changed() -> None:
    old = "    needs: engine is stopped and key is removed\n    holds: engine is stopped and key is removed\n"
    found = compare(version(), version(old, "    needs: engine is stopped\n")).to_json()
    assert found["needs"] == ["belt-check"]
    assert found["holds"] == ["belt-check"]
    assert found["tasks"]["changed"][0]["members"][1]["after"] is None


@pytest.mark.parametrize(
    ("old", "new", "member"),
    [
        ("points: [left, right]", "points: [left, middle, right]", "points"),
        ("frayed: {then: belt-replace, within: 10 h}", "frayed: {then: belt-replace, within: 5 h}", "if_found"),
    ],
)
def test_points_and_what_follows_that_changed(old: str, new: str, member: str) -> None:
    (changed,) = compare(version(), version(old, new)).to_json()["tasks"]["changed"]
    assert changed["name"] == "belt-check"
    assert [m["member"] for m in changed["members"]] == [member]


def test_tasks_and_parts_added_and_removed() -> None:
    newer = version(
        "  insurance-look:\n", "  police-look:\n",
        "  PL-1182: {title: Bale belt of the twin roller, unit: each, only_with: {models: [R5 Wrap], not_options: [net wrap]}}\n", "",
        ", or_else: [PL-1182]", "",
        "settings: {}", "  PL-2000: {title: Spring, unit: each}\nsettings: {}",
    )  # fmt: skip
    found = compare(version(), newer).to_json()
    assert found["tasks"]["added"] == ["police-look"]
    assert found["tasks"]["removed"] == ["insurance-look"]
    assert found["parts"]["added"] == ["PL-2000"]
    assert found["parts"]["removed"] == ["PL-1182"]
    assert found["parts"]["changed"] == [{"name": "PL-1181", "members": [{"member": "or_else", "before": ["PL-1182"], "after": None}]}]


def test_other_members() -> None:
    newer = version("good_for: 2 days", "good_for: 3 days", "allowance: 10 % late", "allowance: 5 % late", "language: 1\n", "")
    found = compare(version(), newer).to_json()
    assert found["declared"] == {
        "meters": {**NOTHING, "changed": [{"name": "work", "members": [{"member": "good_for", "before": "2 days", "after": "3 days"}]}]}
    }
    assert [m["member"] for m in found["members"]] == ["defaults"]
