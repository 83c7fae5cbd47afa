"""The clients and a service that asks for keys."""

import asyncio
from collections.abc import Collection, Iterator

import pytest

from fieldworthy.client import NotAllowed
from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.usecases.keep_keys import create_key
from fieldworthy.usecases.keys import KeyScope
from tests.client.both import Both
from tests.client.real import serving
from tests.doors_app import NOW
from tests.faults.harness import RULEBOOK
from tests.lending import LENDER, NAME, lend


async def made(address: str, organisation: str, scopes: Collection[KeyScope]) -> str:
    """A new key's text."""
    store = SqlStore(open_engine(address), lambda: NOW)
    key = await create_key(store, organisation, "the office", scopes)
    await lend(store, organisation)
    await store.close()
    return key.text


@pytest.fixture
def url(address: str) -> Iterator[str]:
    with serving(address, is_open=False) as url:
        yield url


def test_the_key_that_is_given_or_set_is_sent(url: str, address: str, both: Both, monkeypatch: pytest.MonkeyPatch) -> None:
    key = asyncio.run(made(address, "Nine Oxen", [KeyScope.READ, KeyScope.WRITE_RULEBOOKS]))
    assert both(url, "put_draft", "faults", RULEBOOK, client={"key": key})["revision"] == 1
    monkeypatch.setenv("FIELDWORTHY_KEY", key)
    assert both(url, "publish", "faults")["version"] == 1
    (shared,) = both(url, "shared_rulebooks")
    assert (shared["organisation"], shared["name"]) == (LENDER, NAME)
    assert both(url, "shared_version", LENDER, NAME, 1)["rulebook"] == NAME


def test_without_the_right_key_nothing_is_told(url: str, address: str, both: Both) -> None:
    key = asyncio.run(made(address, "Nine Oxen", [KeyScope.READ]))
    another = key[:-1] + ("a" if key[-1] != "a" else "b")
    for given, status, code in ((None, 401, "key.missing"), (another, 401, "key.refused"), ("no-key-at-all", 401, "key.refused")):
        with pytest.raises(NotAllowed) as refused:
            both(url, "rulebooks", client={"key": given})
        assert (refused.value.status, refused.value.code) == (status, code)
        assert refused.value.mend
    with pytest.raises(NotAllowed) as missing:
        both(url, "put_draft", "faults", RULEBOOK, client={"key": key})
    assert (missing.value.status, missing.value.code) == (403, "key.scope_missing")
    assert both(url, "rulebooks", client={"key": key}) == []
