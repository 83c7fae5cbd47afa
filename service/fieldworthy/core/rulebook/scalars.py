"""Single values of a document: YAML 1.2's core schema, and what a number and a text may be.

Source: YAML 1.2.2, section 10.3.2 "Tag resolution" of the core schema: `on`, `off`, `yes`, `no` and dates are texts there.
"""

import math
import re

_NULL = frozenset({"", "~", "null", "Null", "NULL"})
_BOOL = {"true": True, "True": True, "TRUE": True, "false": False, "False": False, "FALSE": False}
_BASED = re.compile(r"0o[0-7]+\Z|0x[0-9a-fA-F]+\Z")
_DECIMAL = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?\Z")
_NOT_FINITE = re.compile(r"(?:[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN))\Z")

# Characters that no text of a document may hold: controls (tab, line feed and carriage return aside), lone surrogates, line breaks
# that only some readers break at, what turns the direction of the text around it (so that it reads otherwise than it is), and the two that
# are never characters.
CONTROL = re.compile("[\x00-\x08\x0b-\x0c\x0e-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]")

MOST_DIGITS = 15
LARGEST = 10**15
SMALLEST = 1e-15

Scalar = str | int | float | bool | None


class NotANumber(ValueError):
    """A number that can't be kept exactly; the message says why, in words for the author."""


def read_number(text: str) -> int | float:
    """
    A decimal number as it was written: an int where it is whole, else the double whose shortest form it is.

    Raises NotANumber for more than 15 significant digits, and for what is beyond 10^15 or below 10^-15 (but 0).
    """
    mantissa = re.split("[eE]", text.lstrip("+-"), maxsplit=1)[0]
    digits = mantissa.replace(".", "").lstrip("0").rstrip("0")
    if len(digits) > MOST_DIGITS:
        raise NotANumber(f"has more than {MOST_DIGITS} significant digits")
    value = float(text)
    if not math.isfinite(value) or abs(value) >= LARGEST:
        raise NotANumber("is too large: a number here is below 10^15")
    if digits and abs(value) < SMALLEST:
        raise NotANumber("is too small: a number here is 0 or above 10^-15")
    return int(value) if value.is_integer() else value


def resolve_plain(text: str) -> Scalar:
    """What a text without quotes stands for in YAML 1.2's core schema. Raises NotANumber (also for `.inf` and `.nan`)."""
    if not text or text[0] not in "-+.0123456789":
        if text in _NULL:
            return None
        return _BOOL.get(text, text)
    if _BASED.match(text):
        if len(text) > MOST_DIGITS:
            raise NotANumber("is too large: a number here is below 10^15")
        return int(text, 0)
    if _NOT_FINITE.match(text):
        raise NotANumber("is not a finite number")
    return read_number(text) if _DECIMAL.match(text) else text


def control_name(char: str) -> str:
    """A control character as a person can read it: U+0000."""
    return f"U+{ord(char):04X}"
