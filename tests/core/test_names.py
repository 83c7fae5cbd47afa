"""Declared names: the same whatever their case and form, and well formed or not."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldworthy.core.base.names import key, tidy, well_formed


@pytest.mark.parametrize(
    ("a", "b"),
    [
        ("Tailgate Lock", "tailgate lock"),
        ("tailgate  lock", " tailgate lock "),
        ("Gro\u00dfe Klappe", "grosse klappe"),  # case folding of sharp s
        ("Ma\u0308hwerk", "M\u00e4hwerk"),  # a composed letter and its parts (NFC)
        ("\u0416\u0410\u0422\u041a\u0410", "\u0436\u0430\u0442\u043a\u0430"),
    ],
)
def test_the_same_name(a: str, b: str) -> None:
    assert key(a) == key(b)


def test_other_names_stay_apart() -> None:
    assert key("net wrap") != key("net-wrap") != key("netwrap")


@given(st.text(max_size=40))
def test_tidy_is_at_rest(name: str) -> None:
    assert tidy(tidy(name)) == tidy(name)
    assert key(tidy(name)) == key(name)
    assert unicodedata.is_normalized("NFC", tidy(name))


@pytest.mark.parametrize(
    "name",
    [
        "tailgate",
        "left drum inner bearing",
        "M\u00e4hwerk",
        "belt2",
        "pick-up",
        "driver's door",
        "in/out",
        "\u7530 \u7530",
        "ß" * 60,
        "\u0390" * 40,
    ],
)
def test_well_formed(name: str) -> None:
    assert well_formed(name)


@pytest.mark.parametrize(
    "name", ["", " ", "2nd gear", "-x", "one two three four five", "a+b", "a.b", 'a"b', "a\u200bb", "a" * 81, "_x", "ß" * 61, "\u0390" * 41]
)
def test_not_well_formed(name: str) -> None:
    assert not well_formed(name)


@given(st.text(max_size=100))
def test_no_text_makes_it_raise(name: str) -> None:
    assert well_formed(name) in (True, False)
