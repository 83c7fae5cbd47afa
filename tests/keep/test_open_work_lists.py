"""What is open and what is locked can be looked at, by pages and as it was; and a person is one person however their name is spaced.

That a lock tells whose it is, is common practice of the trade, with no source. The cases are our own.
"""

from typing import Any

import pytest

from fieldworthy.core.base.micros import micros_text
from tests.keep.service import Service
from tests.keep.test_open_work import M, a_baler, at_rest, open_grease

GUARD = {"fact": "knife guard", "state": "removed"}


async def pages(service: Service, address: str, limit: int) -> list[Any]:
    """All items of a list, page by page, as of the first page."""
    page = await service.get(f"{address}&limit={limit}")
    found, as_of = [*page["items"]], page["as_of"]
    while page["next"] is not None:
        assert len(page["items"]) == limit
        page = await service.get(f"{address}&limit={limit}&after={page['next']}&as_of={as_of}")
        found += page["items"]
    return found


async def test_the_locks_that_are_on_and_those_that_are_off_are_listed(service: Service) -> None:
    await a_baler(service)
    began = service.now
    for person in range(5):
        await service.post(f"{M}/put-on", {**GUARD, "by": f"p-{person}"})
        service.later(seconds=1)
    handed = {**GUARD, "by": "p-1", "hand_over": {"to": "p-8", "by": "p-9", "why": "end of the shift"}}
    assert await service.post(f"{M}/put-on", handed) == {"new": False}
    listed = await pages(service, f"{M}/locks?taken_off=no", 2)
    assert [lock["by"] for lock in listed] == ["p-4", "p-3", "p-2", "p-1", "p-0"]
    assert listed[3] == {
        **handed,
        "holder": "p-8",
        "since": "2026-07-14T06:00:01Z",
        "known": listed[3]["known"],
        "taken_off": None,
    }
    assert listed[4]["since"] == micros_text(int(began.timestamp()) * 1_000_000)
    assert (await service.get(f"{M}/locks"))["items"] == listed
    assert (await service.get(f"{M}/locks?taken_off=yes"))["items"] == []
    before = (await service.get(f"{M}/locks"))["as_of"]
    service.later(seconds=5)
    for by in ("p-8", "p-3", "p-0"):
        assert (await service.http.post(f"{M}/taken-off", json={"fact": "knife guard", "by": by})).status_code == 204
    assert [lock["by"] for lock in (await service.get(f"{M}/locks"))["items"]] == ["p-4", "p-2"]
    off = await pages(service, f"{M}/locks?taken_off=yes", 1)
    assert [(lock["by"], lock["taken_off"]) for lock in off] == [
        (put_on, {"at": "2026-07-14T06:00:10Z", "by": by}) for put_on, by in (("p-3", "p-3"), ("p-1", "p-8"), ("p-0", "p-0"))
    ]
    assert (await service.get(f"{M}/locks?as_of={before}"))["items"] == listed
    # on again: it is on since then
    service.later(seconds=5)
    assert await service.post(f"{M}/put-on", {**GUARD, "by": "p-0"}) == {"new": True}
    (newest, *_) = (await service.get(f"{M}/locks"))["items"]
    assert (newest["by"], newest["since"], newest["hand_over"]) == ("p-0", "2026-07-14T06:00:15Z", None)


@pytest.mark.both_databases
async def test_closed_work_is_listed_beside_the_open(service: Service) -> None:
    await a_baler(service)
    for number in range(5):
        told = {"work": f"w-{number}", "task": "walk-round", "by": "p-1"}
        assert (await service.post(f"{M}/open-work", told))["opened"]
        service.later(seconds=1)
    before = (await service.get(f"{M}/open-work"))["as_of"]
    for number in (1, 3, 4):
        await service.post(f"{M}/open-work/w-{number}/close", {"by": "p-1", "result": "done"})
    assert [work["work"] for work in (await service.get(f"{M}/open-work"))["items"]] == ["w-2", "w-0"]
    closed = await pages(service, f"{M}/open-work?closed=yes", 2)
    assert [(work["work"], work["closed"]["result"]) for work in closed] == [("w-4", "done"), ("w-3", "done"), ("w-1", "done")]
    was = (await service.get(f"{M}/open-work?as_of={before}"))["items"]
    assert [work["work"] for work in was] == ["w-4", "w-3", "w-2", "w-1", "w-0"]


REFUSED = (
    ("?taken_off=perhaps&closed=perhaps", 422, "request.does_not_fit"),
    ("?taken_off=perhaps", 422, "request.does_not_fit"),
    ("?closed=perhaps", 422, "request.does_not_fit"),
    ("?limit=0", 422, "request.does_not_fit"),
    ("?after=nonsense", 422, "request.does_not_fit"),
    ("?after=WzEsMl0", 422, "request.does_not_fit"),  # [1,2]
    ("?after=W3RydWUsImEiXQ", 422, "request.does_not_fit"),  # [true,"a"]
    ("?after=WzEwMDAwMDAwMDAwMDAwMDAwMDAwMCwiYSJd", 422, "request.does_not_fit"),  # [1e22,"a"] in digits
    ("?as_of=2030-01-01T00:00:00Z", 422, "question.does_not_fit"),
    ("?as_of=2020-01-01T00:00:00Z", 404, "machine.not_yet_kept"),
)


async def test_a_list_that_cannot_be_given_is_refused(service: Service) -> None:
    await a_baler(service)
    for room in ("locks", "open-work"):
        for query, status, code in REFUSED:
            answer = await service.http.get(f"{M}/{room}{query}")
            assert (answer.status_code, answer.json()["code"]) == (status, code), (query, answer.text)
        unknown = await service.http.get(f"/v1/machines/r5-71/{room}")
        assert (unknown.status_code, unknown.json()["code"]) == (404, "machine.unknown")


async def test_a_persons_name_is_one_however_it_is_spaced(service: Service) -> None:
    await a_baler(service)
    opened = await open_grease(service, by=" p-1 ")
    assert opened["work"]["by"] == "p-1"
    assert (await open_grease(service, by="p-1"))["work"] == opened["work"]
    service.later(seconds=5)
    begun = await service.post(f"{M}/open-work/w-1/steps/1", {"by": "p-1 ", "evidence": at_rest(service.now)})
    assert begun["work"]["begun"]["by"] == "p-1"
    await service.post(f"{M}/open-work/w-1/steps/1/done", {"by": "  p-1"})
    given = await service.post(f"{M}/open-work/w-1/hand-over", {"to": " p-2", "by": "p-9 ", "why": "shift"})
    assert (given["work"]["by"], given["work"]["hand_over"]["by"]) == ("p-2", "p-9")
    closed = await service.post(f"{M}/open-work/w-1/close", {"by": " p-2", "result": "partly", "why": "x", "leave": "y"})
    assert closed["work"]["closed"]["by"] == "p-2"
    assert (await service.get(f"{M}/done/w-1"))["record"]["by"] == "p-2"
    await service.post(f"{M}/put-on", {**GUARD, "by": " p-1"})
    assert await service.post(f"{M}/put-on", {**GUARD, "by": "p-1"}) == {"new": False}
    assert [lock["by"] for lock in (await service.get(f"{M}/locks"))["items"]] == ["p-1"]
    assert (await service.http.post(f"{M}/taken-off", json={"fact": "knife guard", "by": "p-1  "})).status_code == 204


async def test_work_is_in_the_hands_of_somebody_who_has_a_name(service: Service) -> None:
    await a_baler(service)
    for nobody in (" ", "\u200b", "\u00a0"):
        answer = await service.http.post(f"{M}/open-work", json={"work": "w", "task": "walk-round", "by": nobody})
        assert answer.status_code == 422, answer.text
        assert [error["pointer"] for error in answer.json()["errors"]] == ["#/by"]


async def test_what_is_handed_to_whoever_has_it_changes_nothing(service: Service) -> None:
    await a_baler(service)
    await open_grease(service)
    work = (await service.get(f"{M}/open-work/w-1"))["work"]
    over = {"to": " p-1", "by": "p-9", "why": "shift"}
    assert (await service.post(f"{M}/open-work/w-1/hand-over", over))["work"] == work
    given = await service.post(f"{M}/open-work/w-1/hand-over", {**over, "to": "p-2"})
    service.later(seconds=5)
    again = await service.post(f"{M}/open-work/w-1/hand-over", {"to": "p-2", "by": "p-7", "why": "another reason"})
    assert again == given
    await service.post(f"{M}/put-on", {**GUARD, "by": "p-1"})
    (lock,) = (await service.get(f"{M}/locks"))["items"]
    await service.post(f"{M}/put-on", {**GUARD, "by": "p-1", "hand_over": over})
    assert (await service.get(f"{M}/locks"))["items"] == [lock]
