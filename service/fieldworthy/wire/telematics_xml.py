"""XML of ISO/TS 15143-3 as the plain data that its JSON is: safely, and no more of XML than the standard's documents need.

Scope: elements, attributes and text, in UTF-8. No document type, so no entities but XML's own five, and nothing is ever fetched. Elements
and attributes of another namespace are passed over; a document in no namespace is read as one in the standard's.
What has neither attributes nor children is its text; what has is a `Branch`; what is repeated is a list. Text that stands beside elements,
of whatever namespace, is none: a number that is cut in two by one would be read as another number.
"""

from typing import Any, NoReturn
from xml.parsers import expat

from fieldworthy.core.base.finding import Finding
from fieldworthy.wire.reading import Unreadable, decode
from fieldworthy.wire.telematics import Branch

NAMESPACE = "http://standards.iso.org/iso/15143/-3"
"""FROM MEMORY, as the names of the elements are."""

MAX_DEPTH = 30
"""Elements inside each other."""

MAX_ELEMENTS = 100_000
"""Of one document: a page of a fleet has a few thousand."""

_SCHEMA_INSTANCE = "http://www.w3.org/2001/XMLSchema-instance"
_TAKEN = {"utf-8", "us-ascii"}


def parse_xml(body: bytes) -> dict[str, Any]:
    """The document as `{root's name: what is in it}`. Raises Unreadable (400), with line and column, for what is no such document."""
    return _Parser().parse(body)


class _Parser:
    """One document. Refuses in its handlers, so that nothing refused is read to its end."""

    def __init__(self) -> None:
        made = expat.ParserCreate("utf-8", " ")  # a name in a namespace comes as "URI name"
        made.buffer_text = True
        made.StartElementHandler = self._start
        made.EndElementHandler = self._end
        made.CharacterDataHandler = self._text
        made.XmlDeclHandler = self._declared
        made.StartDoctypeDeclHandler = self._document_type
        # without a document type there can be none of these; should a parser think otherwise, they end it
        made.EntityDeclHandler = self._document_type
        made.UnparsedEntityDeclHandler = self._document_type
        made.NotationDeclHandler = self._document_type
        made.ExternalEntityRefHandler = self._document_type
        made.SkippedEntityHandler = self._document_type
        self._parser = made
        self._open: list[tuple[str, Branch, list[str], bool]] = []
        self._parents: set[int] = set()  # the depths of open elements that hold others
        self._made: dict[str, Any] = {}
        self._foreign = 0
        self._count = 0

    def parse(self, body: bytes) -> dict[str, Any]:
        text = decode(body.removeprefix(b"\xef\xbb\xbf"))  # XML may begin with the mark, JSON may not
        try:
            self._parser.Parse(text.encode(), True)
        except expat.ExpatError as trouble:
            said = expat.ErrorString(trouble.code)
            raise Unreadable(_no_xml(said, trouble.lineno, trouble.offset + 1)) from None
        return self._made

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        self._count += 1
        if self._count > MAX_ELEMENTS:
            self._refuse(f"it has more than {MAX_ELEMENTS:,} elements")
        if len(self._open) + self._foreign >= MAX_DEPTH:
            self._refuse(f"elements are nested more than {MAX_DEPTH} deep")
        if not self._foreign:
            self._parents.add(len(self._open))
        space, _, name = tag.rpartition(" ")
        if self._foreign or space not in ("", NAMESPACE):
            if not self._open:
                self._refuse(f"its root element is of the namespace `{_shown(space)}`", f"send it in `{NAMESPACE}`, or in none")
            self._foreign += 1
            return
        branch = Branch()
        absent = attributes.get(f"{_SCHEMA_INSTANCE} nil", "").strip() in ("true", "1")
        for attribute, value in attributes.items():
            if " " not in attribute:
                branch[attribute] = value
        self._open.append((name, branch, [], absent))

    def _end(self, tag: str) -> None:
        if self._foreign:
            self._foreign -= 1
            return
        holds = len(self._open) in self._parents
        self._parents.discard(len(self._open))
        name, branch, texts, absent = self._open.pop()
        branch.text = "" if holds else "".join(texts)
        made: Any = None if absent and not branch else branch if branch else branch.text
        above = self._open[-1][1] if self._open else self._made
        if name not in above:
            above[name] = made
        elif isinstance(above[name], list):
            above[name].append(made)
        else:
            above[name] = [above[name], made]

    def _text(self, text: str) -> None:
        if not self._foreign and self._open:
            self._open[-1][2].append(text)

    def _declared(self, version: str, encoding: str | None, standalone: int) -> None:
        if encoding is not None and encoding.lower() not in _TAKEN:
            self._refuse(f"it says that its encoding is `{_shown(encoding)}`", "send it in UTF-8, and say so")

    def _document_type(self, *_: object) -> NoReturn:
        self._refuse("it has a document type or entities, which are not taken", "send the elements alone, without `<!DOCTYPE …>`")

    def _refuse(self, message: str, mend: str = "send less at once") -> NoReturn:
        raise Unreadable(_no_xml(message, self._parser.CurrentLineNumber, self._parser.CurrentColumnNumber + 1, mend))


def _no_xml(message: str, line: int, column: int, mend: str = "send one well-formed document of XML 1.0 in UTF-8") -> Finding:
    return Finding("body.not_xml", f"the body is no XML that is taken: {message}", mend, line=line, column=column)


def _shown(text: str) -> str:
    plain = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text[:61]).replace("`", "'")
    return plain if len(plain) <= 60 else plain[:60] + "…"
