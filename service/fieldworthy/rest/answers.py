"""How an answer is written: bytes of JSON, made once."""

from collections.abc import Mapping
from typing import Any

import orjson
from starlette.responses import Response

from fieldworthy.wire.problems import MEDIA_TYPE

JSON = "application/json"


def json_answer(data: Any, status: int = 200, headers: Mapping[str, str] | None = None) -> Response:
    """Plain data as JSON."""
    return Response(orjson.dumps(data), status, dict(headers) if headers else None, JSON)


def problem_answer(problem: Mapping[str, Any], headers: Mapping[str, str] | None = None) -> Response:
    """A problem with its own status; never kept by a cache."""
    return Response(orjson.dumps(problem, default=str), problem["status"], {**(headers or {}), "cache-control": "no-store"}, MEDIA_TYPE)
