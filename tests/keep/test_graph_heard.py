"""What happened, who is told, who changed what and links to calendars, through GraphQL: as REST tells of the same."""

from typing import Any

from fieldworthy.graph import heard
from fieldworthy.graph.inputs import Input
from fieldworthy.graph.shapes import type_of
from fieldworthy.wire import audit_answers, event_answers, feed_shapes, listener_answers
from tests.graph_door import as_input, as_rest, ask, data, everything
from tests.keep.service import Service
from tests.keep.test_told import TOLD, M, a_baler

REFUSAL = "... on Refusal { code status }"


async def change(service: Service, name: str, answer: Any, takes: Input | None = None, given: Any = None, about: str = "") -> Any:
    called = answer.__strawberry_definition__.name
    head = f"mutation ($input: {takes.thing.name}!)" if takes else "mutation"
    arguments = ", ".join(filter(None, (about, "input: $input" if takes else "")))
    query = f"{head} {{ {name}({arguments}) {{ __typename ... on {called} {everything(answer)} {REFUSAL} }} }}"
    variables = {"input": as_input(takes.thing, given)} if takes else {}
    return (await data(service.http, query, **variables))[name]


def asking(query: str, *of: Any) -> str:
    """The query, with all that these types tell in place of each `%`."""
    for each in of:
        query = query.replace("%", everything(each), 1)
    return query


def without_type(told: Any) -> Any:
    return {k: v for k, v in told.items() if k != "__typename"}


async def test_events_and_the_trail_are_those_of_rest_page_by_page(service: Service) -> None:
    await a_baler(service)
    for n in range(3):
        service.later(hours=1)
        await service.put(f"{M}/done/d-{n}", {**TOLD["done"][0], "meters": {"work": 640 + n}, "at": service.now.isoformat()})
    event, line = type_of(event_answers.CloudEvent), type_of(audit_answers.AuditLine)
    everyone = await service.get("/v1/events")
    assert len(everyone["items"]) >= 3
    paged = "resume pageInfo { hasNextPage endCursor } edges { node % }"
    query = asking(f"query ($first: Int!, $after: String) {{ events(first: $first, after: $after) {{ {paged} }} }}", event)
    found: list[Any] = []
    after = None
    while True:
        page = (await data(service.http, query, first=2, after=after))["events"]
        found += as_rest(event, [edge["node"] for edge in page["edges"]])
        assert page["resume"] == page["pageInfo"]["endCursor"]
        after = page["resume"]
        if not page["pageInfo"]["hasNextPage"]:
            break
    assert found == everyone["items"]
    assert after == everyone["resume"]
    done = await data(
        service.http,
        '{ events(type: "fieldworthy.task.done", machine: "r5-17", from: "2026-07-14T08:30:00Z") { edges { node { type } } } }',
    )
    asked = {"type": "fieldworthy.task.done", "machine": "r5-17", "from": "2026-07-14T08:30:00Z"}
    assert len(done["events"]["edges"]) == len((await service.get("/v1/events", params=asked))["items"]) == 1

    trail = (await data(service.http, asking("{ audit(first: 2) { edges { node % } pageInfo { endCursor hasNextPage } } }", line)))["audit"]
    rest = await service.get("/v1/audit", params={"limit": 2})
    assert as_rest(line, [edge["node"] for edge in trail["edges"]]) == rest["items"]
    assert trail["pageInfo"] == {"endCursor": rest["next"], "hasNextPage": True}
    wrong = await ask(service.http, '{ events(type: "no.such") { resume } audit(kind: "none") { edges { cursor } } }')
    assert [e["extensions"]["code"] for e in wrong["errors"]] == ["request.does_not_fit"] * 2


async def test_listeners_are_kept_as_through_rest(service: Service) -> None:
    made = await change(
        service,
        "postListener",
        type_of(listener_answers.ListenerMade),
        heard.POST,
        {"id": "l-1", "name": "yard", "url": "https://receiver.example/hook", "quiet_hours": {"from": "20:00", "to": "06:00"}},
    )
    answer = type_of(listener_answers.ListenerAnswer)
    assert made["secret"].startswith("whsec_")
    assert as_rest(answer, made["listener"]) == await service.get("/v1/listeners/l-1")
    taken = await change(
        service, "postListener", type_of(listener_answers.ListenerMade), heard.POST, {"id": "l-1", "name": "n", "url": "https://a.example"}
    )
    assert (taken["__typename"], taken["code"]) == ("Refusal", "listener.taken")
    got = await data(service.http, asking('{ listener(id: "l-1") % listeners { edges { node { id } } } }', answer))
    assert as_rest(answer, got["listener"]) == await service.get("/v1/listeners/l-1")
    assert [edge["node"]["id"] for edge in got["listeners"]["edges"]] == ["l-1"]
    other = {"name": "field", "url": "https://receiver.example/other"}
    late = await change(service, "putListener", answer, heard.PUT, other, 'id: "l-1", ifRevision: 7')
    assert (late["__typename"], late["code"], late["status"]) == ("Refusal", "listener.changed", 412)
    changed = await change(service, "putListener", answer, heard.PUT, other, 'id: "l-1", ifRevision: 1')
    assert as_rest(answer, without_type(changed)) == await service.get("/v1/listeners/l-1")
    rotated = await change(
        service, "rotateSecret", type_of(listener_answers.SecretRotated), heard.ROTATE, {"overlap_hours": 2}, 'id: "l-1"'
    )
    assert rotated["secret"] != made["secret"]

    sent = await change(service, "testListener", type_of(listener_answers.TestSent), about='id: "l-1"')
    delivery = type_of(listener_answers.DeliveryAnswer)
    told = await data(
        service.http,
        asking(
            'query ($id: String!) { delivery(id: $id) { delivery % attempts { ms } } deliveries(listener: "l-1") { edges { node % } } }',
            delivery,
            delivery,
        ),
        id=sent["delivery"],
    )
    assert as_rest(delivery, told["delivery"]["delivery"]) == (await service.get(f"/v1/deliveries/{sent['delivery']}"))["delivery"]
    assert as_rest(delivery, [e["node"] for e in told["deliveries"]["edges"]]) == (await service.get("/v1/deliveries"))["items"]
    again = await change(service, "sendAgain", type_of(listener_answers.SentAgain), heard.AGAIN, {"listener": "l-1"})
    assert again["again"] == 0
    removed = await change(service, "deleteListener", heard.REMOVED, about='id: "l-1"')
    assert removed == {"__typename": "ListenerRemoved", "id": "l-1"}
    assert (await service.http.get("/v1/listeners/l-1")).status_code == 404


async def test_links_to_calendars_are_made_listed_and_revoked(service: Service) -> None:
    await a_baler(service)
    made = await change(service, "makeFeed", type_of(feed_shapes.FeedMade), heard.FEED, {"machine": "r5-17", "name": "mine"})
    assert (await service.http.get(made["path"])).status_code == 200
    unknown = await change(service, "makeFeed", type_of(feed_shapes.FeedMade), heard.FEED, {"machine": "none"})
    assert (unknown["__typename"], unknown["code"]) == ("Refusal", "machine.unknown")
    item = type_of(feed_shapes.FeedItem)
    listed = (await data(service.http, asking("{ feeds { edges { node % } } }", item)))["feeds"]["edges"]
    assert as_rest(item, [edge["node"] for edge in listed]) == (await service.get("/v1/feeds"))["items"]
    revoked = await change(service, "revokeFeed", item, about=f'id: "{made["id"]}"')
    assert revoked["revokedAt"]
    assert (await service.http.get(made["path"])).status_code == 404
    gone = await change(service, "revokeFeed", item, about='id: "none"')
    assert (gone["__typename"], gone["code"]) == ("Refusal", "feed.unknown")
