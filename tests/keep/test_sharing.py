"""A version that its organisation lets another read: that one, and nothing else; and no longer than it is let."""

from collections.abc import AsyncIterator
from typing import Any

import httpx
import pytest
from sqlalchemy import update

from fieldworthy.storage.tables import organisations
from fieldworthy.usecases.keep_keys import create_key
from fieldworthy.usecases.keys import KeyScope
from tests.doors_app import publish
from tests.keep.service import Service, running
from tests.lending import NAME, TEXT

pytestmark = pytest.mark.both_databases

VERSIONS = f"/v1/rulebooks/{NAME}/versions"
THERE = f"/v1/shared-rulebooks/West Machines/{NAME}/versions"
LATER = TEXT.replace("every 50 ha", "every 60 ha")


class Three:
    """A service in which `West Machines` published two versions and kept a draft. ask: for one of three organisations."""

    def __init__(self, service: Service, keys: dict[str, str]) -> None:
        self.service = service
        self.keys = keys

    async def ask(self, who: str, method: str, path: str, **options: Any) -> httpx.Response:
        headers = {"authorization": f"Bearer {self.keys[who]}", **options.pop("headers", {})}
        return await self.service.http.request(method, path, headers=headers, **options)

    async def share(self, version: int, reader: str = "South Farm", method: str = "PUT") -> int:
        return (await self.ask("West Machines", method, f"{VERSIONS}/{version}/readers/{reader}")).status_code


@pytest.fixture
async def three(address: str) -> AsyncIterator[Three]:
    async with running(address, is_open=False) as service:
        keys = {
            name: (await create_key(service.store, name, "a test", list(KeyScope))).text
            for name in ("West Machines", "South Farm", "Nine Oxen")
        }
        service.http.headers = httpx.Headers({"authorization": f"Bearer {keys['West Machines']}"})
        for text in (TEXT, LATER):
            await publish(service.http, NAME, text)
            service.later(seconds=1)
        await service.http.put(f"/v1/rulebooks/{NAME}/draft", content=b"a draft", headers={"content-type": "application/yaml"})
        service.http.headers = httpx.Headers()
        yield Three(service, keys)


def due(rulebook: str) -> dict[str, Any]:
    return {"rulebook": rulebook, "now": "2026-07-14T06:00:00Z", "machine": {"id": "r-1"}}


async def digest(three: Three, version: int) -> str:
    answer = await three.ask("West Machines", "GET", f"{VERSIONS}/{version}")
    return answer.headers["etag"].strip('"')


async def test_the_reader_reads_that_version_and_nothing_else(three: Three) -> None:
    assert await three.share(1) == await three.share(1) == 204
    (item,) = (await three.ask("South Farm", "GET", "/v1/shared-rulebooks")).json()["items"]
    assert (item["organisation"], item["name"], item["version"], item["digest"]) == ("West Machines", NAME, 1, await digest(three, 1))
    for accept in ("application/json", "application/yaml"):
        own = await three.ask("West Machines", "GET", f"{VERSIONS}/1", headers={"accept": accept})
        read = await three.ask("South Farm", "GET", f"{THERE}/1", headers={"accept": accept})
        assert (read.status_code, read.content, read.headers["etag"]) == (200, own.content, own.headers["etag"])
        assert read.headers["cache-control"] == "private, no-cache"
    for path in (f"{THERE}/2", f"{VERSIONS}/1", VERSIONS, f"/v1/rulebooks/{NAME}/draft", f"{VERSIONS}/1/readers", f"{VERSIONS}/1/inputs"):
        assert (await three.ask("South Farm", "GET", path)).status_code == 404, path
    assert (await three.ask("South Farm", "GET", "/v1/rulebooks")).json()["items"] == []
    for method, path in (("PUT", f"{VERSIONS}/1/readers/Nine Oxen"), ("DELETE", f"{VERSIONS}/1/readers/South Farm")):
        assert (await three.ask("South Farm", method, path)).status_code == 404
    assert (await three.ask("West Machines", "GET", f"{VERSIONS}/1/readers")).json() == {"items": ["South Farm"]}


async def test_a_third_is_told_what_it_would_be_told_if_there_were_nothing(three: Three) -> None:
    nowhere = ("/v1/shared-rulebooks/Nobody At All/none/versions/1", f"/v1/shared-rulebooks/West Machines/{NAME}/versions/7")
    told = [await three.ask("Nine Oxen", "GET", path) for path in (f"{THERE}/1", *nowhere)]
    await three.share(1)
    told += [await three.ask("Nine Oxen", "GET", path) for path in (f"{THERE}/1", *nowhere)]
    assert {(a.status_code, a.json()["code"], a.json()["mend"]) for a in told} == {
        (404, "rulebook.unknown", "list the names at /v1/rulebooks, or send the document itself as `rulebook`")
    }
    assert told[0].content == told[3].content
    assert (await three.ask("Nine Oxen", "GET", "/v1/shared-rulebooks")).json() == {"items": [], "next": None}
    asked = await three.ask("Nine Oxen", "POST", "/v1/due", json=due(await digest(three, 1)))
    assert asked.json()["code"] == "rulebook.unknown"


async def test_the_reader_asks_by_its_digest_until_it_is_taken_back(three: Three) -> None:
    question = due(await digest(three, 1))
    own = await three.ask("West Machines", "POST", "/v1/due", json=question)
    assert own.status_code == 200, own.text
    await three.share(1)
    for _ in range(2):
        read = await three.ask("South Farm", "POST", "/v1/due", json=question)
        assert (read.status_code, read.content) == (200, own.content)
    other = await three.ask("South Farm", "POST", "/v1/due", json=due(await digest(three, 2)))
    assert other.json()["code"] == "rulebook.unknown"
    for name in (NAME, f"{NAME}@1"):  # a name means one's own
        assert (await three.ask("South Farm", "POST", "/v1/due", json=due(name))).json()["code"] == "rulebook.unknown"
    for _ in range(2):
        assert await three.share(1, method="DELETE") == 204
    assert (await three.ask("South Farm", "POST", "/v1/due", json=question)).json()["code"] == "rulebook.unknown"
    assert (await three.ask("South Farm", "GET", f"{THERE}/1")).status_code == 404
    assert (await three.ask("South Farm", "GET", "/v1/shared-rulebooks")).json()["items"] == []


@pytest.mark.parametrize("address", ["sqlite"], indirect=True)
async def test_a_name_that_means_another_owner_later_is_not_answered_from_memory(three: Three) -> None:
    await three.share(1)
    first = await digest(three, 1)
    assert (await three.ask("South Farm", "POST", "/v1/due", json=due(first))).json()["rulebook"]["digest"] == first
    async with three.service.store.writing() as connection:
        for old, new in (("West Machines", "Old West"), ("Nine Oxen", "West Machines")):
            await connection.execute(update(organisations).where(organisations.c.name == old).values(name=new))
    three.service.http.headers = httpx.Headers({"authorization": f"Bearer {three.keys['Nine Oxen']}"})
    await publish(three.service.http, NAME, LATER.replace("60 ha", "70 ha"))
    assert (await three.ask("Nine Oxen", "PUT", f"{VERSIONS}/1/readers/South Farm")).status_code == 204
    second = (await three.ask("Nine Oxen", "GET", f"{VERSIONS}/1")).headers["etag"].strip('"')
    asked = await three.ask("South Farm", "POST", "/v1/due", json=due(second))
    assert (asked.status_code, asked.json()["rulebook"]["digest"]) == (200, second)
    assert second != first


async def test_machines_are_kept_by_ones_own_versions(three: Three) -> None:
    """What a machine is kept by must not go when somebody else takes it back: so the reader publishes it first."""
    await three.share(1)
    called = await digest(three, 1)
    refused = await three.ask("South Farm", "PUT", "/v1/machines/r-1", json={"rulebook": called})
    assert refused.json()["code"] == "rulebook.unknown" or refused.status_code == 422, refused.text
    text = (await three.ask("South Farm", "GET", f"{THERE}/1", headers={"accept": "application/yaml"})).content
    kind = {"content-type": "application/yaml"}
    assert (await three.ask("South Farm", "PUT", f"/v1/rulebooks/{NAME}/draft", content=text, headers=kind)).status_code == 200
    assert (await three.ask("South Farm", "POST", f"/v1/rulebooks/{NAME}/publish")).json()["digest"] == called
    await three.share(1, method="DELETE")
    assert (await three.ask("South Farm", "PUT", "/v1/machines/r-1", json={"rulebook": NAME})).status_code == 201
    assert (await three.ask("South Farm", "GET", "/v1/machines/r-1/due")).status_code == 200


async def test_sharing_tells_nothing_of_which_organisations_there_are(three: Three) -> None:
    answers = [await three.ask("West Machines", "PUT", f"{VERSIONS}/1/readers/{name}") for name in ("Nine Oxen", "Not Yet There")]
    assert {(a.status_code, a.content) for a in answers} == {(204, b"")}
    late = (await create_key(three.service.store, "Not Yet There", "a test", [KeyScope.READ])).text
    three.keys["late"] = late
    assert len((await three.ask("late", "GET", "/v1/shared-rulebooks")).json()["items"]) == 1


async def test_the_list_is_paged(three: Three) -> None:
    for version in (2, 1):
        await three.share(version)
    found: list[int] = []
    query = "?limit=1"
    for _ in range(3):
        page = (await three.ask("South Farm", "GET", f"/v1/shared-rulebooks{query}")).json()
        found += [item["version"] for item in page["items"]]
        if page["next"] is None:
            break
        query = f"?limit=1&after={page['next']}"
    assert found == [1, 2]


BAD = [
    ("PUT", f"{VERSIONS}/3/readers/x", 404, "rulebook.version_unknown"),
    ("PUT", "/v1/rulebooks/west-rak/versions/1/readers/x", 404, "rulebook.unknown"),
    ("PUT", f"{VERSIONS}/1/readers/a%00b", 422, "request.does_not_fit"),
    ("DELETE", f"{VERSIONS}/1/readers/a%00b", 422, "request.does_not_fit"),
    ("PUT", f"{VERSIONS}/1/readers/{'x' * 121}", 422, "request.does_not_fit"),
    ("PUT", f"{VERSIONS}/1/readers/a%2Fb", 404, "address.unknown"),
    ("GET", f"{VERSIONS}/one/readers", 404, "rulebook.unknown"),
    ("GET", "/v1/shared-rulebooks?after=x", 422, "request.does_not_fit"),
    ("GET", "/v1/shared-rulebooks?limit=0", 422, "request.does_not_fit"),
    ("GET", f"/v1/shared-rulebooks/a%00b/{NAME}/versions/1", 404, "rulebook.unknown"),
    ("GET", f"{THERE}/999999999", 404, "rulebook.unknown"),
]


async def test_bad_input(three: Three) -> None:
    for method, path, status, code in BAD:
        answer = await three.ask("West Machines", method, path)
        assert (answer.status_code, answer.json()["code"]) == (status, code), (method, path, answer.text)
