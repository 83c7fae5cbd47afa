"""The text of a key, what is kept of it, and what its words mean. Pure: the bytes are given."""

import binascii
import hashlib
import json
import re
from base64 import urlsafe_b64decode

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldworthy.usecases.keys import (
    ID_BYTES,
    KEY_PATTERN,
    SAYS,
    SECRET_BYTES,
    Key,
    KeyScope,
    Presented,
    new_key_text,
    read_key_text,
    scopes_of,
    scopes_text,
)

BYTES = st.binary(min_size=ID_BYTES + SECRET_BYTES, max_size=ID_BYTES + SECRET_BYTES)


def kept(presented: Presented) -> Key:
    return Key(presented.id, 1, "bridge", presented.digest, frozenset(), 0, 1)


@given(BYTES)
def test_a_text_reads_back_and_holds_what_it_says(random: bytes) -> None:
    text, presented = new_key_text(random)
    assert re.fullmatch(KEY_PATTERN, text)
    assert read_key_text(text.encode()) == presented
    _, id, rest = text.split("_", 2)
    secret, check = rest[:43], rest[43:]
    assert id == presented.id
    assert urlsafe_b64decode(secret + "=") == random[ID_BYTES:]  # RFC 4648, section 5: all 256 bits are in it
    assert presented.digest == hashlib.sha256(secret.encode()).digest()
    assert int(check, 16) == binascii.crc32(text[:-8].encode())
    assert json.loads(json.dumps(text)) == text  # neither a shell, JSON nor a header needs anything around it
    assert presented.is_of(kept(presented))


@given(BYTES, BYTES)
def test_another_key_is_another(one: bytes, other: bytes) -> None:
    (_, first), (_, second) = new_key_text(one), new_key_text(other)
    assert first.is_of(kept(second)) == (one == other or first == second)
    assert not first.is_of(None)


def test_the_secret_and_the_id_must_both_be_those_of_the_key() -> None:
    _, mine = new_key_text(bytes(40))
    _, theirs = new_key_text(bytes(ID_BYTES) + b"\1" * SECRET_BYTES)
    _, elsewhere = new_key_text(b"\1" * ID_BYTES + bytes(SECRET_BYTES))
    assert (mine.id, mine.digest) == (theirs.id, elsewhere.digest)
    assert not mine.is_of(kept(theirs))
    assert not mine.is_of(kept(elsewhere))


@given(BYTES, st.data())
def test_a_key_with_one_wrong_character_is_none(random: bytes, data: st.DataObject) -> None:
    """CRC-32 finds every change within 32 bits in a row, so of one character any."""
    text = bytearray(new_key_text(random)[0].encode())
    place = data.draw(st.integers(0, len(text) - 1))
    other = data.draw(st.integers(0, 255).filter(lambda byte: byte != text[place]))
    text[place] = other
    assert read_key_text(bytes(text)) is None


@pytest.mark.parametrize("change", [lambda t: t[:-1], lambda t: t + b"0", lambda t: t + b"\n", lambda t: b" " + t, lambda t: t.upper()])
def test_a_key_that_was_cut_or_grew_is_none(change: object) -> None:
    text = new_key_text(bytes(range(40)))[0].encode()
    assert read_key_text(change(text)) is None  # type: ignore[operator]


@given(st.binary(max_size=200))
def test_nothing_makes_the_reading_fail(text: bytes) -> None:
    assert read_key_text(text) is None


def test_too_few_random_bytes_make_no_key() -> None:
    with pytest.raises(ValueError, match="random"):
        new_key_text(b"short")


@given(st.frozensets(st.sampled_from(list(KeyScope))))
def test_scopes_read_back(scopes: frozenset[KeyScope]) -> None:
    assert scopes_of(scopes_text(scopes)) == scopes


def test_a_word_of_a_later_release_allows_nothing() -> None:
    assert scopes_of("read fly") == {KeyScope.READ}


def test_every_scope_is_said_in_words() -> None:
    assert set(SAYS) == set(KeyScope)
