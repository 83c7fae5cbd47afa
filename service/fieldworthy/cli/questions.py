"""From a request's file to an answer: here, or from a running service."""

import asyncio
import json
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from fieldworthy.cli.services import Place, http_client, place
from fieldworthy.cli.trouble import MOST_FINDINGS
from fieldworthy.cli.unanswerable import Unanswerable
from fieldworthy.core.base.finding import Finding
from fieldworthy.usecases.asking import Ask
from fieldworthy.usecases.check_draft import check_text
from fieldworthy.usecases.find_rulebook import BookCache, FindRulebook
from fieldworthy.usecases.limits import MAX_BODY_BYTES
from fieldworthy.usecases.refusals import DoesNotFit, RulebookHasErrors, TooLarge, shorten

TIMEOUT = 60.0


def read_file(name: str) -> bytes:
    """A file's bytes, or those of standard input for `-`. Raises OSError, TooLarge."""
    if name == "-":
        found = sys.stdin.buffer.read(MAX_BODY_BYTES + 1)
    else:
        with Path(name).open("rb") as file:
            found = file.read(MAX_BODY_BYTES + 1)
    if len(found) > MAX_BODY_BYTES:
        raise TooLarge(f"`{shorten(name)}`", MAX_BODY_BYTES, "bytes")
    return found


def answer(kind: str, request: str, rulebook: Path | None, url: str | None, now: str | None, profile: str | None = None) -> dict[str, Any]:
    """The answer in its wire form. kind: "due", "clearance", "procedure" or "parts". Raises Refusal, Refused, Unanswerable, OSError."""
    body = read_file(request)
    if rulebook is not None or now is not None:
        body = _completed(body, request, rulebook, now)
    return asked_here(kind, body) if url is None and profile is None else asked_there(kind, body, place(url, profile))


def _completed(body: bytes, name: str, rulebook: Path | None, now: str | None) -> bytes:
    """The request with what the options say in its place; read as strictly as the wire does, before it is written anew."""
    from fieldworthy.wire.reading import Unreadable, read_json

    try:
        request = read_json(body)
    except Unreadable as trouble:
        raise Unanswerable(f"`{shorten(name)}` is not JSON: {_placed(trouble.finding)}") from None
    if not isinstance(request, dict):
        raise Unanswerable(f"`{shorten(name)}` holds no JSON object; a request is one, with `machine` and what is asked")
    if rulebook is not None:
        request["rulebook"] = rulebook_data(rulebook)
    if now is not None:
        request["now"] = _moment(now)
    return json.dumps(request, ensure_ascii=False).encode("utf-8", "surrogatepass")


def rulebook_data(file: Path) -> Any:
    """A rulebook file as plain data. Raises RulebookHasErrors with the places in that file."""
    checked = check_text(read_file(str(file)))
    if checked.book is None:
        raise RulebookHasErrors(file.name, checked.findings)
    return checked.book.document


def _moment(text: str) -> str:
    if text != "now":
        return text
    from datetime import datetime

    return datetime.now().astimezone().isoformat(timespec="seconds")


def asked_here(kind: str, body: bytes) -> dict[str, Any]:
    """Answers from the document in the request, with no service and no database."""
    from fieldworthy.usecases.ask_clearance import AskClearance
    from fieldworthy.usecases.ask_due import AskDue
    from fieldworthy.usecases.ask_parts import AskParts
    from fieldworthy.usecases.ask_procedure import AskProcedure
    from fieldworthy.wire import requests
    from fieldworthy.wire.questions import clearance_question, parts_question, procedure_question
    from fieldworthy.wire.reading import Shape, Unreadable

    find = FindRulebook(None, BookCache())
    doors: dict[str, tuple[Shape[Any], Callable[[Any], Any], Ask[Any, Any]]] = {
        "due": (requests.DUE, lambda request: request, AskDue(find)),
        "clearance": (requests.CLEARANCE, clearance_question, AskClearance(find)),
        "parts": (requests.PARTS, parts_question, AskParts(find)),
        "procedure": (requests.PROCEDURE, procedure_question, AskProcedure(find)),
    }
    shape, to_core, ask = doors[kind]
    try:
        request = shape.read(body)
    except Unreadable as trouble:
        raise Unanswerable(_placed(trouble.finding)) from None
    source = request["rulebook"]
    if isinstance(source, str):
        raise Unanswerable(
            f"`{shorten(source)}` is kept by a service; say which with --url or --profile, or give the document with --rulebook FILE"
        )
    try:
        return asyncio.run(ask(source, to_core(request))).to_json()
    except DoesNotFit as refusal:  # lines and columns count within one expression here: the path says which
        refusal.findings = tuple(replace(f, line=None, column=None) for f in refusal.findings)
        raise


def asked_there(kind: str, body: bytes, there: Place) -> dict[str, Any]:
    """Asks a running service, once. Raises Unanswerable with what it said."""
    import httpx

    address = f"{there.url.rstrip('/')}/v1/{kind}"
    headers = {"content-type": "application/json"}
    if there.key is not None:
        headers["authorization"] = f"Bearer {there.key}"
    try:
        with http_client(there.url) as http:
            response = http.post(address, content=body, headers=headers, timeout=TIMEOUT)
    except httpx.TimeoutException:
        raise Unanswerable(f"no answer from {address} in {TIMEOUT:g} s; is the service well?") from None
    except (httpx.HTTPError, httpx.InvalidURL) as trouble:
        raise Unanswerable(f"{address} can't be reached ({trouble}); is `fieldworthy serve` running there?") from None
    try:
        said = response.json()
    except ValueError:
        said = None
    if response.status_code == 200 and isinstance(said, dict):
        return said
    if isinstance(said, dict) and "title" in said:
        errors = [e for e in said.get("errors") or [] if e.get("severity") != "warning"]
        head = f"{said.get('detail') or said['title']}; {said.get('mend') or 'see the places below'}"
        if len(errors) == 1 and errors[0].get("detail") == said.get("detail"):
            raise Unanswerable(f"{errors[0].get('pointer', '')}: {head}")
        places = "".join(f"\n  {e.get('pointer', '')}: {e.get('detail', '')}; {e.get('mend', '')}" for e in errors[:MOST_FINDINGS])
        more = f"\n  and {len(errors) - MOST_FINDINGS} more" if len(errors) > MOST_FINDINGS else ""
        raise Unanswerable(head + places + more)
    raise Unanswerable(f"{address} answered with status {response.status_code} and no JSON; is it this service?")


def _placed(finding: Finding) -> str:
    place = f"line {finding.line}, column {finding.column}: " if finding.line is not None else ""
    return f"{place}{finding.message}; {finding.mend}"
