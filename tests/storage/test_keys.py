"""Organisations and keys in both databases: made, found, listed, ended; and what a copy of the database gives away."""

import asyncio
from dataclasses import replace

import pytest
from sqlalchemy import text

from fieldworthy.core.base.micros import DAY, HOUR
from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.usecases.keep_keys import MOST_DAYS, NewKey, create_key, list_keys, revoke_key
from fieldworthy.usecases.key_refusals import KeyImpossible, KeyUnknown, OrganisationUnknown
from fieldworthy.usecases.keys import Key, KeyScope, read_key_text

BRIDGE = frozenset({KeyScope.POST_READINGS})


async def find(store: SqlStore, id: str) -> Key | None:
    async with store.look_keys() as keys:
        return await keys.find(id)


async def test_a_key_is_found_by_the_id_of_its_text(store: SqlStore) -> None:
    made = await create_key(store, " Nine Oxen ", "telematics bridge", BRIDGE, 30)
    presented = read_key_text(made.text.encode())
    assert presented is not None
    found = await find(store, presented.id)
    assert found == made.key
    assert presented.is_of(found)
    assert (found.name, found.scopes, found.expires - found.created) == ("telematics bridge", BRIDGE, 30 * DAY)
    assert (found.revoked, found.last_used) == (None, None)
    assert (made.organisation.name, made.organisation.id, made.is_first) == ("Nine Oxen", 1, True)
    assert await find(store, "aaaaaaaaaaaa") is None


async def test_organisations_are_made_with_their_first_key_and_once(store: SqlStore) -> None:
    made = [await create_key(store, name, "key", BRIDGE) for name in ("Nine Oxen", "South Farm", "Nine Oxen")]
    assert [(m.organisation.id, m.is_first) for m in made] == [(1, True), (2, True), (1, False)]
    assert [(h.organisation.name, h.key.id) for h in await list_keys(store)] == [
        *((("Nine Oxen"), m.key.id) for m in sorted((made[0], made[2]), key=lambda m: (m.key.created, m.key.id))),
        ("South Farm", made[1].key.id),
    ]
    assert [h.key.id for h in await list_keys(store, "South Farm")] == [made[1].key.id]
    with pytest.raises(OrganisationUnknown, match="did you mean `South Farm`"):
        await list_keys(store, "South Fram")


async def test_many_at_once_make_one_organisation(address: str) -> None:
    stores = [SqlStore(open_engine(address)) for _ in range(4)]
    made: list[NewKey] = await asyncio.gather(*(create_key(s, f"farm {n % 2}", "key", BRIDGE) for n, s in enumerate(stores * 3)))
    assert sorted({(m.organisation.id, m.organisation.name) for m in made}, key=lambda each: each[1])[0][1] == "farm 0"
    assert {m.organisation.id for m in made} == {1, 2}
    assert sum(m.is_first for m in made) == 2
    assert len({m.key.id for m in made}) == 12
    for store in stores:
        await store.close()


async def test_a_revoked_key_stays_revoked_since_then(store: SqlStore) -> None:
    made = await create_key(store, "Nine Oxen", "key", BRIDGE)
    other = await create_key(store, "Nine Oxen", "another", BRIDGE)
    first = await revoke_key(store, made.key.id)
    assert first.key.revoked is not None
    assert not first.works
    assert await revoke_key(store, made.key.id) == first
    assert {h.key.id: h.works for h in await list_keys(store)} == {made.key.id: False, other.key.id: True}
    with pytest.raises(KeyUnknown, match="aaaaaaaaaaaa"):
        await revoke_key(store, "aaaaaaaaaaaa")


async def test_an_expired_key_works_no_longer(store: SqlStore) -> None:
    made = await create_key(store, "Nine Oxen", "key", BRIDGE)
    async with store.keep_keys() as keys:
        old = replace(made.key, id="bbbbbbbbbbbb", expires=await keys.moment() - 1)
        await keys.add(old)
    assert {h.key.id: h.works for h in await list_keys(store)} == {made.key.id: True, old.id: False}


async def test_the_last_use_only_grows(store: SqlStore) -> None:
    one, two = [await create_key(store, "Nine Oxen", "key", BRIDGE) for _ in range(2)]
    for used in ({}, {one.key.id: 2 * HOUR}, {one.key.id: HOUR, two.key.id: HOUR, "aaaaaaaaaaaa": HOUR}):
        async with store.keep_keys() as keys:
            await keys.note_used(used)
    assert [h.key.last_used for h in await list_keys(store)] in ([2 * HOUR, HOUR], [HOUR, 2 * HOUR])
    found = await find(store, one.key.id)
    assert found is not None
    assert found.last_used == 2 * HOUR


@pytest.mark.parametrize(
    ("organisation", "name", "scopes", "days"),
    [
        ("", "key", BRIDGE, 1),
        ("   ", "key", BRIDGE, 1),
        ("x" * 121, "key", BRIDGE, 1),
        ("a\nb", "key", BRIDGE, 1),
        ("a\u202eb", "key", BRIDGE, 1),
        ("farm", "\0", BRIDGE, 1),
        ("farm", "key", frozenset(), 1),
        ("farm", "key", BRIDGE, 0),
        ("farm", "key", BRIDGE, MOST_DAYS + 1),
    ],
)
async def test_what_can_be_no_key_makes_none_and_no_organisation(
    store: SqlStore, organisation: str, name: str, scopes: frozenset[KeyScope], days: int
) -> None:
    with pytest.raises(KeyImpossible):
        await create_key(store, organisation, name, scopes, days)
    async with store.look_keys() as keys:
        assert await keys.organisations() == []
        assert await keys.of() == []


async def test_nothing_that_is_kept_opens_the_service(store: SqlStore) -> None:
    """OWASP API Security Top 10 (2023), API2: who has a copy of the database has no key."""
    made = await create_key(store, "Nine Oxen", "key", BRIDGE)
    secret = made.text.removeprefix(f"fw_{made.key.id}_")
    async with store.look_keys() as keys, store.engine.connect() as connection:
        rows = [tuple(row) for row in await connection.execute(text("select * from keys"))]
        assert keys is not None
    kept = repr(rows)
    assert made.key.id in kept
    assert secret[:43] not in kept
    assert secret[:8] not in kept
    for row in rows:
        for value in row:
            assert read_key_text(value if isinstance(value, bytes) else str(value).encode()) is None
