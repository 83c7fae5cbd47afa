"""What must hold of each answer over GraphQL, whatever was asked: its status and media type, its form, its errors, its data.

Sources: the GraphQL specification (October 2021), sections 6.3 (which members, in which order), 6.4.4 (where a null comes from), 3.5 and
7 (forms of scalars and of the response); GraphQL over HTTP (draft), section 6 (statuses, media types), both from memory; RFC 9457 for
problems; and the service's own catalogue of codes.
"""

import json
import re
from collections.abc import Mapping, Sequence
from typing import Any

import httpx
from graphql import (
    DocumentNode,
    GraphQLError,
    GraphQLSchema,
    OperationDefinitionNode,
    parse,
    validate,
)

from fieldworthy.wire.catalogue import KINDS
from tests.faults.graph_data import Shape

ANSWER, LEGACY, PROBLEM = "application/graphql-response+json", "application/json", "application/problem+json"
NOT_KEPT = "PERSISTED_QUERY_NOT_FOUND"
"""The one code that is not of the catalogue: what clients of persisted documents wait for."""

FAULT = "service.failed"
_LINES = re.compile("\r\n|\n|\r")  # the specification's line terminators, and no others


class Asked:
    """
    What was asked, where it could be read. text: the document; operation: its name; variables: as they were sent; spoiled: whether it may
    not fit the schema.
    """

    def __init__(self, text: str, operation: str | None, variables: Any, spoiled: bool = True) -> None:
        self.text, self.operation, self.spoiled = text, operation, spoiled
        self.variables: Mapping[str, Any] = variables if isinstance(variables, dict) else {}

    def document(self) -> DocumentNode | None:
        """None: it can't be read."""
        try:
            return parse(self.text, allow_empty_selection_sets=False)
        except (GraphQLError, RecursionError):
            return None


class Answer:
    """What came back, read. complaints: what must not be so, in words; codes: of all refusals in it, in errors and in data."""

    def __init__(self, response: httpx.Response) -> None:
        self.status = response.status_code
        self.media = response.headers.get("content-type", "").split(";")[0]
        self.text = response.text
        self.told: Any = None
        self.complaints: list[str] = []
        try:
            self.told = json.loads(response.content, parse_constant=_no_constant)
        except ValueError as trouble:
            self.complaints.append(f"no JSON (RFC 8259): {trouble}")
        self.is_problem = self.media == PROBLEM

    @property
    def data(self) -> Any:
        return self.told.get("data") if isinstance(self.told, dict) and not self.is_problem else None

    @property
    def errors(self) -> Sequence[Any]:
        found = self.told.get("errors") if isinstance(self.told, dict) and not self.is_problem else None
        return found if isinstance(found, list) else []

    @property
    def codes(self) -> list[str]:
        if not isinstance(self.told, dict):
            return []
        if self.is_problem:
            return [str(self.told.get("code"))]
        found = [str((each.get("extensions") or {}).get("code")) for each in self.errors if isinstance(each, dict)]
        tops = self.data.values() if isinstance(self.data, dict) else ()
        return found + [str(each["code"]) for each in tops if is_refusal(each)]

    @property
    def answered(self) -> bool:
        """With data, and without any refusal."""
        return isinstance(self.data, dict) and not self.codes and any(each is not None for each in self.data.values())

    @property
    def refused_whole(self) -> bool:
        """Nothing of it was done: no data, or each field at the top is null or a refusal."""
        tops = [v for k, v in self.data.items() if not isinstance(v, str)] if isinstance(self.data, dict) else []
        return all(each is None or is_refusal(each) for each in tops)


def is_refusal(told: Any) -> bool:
    """Whether a mutation's answer is a refusal. All selections of one ask for its `__typename`."""
    return isinstance(told, dict) and told.get("__typename") == "Refusal" and "code" in told


def held(response: httpx.Response, asked: Asked | None, accept: str, shape: Shape) -> Answer:
    """An answer with what is to be said against it. asked: None where the request is spoiled so that no document can be told of it."""
    answer = Answer(response)
    if answer.complaints:
        return answer
    say = answer.complaints.append
    unknown = [code for code in answer.codes if code not in KINDS and code != NOT_KEPT]
    if unknown:
        say(f"codes that the catalogue has not: {unknown}")
    if FAULT in answer.codes or answer.status >= 500:
        say(f"a fault of the service ({answer.status})")
    if not isinstance(answer.told, dict):
        say("the answer is no object (7.1)")
    elif answer.is_problem:
        _problem(answer)
    else:
        _whole(answer, accept)
        _errors(answer, asked)
        if asked is not None and "data" in answer.told:
            _data(answer, asked, shape)
            _nulls(answer, asked, shape)
    return answer


def _problem(answer: Answer) -> None:
    """RFC 9457, 3.1: `status` is the answer's own; `type` and `title` are there."""
    told = answer.told
    kind = KINDS.get(told.get("code"))
    if told.get("status") != answer.status or (kind is not None and kind.status != answer.status):
        answer.complaints.append(f"a problem with the status {answer.status} says {told.get('status')}")
    if not told.get("title") or not told.get("type") or "data" in told or ("errors" in told and not isinstance(told["errors"], list)):
        answer.complaints.append("a problem without its members")
    if answer.status < 400:
        answer.complaints.append(f"a problem with the status {answer.status}")


def _whole(answer: Answer, accept: str) -> None:
    """7.1: no other members; `errors` is not empty; without it there is data. HTTP, 6.4: the statuses."""
    told, say = answer.told, answer.complaints.append
    if answer.media not in (ANSWER, LEGACY):
        say(f"the media type {answer.media}")
    if answer.media == ANSWER and ANSWER not in accept.lower() and "application/*" not in accept and LEGACY in accept:
        say("the newer media type to whoever did not name it")
    if set(told) - {"data", "errors", "extensions"}:
        say(f"members of the answer that are none: {sorted(set(told) - {'data', 'errors', 'extensions'})}")
    if "errors" in told and (not isinstance(told["errors"], list) or not told["errors"]):
        say("`errors` is there, and holds none")
    if "data" not in told and "errors" not in told:
        say("neither data nor errors")
    if told.get("data") is None and "data" in told and not told.get("errors"):
        say("the data are null, and no error says why")
    right = (200,) if "data" in told else (400,) if answer.media == ANSWER else (200, 400)
    if answer.status not in right:
        say(f"the status {answer.status} of {answer.media} {'with' if 'data' in told else 'without'} data")
    if "data" in told and not isinstance((told.get("extensions") or {}).get("cost", {}).get("requests"), int):
        say("what was answered does not say what it counted")


def _errors(answer: Answer, asked: Asked | None) -> None:
    """7.1.2: message, locations, path, extensions and nothing else; the path leads to a null, or to where one came to stand (6.4.4)."""
    for each in answer.errors:
        if not isinstance(each, dict) or set(each) - {"message", "locations", "path", "extensions"}:
            answer.complaints.append(f"an error that is none: {each}")
            continue
        if not isinstance(each.get("message"), str) or not each["message"] or "Traceback" in each["message"]:
            answer.complaints.append(f"an error without its message: {each}")
        if not isinstance((each.get("extensions") or {}).get("code"), str):
            answer.complaints.append(f"an error without its code: {each}")
        wrong = _path(answer, each) or _places(each, asked)
        if wrong:
            answer.complaints.append(f"{wrong}: {str(each)[:400]}")


def _path(answer: Answer, error: Mapping[str, Any]) -> str:
    if "data" not in answer.told:
        return "a path, and no data" if "path" in error else ""
    path = error.get("path")
    if not isinstance(path, list) or not path:
        return "an error beside data without a path"
    value = answer.data
    for step in path:
        if value is None:
            return ""
        by_name = isinstance(step, str) and isinstance(value, dict) and step in value
        by_place = isinstance(step, int) and isinstance(value, list) and 0 <= step < len(value)
        if not by_name and not by_place:
            return "a path that leads nowhere"
        value = value[step]
    return "" if value is None else "a path that leads to what is no null"


def _places(error: Mapping[str, Any], asked: Asked | None) -> str:
    if "locations" not in error:
        return ""
    places = error["locations"]
    if not isinstance(places, list) or not places:
        return "`locations` is there, and holds none"
    for place in places:
        line, column = (place.get("line"), place.get("column")) if isinstance(place, dict) else (None, None)
        if not isinstance(line, int) or not isinstance(column, int) or line < 1 or column < 1:
            return "a location that is none"
        lines = _LINES.split(asked.text) if asked is not None else None
        if lines is not None and (line > len(lines) or column > len(lines[line - 1]) + 1):
            return "a location outside the document"
    return ""


def _data(answer: Answer, asked: Asked, shape: Shape) -> None:
    """6.1, 5: only what can be read and fits the schema is answered with data; and the data are of the schema's types (6.3, 6.4)."""
    document = asked.document()
    if document is None:
        answer.complaints.append("a document that can't be read is answered")
        return
    if asked.spoiled and validate(shape.schema, document, allow_empty_selection_sets=False):
        answer.complaints.append("a document that does not fit the schema is answered")
        return
    operation = operation_of(document, asked.operation)
    if operation is None:
        answer.complaints.append("an operation that the document has not is answered")
    elif answer.data is not None:
        answer.complaints += shape.of(document, operation, asked.variables, answer.data)


def operation_of(document: DocumentNode, name: str | None) -> OperationDefinitionNode | None:
    """The operation that is meant (6.1, GetOperation); None where none is, or it is not told which."""
    found = [each for each in document.definitions if isinstance(each, OperationDefinitionNode)]
    if name is None:
        return found[0] if len(found) == 1 else None
    return next((each for each in found if each.name is not None and each.name.value == name), None)


def _nulls(answer: Answer, asked: Asked, shape: Shape) -> None:
    """6.4.4: a null that an error made further up than its path stands above nothing that could have been null itself."""
    document = asked.document()
    operation = operation_of(document, asked.operation) if document is not None else None
    if document is None or operation is None or answer.complaints:
        return
    for each in answer.errors:
        value, path = answer.data, each["path"]
        for at, step in enumerate(path):
            if value is None:
                if not shape.nulled(document, operation, path, at):
                    answer.complaints.append(f"a null further up than its error can have made it: {str(each)[:400]}")
                break
            value = value[step]


def _no_constant(text: str) -> None:
    raise ValueError(f"`{text}` is no number of JSON")


def schema_of(sdl: str) -> GraphQLSchema:
    """The schema, read from its language: nothing of the service stands behind it."""
    from graphql import build_schema

    return build_schema(sdl)
