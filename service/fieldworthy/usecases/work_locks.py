"""Locks and covers: who put them on, in whose hands they are, and that they stay until these take them off.

Source: 29 CFR 1910.147(e)(3): one is taken off by whoever put it on (or, handed over, by whom it was handed to). Each is one entry that
moves from state to state: `at` says since when it is on, and it is open as long as it is.
"""

import hashlib
import json
from collections.abc import Mapping, Sequence
from typing import Any

from fieldworthy.core.base.micros import micros_text
from fieldworthy.core.base.names import key, tidy
from fieldworthy.usecases.kept import MOST_ABOUT, Entry, Kept, Machine
from fieldworthy.usecases.refusals import WorkOfAnother

PUT_ON = "put-on"

Json = Mapping[str, Any]


def holder_of(lock: Json) -> str:
    """In whose hands a lock or cover is."""
    given = lock.get("hand_over")
    holder: str = lock["by"] if given is None else given["to"]
    return holder


def put_on_id(fact: str, state: str, by: str) -> str:
    """Each person has one lock or cover on each state of a fact."""
    return "on-" + hashlib.sha256(f"{key(fact)}\n{key(state)}\n{tidy(by)}".encode()).hexdigest()[:32]


def id_of(lock: Json) -> str:
    """The same of a lock or cover as it is told of."""
    return put_on_id(lock["fact"], lock["state"], lock["by"])


async def keep_locks(kept: Kept, machine: Machine, told: Json, known: int, now: int, anew: bool = False) -> None:
    """
    Keeps locks and covers that were told of. told: `put_on`, and `by` for who tells. One that is on already moves by hand-over alone, and
    then only for whoever has it in hand, or where nobody says who they are; and where the hand-over says whom it is taken `from`, only from
    them. anew: said once more, it is known from then on that it is on, whatever step is under way. Raises WorkOfAnother.
    """
    locks = {put_on_id(lock["fact"], lock["state"], lock["by"]): lock for lock in told.get("put_on", ())}
    there = await kept.entries.newest(machine.key, PUT_ON, list(locks))
    moved = []
    for id, lock in locks.items():
        was = there.get(id)
        is_on = was is not None and was.open
        if was is None or not is_on:
            moved.append(Entry(PUT_ON, id, known, now, key(lock["fact"])[:MOST_ABOUT], _text(tidied(lock)), True))
        elif _handed_over(json.loads(was.body), lock, told):
            moved.append(Entry(PUT_ON, id, known, was.at, was.about, _text(tidied(lock)), True))
        elif anew:
            moved.append(Entry(PUT_ON, id, known, was.at, was.about, was.body, True))
    await kept.entries.put(machine.key, moved)


def tidied(lock: Json) -> Json:
    """With the names of people as they are written back; whom it was taken from is looked at and not kept."""
    given = lock.get("hand_over")
    handed = {} if given is None else {"hand_over": {"to": tidy(given["to"]), "by": tidy(given["by"]), "why": given["why"]}}
    return {**lock, "by": tidy(lock["by"]), **handed}


def _handed_over(was: Json, lock: Json, told: Json) -> bool:
    """Whether one that is on goes to somebody else; to whoever has it already, or said again as it was put on at first, it does not."""
    if "hand_over" not in lock or tidy(holder_of(was)) == tidy(holder_of(lock)):
        return False
    taken_from = lock["hand_over"].get("from")
    if taken_from is not None and tidy(taken_from) != tidy(holder_of(was)):
        raise WorkOfAnother(f"what was put on `{lock['fact']}`", holder_of(was))
    if "by" not in told or tidy(holder_of(was)) == tidy(told["by"]):
        return True
    raise WorkOfAnother(f"what was put on `{lock['fact']}`", holder_of(was))


async def keep_off(kept: Kept, machine: Machine, locks: Sequence[Json], by: str, known: int, now: int) -> None:
    """Keeps that these were taken off. None: nothing happens."""
    if not locks:
        return
    ids = {put_on_id(lock["fact"], lock["state"], lock["by"]): lock for lock in locks}
    there = await kept.entries.newest(machine.key, PUT_ON, list(ids))
    off = {"at": micros_text(now), "by": by}
    gone = [Entry(PUT_ON, id, known, there[id].at, there[id].about, _text({**lock, "taken_off": off})) for id, lock in ids.items()]
    await kept.entries.put(machine.key, gone)


def _text(told: Json) -> str:
    return json.dumps(told, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
