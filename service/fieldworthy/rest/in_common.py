"""What operations of the contract have in common: the headers of every answer, and problems that many give alike, written once."""

import json
import re
from collections import Counter
from collections.abc import Iterator, Mapping
from http import HTTPStatus
from typing import Any

from fieldworthy.rest.described import ALWAYS, KEYED
from fieldworthy.rest.quota import QUOTA_HEADERS, header_ref

HEADERS: Mapping[str, Any] = {
    "RequestId": {
        "description": "The request's id, as the service's log has it: the `X-Request-Id` that was sent, if it is 1 to 100 letters, "
        "digits, `.`, `_` or `-` and looks like no secret; else the id of the trace in `traceparent` (W3C Trace Context); else a new one.",
        "schema": {"type": "string", "maxLength": 100, "pattern": "^[A-Za-z0-9._-]+$"},
        "example": "5f0c1f1e8d3b4b0f9a4e6c2d7a1b3c4d",
    },
    "Access-Control-Allow-Origin": {
        "description": "To pages of origins that whoever runs the service has named, the page's own origin; to others it is not there.",
        "schema": {"type": "string", "maxLength": 2000, "format": "uri"},
        "example": "https://fields.example",
    },
}
"""Components of the contract."""

_ALWAYS = {"X-Request-Id": header_ref("RequestId"), "Access-Control-Allow-Origin": header_ref("Access-Control-Allow-Origin")}
_CODE = re.compile(r"`([a-z0-9_.]+)`: ")
_MOST_CODES = 3  # of a name that can still be read


def share(paths: Mapping[str, Any]) -> dict[str, Any]:
    """
    Gives every answer its headers, and takes out the problems that several operations give alike: the components `responses`.

    paths: of the contract; changed in place.
    """
    for operation in _operations(paths):
        common = {**_ALWAYS, **(QUOTA_HEADERS if operation["security"] else {})}
        for status, response in operation["responses"].items():
            told = common if status < "500" else _ALWAYS
            response["headers"] = {**response.get("headers", {}), **told}
    seen = Counter(_text(response) for operation in _operations(paths) for response in operation["responses"].values())
    found: dict[str, Any] = {}
    for operation in _operations(paths):
        for status, response in operation["responses"].items():
            name = _name(status, response, bool(operation["security"]))
            if name and seen[_text(response)] > 1:
                assert found.setdefault(name, response) == response, name
                operation["responses"][status] = {"$ref": f"#/components/responses/{name}"}
    return dict(sorted(found.items()))


def _operations(paths: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    for methods in paths.values():
        yield from methods.values()


def _text(response: Mapping[str, Any]) -> str:
    return json.dumps(response, sort_keys=True)


def _name(status: str, response: Mapping[str, Any], keyed: bool) -> str:
    """What a problem is called: its status's phrase, and the codes that not every operation has; empty where it is none, or has many."""
    codes = _CODE.findall(response["description"]) if status >= "400" else []
    own = [code for code in codes if code not in (*ALWAYS, *KEYED)]
    if not codes or len(own) > _MOST_CODES:
        return ""
    words = [HTTPStatus(int(status)).phrase, *own, *([] if keyed else ["to anybody"])]
    return "".join(part.capitalize() for word in words for part in re.split(r"[^A-Za-z0-9]+", word))
