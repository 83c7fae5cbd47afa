"""Rulebooks: drafts and publishing, the shelf, and what is shared with others."""

from typing import Annotated, Any

import orjson
import strawberry

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.graph.context import Info
from fieldworthy.graph.fields import field, mutation
from fieldworthy.graph.pages import AFTER, FIRST, PAGE, connection_of, first_of, page, query_of
from fieldworthy.graph.scalars import DateTime, Json
from fieldworthy.graph.shapes import make_type, member, members_of, type_of
from fieldworthy.graph.words import listed
from fieldworthy.usecases.ports import Published
from fieldworthy.usecases.refusals import RulebookUnknown
from fieldworthy.wire import shelf_answers
from fieldworthy.wire.cursor import read_place, refuse_after, write_cursor
from fieldworthy.wire.parameters import MEND_ID, is_id, read_after_id, shown
from fieldworthy.wire.problems import finding_json
from fieldworthy.wire.shelf_json import (
    checked_json,
    compared_json,
    known_name_of,
    read_shared_place,
    refuse_name,
    shared_json,
    shelved_json,
    version_json,
)

_TEXTS = [
    member("document", Json, "its canonical form (RFC 8785), which the digest is over"),
    member("text", str, "as its author wrote it, comments and order and all"),
    member("mediaType", str, "of the text", "media_type"),
]
VERSION = make_type("PublishedVersion", [*members_of(shelf_answers.VersionAnswer), *_TEXTS], "One published version with its texts.")
SHARED = make_type(
    "SharedPublishedVersion",
    [*members_of(shelf_answers.SharedVersion), *_TEXTS],
    "A version that another organisation shares, with its texts. organisation: whose it is.",
)
DRAFT = make_type(
    "Draft",
    [
        member("name", str),
        member("revision", int, "1, 2, ... with each change"),
        member("changedAt", DateTime, None, "changed_at"),
        member("text", str, "as its author wrote it"),
        member("mediaType", str, "of the text", "media_type"),
    ],
    "The one working text of a rulebook.",
)
READER = make_type(
    "VersionReader",
    [member("name", str), member("version", int), member("reader", str, "the organisation's name"), member("reads", bool)],
    "Whether an organisation may read a version.",
)
RULEBOOKS = connection_of(type_of(shelf_answers.ShelfItem), "Rulebook", "A page of rulebooks, in the order of their names.")
VERSIONS = connection_of(type_of(shelf_answers.VersionAnswer), "Version", "A page of versions, the newest first.")
SHARED_ONES = connection_of(
    type_of(shelf_answers.SharedVersion), "SharedVersion", "A page of what others share, in the order of organisation, name and version."
)

_MOST = 2**31 - 1
First = Annotated[int, strawberry.argument(description=FIRST)]
After = Annotated[str | None, strawberry.argument(description=AFTER)]
Version = Annotated[int, strawberry.argument(description="the version's number, from 1")]
Reader = Annotated[str, strawberry.argument(description="the organisation's name")]
IfRevision = Annotated[
    int | None, strawberry.argument(description="only where the draft is at this revision; 0: only where there is none yet")
]
UNKNOWN = ("rulebook.unknown", "rulebook.version_unknown")


@field("listRulebooks", RULEBOOKS, "The rulebooks that there are.")
async def rulebooks(info: Info, first: First = PAGE, after: After = None) -> Any:
    limit, behind = first_of(first), read_after_id(query_of(after=after))
    items, following = await info.context.uses.names(behind, max(limit, 1))
    shown_items = items[:limit]
    more = following is not None or len(shown_items) < len(items)
    return page([shelved_json(item) for item in shown_items], [write_cursor([item.name]) for item in shown_items], more)


@field("listVersions", VERSIONS, "The published versions of one rulebook, the newest first.")
async def versions(info: Info, name: str, first: First = PAGE, after: After = None) -> Any:
    limit, place = first_of(first), read_place(query_of(after=after), int)
    if place is not None and not 0 < place[0] <= _MOST:
        raise refuse_after()
    items, following = await info.context.uses.versions(known_name_of(name), None if place is None else place[0], max(limit, 1))
    shown_items = items[:limit]
    more = following is not None or len(shown_items) < len(items)
    return page([version_json(item) for item in shown_items], [write_cursor([item.version]) for item in shown_items], more)


@field("getVersion", VERSION, "One published version. It never changes.")
async def version(info: Info, name: str, version: Version) -> Any:
    return _written(await info.context.uses.version(known_name_of(name), _number(name, version)))


@field(
    "getInputs",
    type_of(shelf_answers.InputsAnswer),
    "What a caller must send for complete answers: meters, seasons, occurrences, working conditions and facts, and how much history each "
    "task needs; and which tasks are never open at one time.",
)
async def inputs(info: Info, name: str, version: Version) -> Any:
    return (await info.context.uses.inputs(f"{known_name_of(name)}@{_number(name, version)}")).to_json()


@field(
    "compareVersions",
    type_of(shelf_answers.CompareAnswer),
    "What changed from one version to another; and under `safety` what the later version lets through that the earlier one withheld, and "
    "the reverse, each with a state of the machine that shows it.",
)
async def comparison(
    info: Info,
    name: str,
    first: Annotated[int, strawberry.argument(name="from", description="the earlier version")],
    second: Annotated[int, strawberry.argument(name="to", description="the later version")],
) -> Any:
    known = known_name_of(name)
    references = [f"{known}@{_number(name, number)}" for number in (first, second)]
    return compared_json(await info.context.uses.compare(references[0], references[1]))


@field("getDraft", DRAFT, "The draft as it was put.")
async def draft(info: Info, name: str) -> Any:
    found = await info.context.uses.read_draft(known_name_of(name))
    told = {"name": found.name, "revision": found.revision, "changed_at": found.changed_at.isoformat()}
    return {**told, "text": found.text, "media_type": found.media_type}


@mutation(
    "putDraft",
    type_of(shelf_answers.DraftAnswer),
    "Keeps a text as the draft, comments and order and all. A draft may have errors; the answer lists its findings.",
    data=("rulebook.name_differs", "rulebook.draft_changed", "request.too_large"),
)
async def put_draft(
    info: Info,
    name: str,
    text: Annotated[str, strawberry.argument(description="a rulebook in YAML 1.2, or in JSON")],
    if_revision: IfRevision = None,
    is_json: Annotated[bool, strawberry.argument(name="json", description="whether the text is JSON")] = False,
) -> Any:
    refuse_name(name)
    kind = "application/json" if is_json else "application/yaml"
    made, checked = await info.context.uses.put_draft(name, text, kind, if_revision, info.context.caller.actor)
    return {"name": made.name, "revision": made.revision, "changed_at": made.changed_at.isoformat(), **checked_json(checked)}


@mutation(
    "publishRulebook",
    type_of(shelf_answers.PublishAnswer),
    "The draft becomes the next version, which never changes. What is the newest version already is not published twice: that version is "
    "the answer.",
    data=(
        *("rulebook.draft_unknown", "rulebook.draft_changed", "rulebook.version_taken", "rulebook.meter_unit_changed"),
        *("rulebook.has_errors", "rulebook.name_differs"),
    ),
)
async def publish_rulebook(info: Info, name: str, if_revision: IfRevision = None) -> Any:
    made, checked = await info.context.uses.publish(known_name_of(name), if_revision, info.context.caller.actor)
    info.context.asked.keeping.kept.set()
    return {**version_json(made), "findings": [finding_json(f) for f in checked.findings]}


@field("listReaders", listed(str), "The organisations that may read a version beside your own, by name.")
async def readers(info: Info, name: str, version: Version) -> Any:
    return list(await info.context.uses.share.readers(known_name_of(name), _number(name, version)))


@field("listSharedRulebooks", SHARED_ONES, "The versions that other organisations share.")
async def shared_rulebooks(info: Info, first: First = PAGE, after: After = None) -> Any:
    limit, behind = first_of(first), read_shared_place(query_of(after=after))
    items, following = await info.context.uses.shared.list(behind, max(limit, 1))
    shown_items = items[:limit]
    more = following is not None or len(shown_items) < len(items)
    cursors = [write_cursor([item.organisation, item.version.name, item.version.version]) for item in shown_items]
    return page([shared_json(item) for item in shown_items], cursors, more)


@field("getSharedVersion", SHARED, "One version that another organisation shares. What is not shared is not found, whatever there is.")
async def shared_version(info: Info, organisation: str, name: str, version: Version) -> Any:
    known = known_name_of(name)
    if not is_id(organisation):
        raise RulebookUnknown(f"{organisation}/{known}")
    found = await info.context.uses.shared.version(organisation, known, _number(name, version))
    return {"organisation": organisation, **_written(found)}


@mutation(
    "shareVersion",
    READER,
    "Lets another organisation read a version. Whether there is one of that name is not told: where there is none yet, it may read once "
    "there is.",
    data=UNKNOWN,
)
async def share_version(info: Info, name: str, version: Version, reader: Reader) -> Any:
    _refuse_reader(reader)
    await info.context.uses.share.share(known_name_of(name), _number(name, version), reader, info.context.caller.actor)
    return {"name": name, "version": version, "reader": reader, "reads": True}


@mutation(
    "unshareVersion",
    READER,
    "Lets an organisation read a version no longer. What it has read it knows, and what it published as its own stays.",
    data=UNKNOWN,
)
async def unshare_version(info: Info, name: str, version: Version, reader: Reader) -> Any:
    _refuse_reader(reader)
    await info.context.uses.share.unshare(known_name_of(name), _number(name, version), reader, info.context.caller.actor)
    return {"name": name, "version": version, "reader": reader, "reads": False}


def _number(name: str, version: int) -> int:
    """A version's number. Raises RulebookUnknown for what can be none."""
    if not 0 < version < 10**9:
        raise RulebookUnknown(f"{name}@{version}")
    return version


def _refuse_reader(reader: str) -> None:
    if not is_id(reader):
        raise Refused([Finding("request.id", f"`{shown(reader)}` can't be the name of an organisation", MEND_ID)])


def _written(found: Published) -> dict[str, Any]:
    """A version with its texts."""
    return {**version_json(found), "document": orjson.loads(found.document), "text": found.text, "media_type": found.media_type}


QUERIES = [rulebooks, versions, version, inputs, comparison, draft, readers, shared_rulebooks, shared_version]
MUTATIONS = [put_draft, publish_rulebook, share_version, unshare_version]
