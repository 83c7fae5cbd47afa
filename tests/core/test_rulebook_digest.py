"""The canonical form and the digest, against RFC 8785's own examples and an implementation by others (PyPI rfc8785)."""

import struct
from typing import Any

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from fieldworthy.core.rulebook.digest import canonical, digest


def double(bits: str) -> float:
    return float(struct.unpack(">d", bytes.fromhex(bits))[0])


# RFC 8785, appendix B: IEEE 754 bits -> text
NUMBERS = [
    ("0000000000000000", "0"), ("8000000000000000", "0"), ("0000000000000001", "5e-324"), ("8000000000000001", "-5e-324"),
    ("7fefffffffffffff", "1.7976931348623157e+308"), ("4340000000000000", "9007199254740992"), ("c340000000000000", "-9007199254740992"),
    ("4430000000000000", "295147905179352830000"), ("44b52d02c7e14af5", "9.999999999999997e+22"), ("44b52d02c7e14af6", "1e+23"),
    ("444b1ae4d6e2ef4e", "999999999999999700000"), ("444b1ae4d6e2ef50", "1e+21"), ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
    ("3eb0c6f7a0b5ed8d", "0.000001"), ("41b3de4355555553", "333333333.3333332"), ("41b3de4355555554", "333333333.33333325"),
    ("41b3de4355555555", "333333333.3333333"), ("41b3de4355555556", "333333333.3333334"), ("41b3de4355555557", "333333333.33333343"),
    ("becbf647612f3696", "-0.0000033333333333333333"), ("43143ff3c1cb0959", "1424953923781206.2"),
]  # fmt: skip


@pytest.mark.parametrize(("bits", "text"), NUMBERS)
def test_numbers(bits: str, text: str) -> None:
    assert canonical(double(bits)).decode() == text


def test_members_are_sorted_by_utf16() -> None:
    # RFC 8785, section 3.2.3
    words = {
        "\u20ac": "Euro Sign",
        "\r": "Carriage Return",
        "\ufb33": "Hebrew Letter Dalet With Dagesh",
        "1": "One",
        "\U0001f600": "Emoji: Grinning Face",
        "\u0080": "Control",
        "\u00f6": "Latin Small Letter O With Diaeresis",
    }
    found = canonical(words).decode()
    order = ["Carriage Return", "One", "Control", "Latin Small", "Euro Sign", "Emoji", "Hebrew"]
    assert [found.index(word) for word in order] == sorted(found.index(word) for word in order)


SAFE = st.text(st.characters(exclude_categories=("Cs",)), max_size=8)
ANY = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53) + 1, 2**53 - 1) | st.floats(allow_nan=False, allow_infinity=False) | SAFE,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(SAFE, inner, max_size=4),
    max_leaves=12,
)


@given(ANY)
def test_as_another_implementation_writes_it(data: Any) -> None:
    assert canonical(data) == rfc8785.dumps(data)


@pytest.mark.parametrize("data", [float("nan"), float("inf"), 2**53, "\ud800", {"a": [object()]}])
def test_what_has_no_canonical_form(data: Any) -> None:
    with pytest.raises(ValueError):
        canonical(data)


def test_digest() -> None:
    # SHA-256 of the two bytes `{}`, by coreutils sha256sum
    assert digest({}) == "sha256:44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a"
    assert digest({"a": 1, "b": 2.0}) == digest({"b": 2, "a": 1.0})
