"""What looks like a secret is not said again: neither in an answer, where a message repeats what was sent, nor in a log.

By its form: keys of this service, tokens of its links to calendars, signed tokens (JWT), secrets of web hooks, whatever follows `Bearer`,
passwords in addresses.
"""

import re
from collections.abc import Iterable

_HINTS = ("fw_", "fwf_", "eyJ", "whs", "earer", "://", ":~1~1")
_FORMS: tuple[tuple[re.Pattern[str], str], ...] = (
    (re.compile(r"(fwf?)_([a-z2-7]{12})_[A-Za-z0-9_-]+"), r"\1_\2_…"),  # its id is public: it says which key to revoke
    # RFC 7519: begins with `{"`. A run of such characters is looked at once, where it begins, and only if a point follows: none takes long
    (
        re.compile(
            r"(?<![A-Za-z0-9_-])(?=[A-Za-z0-9_-]*+\.[A-Za-z0-9_-])([A-Za-z0-9_-]*?)"
            r"eyJ[A-Za-z0-9_-]{5,}+\.[A-Za-z0-9_-]+(?:\.[A-Za-z0-9_-]*)*"
        ),
        r"\1eyJ…",
    ),
    (re.compile(r"whs(ec|k)_[A-Za-z0-9+/=_-]+"), r"whs\1_…"),
    (re.compile(r"(?i)\b(bearer +)(?=[^\s\"'`]*\d)[A-Za-z0-9._~+/=-]{16,}"), r"\1…"),  # a digit: words of a sentence have none
    (re.compile(r"(:(?://|~1~1)[^\s/:@\"'`]*:)[^\s/@\"'`]+@"), r"\1…@"),  # also as a JSON Pointer writes it
)


def hide(text: str, known: Iterable[str] = ()) -> str:
    """The text without what looks like a secret, and without these. known: secrets by their own words, of 4 characters or more."""
    if any(hint in text for hint in _HINTS):
        for form, said in _FORMS:
            text = form.sub(said, text)
    for secret in known:
        if len(secret) >= 4:
            text = text.replace(secret, "…")
    return text
