"""Declared names: how they are written, and when two of them are the same."""

import re
import unicodedata

# One to four words, each begins with a letter of any script and goes on with letters, digits, `-`, `_`, `/` or `'`.
_WORD = r"[^\W\d_][\w\-/']*"
NAME = re.compile(rf"{_WORD}(?: {_WORD}){{0,3}}\Z")

MOST_KEY = 120
"""Characters of a declared name's key at most: what is kept is found by it."""

CONDITION_WORDS = frozenset({"and", "or", "not", "if", "then", "is"})


def tidy(name: str) -> str:
    """The name as it is written back: NFC, single blanks, none at the ends."""
    return " ".join(unicodedata.normalize("NFC", name).split())


def key(name: str) -> str:
    """What decides whether two names are the same: case does not."""
    return tidy(name).casefold()


def blank(text: str) -> bool:
    """Whether it shows nothing: white space and invisible characters alone, or no character at all."""
    return not any(c.isprintable() and not c.isspace() for c in text)


def well_formed(name: str) -> bool:
    """Whether a declared name has the form that it must have."""
    return NAME.fullmatch(tidy(name)) is not None and len(name) <= 80 and not key_too_long(name)


def key_too_long(name: str) -> bool:
    """Whether what decides if two names are the same has too many characters: one letter may become three where case does not count."""
    return len(key(name)) > MOST_KEY
