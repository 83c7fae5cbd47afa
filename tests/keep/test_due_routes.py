"""The same, through the routes that keep things: an answer before a correction, after it, and as of before it."""

from typing import Any

import pytest

from fieldworthy.wire.fleet_answers import KeptDueAnswer
from tests.keep.readings_at_work import BOOK, machines, moment, reading
from tests.keep.service import Service

NOW = "2026-07-14T06:00:00Z"
TASK = "roller-bearing-grease"


@pytest.mark.both_databases
async def test_an_answer_as_of_before_each_change_is_the_answer_of_then(service: Service) -> None:
    await machines(service, "r5-17")
    here = "/v1/machines/r5-17"
    seen: list[tuple[str, Any, float | None]] = []

    async def ask(what: str) -> None:
        service.later(minutes=1)
        answer = await service.http.get(f"{here}/due", params={"now": NOW})
        assert answer.status_code == 200, answer.text
        told = answer.json()
        KeptDueAnswer.model_validate(told)
        seen.append((what, answer.content, told["tasks"][0]["used"]))
        service.later(minutes=1)

    await ask("nothing is known")
    await service.post("/v1/readings", [reading(0, 640), reading(100, 700)])
    await ask("two readings")
    await service.put(f"{here}/done/d-1", {"task": TASK, "at": moment(0), "meters": {"work": 640}})
    await ask("a record")
    await service.put(f"{here}/done/d-1", {"task": TASK, "at": moment(4), "meters": {"work": 644}})
    await ask("the record is corrected")
    aside = await service.post("/v1/readings", [reading(50, 708)])  # it would make the meter run backward
    await ask("a reading is set aside")
    await service.post("/v1/readings", [reading(200, 712)])
    await ask("a later reading")
    assert len(aside["aside"]) == 1
    await service.put(f"{here}/meter-replacements/m-1", {"meter": "work", "at": moment(210), "old_value": 712, "new_value": 0})
    await service.post("/v1/readings", [reading(250, 20)])
    await ask("the meter is replaced")
    await service.publish(BOOK.replace("every 80 h", "every 60 h"), "plover-r5-baler")
    await ask("a newer version")
    await service.put(here, {"rulebook": "plover-r5-baler@1", "timezone": "Europe/London", "notice": {"share": 0.5}})
    await ask("the machine keeps to the older version")
    withdrawn = await service.http.delete(f"{here}/done/d-1")
    assert withdrawn.status_code < 300, withdrawn.text
    await ask("the record is withdrawn")

    assert [used for _, _, used in seen] == [None, None, 0.75, 0.7, 0.7, 0.85, 1.1, 1.466667, 1.1, None]
    for what, then, _ in seen:
        as_of = KeptDueAnswer.model_validate_json(then).as_of
        again = await service.http.get(f"{here}/due", params={"now": NOW, "as_of": as_of})
        assert again.content == then, what
