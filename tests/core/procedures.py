"""Requests of a procedure for the tables: as they are on the wire, and as the core's questions. `ago` (seconds) stands for `at`."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

from fieldworthy.core.answer.procedure import ProcedureQuestion
from fieldworthy.wire.questions import procedure_question
from tests.core import books


def on_the_wire(request: Mapping[str, Any]) -> dict[str, Any]:
    """The request as it is sent: `ago` and `begun_ago` worked out, what every request has filled in."""
    sent = books.on_the_wire(request)
    now = datetime.fromisoformat(sent["now"])
    sent["done"] = [
        {k: v for k, v in {"at": (now - timedelta(seconds=d.get("ago", 0))).isoformat(), **d}.items() if k != "ago"}
        for d in sent.get("done", [])
    ]
    if "begun_ago" in sent:
        sent["begun"] = (now - timedelta(seconds=sent.pop("begun_ago"))).isoformat()
    return sent


def question_of(sent: Mapping[str, Any]) -> ProcedureQuestion:
    return procedure_question(sent)
