"""Work that is done once, by a key of the sender: as `Idempotency-Key` of REST, but an argument of each mutation."""

import hashlib
import json
import re
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import replace
from typing import Annotated, Any

import orjson
import strawberry

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.graph.context import Info
from fieldworthy.usecases.kept import Kept
from fieldworthy.usecases.kept_answers import KeptAnswer
from fieldworthy.usecases.once import Once, Shown, done_once
from fieldworthy.usecases.once_refusals import ShownOnce

ONCE = ("request.in_flight", "request.key_reused")
"""Refusals of a mutation that works once."""

Key = Annotated[
    str | None,
    strawberry.argument(
        name="idempotencyKey",
        description="a key of your own, the same for every try of one mutation: what was done is answered again, and not done again",
    ),
]

SHOWN = (*ONCE, "request.shown_once")
"""The same of one that shows a secret."""

Answer = dict[str, Any]
_AT_ODDS = 409
_KEY = re.compile(r"[\x21-\x7e](?:[\x20-\x7e]{0,198}[\x21-\x7e])?\Z")


async def once(
    info: Info, key: str | None, given: Mapping[str, Any], work: Callable[[Kept], Awaitable[Answer | Shown[Answer]]], by: str | None = None
) -> dict[str, Any]:
    """
    Does the work in one transaction, with a key only the first time. given: the arguments, for telling another request with the same key;
    by: the person whom the request names. Raises what `done_once` does, Refused for a key that is none.
    """
    context = info.context
    tried = None if key is None else Once(_checked(key), _fingerprint(info, given))

    def write(answer: Answer | ShownOnce) -> KeptAnswer:
        assert tried is not None
        if isinstance(answer, ShownOnce):
            return KeptAnswer(tried.fingerprint, _AT_ODDS, {}, orjson.dumps(answer.said))
        return KeptAnswer(tried.fingerprint, 200, {}, orjson.dumps(answer))

    def read(kept: KeptAnswer) -> Answer:
        if kept.status == _AT_ODDS:
            raise ShownOnce(*orjson.loads(kept.body))
        answer: Answer = orjson.loads(kept.body)
        return answer

    actor = replace(context.caller.actor, by=by)
    return await done_once(context.asked.keeping, context.organisation, actor, tried, work, write, read)


def _checked(key: str) -> str:
    if not _KEY.match(key):
        raise Refused([Finding("request.parameter", "`idempotencyKey` can't be read", "send 1 to 200 visible ASCII characters")])
    return key


def _fingerprint(info: Info, given: Mapping[str, Any]) -> str:
    """Of the mutation and its arguments; to a key that may not read it is another request."""
    said = json.dumps([info.context.caller.reads, "graphql", info.field_name, given], sort_keys=True, default=str)
    return hashlib.sha256(said.encode()).hexdigest()
