"""Refusals in GraphQL's own words: where a text names an address of REST it names the field here, and members as they are written here.

What is refused is said once, in the words of REST, and some of it is kept so. Each phrase with which a way out names an address has its
row here: of a new one that has none a test tells. A field's name comes from the table that names fields. What stands in backticks and is a
caller's own word may look like a member's name by chance, and would be told as that: so few members have names of several words that this
was preferred to marks in all texts, of which one that is overlooked would be told to everybody.
"""

import re
from collections.abc import Callable, Mapping
from functools import lru_cache
from typing import Any, Final

from fieldworthy.graph.table import TABLE, TOLD
from fieldworthy.graph.words import camel

_MACHINE = "/v1/machines/.+?"
_ROOM = f"(?P<room>{'|'.join(TOLD)})"
_KEY = "(?P<key>[0-9a-f]{40}|ID)"

_PHRASES: Final = tuple(
    (re.compile(phrase), said)
    for phrase, said in (
        (f"list what there is at {_MACHINE}/{_ROOM}(?=$|;)", "list what there is ({list})"),
        (f"its states are at {_MACHINE}/{_ROOM}/.+?/states", "its states are in {states}"),
        (f"(?P<verb>tell of the replacement) at {_MACHINE}/{_ROOM}", "{verb} ({put})"),
        (f"(?P<verb>withdraw it) at {_MACHINE}/{_ROOM}/.+?(?= \\(keep)", "{verb} ({withdraw})"),
        (f"(?P<verb>correct that one) at {_MACHINE}/{_ROOM}/.+", "{verb} ({put})"),
        ("(?P<verb>put it) at /v1/machines/.+?(?=,| first|$)", "{verb} ({putMachine})"),
        ("(?P<verb>put one) at /v1/rulebooks/.+/draft", "{verb} ({putDraft})"),
        ("send it to /v1/rulebooks/.+", "send it under its own name ({putDraft})"),
        (f"(?P<verb>accept it|accept the one of [^,]+, which was set aside),? at /v1/set-aside/{_KEY}/accept", "{verb} ({acceptSetAside})"),
        ("accept it at /v1/set-aside(?! */)", "accept it ({acceptSetAside})"),
        (f"dismiss it at /v1/set-aside/{_KEY}/dismiss", "dismiss it ({dismissSetAside})"),
        (r"its ID stands in that answer and in /v1/set-aside\?machine=\S+", "its id stands in that answer and in {listSetAside}"),
        ("and what is amiss, at /v1/set-aside", "and what is amiss, in {listSetAside}"),
        (r"(?P<verb>send [^;]*?) to /v1/readings\b", "{verb} ({keepReadings})"),
        ("(?P<verb>list (?:them|the names)) at /v1/rulebooks", "{verb} ({listRulebooks})"),
        ("(?P<verb>list them) at /v1/machines", "{verb} ({listMachines})"),
        ("(?P<verb>list them) at /v1/set-aside", "{verb} ({listSetAside})"),
        ("(?P<verb>list them) at /v1/listeners", "{verb} ({listListeners})"),
        ("(?P<verb>list them) at /v1/deliveries", "{verb} ({listDeliveries})"),
        ("`GET /v1/feeds`", "{listFeeds}"),
        ("DELETE /v1/feeds/ID", "{revokeFeed}"),
        ("`GET /v1/deliveries`", "{listDeliveries}"),
        ("`POST /v1/clearance`", "{askClearance}"),
        ("open one at its `open-work`", "open one ({openWork})"),
        ("send `taken-off`", "send {takeOff}"),
        ("change that listener at its own address", "change that listener ({putListener})"),
        ("`Idempotency-Key`", "`idempotencyKey`"),
        ("with another address or body", "with another mutation or other arguments"),
        ("the address says", "the argument says"),
        ("; in an address `\\+` is (?:written )?`%2B`", ""),
        ("see the description at /docs", "see its description in the schema"),
    )
)
_HINTS = ("/v1/", "`", "address", "/docs")
_MOST = 2_000
"""A longer text stays as it is: some of the phrases are looked for in time that grows faster than the text."""

_MEMBER = re.compile("`([a-z]+(?:_[a-z]+)+)`")
_OF_DOCUMENTS = ("interval.", "condition.", "procedure.", "parts.", "document.", "rulebook.")
"""Codes of what is said of a rulebook's document, which has the same members whoever sends it."""

_members: set[str] = set()


def note_member(key: str) -> None:
    """That an input has a member which REST calls so."""
    if "_" in key:
        _members.add(key)


@lru_cache(maxsize=1_000)
def spoken(text: str, code: str = "") -> str:
    """A text about a request, in the words of this door. code: of what it says."""
    if len(text) > _MOST or not any(hint in text for hint in _HINTS):
        return text
    for phrase, said in _PHRASES:
        text = phrase.sub(_saying(said), text)
    return text if code.startswith(_OF_DOCUMENTS) else _MEMBER.sub(_member, text)


def spoken_problem(problem: Mapping[str, Any]) -> dict[str, Any]:
    """A problem with all that it says in the words of this door."""
    errors = [_spoken_parts(each, each["code"]) for each in problem["errors"]]
    return {**_spoken_parts(problem, code_of(problem)), "errors": errors}


def code_of(told: Mapping[str, Any]) -> str:
    """What the text of a problem, or of one of its errors, is about: the first of the errors says it more closely than the whole."""
    errors = told.get("errors")
    code: str = errors[0]["code"] if errors else told.get("code", "")
    return code


def _spoken_parts(told: Mapping[str, Any], code: str) -> dict[str, Any]:
    return {**told, "detail": spoken(told["detail"], code), "mend": spoken(told["mend"], code)}


def _member(found: "re.Match[str]") -> str:
    return f"`{camel(found[1])}`" if found[1] in _members else found[0]


def _saying(said: str) -> "Callable[[re.Match[str]], str]":
    """What stands inside backticks is a word of somebody's, and no phrase of ours, unless it begins with them."""
    return lambda found: found[0] if found.string.count("`", 0, found.start()) % 2 else said.format_map(_Fields(found.groupdict()))


class _Fields(dict[str, Any]):
    """What a phrase held, and fields by the operations that they are."""

    def __missing__(self, name: str) -> str:
        room = self.get("room")
        if room is not None:
            one, many = TOLD[room]
            name = {"list": f"list{many}", "states": f"list{one}States"}.get(name, f"{name}{one}")
        key = self.get("key")
        said = f'(id: "{key}")' if key not in (None, "ID") else ""
        return f"`{TABLE[name].field}{said}`"
