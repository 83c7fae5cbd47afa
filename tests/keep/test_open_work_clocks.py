"""Reports say when they were seen, for nobody else knows: a request may come late, or twice, and what it tells is as old as it was.

How old a report may be before it grants nothing is the rulebook's `good_for`; that a repeat makes none of them newer is our own promise.
"""

from datetime import datetime, timedelta
from typing import Any

import pytest

from tests.keep.service import Service
from tests.keep.test_open_work import M, a_baler, at_rest, open_grease, seen

RAISED = {"engine": "stopped", "key": "removed", "tailgate": "raised", "tailgate_lock": "engaged", "rollers": "still"}


class Phone:
    """A phone whose clock is wrong. told: how far the service's `now` was ahead of it when an answer of the service came in."""

    def __init__(self, service: Service, ahead: float) -> None:
        self._service, self._ahead = service, timedelta(seconds=ahead)
        self._told = timedelta(0)

    @property
    def own(self) -> datetime:
        return self._service.now + self._ahead

    @property
    def at(self) -> datetime:
        """The service's time, as the phone tells it."""
        return self.own + self._told

    async def ask(self, way: float) -> None:
        """Asks what the service's time is; the answer takes so many seconds on its way."""
        answer = await self._service.post(f"{M}/clearance", {"for": {"task": "roller-bearing-grease"}})
        self._service.later(seconds=way)
        self._told = datetime.fromisoformat(answer["now"]) - self.own


# how far the phone's clock is ahead [s], whether it goes by the service's time, and whether the second step may begin at once
CLOCKS = [
    ("right", 0, False, True),
    ("ahead", 90, False, False),
    ("ahead, by the service's time", 90, True, True),
    ("far ahead, by the service's time", 86_400, True, True),
    ("far behind, by the service's time", -86_400, True, True),
]


@pytest.mark.parametrize(("ahead", "by_service", "begins"), [each[1:] for each in CLOCKS], ids=[each[0] for each in CLOCKS])
async def test_a_phone_that_tells_the_time_by_the_service_never_waits(
    service: Service, ahead: float, by_service: bool, begins: bool
) -> None:
    await a_baler(service)
    phone = Phone(service, ahead)
    if by_service:
        await phone.ask(way=2)
    work = f"{M}/open-work/w-1"
    assert (await open_grease(service, evidence=at_rest(phone.at)))["opened"]
    service.later(seconds=5)
    assert (await service.post(f"{work}/steps/1", {"by": "p-1", "evidence": at_rest(phone.at)}))["so"]
    service.later(seconds=20)
    await service.post(f"{work}/steps/1/done", {"by": "p-1"})
    service.later(seconds=5)
    off = seen(phone.at, side_panel="off", engine="stopped", key="removed", rollers="still", person="clear")
    second = await service.post(f"{work}/steps/2", {"by": "p-1", "evidence": off})
    assert second["so"] is begins, second["procedure"]["next"]["missing"]


async def test_a_request_that_comes_once_more_makes_no_report_newer(service: Service) -> None:
    """Who went under the tailgate since is not reported clear by a request of before that the network delivers again."""
    await a_baler(service)
    told = {"work": "w-1", "task": "walk-round", "by": "p-1", "evidence": seen(service.now, **RAISED, person="clear")}
    await service.post(f"{M}/open-work", told)
    service.later(seconds=10)

    async def release() -> Any:
        ready = seen(service.now, "p-2", **RAISED, person="clear")
        asked = {"for": {"action": "release tailgate lock"}, "by": "p-2", "evidence": ready}
        return (await service.post(f"{M}/clearance", asked))["clearance"]

    assert await release() == "granted"
    under = {"work": "w-2", "task": "walk-round", "by": "p-1", "evidence": seen(service.now, **RAISED, person="under_tailgate")}
    await service.post(f"{M}/open-work", under)
    for seconds in (1, 5, 30):
        service.later(seconds=seconds)
        await service.post(f"{M}/open-work", told)
        assert await release() == "withheld"


async def test_a_report_that_comes_late_is_as_old_as_it_is(service: Service) -> None:
    """It hung in the network for an hour: it is too old, and grants nothing."""
    await a_baler(service)
    told: dict[str, Any] = {"work": "w-1", "task": "roller-bearing-grease", "by": "p-1", "evidence": at_rest(service.now)}
    service.later(hours=1)
    late = await service.post(f"{M}/open-work", told)
    assert not late["opened"]
    reported = {each["fact"] for each in told["evidence"]}
    assert {each["why"] for each in late["clearance"]["missing"] if each["fact"] in reported} == {"too-old"}


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("clearance", {"for": {"task": "roller-bearing-grease"}, "by": "p-1"}),
        ("open-work", {"work": "w-2", "task": "walk-round", "by": "p-1"}),
        ("open-work/w-1/steps/1", {"by": "p-1"}),
        ("open-work/w-1/steps/1/done", {"by": "p-1"}),
        ("open-work/w-1/close", {"by": "p-1", "result": "skipped", "why": "rain"}),
    ],
)
async def test_a_report_that_says_no_time_is_refused(service: Service, path: str, body: dict[str, Any]) -> None:
    await a_baler(service)
    await open_grease(service)
    timeless = [{"fact": "engine", "value": "stopped", "via": "seen", "by": "p-1"}]
    answer = await service.http.post(f"{M}/{path}", json={**body, "evidence": timeless})
    assert (answer.status_code, answer.json()["code"]) == (422, "request.does_not_fit")
    assert [(error["pointer"], "`at`" in error["detail"]) for error in answer.json()["errors"]] == [("#/evidence/0", True)]
