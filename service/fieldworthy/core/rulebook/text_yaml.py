"""Reads YAML 1.2 with the place of every value, from the parser's events: nothing is ever built that the text does not spell out."""

from typing import Any

import yaml
from yaml.cyaml import CParser  # type: ignore[attr-defined]

from fieldworthy.core.base.finding import pointer
from fieldworthy.core.rulebook.document import Spot, Style
from fieldworthy.core.rulebook.reading import Reading
from fieldworthy.core.rulebook.scalars import NotANumber, resolve_plain

_STYLES: dict[str | None, Style] = {None: "plain", "": "plain", "'": "single", '"': "double", "|": "literal", ">": "folded"}

_QUOTE = "if it belongs to a text, put the whole text in quotes"
_SAY = (  # what the parser says -> message, mend
    (
        "mapping values are not allowed",
        "a `: ` here starts a new entry where none can stand",
        "if the `: ` belongs to a text, put the whole text in quotes",
    ),
    (
        "could not find expected ':'",
        "a line here is no entry of the form `name: value`",
        "add the `:`, or indent the line if it goes on with the text above",
    ),
    ("expected ',' or '}'", "a `,` or the closing `}` is missing here", "close the `{`; a text that holds `, ` or `: ` needs quotes there"),
    ("expected ',' or ']'", "a `,` or the closing `]` is missing here", "close the `[`; a text that holds `, ` or `: ` needs quotes there"),
    ("unexpected end of stream", "the document ends inside a text in quotes", "close the quotes; was the document cut off?"),
    (
        "cannot start any token",
        "a text can't begin with this character",
        "put the text in quotes (and indent with blanks, never with tabs)",
    ),
    ("exceeded maximum nesting", "values are nested far too deep", "a rulebook needs no such nesting: flatten it"),
    ("tab", "a tab stands where only blanks can", "indent with blanks"),
    ("expected <block end>", "this line does not fit the indentation around it", "line it up with the entries that it belongs to"),
    ("expected key", "this line does not fit the indentation around it", "line it up with the entries that it belongs to"),
    ("did not find expected node content", "a value is missing here", "write the value; " + _QUOTE),
    (
        "unknown escape",
        "a text in double quotes holds an escape that YAML does not know",
        "write a backslash as `\\\\`, or use single quotes",
    ),
)


class _Frame:
    """A mapping or list that is being filled."""

    __slots__ = ("flow", "items", "key", "path")

    def __init__(self, items: dict[str, Any] | list[Any], path: str, flow: bool) -> None:
        self.items, self.path, self.flow = items, path, flow
        self.key: str | None = None

    def next_path(self) -> str:
        return f"{self.path}/{len(self.items)}" if isinstance(self.items, list) else self.path + pointer(self.key or "")

    def put(self, value: Any) -> None:
        if isinstance(self.items, list):
            self.items.append(value)
        else:
            self.items[self.key or ""] = value
            self.key = None

    @property
    def wants_key(self) -> bool:
        return self.key is None and isinstance(self.items, dict)


def read_yaml(reading: Reading) -> None:
    """Fills `reading` from its text. Gives up (GiveUp) at the first place that is no YAML."""
    parser = CParser(reading.text)
    try:
        _read(reading, parser)
    except yaml.MarkedYAMLError as trouble:
        raise _unreadable(reading, trouble) from None
    except yaml.YAMLError:
        raise reading.stop("unreadable", 0, "", "the text can't be read as YAML", "send YAML 1.2 or JSON in UTF-8") from None
    finally:
        parser.dispose()


def _read(reading: Reading, parser: CParser) -> None:
    frames: list[_Frame] = []
    documents = 0
    while True:
        event = parser.get_event()
        match event:
            case yaml.ScalarEvent():
                _node(reading, event, frames)
                _scalar(reading, event, frames)
            case yaml.MappingStartEvent() | yaml.SequenceStartEvent():
                _node(reading, event, frames)
                path = frames[-1].next_path() if frames else ""
                index = _index(event)
                reading.deeper(len(frames) + 1, index, path)
                flow = bool(event.flow_style)
                reading.spots[path] = Spot(index, index + 1, "none", bool(frames and frames[-1].flow))
                frames.append(_Frame({} if isinstance(event, yaml.MappingStartEvent) else [], path, flow))
            case yaml.MappingEndEvent() | yaml.SequenceEndEvent():
                done = frames.pop()
                reading.data = done.items
                if frames:
                    frames[-1].put(done.items)
            case yaml.AliasEvent():
                reading.find(
                    "alias",
                    _index(event),
                    frames[-1].path if frames else "",
                    f"`*{str(event.anchor)[:40]}` is an alias",
                    "write the value out: aliases are not read",
                )
                if frames:
                    _put_or_key(frames[-1], str(event.anchor))
            case yaml.DocumentStartEvent():
                documents += 1
                if documents > 1:
                    raise reading.stop(
                        "several_documents",
                        _index(event),
                        "",
                        "a second document begins here",
                        "one file holds one rulebook: delete the `---` or split the file",
                    )
                if event.tags:
                    reading.find("tag", _index(event), "", "the document declares tags", "delete the `%TAG` line: tags are not read")
            case yaml.StreamEndEvent() | None:
                break
            case _:
                pass
    if documents == 0:
        raise reading.stop("empty", 0, "", "the document is empty", "write at least `rulebook` and `title`")


def _node(reading: Reading, event: yaml.ScalarEvent | yaml.CollectionStartEvent, frames: list[_Frame]) -> None:
    """What holds for every node: it is counted, and carries neither anchor nor tag."""
    index, path = _index(event), frames[-1].path if frames else ""
    reading.count(index, frames[-1].next_path() if frames else "")
    if event.anchor is not None:
        reading.find("anchor", index, path, f"`&{event.anchor[:40]}` is an anchor", "delete it: anchors and aliases are not read")
    if event.tag is not None:
        reading.find("tag", index, path, f"`{event.tag[:40]}` is a tag", "delete it: tags are not read; quotes make a text")
    if frames and frames[-1].wants_key and not isinstance(event, yaml.ScalarEvent):
        raise reading.stop(
            "key",
            index,
            path,
            "the name of a member is itself a mapping or a list",
            "names are texts; put a text that begins with `{` or `[` in quotes",
        )


def _index(event: yaml.Event, *, end: bool = False) -> int:
    mark = event.end_mark if end else event.start_mark
    return 0 if mark is None else mark.index


def _put_or_key(frame: _Frame, value: str) -> None:
    if frame.wants_key:
        frame.key = value
    else:
        frame.put(None)


def _scalar(reading: Reading, event: yaml.ScalarEvent, frames: list[_Frame]) -> None:
    text: str = event.value
    start, end = _index(event), _index(event, end=True)
    style = _STYLES.get(event.style, "plain")
    flow = bool(frames) and frames[-1].flow
    if frames and frames[-1].wants_key:
        _key(reading, frames[-1], text, Spot(start, end, style, flow))
        return
    path = frames[-1].next_path() if frames else ""
    reading.spots[path] = Spot(start, end, style, flow)
    reading.check_text(text, start, path)
    value: Any = text
    if style == "plain":
        try:
            value = resolve_plain(text)
        except NotANumber as trouble:
            value = 0
            reading.find("number", start, path, f"`{text[:40]}` {trouble}", "write a shorter number, or a text in quotes")
    if frames:
        frames[-1].put(value)
    reading.data = value


def _key(reading: Reading, frame: _Frame, name: str, spot: Spot) -> None:
    assert isinstance(frame.items, dict)  # INVARIANT: only a mapping wants a key
    path = frame.path + pointer(name)
    if name == "<<" and spot.style == "plain":
        reading.find("merge_key", spot.start, path, "`<<` is a merge key", "write the members out: merge keys are not read")
    elif name == "" and spot.style == "plain":
        reading.find("key", spot.start, path, "a member has no name", "write its name before the `:`, or put the text in quotes")
    elif name in frame.items:
        reading.find("duplicate_key", spot.start, path, f"`{name[:80]}` is given twice", "keep one of the two")
    reading.check_text(name, spot.start, path)
    reading.key_spots[path] = spot
    frame.key = name


def _unreadable(reading: Reading, trouble: yaml.MarkedYAMLError) -> Exception:
    said = f"{trouble.context or ''} {trouble.problem or ''}"
    mark = trouble.problem_mark or trouble.context_mark
    index = min(mark.index if mark is not None else 0, len(reading.text))
    for part, message, mend in _SAY:
        if part in said:
            return reading.stop("unreadable", index, "", message, mend)
    problem = trouble.problem or "no YAML"
    return reading.stop("unreadable", index, "", f"the text can't be read as YAML from here: {problem}", _QUOTE)
