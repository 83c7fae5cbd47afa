"""The contract: OpenAPI 3.1, made from the routes and the shapes."""

import json
from collections.abc import Mapping
from typing import Any, Literal

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from pydantic import BaseModel, TypeAdapter

from fieldworthy import __version__
from fieldworthy.rest import in_common, retiring
from fieldworthy.rest.admission import SCHEME
from fieldworthy.rest.examples import EXAMPLES
from fieldworthy.rest.quota import HEADERS
from fieldworthy.usecases.keys import SAYS, KeyScope
from fieldworthy.wire import (
    answers,
    audit_answers,
    event_answers,
    feed_shapes,
    fleet_answers,
    kept_answers,
    listener_answers,
    procedure_answers,
    readings_answers,
    requests,
    shelf_answers,
    telematics_answers,
    work_answers,
)
from fieldworthy.wire.problems import Problem, QuotaProblem

DESCRIPTION = """Rulebooks for the upkeep of farm machinery, and the answers drawn from them: what is due, whether a step may start,
what to take along. A machine and its history come with each question, or are kept here and asked about by its id.

Every answer says which rulebook, version and digest it was drawn from, and why. What is not known is answered as not known. Times are
RFC 3339 with their offset; amounts carry their unit; every refusal is a problem (RFC 9457, `application/problem+json`) with a stable
`type`. Every answer, a refusal too, says its `X-Request-Id`. Clients ignore members and codes that they do not know.

It advises people and controls no machine: the machine's own handbook, local law and employer's rules, and trained judgement come
first; never rely on it alone where someone can be hurt."""

TAGS = [
    {"name": "evaluate", "description": "Questions. Stateless: an answer is a function of the request and a rulebook."},
    {"name": "rulebooks", "description": "Checking, drafting, publishing, reading and comparing rulebooks."},
    {"name": "machines", "description": "Machines that are kept: who they are, where they stand, whose rules they are kept by."},
    {"name": "told", "description": "What is told of a kept machine: corrected and withdrawn by later states, never overwritten."},
    {"name": "open work", "description": "Work on a machine: asked, opened, handed over and closed, one transaction a deed."},
    {"name": "readings", "description": "What the meters showed: many at once, what was set aside and why, what is kept."},
    {"name": "due", "description": "What is due by what is kept: on one machine, and over the fleet."},
    {"name": "events", "description": "What happened, as CloudEvents."},
    {"name": "calendars", "description": "What is due as a calendar feed (iCalendar), with a key or by a link of its own."},
    {"name": "exports", "description": "Tables: CSV and Apache Parquet."},
    {"name": "listeners", "description": "Who is told, of what, and what became of it: for who administers an organisation."},
    {"name": "audit", "description": "Who changed what, and when: for who administers an organisation."},
    {"name": "operate", "description": "For whoever runs the service."},
]


SERVER = {
    "url": "/",
    "description": "The service that this document came from: in production, in staging, or a local one",
    "x-internal": False,
}

SECURITY = {
    SCHEME: {
        "type": "http",
        "scheme": "bearer",
        "bearerFormat": "fw_…",
        "description": "`Authorization: Bearer` and a key of your organisation (`fieldworthy key create`). Each operation names the scope "
        "that its key needs; none holds another: "
        + "; ".join(f"`{scope}`: {SAYS[scope]}" for scope in KeyScope)
        + ". Where the service is told of an issuer of tokens, a JWT of that issuer (RFC 7519) stands in a key's place. A service that "
        "runs with `--open` asks for none.",
    }
}


def contract(app: FastAPI) -> dict[str, Any]:
    """The whole document, as plain data."""
    made = get_openapi(
        title="Fieldworthy",
        version=__version__,
        openapi_version="3.1.0",
        summary="What is due on a machine, whether a step may start, what to take along",
        description=DESCRIPTION,
        routes=app.routes,
        tags=TAGS,
        servers=[SERVER],
        contact={"name": "Whoever runs the service that is asked"},
        license_info={"name": "Apache License 2.0", "identifier": "Apache-2.0"},
    )
    parts = {"schemas": _schemas(), "headers": {**HEADERS, **in_common.HEADERS, **_retiring(made["paths"])}, "securitySchemes": SECURITY}
    made["components"] = {**made.get("components", {}), **parts}
    made["security"] = [{SCHEME: []}]  # each operation says which scope, and those that anybody may ask that they need none
    for methods in made["paths"].values():
        for operation in methods.values():
            _show(operation)
    made["components"]["responses"] = in_common.share(made["paths"])
    return made


def _retiring(paths: Mapping[str, Any]) -> Mapping[str, Any]:
    """The headers of what goes, where anything does."""
    operations = [operation for methods in paths.values() for operation in methods.values()]
    going = [operation for operation in operations if retiring.is_any(operation)]
    for operation in going:
        operation.pop(retiring.MEMBERS, None)  # each stands at its member
    return retiring.HEADERS if going else {}


def _show(operation: dict[str, Any]) -> None:
    """Puts the operation's example in (here, because the framework drops what is null)."""
    example = EXAMPLES.get(operation["operationId"])
    if example is None:
        return
    answered = operation["responses"][str(example.status)]["content"]
    if example.answer_type in answered:
        answered[example.answer_type]["example"] = example.answer
    if example.body is not None:
        operation["requestBody"]["content"][example.body_type]["example"] = example.body
    for parameter in operation.get("parameters", ()):
        if parameter["name"] in example.parameters:
            given = example.parameters[parameter["name"]]
            parameter["example"] = int(given) if parameter["schema"]["type"] == "integer" else given


def _schemas() -> dict[str, Any]:
    inputs: list[tuple[str, Literal["validation", "serialization"], TypeAdapter[Any]]] = [
        (s.name, "validation", s.adapter) for s in requests.ALL
    ]
    models: tuple[type[BaseModel], ...] = (
        *answers.ALL,
        *procedure_answers.ALL,
        *shelf_answers.ALL,
        *work_answers.ALL,
        *fleet_answers.ALL,
        *kept_answers.ALL,
        *listener_answers.ALL,
        *readings_answers.ALL,
        *telematics_answers.ALL,
        *audit_answers.ALL,
        *feed_shapes.ALL,
        *event_answers.ALL,
        Problem,
        QuotaProblem,
    )
    inputs += [(m.__name__, "validation", TypeAdapter(m)) for m in models]
    tops, defs = TypeAdapter.json_schemas(inputs, ref_template="#/components/schemas/{model}")
    schemas: dict[str, Any] = dict(defs.get("$defs", {}))
    for (name, _), schema in tops.items():
        if "$ref" not in schema:
            schemas[str(name)] = schema
    tidy = {name: _tidy(schema) for name, schema in schemas.items()}
    return dict(sorted(tidy.items()))


def _tidy(node: Any) -> Any:
    """Without the titles that only repeat a member's name; with the format that generators of clients ask of whole numbers."""
    if isinstance(node, dict):
        tidy = {k: _tidy(v) for k, v in node.items() if not (k == "title" and isinstance(v, str))}
        if tidy.get("type") == "integer" and "maximum" in tidy:
            tidy.setdefault("format", "int32" if tidy["maximum"] < 2**31 else "int64")
        return tidy
    return [_tidy(v) for v in node] if isinstance(node, list) else node


def install(app: FastAPI) -> None:
    """Makes `app.openapi()` give the contract, made once."""

    def made() -> dict[str, Any]:
        if app.openapi_schema is None:
            app.openapi_schema = contract(app)
        return app.openapi_schema

    app.openapi = made  # type: ignore[method-assign]


def text(app: FastAPI) -> str:
    """The contract as it is committed."""
    return json.dumps(app.openapi(), indent=1, ensure_ascii=False) + "\n"
