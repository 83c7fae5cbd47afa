"""What Schemathesis is told beside the contract; it loads this module by itself (`SCHEMATHESIS_HOOKS`)."""

import json
from typing import Any

import schemathesis

LINES = "application/jsonl"
PACKED = ("gzip", "x-gzip", "zstd")
TAGGED = ("if-match", "if-none-match")


@schemathesis.hook
def before_load_schema(context: Any, raw_schema: dict[str, Any]) -> None:
    """
    A body of JSON Lines is a text in the contract. Here it is what its lines hold: of readings a list of them; of a batch anything, for a
    line that does not fit is answered in its place.
    """
    paths = raw_schema["paths"]
    reading = {"$ref": "#/components/schemas/SentReadingIn"}
    paths["/v1/readings"]["post"]["requestBody"]["content"][LINES] = {"schema": {"type": "array", "items": reading, "maxItems": 20}}
    paths["/v1/due/batch"]["post"]["requestBody"]["content"][LINES]["schema"] = {}


@schemathesis.serializer(LINES)
def lines(context: Any, value: Any) -> bytes:
    """Each item of a list as a line; a text as it is (the contract's example)."""
    if isinstance(value, str):
        return value.encode("utf-8", "surrogatepass")
    return b"\n".join(json.dumps(line).encode() for line in (value if isinstance(value, list) else [value]))


@schemathesis.hook
def before_call(context: Any, case: Any, kwargs: Any) -> None:
    """
    No body is said to be packed, for none is; packed ones have tests of their own (tests/keep/test_readings_wire.py). And where
    Schemathesis (4.32) finds no text for a pattern it sends the number 0 as if it fitted: in its place goes what always does.
    """
    for name, value in dict(case.headers or {}).items():
        if name.lower() == "content-encoding" and str(value).strip().lower() in PACKED:
            case.headers[name] = "identity"
        elif name.lower() in TAGGED and value in (0, "0") and case.meta.generation.mode.is_positive:
            case.headers[name] = "*"
