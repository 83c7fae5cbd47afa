"""Asks one service after another request, and says of each answer what must not be so."""

from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime
from random import Random
from typing import Any

import httpx

from fieldworthy.graph.table import TABLE
from fieldworthy.usecases.keep_keys import create_key
from fieldworthy.usecases.keys import KeyScope
from tests.contract.write import sdl
from tests.faults.graph_data import Shape
from tests.faults.graph_held import Answer, Asked, held, is_refusal, schema_of
from tests.faults.graph_kept import Kept, differences, kept
from tests.faults.graph_paged import paged
from tests.faults.graph_rounds import MINE, THEIRS, Call, Rounds, of_another
from tests.faults.graph_spoiled import Spoiler
from tests.faults.graph_spoiled_whole import Sent, document, request, right
from tests.faults.graph_written import Writer, Written
from tests.keep.service import Service, running
from tests.lending import lend

OWNER, OTHER = "Nine Oxen", "South Farm"


SETTLE = "{ fleetDue(first: 1) { stale } }"
"""Standings are computed when they are asked for: after this they are."""

_EMPTY = {"message": "nothing", "extensions": {"code": "query.does_not_fit"}}


def _is_repeatable(call: Call) -> bool:
    """Whether a mutation may be sent again, and nothing comes of it."""
    return call.operation.startswith("put") and call.operation != "putDraft" and "ifRevision" not in call.args


@dataclass
class Outcome:
    """One request. kind: how it was made; complaints: what failed, with the request."""

    kind: str
    operation: str
    answered: bool
    codes: Sequence[str]
    complaints: list[str]
    last: httpx.Response | None = None


@dataclass
class Asking:
    """Requests of one seed to one service."""

    service: Service
    chance: Random
    keys: dict[str, str]
    narrow: dict[KeyScope, str]
    owner: int
    shape: Shape
    _told: list[str] = field(default_factory=list)  # the ids of the owner that the other has sent
    _state: Kept | None = None  # what is kept now, where nothing was changed since it was looked at

    @classmethod
    @asynccontextmanager
    async def begun(cls, address: str, chance: Random) -> AsyncIterator["Asking"]:
        """Over a migrated database."""
        async with running(address, is_open=False, quota=None) as service:
            service.ids.seed(chance.random())
            keys = {name: (await create_key(service.store, name, "of a test", tuple(KeyScope))).text for name in (OWNER, OTHER)}
            narrow = {scope: (await create_key(service.store, OWNER, "of a test", (scope,))).text for scope in KeyScope}
            await lend(service.store, OWNER)
            async with service.store.look_keys() as ring:
                owner = next(each.id for each in await ring.organisations() if each.name == OWNER)
            yield cls(service, chance, keys, narrow, owner, Shape(schema_of(sdl())))

    async def outcomes(self) -> AsyncIterator[Outcome]:
        """One after the other, without an end."""
        mine, theirs = Rounds(MINE, self.chance), Rounds(THEIRS, self.chance)
        spoiler, writer = Spoiler(self.shape.schema, self.chance, mine), Writer(self.shape.schema, self.chance)
        async for each in self._round(theirs, writer, OTHER):
            yield each
        while True:
            if mine.number:
                await self._next_day()
            asked: list[Call] = []
            earlier: list[tuple[Call, Sent, Written, httpx.Response]] = []
            for call in mine.calls():
                async for each in self._right(call, mine, writer, asked):
                    yield each
                for _ in range(self.chance.choice((0, 1, 1, 2, 3))):
                    yield await self._spoiled(mine.aside(call), spoiler, writer)
                if self.chance.random() < (0.25 if call.changes else 0.5):
                    yield await self._of_the_other(call, writer)
                if self.chance.random() < 0.15:
                    yield await self._without(call, writer)
                if "asOf" in self._field(call).args and self.chance.random() < 0.7:
                    earlier += await self._as_of(call, mine, writer)
                if self.chance.random() < 0.3:
                    chained = mine.chained()
                    yield await self._one("chained", [chained], writer.written([chained], 3), mine)
                    yield await self._of_the_other(chained, writer)
            for call, sent, written, told in earlier:
                outcome = await self._send("as of", call, sent, written, self.keys[OWNER], False)
                if outcome.last is not None and outcome.last.content != told.content:
                    said = f"{sent.body.decode()} was {told.text[:600]} and is {outcome.last.text[:600]}"
                    outcome.complaints.append(f"as of {call.operation}: what was known at a moment has changed: {said}")
                yield outcome

    async def _next_day(self) -> None:
        """The clock is turned on, and what is due then is computed."""
        self.service.later(days=1)
        for key in self.keys.values():
            await self._ask_plainly(SETTLE, {}, key)
        self._state = None

    async def _as_of(self, call: Call, rounds: Rounds, writer: Writer) -> list[tuple[Call, Sent, Written, httpx.Response]]:
        """A query of what was known at the newest moment that an answer told of, and its answer: it stays the same, whatever comes."""
        moments = [each for each in (*rounds.pool["known"], *rounds.pool["asOf"]) if isinstance(each, str)]
        if call.operation == "getFleetDue":  # the clock stands: at its moment another machine may still be told of
            moments = [each for each in moments if datetime.fromisoformat(each) < self.service.now]
        if not moments:
            return []
        newest = max(moments, key=datetime.fromisoformat)
        moment = self.chance.choice((newest, newest, self.chance.choice(moments)))
        asked = replace(call, args={**call.args, "asOf": moment, **({"now": moment} if "now" in self._field(call).args else {})})
        written = writer.written([asked], 5)
        (sent,) = right(written, self.chance, False)
        return [(asked, sent, written, await self._http(sent, self.keys[OWNER]))]

    async def _round(self, rounds: Rounds, writer: Writer, whose: str) -> AsyncIterator[Outcome]:
        for call in rounds.calls():
            yield await self._one("right", [call], writer.written([call], 4), rounds, whose)

    async def _right(self, call: Call, rounds: Rounds, writer: Writer, asked: list[Call]) -> AsyncIterator[Outcome]:
        """A right call, perhaps with others beside it that were asked before; a list also in pages."""
        beside = [each for each in asked if each.changes == call.changes and (not call.changes or _is_repeatable(each))]
        calls = [call, *self.chance.sample(beside, min(len(beside), self.chance.choice((0, 0, 1, 2))))]
        deep = self.chance.choice((3, 4, 5)) if len(calls) == 1 else self.chance.choice((2, 3))
        deep = max(deep, 3) if call.operation == "listSetAside" else deep
        outcome = await self._one("right", calls, writer.written(calls, deep), rounds)
        if outcome.answered:
            asked.append(call)
        yield outcome
        if outcome.answered and "idempotencyKey" in self._field(call).args and self.chance.random() < 0.5:
            yield await self._again(call, writer)
        if outcome.answered and not call.changes and "first" in self._field(call).args:
            complaints = await paged(self._ask_plainly, self.shape.schema, call, self.chance)
            yield Outcome("pages", call.operation, not complaints, (), complaints)

    async def _again(self, call: Call, writer: Writer) -> Outcome:
        """
        A mutation with a key of the sender, twice: the second time nothing is done, and what was answered is answered again (but a secret,
        which is shown once).

        Source: draft-ietf-httpapi-idempotency-key-header-07, 2.6 and 2.7.
        """
        keyed = replace(call, args={**call.args, "idempotencyKey": f"k-{self.chance.randrange(10**9)}"})
        written = writer.written([keyed], 3)
        (sent,) = right(written, self.chance, False)
        key = self.keys[OWNER]
        first = await self._http(sent, key)
        await self._ask_plainly(SETTLE, {})
        self._state = None
        outcome = await self._send("again", keyed, sent, written, key, False)
        if outcome.last is not None and outcome.last.content != first.content and "request.shown_once" not in outcome.codes:
            outcome.complaints.append(f"again {call.operation}: {first.text[:600]} is answered {outcome.last.text[:600]}")
        return outcome

    async def _spoiled(self, call: Call, spoiler: Spoiler, writer: Writer) -> Outcome:
        if self.chance.random() < 0.65:
            kind = self.chance.choice(("leaf", "leaf", "leaf", "member", "ids", "by chance"))
            spoiled = spoiler.rounds.aside(spoiler.ways[kind](call))
            return await self._one(kind, [spoiled], writer.written([spoiled], self.chance.choice((1, 3))), None)
        written = writer.written([call], 2)
        if self.chance.random() < 0.5:
            return await self._one("document", [call], document(written, self.chance), None)
        return await self._send("request", call, request(written, self.chance), written, self.keys[OWNER], call.changes)

    async def _of_the_other(self, call: Call, writer: Writer) -> Outcome:
        """The same, asked by another organisation: it is told nothing of the first, and changes nothing of it."""
        theirs = of_another(call, MINE, THEIRS)
        return await self._one("other's", [theirs], writer.written([theirs], 4), None, OTHER)

    async def _without(self, call: Call, writer: Writer) -> Outcome:
        """The same without a key, with one that is none, or with one of another scope: it is not answered."""
        written = writer.written([call], 2)
        (sent,) = right(written, self.chance, False)
        others = [key for scope, key in self.narrow.items() if scope != TABLE[call.operation].needs]
        key = self.chance.choice((None, "fw_none", self.keys[OWNER][:-1], *others))
        outcome = await self._send("keys", call, sent, written, key, call.changes)
        wanted = {"key.missing", "key.refused"} if key not in others else {"key.scope_missing"}
        if not outcome.complaints and not set(outcome.codes) & wanted:
            outcome.complaints.append(f"{outcome.codes} without the key that it asks for: {written.text[:300]}")
        return outcome

    async def _one(self, kind: str, calls: Sequence[Call], written: Written, rounds: Rounds | None, whose: str = OWNER) -> Outcome:
        """Sends a document in one of its ways. rounds: who is told what came of it."""
        outcome = None
        for sent in right(written, self.chance, not calls[0].changes):
            outcome = await self._send(kind, calls[0], sent, written, self.keys[whose], calls[0].changes, rounds)
        assert outcome is not None
        return outcome

    async def _send(
        self, kind: str, call: Call, sent: Sent, written: Written, key: str | None, changes: bool, rounds: Rounds | None = None
    ) -> Outcome:
        before = self._state if self._state is not None else await kept(self.service.store)
        response = await self._http(sent, key)
        named = written.operation if sent.method != "GET" else written.operation or None
        asked = Asked(written.text, named, written.variables, kind == "document") if sent.known else None
        if sent.method == "HEAD":  # RFC 9110, 9.3.2: as a GET, and without a body
            response = response if response.content else httpx.Response(400, json={"errors": [_EMPTY]}, request=response.request)
        answer = held(response, asked, sent.accept, self.shape)
        if changes and not answer.refused_whole:
            await self._ask_plainly(SETTLE, {}, key)
        self._state = await kept(self.service.store)
        if not changes or answer.refused_whole:
            differ = differences(before, self._state)
            if differ:
                answer.complaints.append(f"something changed in {differ}")
        if key == self.keys[OTHER]:
            self._kept_apart(answer, sent, written, before)
        if rounds is not None and isinstance(answer.data, dict):
            told = answer.data.get(written.names[0])
            if call.owner and isinstance(told, dict):
                told = told.get(call.field)
            if not is_refusal(told):
                rounds.seen(call, told)
        if not changes and answer.answered and self.chance.random() < 0.3:
            again = await self._http(sent, key)
            if again.content != response.content:
                answer.complaints.append("asked twice, with nothing in between, it is answered differently")
        shown = f"{sent.method} {sent.query if sent.method == 'GET' else sent.body.decode('utf-8', 'replace')[:1500]} {sent.headers}"
        told_ = [
            f"{kind} {call.operation}: {each}\n    {shown}\n    {response.status_code} {response.text[:600]}" for each in answer.complaints
        ]
        return Outcome(kind, call.operation, answer.answered, answer.codes, told_, response)

    def _kept_apart(self, answer: Answer, sent: Sent, written: Written, before: Kept) -> None:
        """The owner's persons, sites and reasons are never told; their ids to who has sent them only; and nothing of theirs is changed."""
        assert self._state is not None
        self._told.append(f"{written.text} {written.variables}")
        if MINE.secret in answer.text:
            answer.complaints.append("the other is told something of the owner's")
        if MINE.ids in answer.text and not any(MINE.ids in each for each in self._told):
            answer.complaints.append("the other is told an id of the owner's that it never sent")
        differ = differences(before, self._state, self.owner)
        if differ:
            answer.complaints.append(f"the other changed something of the owner's in {differ}")

    async def _http(self, sent: Sent, key: str | None) -> httpx.Response:
        headers: dict[str, Any] = {name: value.encode("utf-8") for name, value in sent.headers.items()}
        if key is not None:
            headers["authorization"] = f"Bearer {key}"
        self.service.http.headers = httpx.Headers()
        return await self.service.http.request(sent.method, "/graphql", content=sent.body or None, params=sent.query, headers=headers)

    async def _ask_plainly(self, query: str, variables: dict[str, Any], key: str | None = None) -> Any:
        headers = {"authorization": f"Bearer {key or self.keys[OWNER]}"}
        response = await self.service.http.post("/graphql", json={"query": query, "variables": variables}, headers=headers)
        return response.json()

    def _field(self, call: Call) -> Any:
        of: Any = self.shape.schema.get_type(call.on)
        return of.fields[call.field]
