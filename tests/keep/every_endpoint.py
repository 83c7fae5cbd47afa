"""The table of every endpoint: what each operation of the contract answers without a key, with the wrong scope, with the other's key.

    python -m tests.keep.every_endpoint

Two organisations are in one database. One keeps a world and more beside it (`decoys`); each operation is then sent with the contract's own
example, in the order that makes the world, and right after it to its owner, so that each of these requests would have been answered.
With the other's key none may answer with anything of the owner's: a thing is not found, a list is empty.
"""

import asyncio
import sys
import tempfile
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import asdict, dataclass, replace
from hashlib import sha256
from typing import Any

import httpx

from fieldworthy.rest.admission import SCHEME, WithKeys
from fieldworthy.rest.examples import EXAMPLES, Example
from fieldworthy.usecases.keep_keys import create_key
from fieldworthy.usecases.key_ring import KeyRing
from fieldworthy.usecases.keys import KeyScope
from tests.contract.test_openapi import write
from tests.doors_app import publish
from tests.keep.service import Service, running
from tests.lending import lend

ALL = frozenset(KeyScope)
MINE, THEIRS = "Nine Oxen", "South Farm"

MARKS = (b"a5-17", b"a5-18", b"q-3", b"q-4")
"""What stands in the decoys alone, and in no request: told to the other it would have come from the owner's things."""

STATELESS = {"checkExpression", "checkRulebook", "askProcedure", "askDueBatch", "getHealth", "getReadiness"}
"""Those whose example carries its rulebook with it (of a batch each line has an answer of its own)."""

MADE = {"postListener", "listListeners"}
"""The listener that the other made, and the list in which it stands alone."""

LISTS = {"listDeliveries", "listFeeds", "listRulebooks", "listSharedRulebooks", "listMachines", "getFleetDue", "listEvents"}
"""Lists of what is one's own: of who has nothing they are empty."""

TEXTS = {"getSiteCalendar", "getFleetCalendar", "exportDue", "exportReadings"}
"""The same as text: a calendar without events, a table with its first line alone."""

LINK = {"getFeed"}
"""What is asked by a link, whoever has it: it shows what its maker let it show."""

TRAIL = {"listAudit"}
"""What was done in one's own organisation: of who has nothing, that their key was made."""

POSTS = {"keepReadings", "keepTelematics", "keepCounters"}
THEIR_ASIDE = {"listSetAside", "dismissSetAside"}
"""Readings of machines that they do not have are set aside for them: in their own list, to be dismissed by them."""


@dataclass(frozen=True, slots=True)
class Row:
    """
    One operation. needs: its scope by the contract, None for anybody; without, others: what is answered without a key and with each other
    scope's (status and code, "" where it is none); owner: the status for who may; other: the same as `without` with the other's key;
    says: what that answer is.
    """

    operation: str
    request: str
    needs: str | None
    without: str
    others: Sequence[str]
    owner: int
    other: str
    says: str

    @property
    def holds(self) -> bool:
        """Whether it is as it must be."""
        if self.needs is None:
            return self.without == self.other == "200"
        closed = self.without == "401 key.missing" and list(self.others) == ["403 key.scope_missing"] * (len(KeyScope) - 1)
        return closed and self.owner < 300 and self.says != LEAKS


LEAKS = "SOMETHING OF THE OWNER'S, OR NOBODY SAID WHAT IT MAY BE"


async def table(service: Service) -> list[Row]:
    """A row for each operation of the contract. Raises KeyError for one that has no example, and so no request."""
    operations = operations_of(service.app.openapi())
    mine, theirs = await a_key(service, MINE), await a_key(service, THEIRS)
    narrow = {scope: await a_key(service, MINE, frozenset({scope})) for scope in KeyScope}
    await lend(service.store, MINE)
    await a_beginning(service, mine)
    await decoys(service, mine)
    rows = []
    for example, needs in operations:
        without = await send(service, example, None)
        others = [await send(service, example, text) for scope, text in narrow.items() if needs is not None and scope != needs]
        owner = await send(service, example, mine if needs is None else narrow[KeyScope(needs)])
        other = await send(service, of_their_own(example), theirs)
        says = _says(example, other)
        request = f"{example.method} {example.path}"
        told = [_status(answer) for answer in others]
        rows.append(Row(example.operation, request, needs, _status(without), told, owner.status_code, _status(other), says))
    return rows


def operations_of(contract: Mapping[str, Any]) -> list[tuple[Example, str | None]]:
    """Each operation's example and scope, in the order in which the examples make a world. Raises KeyError for one without an example."""
    found = {}
    for path, methods in contract["paths"].items():
        for method, operation in methods.items():
            example = EXAMPLES[operation["operationId"]]
            assert (example.method, example.path) == (method.upper(), path)
            found[example.operation] = operation["security"][0][SCHEME][0] if operation["security"] else None
    return [(example, found[example.operation]) for example in EXAMPLES.values()]


def _status(answer: httpx.Response) -> str:
    return str(answer.status_code) if answer.status_code < 400 else f"{answer.status_code} {answer.json()['code']}"


def _says(example: Example, answer: httpx.Response) -> str:
    """What an answer to the other is."""
    if any(mark in answer.content for mark in MARKS):
        return LEAKS
    if answer.status_code >= 400:
        return "not found" if answer.status_code == 404 else "refused, as where there is none"
    if example.operation in STATELESS:
        return "drawn from the request alone"
    if example.operation in LINK:
        return "what the link shows to whoever has it"
    if example.operation in TEXTS:
        is_empty = b"BEGIN:VEVENT" not in answer.content if answer.content.startswith(b"BEGIN") else answer.content.count(b"\r\n") == 1
        return "a text with nothing in it" if is_empty else LEAKS
    told = answer.json()
    if example.operation in LISTS and told["items"] == []:
        return "an empty list"
    if example.operation in MADE and [each["id"] for each in told.get("items", (told.get("listener"),))] == ["south-farm"]:
        return "their own listener"
    if example.operation in TRAIL and {each["kind"] for each in told["items"]} <= {"organisation", "key", "readings", "set-aside"}:
        return "what was done in their own organisation"
    if example.operation in POSTS and told["kept"] == told["same"] == 0:
        return "set aside, of no machine of theirs"
    if example.operation in THEIR_ASIDE and {each["why"] for each in told.get("items", (told,))} == {"unknown-machine"}:
        return "what they posted, of no machine of theirs"
    return LEAKS


# --- who asks, and what there is to be asked about --------------------------------------------------------------------------------


def remembering(service: Service) -> Service:
    """It asks for each key once, however long the test takes: so what it asks the database can be compared."""
    service.app.state.admission = WithKeys(KeyRing(service.store, lambda: service.now, lambda: 0.0))
    return service


async def a_key(service: Service, organisation: str, scopes: frozenset[KeyScope] = ALL) -> str:
    """Of the same bytes each time, so that two services may be compared."""
    called = sha256(f"{organisation} {sorted(scopes)}".encode()).digest()
    return (await create_key(service.store, organisation, "a test", scopes, random=lambda n: (called * 2)[:n])).text


async def send(service: Service, example: Example | str, key: str | None) -> httpx.Response:
    """An example, or what is got at an address."""
    service.http.headers = httpx.Headers({} if key is None else {"authorization": f"Bearer {key}"})
    if isinstance(example, str):
        return await service.http.get(example)
    sent: httpx.Response = await write.run(service.http, {k: v for k, v in asdict(example).items() if k != "operation"})
    return sent


async def a_beginning(service: Service, key: str) -> None:
    """What is there before the examples: an earlier version of the rulebook."""
    service.http.headers = httpx.Headers({"authorization": f"Bearer {key}"})
    earlier = write.RULEBOOK.replace("every 80 h", "every 100 h").replace("needs: tailgate is closed and engine", "needs: engine")
    await publish(service.http, write.NAME, earlier)


async def decoys(service: Service, key: str) -> None:
    """Machines of the owner with all kinds of records, readings and work, of which no request of the other speaks."""
    kept = [await send(service, _decoy(each), key) for each in EXAMPLES.values() if _is_of_machines(each) and each.method != "GET"]
    kept.append(await send(service, of_their_own(EXAMPLES["postListener"], "a5-17"), key))
    done = sum(answer.status_code < 300 for answer in kept)
    assert done > len(kept) * 3 / 4, [(a.request.url.path, a.text) for a in kept if a.status_code >= 300]


def _is_of_machines(example: Example) -> bool:
    """Whether it speaks of a machine by its id (a telematics document does so by its serial number, which decoys have none of)."""
    return example.path.startswith(("/v1/machines", "/v1/readings")) and example.operation != "keepTelematics"


def of_their_own(example: Example | str, id: str = "south-farm") -> Example | str:
    """Who listens needs nothing of anybody: so the other makes a listener of another id, and asks for the owner's then."""
    if isinstance(example, str) or example.operation != "postListener":
        return example
    return replace(example, body={**example.body, "id": id})


def _decoy(example: Example) -> Example:
    """The same of another machine."""
    parameters = {name: _else(value) for name, value in example.parameters.items() if name != "Idempotency-Key"}
    return replace(example, parameters=parameters, body=_else(example.body))


def _else(value: Any, name: str = "") -> Any:
    """The same with other machines, persons and numbers."""
    match value:
        case dict():
            return {key: _else(inner, key) for key, inner in value.items() if key != "serial"}
        case list():
            return [_else(inner) for inner in value]
        case str():
            return value.replace("r5-1", "a5-1").replace("p-3", "q-3").replace("p-4", "q-4")
        case int() | float() if name in ("value", "work") and not isinstance(value, bool):
            return value + 1
    return value


async def a_world(service: Service, key: str) -> list[httpx.Response]:
    """All examples in their order, as the contract's own test sends them."""
    async with service.store.look_keys() as keys:
        record = await keys.find(key[3:15])
        assert record is not None
        (reader,) = [each.name for each in await keys.organisations() if each.id == record.organisation]
    await lend(service.store, reader)
    await a_beginning(service, key)
    service.chance.begin(key)
    answers: list[httpx.Response] = []
    link: dict[str, str] = {}
    for example in EXAMPLES.values():
        answers.append(await send(service, _of_link(example, link), key))
        if example.operation == "makeFeed":
            made = answers[-1].json()
            link = {"token": made["path"].split("/")[-1].removesuffix(".ics"), "id": made["id"]}
    return answers


def _of_link(example: Example, link: Mapping[str, str]) -> Example:
    """The same of the link that was made in this world: each is another, and opens for whoever has it."""
    if not example.path.startswith("/v1/feeds/"):
        return example
    return replace(example, parameters={**example.parameters, **{name: link[name] for name in example.parameters if name in link}})


# --- as a program -----------------------------------------------------------------------------------------------------------------


@asynccontextmanager
async def a_service() -> AsyncIterator[Service]:
    """A service with keys over a new SQLite file."""
    from fieldworthy.storage.engine import SqlStore, open_engine, prepare

    with tempfile.TemporaryDirectory() as room:
        address = f"sqlite:///{room}/store.db"
        store = SqlStore(open_engine(address))
        await prepare(store, address)
        await store.close()
        async with running(address, is_open=False) as service:
            yield remembering(service)


def written(rows: Sequence[Row]) -> str:
    """The table as text."""
    head = ("operation", "request", "scope", "no key", "each other scope", "owner", "other's key", "which is")
    cells = [
        (r.operation, r.request, r.needs or "anybody", r.without, ", ".join(dict.fromkeys(r.others)) or "-", str(r.owner), r.other, r.says)
        for r in rows
    ]
    widths = [max(map(len, column)) for column in zip(head, *cells, strict=True)]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in (head, *cells)]
    wrong = [row.operation for row in rows if not row.holds]
    end = f"NOT as it must be: {', '.join(wrong)}" if wrong else f"all {len(rows)} as they must be"
    return "\n".join((*lines, "", end))


async def shown() -> int:
    async with a_service() as service:
        rows = await table(service)
    print(written(rows))  # noqa: T201
    return 0 if all(row.holds for row in rows) else 1


if __name__ == "__main__":
    sys.exit(asyncio.run(shown()))
