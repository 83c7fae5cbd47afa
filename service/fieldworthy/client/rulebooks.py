"""Rulebooks: drafts, publishing, versions."""

from collections.abc import Mapping
from typing import Any, Never, TypedDict

from fieldworthy.client.bound import Bound, D, many, one
from fieldworthy.client.calls import JSON, YAML, Ask, conditions, encoded, get, path
from fieldworthy.client.shapes import (
    CompareAnswer,
    DraftAnswer,
    InputsAnswer,
    PublishAnswer,
    ReadersAnswer,
    SharedVersion,
    ShelfItem,
    VersionAnswer,
)
from fieldworthy.client.steps import Flow

Document = str | bytes | Mapping[str, Any]
"""A rulebook: the text of its YAML, or plain data."""

_SHARED = "/v1/shared-rulebooks/{}/{}/versions/{}"


class DraftKept(DraftAnswer):
    """The draft that was kept, what its check finds, and its `ETag`."""

    etag: str


class DraftText(TypedDict):
    """A draft as it was put, and its `ETag`."""

    text: str
    media_type: str
    etag: str


class Shelf(Bound[D]):
    """What is told of rulebooks, and drawn from them."""

    @one
    def put_draft(self, name: str, document: Document, *, if_match: str | None = None, if_new: bool = False) -> Flow[Never, DraftKept]:
        """Keeps it as the draft, which may have errors. With a condition it is sent once: whether it came through can't be told else."""
        body, kind = written(document)
        headers = {"content-type": kind, **conditions(if_match, if_new)}
        repeatable = if_match is None and not if_new
        return self._caller.tagged(Ask("PUT", path("/v1/rulebooks/{}/draft", name), {}, body, headers, repeatable))

    @one
    def draft(self, name: str) -> Flow[Never, DraftText]:
        """The draft as it was put."""
        return self._draft(path("/v1/rulebooks/{}/draft", name))

    def _draft(self, where: str) -> Flow[Never, DraftText]:
        response = yield from self._caller.answered(Ask("GET", where, headers={"accept": "*/*"}))
        kind = response.headers.get("content-type", "").partition(";")[0]
        return {"text": response.content.decode(), "media_type": kind, "etag": response.headers.get("etag", "")}

    @one
    def publish(self, name: str, *, if_match: str | None = None) -> Flow[Never, PublishAnswer]:
        """Makes the draft the next version. What is the newest version already is answered, and not published twice."""
        return self._caller.json(Ask("POST", path("/v1/rulebooks/{}/publish", name), headers=conditions(if_match, False)))

    @many
    def rulebooks(self) -> Flow[ShelfItem, None]:
        """All names, with their newest version and their draft."""
        return self._caller.pages("/v1/rulebooks", {})

    @many
    def versions(self, name: str) -> Flow[VersionAnswer, None]:
        """The published versions, the newest first."""
        return self._caller.pages(path("/v1/rulebooks/{}/versions", name), {})

    @one
    def version(self, name: str, version: int) -> Flow[Never, dict[str, Any]]:
        """A published version as plain data."""
        return self._caller.json(get(path("/v1/rulebooks/{}/versions/{}", name, version)))

    @one
    def version_text(self, name: str, version: int) -> Flow[Never, str]:
        """A published version as its author wrote it."""
        return self._text(path("/v1/rulebooks/{}/versions/{}", name, version))

    def _text(self, where: str) -> Flow[Never, str]:
        response = yield from self._caller.answered(Ask("GET", where, headers={"accept": YAML}))
        return response.content.decode()

    @one
    def inputs(self, name: str, version: int) -> Flow[Never, InputsAnswer]:
        """What a caller must send for complete answers."""
        return self._caller.json(get(path("/v1/rulebooks/{}/versions/{}/inputs", name, version)))

    @one
    def compare(self, name: str, first: int, to: int) -> Flow[Never, CompareAnswer]:
        """What changed from one version to another."""
        return self._caller.json(get(path("/v1/rulebooks/{}/compare", name), {"from": first, "to": to}))

    @one
    def share(self, name: str, version: int, reader: str) -> Flow[Never, None]:
        """Lets the organisation of that name read a version, and ask by its digest."""
        return self._caller.json(Ask("PUT", _reader(name, version, reader)))

    @one
    def unshare(self, name: str, version: int, reader: str) -> Flow[Never, None]:
        """Lets it no longer."""
        return self._caller.json(Ask("DELETE", _reader(name, version, reader)))

    @one
    def readers(self, name: str, version: int) -> Flow[Never, ReadersAnswer]:
        """The organisations that a version is shared with."""
        return self._caller.json(get(path("/v1/rulebooks/{}/versions/{}/readers", name, version)))

    @many
    def shared_rulebooks(self) -> Flow[SharedVersion, None]:
        """What other organisations share with yours, in the order of organisation, name and version."""
        return self._caller.pages("/v1/shared-rulebooks", {})

    @one
    def shared_version(self, organisation: str, name: str, version: int) -> Flow[Never, dict[str, Any]]:
        """A version that another organisation shares, as plain data."""
        return self._caller.json(get(path(_SHARED, organisation, name, version)))

    @one
    def shared_version_text(self, organisation: str, name: str, version: int) -> Flow[Never, str]:
        """The same as its author wrote it."""
        return self._text(path(_SHARED, organisation, name, version))


def _reader(name: str, version: int, reader: str) -> str:
    return path("/v1/rulebooks/{}/versions/{}/readers/{}", name, version, reader)


def written(document: Document) -> tuple[bytes, str]:
    """The bytes and their media type."""
    if isinstance(document, Mapping):
        return encoded(document), JSON
    return document.encode() if isinstance(document, str) else document, YAML
