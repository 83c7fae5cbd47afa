"""From bytes to a document: YAML 1.2 or JSON, refused where it says more or less than plain values.

Refused with a finding each: aliases, anchors, tags, merge keys, duplicate names, several documents, deep nesting, too many values, what is
no UTF-8, control characters, and numbers that are not finite or can't be kept exactly. Nothing but findings ever comes of a bad text.
"""

import re

from fieldworthy.core.base.finding import Finding
from fieldworthy.core.rulebook.document import Document
from fieldworthy.core.rulebook.reading import MAX_BYTES, GiveUp, Reading
from fieldworthy.core.rulebook.scalars import CONTROL, control_name
from fieldworthy.core.rulebook.text_json import read_json
from fieldworthy.core.rulebook.text_yaml import read_yaml

__all__ = ["MAX_BYTES", "Document", "read_document", "read_text"]

_JSON = re.compile(r'[ \t\r\n]*\{[ \t\r\n]*(?:["}]|\Z)')
_OTHER_MARKS = (b"\xff\xfe", b"\xfe\xff", b"\x00\x00\xfe\xff")


def read_document(data: bytes | str, max_bytes: int = MAX_BYTES) -> Document | list[Finding]:
    """The document that a text spells out, or all findings against it (never an exception)."""
    document, findings = read_text(data, max_bytes)
    return document if document is not None and not findings else findings


def read_text(data: bytes | str, max_bytes: int = MAX_BYTES) -> tuple[Document | None, list[Finding]]:
    """
    The same, with the document also where the findings left its values whole (a duplicate name, an anchor): so that its other
    findings can be told too.

    None: nothing that is worth a further look.
    """
    size = len(data) if isinstance(data, bytes) else len(data.encode("utf-8", "surrogatepass"))
    if size > max_bytes:
        return None, [_whole("too_large", f"the document has {size:,} bytes, more than {max_bytes:,}", "split it into several rulebooks")]
    if isinstance(data, bytes):
        decoded = _decode(data)
        if isinstance(decoded, Finding):
            return None, [decoded]
        data = decoded
    reading = Reading(data.removeprefix("\ufeff"))
    try:
        _refuse_controls(reading)
        if _JSON.match(reading.text):
            read_json(reading)
        else:
            read_yaml(reading)
    except GiveUp:
        return None, reading.findings
    return reading.document(), reading.findings


def _whole(code: str, message: str, mend: str) -> Finding:
    return Finding(f"document.{code}", message, mend, line=1, column=1)


def _decode(data: bytes) -> str | Finding:
    if data.startswith(_OTHER_MARKS):
        return _whole("encoding", "the document is not in UTF-8", "save it as UTF-8")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as trouble:
        before = data[: trouble.start].decode("utf-8")
        line = before.count("\n") + 1
        column = len(before) - (before.rfind("\n") + 1) + 1
        shown = f"the byte 0x{data[trouble.start]:02x} is not UTF-8"
        return Finding("document.encoding", shown, "save the document as UTF-8", line=line, column=column)


def _refuse_controls(reading: Reading) -> None:
    found = CONTROL.search(reading.text)
    if found is not None:
        name = control_name(found[0])
        raise reading.stop("control_character", found.start(), "", f"the text holds the control character {name}", "take the character out")
