"""The longest names that a rulebook may declare can be kept: one letter may become three where case does not count."""

from typing import Any

import pytest

from tests.keep.service import Service

pytestmark = pytest.mark.both_databases

LONGEST = [("of plain letters", "m" * 80), ("of letters that become two", "ß" * 60), ("of letters that become three", "\u0390" * 40)]


@pytest.mark.parametrize("name", [n[1] for n in LONGEST], ids=[n[0] for n in LONGEST])
async def test_what_is_told_under_the_longest_names_is_kept_and_answered(service: Service, name: str) -> None:
    book: dict[str, Any] = {
        "rulebook": "baler",
        "title": "A machine of the tests",
        "meters": {name: {"unit": "bales"}},
        "working_conditions": {name: ["a", "b"]},
        "occurrences": {name: {}},
        "facts": {name: {"states": ["a", "b"], "known_by": ["seen"]}},
        "tasks": {"grease": {"title": "Grease", "kind": "lubricate", "interval": f'every 80 bales of "{name}"'}},
    }
    assert (await service.http.put("/v1/rulebooks/baler/draft", json=book)).status_code == 200
    await service.post("/v1/rulebooks/baler/publish", None)
    await service.put("/v1/machines/b-1", {"rulebook": "baler"})
    when = {"at": "2026-07-13T06:00:00Z"}
    for room, told in {
        "done": {"task": "grease", "meters": {name: 4}, **when},
        "working-conditions": {"condition": name, "value": "b", "from": when["at"]},
        "occurrences": {"occurrence": name, **when},
        "evidence": {"fact": name, "value": "b", "via": "seen", **when},
        "meter-replacements": {"meter": name, "old_value": 4, "new_value": 0, "at": "2026-07-13T07:00:00Z"},
    }.items():
        await service.put(f"/v1/machines/b-1/{room}/x", told)
        about = {"about": name} if room != "done" else {}
        assert len((await service.get(f"/v1/machines/b-1/{room}", params=about))["items"]) == 1
    at = "2026-07-14T05:00:00Z"
    sent = [{"machine": "b-1", "meter": name, "value": value, "at": at} for value in (3, 2)]
    for reading, kept in zip(sent, ("kept", "set-aside"), strict=True):
        assert (await service.post("/v1/readings", [reading]))["readings"] == [kept]
    (task,) = (await service.get("/v1/machines/b-1/due"))["tasks"]
    assert task["remaining"]["meters"][name]["value"] == 77
