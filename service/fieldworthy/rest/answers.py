"""How an answer is written: bytes of JSON, made once."""

from collections.abc import Mapping
from functools import partial
from typing import Any

import orjson
from starlette.responses import Response

from fieldworthy.usecases.ask_due import due
from fieldworthy.wire.problems import MEDIA_TYPE

JSON = "application/json"

written_due = partial(due, embed=orjson.Fragment)
"""What is due, for a door that writes its answer with orjson: text that is JSON already goes in as it is."""


def json_answer(data: Any, status: int = 200, headers: Mapping[str, str] | None = None) -> Response:
    """Plain data as JSON."""
    return Response(orjson.dumps(data), status, dict(headers) if headers else None, JSON)


def problem_answer(problem: Mapping[str, Any], headers: Mapping[str, str] | None = None) -> Response:
    """A problem with its own status; never kept by a cache."""
    return Response(orjson.dumps(problem, default=str), problem["status"], {**(headers or {}), "cache-control": "no-store"}, MEDIA_TYPE)
