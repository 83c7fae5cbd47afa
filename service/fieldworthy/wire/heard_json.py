"""Who is told, what became of it, and who changed what, as it is answered."""

from typing import Any

import orjson

from fieldworthy.core.base.micros import micros_text
from fieldworthy.usecases.audit import Change
from fieldworthy.usecases.deliveries import WAITING, Attempt, Delivery
from fieldworthy.usecases.feeds import Feed
from fieldworthy.usecases.listeners import Listener
from fieldworthy.wire.told_json import Embed


def listener_json(listener: Listener) -> dict[str, Any]:
    """As it is answered: without its secrets."""
    return {
        "id": listener.id,
        "revision": listener.revision,
        "name": listener.name,
        "state": listener.state,
        **listener.choice.to_json(),
        "failing": moment_or_none(listener.failing),
        "secret_before_until": moment_or_none(listener.secret_before_until),
        "made_at": micros_text(listener.made_at),
        "changed_at": micros_text(listener.changed_at),
    }


def moment_or_none(at: int | None) -> str | None:
    """A moment as it is answered."""
    return None if at is None else micros_text(at)


def delivery_json(delivery: Delivery) -> dict[str, Any]:
    """As it is answered."""
    return {
        "id": delivery.id,
        "event": delivery.event_id,
        "type": delivery.type,
        "machine": delivery.machine_id,
        "listener": delivery.listener_id,
        "at": micros_text(delivery.at),
        "state": delivery.state,
        "due": micros_text(delivery.due) if delivery.state == WAITING else None,
        "tries": delivery.tries,
        "digest": delivery.digest,
        "last_at": moment_or_none(delivery.last_at),
        "last_status": delivery.last_status,
        "last_trouble": delivery.last_trouble,
    }


def attempt_json(attempt: Attempt) -> dict[str, Any]:
    """One try."""
    return {"at": micros_text(attempt.at), "ms": attempt.ms, "status": attempt.status, "trouble": attempt.trouble}


def change_json(change: Change, embed: Embed = orjson.Fragment) -> dict[str, Any]:
    """A line of the trail."""
    actor = change.actor
    return {
        "number": change.n,
        "at": micros_text(change.at),
        "who": {"way": actor.way, "id": actor.id, "name": actor.name, "by": actor.by},
        "kind": change.kind,
        "id": change.id,
        "machine": change.machine,
        "before": None if change.before is None else embed(change.before),
        "after": None if change.after is None else embed(change.after),
    }


def feed_json(feed: Feed) -> dict[str, Any]:
    """A link, without its token."""
    return {
        "id": feed.id,
        "name": feed.name,
        "machine": feed.machine,
        "site": feed.site,
        "made_at": micros_text(feed.created),
        "revoked_at": None if feed.revoked is None else micros_text(feed.revoked),
        "last_used": None if feed.last_used is None else micros_text(feed.last_used),
    }
