"""The canonical form of a rulebook's data and its digest.

Source: RFC 8785 (JSON Canonicalization Scheme): no blanks, members sorted by the UTF-16 code units of their names, numbers as
ECMAScript writes them, texts with the fewest escapes.
"""

import hashlib
import json
import math
from typing import Any


def canonical(data: Any) -> bytes:
    """
    The canonical JSON of plain values, in UTF-8.

    Raises ValueError for what JSON can't hold exactly: a number that is not finite, a whole number of 2^53 or more, a lone
    surrogate, a value of another type. Nothing that was read from a document is any of these.
    """
    return _write(data).encode("utf-8")


def digest(data: Any) -> str:
    """`sha256:` and the 64 hex digits of the SHA-256 of the canonical form."""
    return "sha256:" + hashlib.sha256(canonical(data)).hexdigest()


def _write(value: Any) -> str:
    match value:
        case None:
            return "null"
        case bool():
            return "true" if value else "false"
        case str():
            return json.dumps(value, ensure_ascii=False)
        case int():
            if abs(value) >= 2**53:
                raise ValueError("a whole number of 2^53 or more has no canonical form")
            return str(value)
        case float():
            return _number(value)
        case list() | tuple():
            return "[" + ",".join(map(_write, value)) + "]"
        case dict():
            members = sorted(value.items(), key=lambda member: str(member[0]).encode("utf-16-be", "surrogatepass"))
            return "{" + ",".join(f"{_write(str(name))}:{_write(inner)}" for name, inner in members) + "}"
        case _:
            raise ValueError("only JSON values have a canonical form")


def _number(value: float) -> str:
    """A double as ECMAScript's Number.prototype.toString writes it (ECMA-262, Number::toString)."""
    if not math.isfinite(value):
        raise ValueError("only finite numbers have a canonical form")
    if value == 0:
        return "0"
    sign = "-" if value < 0 else ""
    mantissa, _, exponent = repr(abs(value)).partition("e")
    whole, _, fraction = mantissa.partition(".")
    digits = (whole + fraction).lstrip("0")
    # point: how many digits stand before the decimal point
    point = len(whole) + int(exponent or 0) - (len(whole + fraction) - len(digits))
    digits = digits.rstrip("0")
    if 0 < point <= 21:
        text = digits.ljust(point, "0") if len(digits) <= point else f"{digits[:point]}.{digits[point:]}"
    elif -6 < point <= 0:
        text = "0." + "0" * -point + digits
    else:
        power = point - 1
        text = digits[0] + ("." + digits[1:] if len(digits) > 1 else "") + f"e{'+' if power > 0 else '-'}{abs(power)}"
    return sign + text
