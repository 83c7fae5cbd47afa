"""Links to calendars: they open without a key, to what they were made for, until they are revoked; wrong ones are nothing.

Source: OWASP API Security Top 10 (2023), API2: a secret in an address is long, random, revocable, and told by no log.
"""

import re
from collections.abc import AsyncIterator
from typing import Any

import httpx
import pytest
from sqlalchemy import select
from structlog.testing import capture_logs

from fieldworthy.rest.noting import noting
from fieldworthy.storage.tables import answers
from fieldworthy.usecases.feed_refusals import TooManyFeeds
from fieldworthy.usecases.feeds import FEED_QUOTA, FeedRing, make_feed
from fieldworthy.usecases.keep_keys import create_key
from fieldworthy.usecases.keys import KeyScope, new_key_text, read_key_text
from fieldworthy.usecases.quota import Quota
from fieldworthy.wire.hiding import hide
from tests.keep.histories import publish
from tests.keep.service import Service, running
from tests.keep.test_standings import BOOK

FORM = re.compile(r"/v1/feeds/(fwf_([a-z2-7]{12})_[A-Za-z0-9_-]{43}[0-9a-f]{8})\.ics")


@pytest.fixture
async def locked(address: str) -> AsyncIterator[Service]:
    """The service with keys and quotas; one organisation keeps two machines."""
    async with running(address, is_open=False) as opened:
        opened.http.headers = httpx.Headers(await a_key(opened, "Nine Oxen"))
        await publish(opened, BOOK)
        for id_, site in (("c-1", "north"), ("c-2", "south")):
            await opened.put(f"/v1/machines/{id_}", {"rulebook": "combine", "site": site})
            await opened.put(f"/v1/machines/{id_}/done/1", {"task": "look", "at": "2026-07-13T06:00:00Z"})
        yield opened


async def a_key(service: Service, organisation: str, *scopes: KeyScope) -> dict[str, str]:
    made = await create_key(service.store, organisation, "a test", scopes or tuple(KeyScope))
    return {"authorization": f"Bearer {made.text}"}


async def a_link(service: Service, **of: str) -> Any:
    made = await service.http.post("/v1/feeds", json=of)
    assert made.status_code == 201, made.text
    return made.json()


async def opened_by(service: Service, path: str) -> httpx.Response:
    """What somebody gets who has nothing but the address."""
    async with httpx.AsyncClient(transport=service.http._transport, base_url="http://localhost") as stranger:
        return await stranger.get(path)


def shown(answer: httpx.Response) -> set[str]:
    """The machines whose tasks a calendar shows."""
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"].startswith("text/calendar")
    return set(re.findall(r"^SUMMARY:(c-\d)", answer.text, re.MULTILINE))


async def test_a_link_shows_what_it_was_made_for_without_a_key(locked: Service) -> None:
    for of, machines in (({"machine": "c-1"}, {"c-1"}), ({"site": "south"}, {"c-2"}), ({}, {"c-1", "c-2"})):
        made = await a_link(locked, **of)
        assert FORM.fullmatch(made["path"])
        assert FORM.fullmatch(made["path"])[2] == made["id"]  # type: ignore[index]
        answer = await opened_by(locked, made["path"])
        assert shown(answer) == machines
        with_key = await locked.http.get(made["path"])
        assert with_key.content == answer.content
        assert (await opened_by(locked, "/v1/due")).status_code == 401  # it opens nothing else
    known = await locked.http.get(made["path"], headers={"if-none-match": answer.headers["etag"]})
    assert known.status_code == 304
    listed = (await locked.get("/v1/feeds"))["items"]
    assert [(each["machine"], each["site"]) for each in listed] == [("c-1", None), (None, "south"), (None, None)]
    assert "path" not in listed[0]
    async with locked.store.look_keys() as keys:
        kept = await keys.feeds.find(made["id"])
    assert kept is not None
    assert made["path"].split("_")[2][:43].encode() not in repr(kept).encode()  # its secret is kept nowhere


async def test_a_revoked_link_is_nothing_from_the_next_request_on(locked: Service) -> None:
    made, other = await a_link(locked, machine="c-1"), await a_link(locked, machine="c-1", name="the other calendar")
    assert shown(await opened_by(locked, made["path"])) == {"c-1"}
    locked.later(minutes=1)
    for _ in range(2):  # once more changes nothing
        revoked = await locked.http.delete(f"/v1/feeds/{made['id']}")
        assert (revoked.status_code, revoked.json()["revoked_at"]) == (200, "2026-07-14T06:01:00Z")
        locked.later(minutes=1)
    gone, never = await opened_by(locked, made["path"]), await opened_by(locked, "/v1/feeds/never.ics")
    assert (gone.status_code, gone.content) == (404, never.content)
    assert shown(await opened_by(locked, other["path"])) == {"c-1"}


async def test_wrong_links_are_all_the_same_nothing(locked: Service) -> None:
    made = await a_link(locked, machine="c-1")
    token = made["path"].split("/")[-1].removesuffix(".ics")
    another_secret, _ = new_key_text(bytes(range(40)), "fwf_")
    same_id = f"fwf_{made['id']}_{another_secret.split('_', 2)[2]}"
    key_text, _ = new_key_text(bytes(range(40)))
    answers = [
        await opened_by(locked, f"/v1/feeds/{wrong}.ics")
        for wrong in (another_secret, same_id, token[:-1], token + "0", key_text, token.upper(), "fwf_", "%00", "x" * 3000)
    ]
    assert {answer.status_code for answer in answers} == {404}
    assert len({answer.content for answer in answers}) == 1
    assert answers[0].json()["code"] == "address.unknown"
    assert not any(read_key_text(text.encode(), "fwf_") for text in (key_text, token[:-1]))
    assert read_key_text(token.encode()) is None  # a link is no key
    assert (await opened_by(locked, "/v1/due")).status_code == 401
    assert (await locked.http.get("/v1/due", headers={"authorization": f"Bearer {token}"})).json()["code"] == "key.refused"


@pytest.mark.parametrize("address", ["sqlite"], indirect=True)
async def test_many_wrong_links_from_an_address_make_unknown_ones_wait(address: str) -> None:
    async with running(address, is_open=False, wrong_keys=3) as service:
        service.http.headers = httpx.Headers(await a_key(service, "Nine Oxen"))
        known, new = await a_link(service, site="north"), await a_link(service, site="north")
        assert shown(await opened_by(service, known["path"])) == set()
        assert [(await opened_by(service, f"/v1/feeds/wrong-{n}.ics")).status_code for n in range(5)] == [404, 404, 404, 429, 429]
        waits = await opened_by(service, new["path"])
        assert (waits.status_code, waits.json()["code"]) == (429, "key.too_many_wrong")
        assert int(waits.headers["retry-after"]) > 0
        assert (await opened_by(service, known["path"])).status_code == 200
        waiting = {"authorization": f"Bearer {new_key_text(bytes(range(40)))[0]}"}
        assert (await service.http.get("/v1/due", headers=waiting)).status_code == 429  # they count together with wrong keys


async def test_another_organisation_finds_and_ends_none_of_them(locked: Service) -> None:
    made = await a_link(locked, machine="c-1")
    locked.http.headers = httpx.Headers(await a_key(locked, "South Farm"))
    assert (await locked.get("/v1/feeds"))["items"] == []
    for path in (made["id"], "aaaaaaaaaaaa", "x"):
        answer = await locked.http.delete(f"/v1/feeds/{path}")
        assert (answer.status_code, answer.json()["code"]) == (404, "feed.unknown")
    assert (await locked.http.post("/v1/feeds", json={"machine": "c-1"})).json()["code"] == "machine.unknown"
    theirs = await a_link(locked, site="north")
    assert shown(await opened_by(locked, theirs["path"])) == set()
    assert shown(await opened_by(locked, made["path"])) == {"c-1"}


@pytest.mark.parametrize(
    ("body", "status", "code"),
    [
        ({"machine": "c-1", "site": "north"}, 422, "request.does_not_fit"),
        ({"machine": "c-3"}, 404, "machine.unknown"),
        ({"machine": ""}, 422, "request.does_not_fit"),
        ({"machines": "c-1"}, 422, "request.does_not_fit"),
        ({"name": "x" * 121}, 422, "request.does_not_fit"),
        ([], 422, "request.does_not_fit"),
    ],
)
@pytest.mark.parametrize("address", ["sqlite"], indirect=True)
async def test_what_can_be_no_link_is_refused(locked: Service, body: Any, status: int, code: str) -> None:
    answer = await locked.http.post("/v1/feeds", json=body)
    assert (answer.status_code, answer.json()["code"]) == (status, code)
    assert (await locked.get("/v1/feeds"))["items"] == []


async def test_pages_of_links(locked: Service) -> None:
    made = [(await a_link(locked, site=f"s{n}"))["id"] for n in range(5)]
    found: list[str] = []
    after: dict[str, str] = {}
    while True:
        page = await locked.get("/v1/feeds", params={"limit": "2", **after})
        found += [each["id"] for each in page["items"]]
        if page["next"] is None:
            break
        after = {"after": page["next"]}
    assert sorted(found) == sorted(made)
    assert len(found) == 5


async def test_the_trail_tells_of_links_and_no_secret(locked: Service) -> None:
    made = await a_link(locked, machine="c-1", name="the workshop's")
    await opened_by(locked, made["path"])
    ring = FeedRing(locked.store, lambda: locked.now)
    async with noting(ring):  # it notes the last uses when it ends
        assert await ring.feed(made["path"].split("/")[-1].removesuffix(".ics").encode())
    locked.later(minutes=1)
    await locked.http.delete(f"/v1/feeds/{made['id']}")
    lines = (await locked.get("/v1/audit", params={"kind": "feed"}))["items"]
    assert [(line["id"], line["who"]["way"], line["after"]) for line in reversed(lines)] == [
        (made["id"], "key", {"name": "the workshop's", "machine": "c-1", "site": None}),
        (made["id"], "service", {"first_used": "2026-07-14T06:00:00Z"}),
        (made["id"], "key", {"revoked": "2026-07-14T06:01:00Z"}),
    ]
    (listed,) = (await locked.get("/v1/feeds"))["items"]
    assert (listed["last_used"], listed["revoked_at"]) == ("2026-07-14T06:00:00Z", "2026-07-14T06:01:00Z")


@pytest.mark.parametrize("address", ["sqlite"], indirect=True)
async def test_a_link_has_a_quota_of_its_own(locked: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    few = Quota(2, 3600, FEED_QUOTA.name, FEED_QUOTA.of)
    monkeypatch.setattr("fieldworthy.main.FEED_QUOTA", few)
    async with running(locked.address, is_open=False) as service:
        service.http.headers = locked.http.headers
        one, other = await a_link(service, machine="c-1"), await a_link(service, machine="c-1")
        answers = [await opened_by(service, one["path"]) for _ in range(3)]
        assert [answer.status_code for answer in answers] == [200, 200, 429]
        assert answers[0].headers["ratelimit-policy"] == '"feed";q=2;w=3600'
        assert (answers[2].json()["code"], answers[2].json()["violated-policies"]) == ("quota.exceeded", ["feed"])
        assert answers[2].json()["detail"].startswith("this link may make 2 requests")
        assert (await opened_by(service, other["path"])).status_code == 200


@pytest.mark.parametrize("address", ["sqlite"], indirect=True)
async def test_an_organisation_has_so_many_links_and_no_more(locked: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fieldworthy.usecases.feeds.MOST_FEEDS", 2)
    made = [await a_link(locked, site="north") for _ in range(2)]
    refused = await locked.http.post("/v1/feeds", json={"site": "north"})
    assert (refused.status_code, refused.json()["code"]) == (409, TooManyFeeds.code)
    await locked.http.delete(f"/v1/feeds/{made[0]['id']}")
    await a_link(locked, site="north")


async def test_no_log_and_no_problem_tells_a_link(locked: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever fails while a link is asked for; a log is hidden by form, a problem by form too."""
    made = await a_link(locked, machine="c-1")
    secret = made["path"].split("_")[2][:20]

    async def fails(*_: Any) -> None:
        raise RuntimeError(f"nobody thought of {made['path']}")

    monkeypatch.setattr(FeedRing, "feed", fails)
    with capture_logs() as logs:
        failed = await opened_by(locked, made["path"])
    assert failed.status_code == 500
    assert secret not in failed.text
    assert logs
    assert secret not in hide(str(logs))
    assert hide(f"GET {made['path']} 200") == f"GET /v1/feeds/fwf_{made['id']}_….ics 200"
    for answer in (await opened_by(locked, made["path"] + "/more"), await opened_by(locked, f"/v1{made['path']}")):
        assert answer.status_code == 404
        assert secret not in answer.text


async def test_chance_is_new_for_each_link(locked: Service) -> None:
    async with locked.store.keep(1) as kept:
        tokens = {(await make_feed(kept, None, "north", ""))[1] for _ in range(50)}
    assert len({token[17:60] for token in tokens}) == 50


async def test_a_repeated_request_makes_one_link_and_tells_which(locked: Service) -> None:
    """Its token is not kept, so it can't be told again."""
    headers = {"idempotency-key": "one"}
    made = await locked.http.post("/v1/feeds", json={"site": "north"}, headers=headers)
    again = await locked.http.post("/v1/feeds", json={"site": "north"}, headers=headers)
    assert (made.status_code, again.status_code, again.json()["code"]) == (201, 409, "request.shown_once")
    id = made.json()["id"]
    assert f"made the link `{id}`" in again.json()["detail"]
    assert f"DELETE /v1/feeds/{id}" in again.json()["mend"]
    assert again.headers["content-type"] == "application/problem+json"
    other = await locked.http.post("/v1/feeds", json={"site": "south"}, headers=headers)
    assert (other.status_code, other.json()["code"]) == (422, "request.key_reused")
    assert [each["id"] for each in (await locked.get("/v1/feeds"))["items"]] == [id]
    async with locked.store.engine.connect() as connection:
        (kept,) = (await connection.execute(select(answers.c.body))).scalars()
    assert made.json()["path"].encode() not in bytes(kept)
