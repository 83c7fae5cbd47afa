"""The store's clock is set back: what a service answered before, it goes on answering."""

import pytest

from tests.keep.readings_at_work import URL, machines, moment, reading
from tests.keep.service import Service

M = "/v1/machines/r5-17"


@pytest.mark.parametrize("address", ["sqlite"], indirect=True)  # PostgreSQL's own clock is not in our hand; the code is the same
@pytest.mark.both_databases
async def test_the_as_of_that_was_told_can_be_asked_for(service: Service) -> None:
    await machines(service, "r5-17", "r5-18")
    await service.post(URL, [reading(0, 100)])
    await service.put(f"{M}/done/g-1", {"task": "roller-bearing-grease", "at": moment(1), "meters": {"work": 100}})
    service.later(hours=-1)
    paths = ("", "/readings", "/due", "/done", "/done/g-1", "/open-work", "/locks")
    as_of = (await service.get(f"{M}/readings"))["as_of"]
    assert as_of > service.now.isoformat()
    before = {path: await service.get(M + path, params={"as_of": as_of}) for path in paths}
    assert before["/due"]["tasks"][0]["remaining"]["meters"] == {"work": {"value": 80.0, "unit": "h"}}
    own = (await service.get(f"{M}/due"))["as_of"]
    assert await service.get(f"{M}/due", params={"as_of": own}) == before["/due"]
    asked = {"for": {"task": "roller-bearing-grease"}, "by": "p-1", "as_of": as_of}
    granted = await service.post(f"{M}/clearance", asked)
    # what is kept from now on is known since later, and changes none of it
    await service.post(URL, [reading(2, 101)])
    await service.put(f"{M}/done/g-2", {"task": "roller-bearing-grease", "at": moment(2), "meters": {"work": 101}})
    assert {path: await service.get(M + path, params={"as_of": as_of}) for path in paths} == before
    assert (await service.post(f"{M}/clearance", asked))["clearance"] == granted["clearance"]
    assert (await service.get(f"{M}/readings"))["as_of"] > as_of
    # of a machine of which nothing is known since then, or of later still, nobody can know
    for path in (f"{M}{path}" for path in paths):
        refused = await service.http.get(path, params={"as_of": "2026-07-14T07:00:00Z"})
        assert (refused.status_code, refused.json()["errors"][0]["code"]) == (422, "question.as_of"), path
    assert (await service.http.get("/v1/machines/r5-18/readings", params={"as_of": as_of})).status_code == 422
