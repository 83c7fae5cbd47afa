"""ISO/TS 15143-3, what a telematics server tells of machines: a page of the fleet, one machine, or one element over time.

Scope: its meters alone (the table ELEMENTS). Levels in per cent, places, states and faults are passed over, and so is what was used in the
last 24 hours, which is no counter. Names of elements and of their children are FROM MEMORY, not from the text of the standard; they are
read in any case of letters. The namespace is `telematics_xml.NAMESPACE`; XML becomes the same plain data as JSON and is read here too.

Each element carries its own time (`datetime` or `dateTime`), and no other time ever stands in for it. An element that is missing is no
reading, and never 0; one that is there and can't be one is told in `left_out`, with why. Where anything has the wrong form all is refused.
"""

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from types import MappingProxyType
from typing import Any, Literal

from fieldworthy.core.base.finding import Finding, Refused, did_you_mean, pointer
from fieldworthy.core.base.quantity import TICKS, find_unit
from fieldworthy.usecases.keep_telematics import Element, Header, Told
from fieldworthy.usecases.limits import MAX_READINGS
from fieldworthy.usecases.refusals import TooLarge
from fieldworthy.wire.mistakes import MOST
from fieldworthy.wire.reading import Unreadable, decode
from fieldworthy.wire.readings import moment
from fieldworthy.wire.scalars import CONTROLS, refuse

Why = Literal["no-value", "no-time", "two-times", "time-without-offset", "time-unreadable", "no-unit"]
"""Why an element that is there is no reading."""

MAX_VALUE = 10**12
"""Of any unit: what is kept at most (core/meter/intake.py)."""

MAX_NESTED = 8
"""Fleets and machines inside each other."""

ELEMENTS: Mapping[str, Element] = MappingProxyType(
    {
        element.name.casefold(): element
        for element in (
            Element("CumulativeOperatingHours", "operating hours", "Hour", unit="h"),
            Element("CumulativeIdleHours", "idle hours", "Hour", unit="h"),
            Element("CumulativeIdleNonOperatingHours", "idle non operating hours", "Hour", unit="h"),
            Element("CumulativePowerTakeOffHours", "power take off hours", "Hour", unit="h"),
            Element("CumulativeActiveRegenerationHours", "active regeneration hours", "Hour", unit="h"),
            Element("FuelUsed", "fuel used", "FuelConsumed", "FuelUnits"),
            Element("Distance", "distance", "Odometer", "OdometerUnits"),
            Element("CumulativeLoadCount", "load count", "Count"),
            Element("CumulativePayloadTotals", "payload totals", "Payload", "PayloadUnits"),
        )
    }
)
"""What is read, by its name in small letters."""

_MEANT = {"machine": "machines", "machines": "machines", "meter": "meters", "meters": "meters", "metres": "meters"}

_SPELLED = {"kilometer": "km", "kilometers": "km"}  # the one that our own table of spellings lacks


@dataclass(slots=True)
class Page:
    """What was read. headers: of every machine in it; machines, meters: what its sender calls them here (JSON alone)."""

    told: list[Told] = field(default_factory=list)
    headers: list[Header] = field(default_factory=list)
    machines: Mapping[str, str] = field(default_factory=dict)
    meters: Mapping[str, str] = field(default_factory=dict)


class _Number(str):
    """A number of JSON as it was written. What nobody asks for is never computed, however long it is."""

    __slots__ = ()


class Branch(dict[str, Any]):
    """An element of XML that has attributes or children. text: what stands beside them."""

    __slots__ = ("text",)
    text: str


def read_json_page(body: bytes) -> Page:
    """A body of JSON. Raises Unreadable (400) where it is none, Refused (422) where it does not fit, TooLarge (413)."""
    data = _plain(decode(body))
    if not isinstance(data, dict):
        raise refuse("request.not_an_object", "the body must be an object", "write {…}", "")
    page = Page(machines=_names(data, "machines"), meters=_meters(data))
    rest = {name: node for name, node in data.items() if name not in ("machines", "meters")}
    for name in rest:
        if (meant := _MEANT.get(name.casefold())) is not None:  # any other member may be a server's own
            raise refuse("request.unknown_member", f"no member is called `{name}` here", f"did you mean `{meant}`?", pointer(name))
    _Reader(page, texts=False).document(rest)
    return page


def read_xml_page(data: dict[str, Any]) -> Page:
    """XML that `telematics_xml.parse_xml` made plain data of. Raises Refused (422), TooLarge (413)."""
    page = Page()
    _Reader(page, texts=True).document(data)
    return page


def meters_of_query(query: Mapping[str, str]) -> dict[str, str]:
    """Which meter an element is, from a query `?CumulativeOperatingHours=engine`. Raises Refused where it names none."""
    return {key: read_name(query[e.name], e.name, "") for key, e in ELEMENTS.items() if e.name in query}


class _Reader:
    """Walks through one document. texts: numbers are written as texts (XML)."""

    def __init__(self, page: Page, texts: bool) -> None:
        self._page = page
        self._texts = texts

    def document(self, root: dict[str, Any]) -> None:
        """The whole of it. An envelope of any other name around it is opened, once."""
        members = _folded(root)
        if not self._known(members) and len(root) == 1:
            ((name, inner),) = root.items()
            if isinstance(inner, dict) and self._known(_folded(inner)):
                self._machine(inner, (name[:120],), Header(), 0)
                return
        if not self._known(members):
            mend = "send a fleet, a machine (`Equipment`) or an element such as `CumulativeOperatingHours`"
            raise refuse("request.does_not_fit", "nothing of ISO/TS 15143-3 is in it", mend, "")
        self._machine(root, (), Header(), 0)

    @staticmethod
    def _known(members: Mapping[str, Any]) -> bool:
        return any(name in members for name in ("equipmentheader", "equipment", "fleet", *ELEMENTS))

    def _machine(self, node: dict[str, Any], path: tuple[str | int, ...], header: Header, depth: int) -> None:
        """A fleet, a machine, or what stands for one. header: of what it stands in."""
        if depth > MAX_NESTED:
            raise refuse("request.does_not_fit", "machines are nested too deep", "send each machine once", pointer(*path))
        members = _folded(node)
        if "equipmentheader" in members:
            name, given = _one(members, "equipmentheader", path)
            header = self._header(given, (*path, name))
        elements = [(e, m) for key, e in ELEMENTS.items() for m in members.get(key, ())]
        if elements or "equipmentheader" in members:
            self._page.headers.append(header)
        for element, (name, given) in elements:
            for item, place in _each(given, (*path, name)):
                if len(self._page.told) == MAX_READINGS:
                    raise TooLarge("a post", MAX_READINGS, "readings")
                self._page.told.append(self._element(element, item, place, header))
        for key in ("fleet", "equipment"):
            for name, given in members.get(key, ()):
                for item, place in _each(given, (*path, name)):
                    if item is not None:
                        self._machine(_object(item, place, self._texts), place, header, depth + 1)

    def _header(self, given: Any, path: tuple[str | int, ...]) -> Header:
        if given is None:
            return Header()
        members = _folded(_object(given, path, self._texts))
        return Header(*(self._text(members, child, path) for child in ("pin", "serialnumber", "equipmentid")))

    def _element(self, element: Element, given: Any, path: tuple[str | int, ...], header: Header) -> Told:
        members = _folded({} if given is None else _object(given, path, self._texts))
        value = self._number(members, element.value, path)
        unit = element.unit
        if element.units is not None:
            word = self._text(members, element.units.casefold(), path)
            known = None if word is None else find_unit(_SPELLED.get(word.casefold(), word))
            unit = word if known is None else known.name
        at, why = self._time(members, path)
        if value is None:
            why = "no-value"
        elif why is None and unit is None and element.units is not None:
            why = "no-unit"
        return Told(element, header, None, None, None, why) if why is not None else Told(element, header, value, unit, at, None)

    def _time(self, members: Mapping[str, list[tuple[str, Any]]], path: tuple[str | int, ...]) -> tuple[int | None, Why | None]:
        """The element's own time, or why there is none."""
        given = [(item, place) for name, node in members.get("datetime", ()) for item, place in _each(node, (*path, name))]
        texts = {text for item, place in given if (text := _stripped(item, place)) is not None}
        if len(texts) != 1:
            return None, "two-times" if texts else "no-time"
        (text,) = texts
        found = _TIME.match(text)
        if found is None:
            return None, "time-unreadable"
        if found[1] is None:
            return None, "time-without-offset"
        try:
            return moment(text, ""), None
        except Refused:
            return None, "time-unreadable"

    def _number(self, members: Mapping[str, list[tuple[str, Any]]], child: str, path: tuple[str | int, ...]) -> int | None:
        """A child that is a number, in millionths; None where it is absent, empty or null."""
        name, given = _one(members, child.casefold(), path)
        where = pointer(*path, name or child)
        if self._texts:
            text = _stripped(given, (*path, name))
            if text is None:
                return None
        elif given is None:
            return None
        else:
            text = given if isinstance(given, _Number) else ""
        if not _DECIMAL.match(text):
            said = f"`{_shown(text)}` is no number" if self._texts else f"`{_shown(name)}` must be a number"
            mend = "write it as `1250.5`" if self._texts else "write a JSON number, without quotes"
            raise refuse("request.not_a_number", said, mend, where)
        mantissa, _, power = text.lower().partition("e")
        if len(mantissa) > 40 or abs(int(power or 0)) > 20 or abs(value := Fraction(text)) > MAX_VALUE:
            message = f"`{_shown(name)}` has too many digits, or is too large or too small"
            raise refuse("request.out_of_range", message, "give a number up to 1e12, of at most 40 digits", where)
        return round(value * TICKS)

    def _text(self, members: Mapping[str, list[tuple[str, Any]]], child: str, path: tuple[str | int, ...]) -> str | None:
        """A child that is a short text; None where it is absent, empty or null."""
        name, given = _one(members, child, path)
        text = _stripped(given, (*path, name))
        return None if text is None else read_name(text, name, pointer(*path, name))


# a time of RFC 3339, or one of XML that does not say its offset (1); digits are ASCII
_TIME = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt][0-9]{2}:[0-9]{2}:[0-9]{2}(?:\.[0-9]{1,9})?([Zz]|[+-][0-9]{2}:[0-9]{2})?\Z")
_DECIMAL = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,4})?\Z")
_ODD = re.compile(f"[{CONTROLS}]")
_HALF = re.compile("[\ud800-\udfff]")


def _plain(text: str) -> Any:
    """JSON as plain values, its numbers as they were written. Raises Unreadable, Refused."""
    twice: list[str] = []

    def members(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        made = dict(pairs)
        if len(made) != len(pairs) and len(twice) < MOST:
            twice.extend(name for i, (name, _) in enumerate(pairs) if any(name == other for other, _ in pairs[:i]))
        for name, value in pairs:
            if not name.isascii() or (isinstance(value, str) and not value.isascii()):
                _refuse_half_pairs(name, value)
        return made

    def constant(token: str) -> Any:
        raise Unreadable(_no_json(f"`{token}` is no JSON number"))

    try:
        value = json.loads(text, object_pairs_hook=members, parse_float=_Number, parse_int=_Number, parse_constant=constant)
    except json.JSONDecodeError as trouble:
        raise Unreadable(_no_json(trouble.msg[:1].lower() + trouble.msg[1:], trouble.lineno, trouble.colno)) from None
    except RecursionError:
        raise Unreadable(_no_json("objects or arrays are nested too deep")) from None
    if twice:
        raise Refused(Finding("body.member_twice", f"the member `{_shown(name)}` is given twice", "give it once") for name in twice[:MOST])
    return value


def _refuse_half_pairs(*texts: Any) -> None:
    """Raises Unreadable for half of a surrogate pair (RFC 8259, 8.2): no text of UTF-8 can hold one, an answer neither."""
    for text in texts:
        if isinstance(text, str) and _HALF.search(text):
            raise Unreadable(_no_json("a text holds half of a surrogate pair"))


def _no_json(message: str, line: int | None = None, column: int | None = None) -> Finding:
    return Finding("body.not_json", f"the body is no JSON: {message}", "send one JSON value as RFC 8259 has it", line=line, column=column)


def _folded(node: Mapping[str, Any]) -> dict[str, list[tuple[str, Any]]]:
    """Members by their name in small letters: each with its own name and value."""
    found: dict[str, list[tuple[str, Any]]] = {}
    for name, value in node.items():
        found.setdefault(name.casefold(), []).append((name, value))
    return found


def _one(members: Mapping[str, list[tuple[str, Any]]], key: str, path: tuple[str | int, ...]) -> tuple[str, Any]:
    """The member of this name; ("", None) where there is none. Raises Refused where there are two."""
    found = members.get(key, [])
    if len(found) > 1:
        name = found[1][0]
        raise refuse("body.member_twice", f"the member `{_shown(name)}` is given twice", "give it once", pointer(*path, name))
    return found[0] if found else ("", None)


def _each(given: Any, path: tuple[str | int, ...]) -> Iterator[tuple[Any, tuple[str | int, ...]]]:
    """A repeated member item by item; one that stands alone is itself."""
    if isinstance(given, list):
        yield from ((item, (*path, i)) for i, item in enumerate(given))
    else:
        yield given, path


def _object(given: Any, path: tuple[str | int, ...], texts: bool) -> dict[str, Any]:
    if isinstance(given, dict):
        return given
    if texts and given == "":  # an empty element
        return {}
    message = f"`{_shown(str(path[-1]))}` must hold others" if texts else f"`{_shown(str(path[-1]))}` must be an object"
    raise refuse("request.not_an_object", message, "write its children inside it" if texts else "write {…}", pointer(*path))


def _stripped(given: Any, path: tuple[str | int, ...]) -> str | None:
    """A text without blanks at its ends; None for none. Raises Refused for what is no text."""
    if isinstance(given, Branch):
        given = given.text
    if given is None:
        return None
    if not isinstance(given, str) or isinstance(given, _Number):
        raise refuse("request.not_a_text", f"`{_shown(str(path[-1]))}` must be a text", "write one text", pointer(*path))
    return given.strip() or None


def read_name(text: str, called: str, path: str) -> str:
    """A name or an id, 1 to 120 characters that show. Raises Refused."""
    if not 0 < len(text) <= 120:
        raise refuse(
            "request.too_long" if text else "request.too_short", f"`{_shown(called)}` has {len(text):,} characters", "give 1 to 120", path
        )
    if _ODD.search(text):
        message = f"`{_shown(called)}` contains a character that does not show"
        raise refuse("request.control_character", message, "send it without control characters", path)
    return text


def _names(data: Mapping[str, Any], member: str) -> dict[str, str]:
    """A member of our own: names to names."""
    given = data.get(member, {})
    if not isinstance(given, dict):
        raise refuse("request.not_an_object", f"`{member}` must be an object", "write {…}", pointer(member))
    found: dict[str, str] = {}
    for name, value in given.items():
        where = pointer(member, name[:120])
        if not isinstance(value, str) or isinstance(value, _Number):
            raise refuse("request.not_a_text", f"`{_shown(name)}` must be a text", "write it in double quotes", where)
        found[read_name(name, name, where)] = read_name(value, name, where)
    return found


def _meters(data: Mapping[str, Any]) -> dict[str, str]:
    """Which meter each element is, by the element's name in small letters."""
    given = _names(data, "meters")
    for name in given:
        if name.casefold() not in ELEMENTS:
            mend = did_you_mean(name, (e.name for e in ELEMENTS.values()), "name an element of the standard that is read here")
            raise refuse("request.unknown_member", f"no element is called `{_shown(name)}`", mend, pointer("meters", name))
    _, *twice = max(_folded(given).values(), key=len, default=[("", "")])
    for name, _ in twice:
        raise refuse("body.member_twice", f"the member `{_shown(name)}` is given twice", "give it once", pointer("meters", name))
    return {name.casefold(): meter for name, meter in given.items()}


def _shown(text: str) -> str:
    plain = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text[:61]).replace("`", "'")
    return plain if len(plain) <= 60 else plain[:60] + "…"
