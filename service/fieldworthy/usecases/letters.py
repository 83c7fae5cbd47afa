"""What may stand in a mail's head: addresses and subjects, of text that people wrote."""

import re

MOST_SUBJECT = 200
"""Characters of a subject."""

_ADDRESS = re.compile(r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~.-]{1,64}@(?:[A-Za-z0-9-]{1,63}\.)*[A-Za-z0-9-]{1,63}\Z")


def is_mail_address(text: str) -> bool:
    """Whether it is one address alone (RFC 5321, 4.1.2), without quotes, comments or names around it."""
    return len(text) <= 254 and _ADDRESS.match(text) is not None and ".." not in text and not text.startswith(".") and ".@" not in text


def one_line(text: str, most: int = MOST_SUBJECT) -> str:
    """
    A text as it may stand in a header: what is not printed becomes a space, and there is no more of it than that.

    `=?` begins an encoded word (RFC 2047, section 2), which the standard library decodes, line breaks and all, and then writes as lines.
    """
    plain = " ".join("".join(c if c.isprintable() else " " for c in text).replace("=?", "= ?").split())
    return plain if len(plain) <= most else plain[: most - 1] + "…"
