"""Media types: which one a body is of (RFC 9110, 8.3), and which one an `Accept` header likes best (12.5.1)."""

import re
from collections.abc import Collection, Iterable, Mapping
from typing import Any

from fieldworthy.wire.problems import problem

JSON_TYPES = ("application/json",)

_QUICK = {b"application/json", b"application/json; charset=utf-8", b"application/json;charset=utf-8"}
_WEIGHT = re.compile(r"\s*q\s*=\s*(\d(?:\.\d{0,3})?)\s*\Z", re.IGNORECASE)
_MOST_ACCEPTED = 50


class Declined(Exception):
    """A request that is answered with this problem."""

    def __init__(self, problem: dict[str, Any], headers: dict[str, str] | None = None) -> None:
        self.problem = problem
        self.headers = headers
        super().__init__(problem["code"])


def media_type(headers: Iterable[tuple[bytes, bytes]], taken: Collection[str], packed: bool = False) -> str:
    """The body's media type, one of `taken`. Raises Declined (415) for another, another charset than UTF-8, or any Content-Encoding.

    packed: the caller unpacks the body, and sees to its Content-Encoding.
    """
    given = None
    for name, value in headers:
        if name == b"content-type":
            given = value
        elif not packed and name == b"content-encoding" and value.strip().lower() not in (b"", b"identity"):
            raise Declined(
                _unsupported(f"the body is sent with Content-Encoding `{_shown(value)}`", "send it as it is"),
                {"accept-encoding": "identity"},
            )
    if given in _QUICK and JSON_TYPES[0] in taken:
        return JSON_TYPES[0]
    wanted = " or ".join(f"`{t}`" for t in taken)
    if given is None:
        raise Declined(
            _unsupported("the request does not say its Content-Type", f"send Content-Type: {wanted}"), {"accept": ", ".join(taken)}
        )
    kind: str
    kind, *parameters = given.decode("latin-1").split(";")
    kind = kind.strip().lower()
    if kind not in taken:
        raise Declined(_unsupported(f"the body is `{_shown(kind.encode('latin-1'))}`", f"send {wanted}"), {"accept": ", ".join(taken)})
    for parameter in parameters:
        key, _, charset = parameter.strip().lower().partition("=")
        if key.strip() == "charset" and charset.strip().strip('"') not in ("utf-8", "utf8", "us-ascii"):
            raise Declined(_unsupported(f"the body's charset is `{_shown(charset.encode('latin-1'))}`", "send it in UTF-8"))
    return kind


def _unsupported(detail: str, mend: str) -> dict[str, Any]:
    return problem("body.media_type", detail, mend)


def _shown(value: bytes) -> str:
    text = value[:60].decode("latin-1")
    return "".join(c if c.isprintable() else " " for c in text).replace("`", "'")


def weights(accept: str) -> Mapping[str, float]:
    """What an `Accept` header gives each media range that it names; of a header that goes on and on, the first ones."""
    asked: dict[str, float] = {}
    for part in accept.split(",")[:_MOST_ACCEPTED]:
        kind, *parameters = part.split(";")
        weight = 1.0
        for parameter in parameters:
            if found := _WEIGHT.match(parameter):
                weight = float(found[1])
        asked[kind.strip().lower()] = weight
    return asked


def weight_of(kind: str, asked: Mapping[str, float]) -> float:
    """The weight of one media type: by its own name, else its family's, else that of all; 0 where it is not wanted."""
    return asked.get(kind, asked.get(kind.split("/")[0] + "/*", asked.get("*/*", 0.0)))


def preferred(accept: str, offered: Collection[str]) -> str | None:
    """Which of the offered media types an `Accept` header likes best; the first offered among equals, None for none."""
    if not accept.strip():
        return next(iter(offered))
    asked = weights(accept)
    best, most = None, 0.0
    for kind in offered:
        weight = weight_of(kind, asked)
        if weight > most:
            best, most = kind, weight
    return best
