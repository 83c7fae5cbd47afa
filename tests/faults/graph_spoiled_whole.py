"""Documents spoiled as texts, and requests spoiled around them: media types, cut bodies, members twice, keys that are none."""

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from random import Random
from typing import Any

from tests.faults.graph_held import ANSWER, LEGACY
from tests.faults.graph_written import Written, dumped

_TOKEN = re.compile(r'"""[\s\S]*?"""|"(?:[^"\\\n]|\\.)*"|[_A-Za-z]\w*|-?\d[\d.eE+-]*|\.\.\.|[^\s]', re.ASCII)
_TYPES = (
    "String",
    "String!",
    "Int!",
    "[String!]",
    "DateTime",
    "JSON",
    "DueInput!",
    "DueAnswer",
    "Nothing",
    "Boolean",
    "Float!",
    "Standing!",
)
_ODD = ("\ufeff", "\x00", "\u2028", "é", "\\", '"', "'", '"""', "#", "$", "@", "&", "|", "{", "}", "(", ")", "[", "]", ":", "=", "!", "...")
_STRINGS = (r'"\ud800"', r'"\uDEAD"', r'"\u{110000}"', r'"\u{1F600}"', r'"\u{D800}"', r'"\x41"', '"' + "a" * 9_000 + '"', '""""""', '"\t"')
_NUMBERS = ("1e999999", "0." + "0" * 500 + "1", "-0", "00", "1.", ".5", "9" * 3_000, "-9223372036854775809", "1e-400", "0x10")
_INTROSPECTION = (
    "{ __schema { types { name kind fields { name type { name ofType { name } } } } } }",
    '{ __type(name: "Query") { fields(includeDeprecated: true) { name args { name defaultValue } } } }',
    '{ __type(name: "No") { name } }',
    "query { __schema { directives { name locations args { name } } queryType { name } } __typename }",
    "{ __schema { types { fields { type { fields { type { fields { type { name } } } } } } } } }",
    "{ __typename @include(if: false) }",
    "subscription { events { __typename } }",
    "{ machines(first: 2) { edges { node { id } } } machines(first: 3) { edges { node { id } } } }",
)


def document(written: Written, chance: Random) -> Written:
    """The same with a document that is spoiled somewhere."""
    way = chance.choice((_cut, _cut, _doubled, _doubled, _swapped, _swapped, _odd, _types, _types, _deep, _aliases, _circle, _whole, _name))
    return way(written, chance)


def _tokens(written: Written) -> list[str]:
    return _TOKEN.findall(re.sub(r"#[^\r\n]*", "", written.text))


def _of(written: Written, tokens: list[str]) -> Written:
    return replace(written, text=" ".join(tokens))


def _cut(written: Written, chance: Random) -> Written:
    tokens = _tokens(written)
    at = chance.randrange(len(tokens))
    return _of(written, tokens[:at] + tokens[at + chance.choice((1, 1, 2, len(tokens))) :])


def _doubled(written: Written, chance: Random) -> Written:
    tokens = _tokens(written)
    at = chance.randrange(len(tokens))
    return _of(written, tokens[:at] + [tokens[at]] * chance.choice((2, 2, 3, 50)) + tokens[at + 1 :])


def _swapped(written: Written, chance: Random) -> Written:
    tokens = _tokens(written)
    a, b = chance.randrange(len(tokens)), chance.randrange(len(tokens))
    tokens[a], tokens[b] = tokens[b], tokens[a]
    return _of(written, tokens)


def _odd(written: Written, chance: Random) -> Written:
    tokens = _tokens(written)
    at = chance.randrange(len(tokens))
    return _of(written, [*tokens[:at], chance.choice((*_ODD, *_STRINGS, *_NUMBERS)), *tokens[at + chance.choice((0, 1)) :]])


def _types(written: Written, chance: Random) -> Written:
    """A variable of another type, or another default."""
    other = chance.choice(_TYPES) + chance.choice(("", ' = "x"', " = null", " = 1", " = {a: 1}", " = [1]"))
    return replace(written, text=re.sub(r": ([\w\[\]!]+)(?=[,)])", lambda m: f": {other}" if chance.random() < 0.5 else m[0], written.text))


def _deep(written: Written, chance: Random) -> Written:
    times = chance.choice((14, 16, 60, 400, 5_000))
    what = chance.choice(("{a", "{... on Query{__typename ", "[", "{machines{edges{node{due{tasks", "{a:"))
    close = chance.choice(("", "}" * times))
    return replace(written, text=(f"{{ due(input: {what * times}" if what in ("[", "{a:") else what * times) + close)


def _aliases(written: Written, chance: Random) -> Written:
    times = chance.choice((29, 31, 250, 3_000))
    each = chance.choice(("__typename", "machines{__typename}", 'machine(id:"x"){id}', "rulebooks(first:200){edges{node{name}}}"))
    return replace(written, text="{ " + " ".join(f"x{i}: {each}" for i in range(times)) + " }", variables={}, operation=None)


def _circle(written: Written, chance: Random) -> Written:
    text = chance.choice(
        (
            "{ ...A } fragment A on Query { ...A }",
            "{ ...A } fragment A on Query { machines { __typename } ...B } fragment B on Query { ...C } fragment C on Query { ...A }",
            "{ ...A ...B } fragment A on Query { __typename }",
            "{ __typename } fragment Unused on Query { __typename }",
            "{ ...A } fragment A on Mutation { __typename } fragment A on Query { __typename }",
            "{ ...A } "
            + " ".join(f"fragment A{i or ''} on Query {{ ...A{i + 1} ...A{i + 1} }}" for i in range(40))
            + " fragment A40 on Query { __typename }",
            "{ machines { edges { node { ...M } } } } fragment M on Machine { due { tasks { ...T } } } fragment T on DueTask { ...T task }",
        )
    )
    return replace(written, text=text, variables={}, operation=None)


def _whole(written: Written, chance: Random) -> Written:
    text = chance.choice(
        (*_INTROSPECTION, "", " ", "#", "{}", "query", "{ __typename", written.text * 2, written.text + "\ufeff", "\ufeff" + written.text)
    )
    return replace(written, text=text)


def _name(written: Written, chance: Random) -> Written:
    return replace(written, operation=chance.choice(("Nothing", "", "Asked", "Other", "asked", "é", "x" * 5_000, "\x00", "\ud800")))


@dataclass
class Sent:
    """A request as it goes out. known: a document can be told of it."""

    method: str
    body: bytes = b""
    query: Mapping[str, str] | str | None = None
    headers: dict[str, str] = field(default_factory=dict)
    known: bool = True

    @property
    def accept(self) -> str:
        return self.headers.get("accept", "")


def right(written: Written, chance: Random, reads: bool) -> list[Sent]:
    """The ways in which a document goes out whole: by POST, by GET where it only reads, by its hash after it was sent with it."""
    accept = {"accept": chance.choice((ANSWER, ANSWER, LEGACY, f"{ANSWER}, {LEGACY};q=0.9", "*/*"))}
    kept = {"persistedQuery": {"version": 1, "sha256Hash": hashlib.sha256(written.text.encode("utf-8", "surrogatepass")).hexdigest()}}
    said = chance.random()
    if reads and said < 0.25:
        asked = {"query": written.text, "variables": dumped(written.variables).decode()} | (
            {"operationName": written.operation} if written.operation else {}
        )
        try:
            if len("".join(asked.values()).encode()) < 6_000:
                return [Sent("GET", query=asked, headers=accept)]
        except UnicodeEncodeError:
            pass  # what has no character in UTF-8 has no place in an address either
    headers = {**accept, "content-type": chance.choice(("application/json", "application/json; charset=utf-8"))}
    if reads and said < 0.35:
        rest = {"variables": written.variables, **({} if written.operation is None else {"operationName": written.operation})}
        by_hash = dumped({**rest, "extensions": kept})
        return [Sent("POST", written.body(extensions=kept), headers=headers), Sent("POST", by_hash, headers=headers)]
    return [Sent("POST", written.body(), headers=headers)]


def request(written: Written, chance: Random) -> Sent:
    """A request that is spoiled around its document."""
    body = written.body()
    headers = {"accept": chance.choice((ANSWER, LEGACY)), "content-type": "application/json"}
    hashed = {"version": 1, "sha256Hash": hashlib.sha256(chance.choice((b"x", written.text.encode("utf-8", "replace")))).hexdigest()}
    told: Any = json.loads(written.body()) if b"Raw" not in body else {}
    ways: list[Any] = [
        lambda: Sent("POST", body[: chance.randrange(len(body))], headers=headers, known=False),
        lambda: Sent("POST", body + body, headers=headers, known=False),
        lambda: Sent("POST", b"[" + body + b"," + body + b"]", headers=headers, known=False),
        lambda: Sent("POST", body[:-1] + b', "query": "{ __typename }"}', headers=headers, known=False),
        lambda: Sent("POST", body[:-1] + b', "variables": {}}', headers=headers, known=False),
        lambda: Sent(
            "POST", chance.choice((b"", b"null", b"1", b'"x"', b"{}", b"[]", b"\xff", b"\xef\xbb\xbf" + body)), headers=headers, known=False
        ),
        lambda: Sent("POST", _byte(body, chance), headers=headers, known=False),
        lambda: Sent("POST", body.decode().encode(chance.choice(("utf-16", "utf-32"))), headers=headers, known=False),
        lambda: Sent("POST", body, headers={**headers, "content-type": chance.choice(_MEDIA)}),
        lambda: Sent("POST", body, headers={**headers, "accept": chance.choice(_ACCEPTS)}),
        lambda: Sent("POST", body, headers={**headers, "content-encoding": chance.choice(("gzip", "br", "x", "identity"))}, known=False),
        lambda: Sent(chance.choice(("PUT", "DELETE", "PATCH", "HEAD", "OPTIONS")), body, headers=headers, known=False),
        lambda: Sent("GET", query={"query": written.text.encode("utf-8", "replace").decode()[:4_000]}, headers=headers, known=False),
        lambda: Sent("GET", query=chance.choice(_ADDRESSES), headers=headers, known=False),
        lambda: Sent("POST", dumped({**told, "extensions": {"persistedQuery": chance.choice(_hashes(hashed))}}), headers=headers),
        lambda: Sent("POST", dumped({"extensions": {"persistedQuery": chance.choice(_hashes(hashed))}}), headers=headers, known=False),
        lambda: Sent(
            "POST", dumped({**told, chance.choice(tuple(told) or ("query",)): chance.choice(_VALUES)}), headers=headers, known=False
        ),
    ]
    made: Sent = chance.choice(ways)()
    return made


def _byte(body: bytes, chance: Random) -> bytes:
    at = chance.randrange(len(body))
    return body[:at] + bytes([chance.randrange(256)]) + body[at + chance.choice((0, 1)) :]


def _hashes(hashed: dict[str, Any]) -> tuple[Any, ...]:
    return (hashed, {**hashed, "version": 2}, {**hashed, "sha256Hash": "x"}, {**hashed, "sha256Hash": None}, None, 1, [], {})


_VALUES: tuple[Any, ...] = (None, 1, [], {}, "", True, [1], {"a": 1}, 1e308, "\ud800")
_MEDIA = (
    "",
    "text/plain",
    "application/graphql",
    "application/json; charset=latin-1",
    "application/xml",
    "é",
    "a/b/c",
    "multipart/form-data",
)
_ACCEPTS = (
    "",
    "text/html",
    "application/*",
    "application/json;q=0",
    "*/*;q=0",
    "é",
    "a",
    f"{ANSWER};q=0, {LEGACY}",
    ";q=,",
    "image/png",
    "x" * 3_000,
)
_ADDRESSES = (
    "",
    "query=",
    "query=%7B__typename%7D&query=%7B__typename%7D",
    "query=%7B__typename%7D&variables=%7B",
    "query=%7B__typename%7D&variables=[]",
    "query=%FF",
    "query=%7B__typename%7D&extensions=%7B%22persistedQuery%22:1%7D",
    "query=mutation%7BrevokeFeed(id:%22x%22)%7B__typename%7D%7D",
    "query=%7B__typename%7D" + "&a=1" * 30,
    "query=%7B__typename%7D&operationName=x",
)
