"""What is sent of events: CloudEvents 1.0 as JSON to software, plain text to people."""

import json
from collections.abc import Mapping, Sequence
from typing import Any

from fieldworthy.core.base.micros import at_micros
from fieldworthy.usecases.deliveries import Claim
from fieldworthy.usecases.events import Event
from fieldworthy.usecases.letters import one_line
from fieldworthy.usecases.sending import Letter, Parcel

ONE = "application/cloudevents+json"
SEVERAL = "application/cloudevents-batch+json"
"""Media types of CloudEvents 1.0, JSON format, sections 3 and 4."""

MOST_TOLD = 60
"""Events that one mail tells in full; it says how many more there are."""

_FOOT = (
    "This mail was written by Fieldworthy, because somebody who administers your organisation asked for it.",
    "It advises and controls nothing. The machine's own handbook, local law and people who are trained for the work come first.",
)


def parcel_of(claim: Claim, secrets: Sequence[str]) -> Parcel:
    """What goes to software: one event, or the list of a digest. The same bytes at every attempt."""
    url = claim.listener.choice.url
    assert url is not None  # a listener has an address for mail or this one
    told: Any = [event.to_json() for event in claim.events] if claim.is_digest else claim.events[0].to_json()
    body = json.dumps(told, ensure_ascii=False, separators=(",", ":")).encode()
    return Parcel(url, claim.id, SEVERAL if claim.is_digest else ONE, body, secrets)


def letter_of(claim: Claim) -> Letter:
    """What goes to people."""
    to = claim.listener.choice.email
    assert to is not None
    first = _headline(claim.events[0])
    subject = first if len(claim.events) == 1 else f"{len(claim.events)} events, the first: {first}"
    told = [_told(event) for event in claim.events[:MOST_TOLD]]
    if len(claim.events) > MOST_TOLD:
        told.append(f"And {len(claim.events) - MOST_TOLD} more, which `GET /v1/events` lists.")
    return Letter(to, claim.id, one_line(subject), "\n\n".join((*told, "\n".join(("-- ", *_FOOT)))) + "\n")


def _headline(event: Event) -> str:
    """As in `r5-17: Grease the roller bearings: overdue`."""
    data = _data(event)
    what = {
        "fieldworthy.task.done": "done",
        "fieldworthy.deferral.used": "put off",
        "fieldworthy.machine.unfit": "not fit for work",
        "fieldworthy.machine.fit": "fit for work",
        "fieldworthy.meter.silent": "no reading for a while",
        "fieldworthy.readings.set_aside": "readings set aside",
        "fieldworthy.rulebook.published": "a rulebook was published",
        "fieldworthy.listener.test": "a test",
    }.get(event.type, event.standing or event.type.rpartition(".")[2].replace("_", " "))
    title = data.get("title") or event.task or data.get("meter")
    return ": ".join(str(part) for part in (event.machine_id, title, what) if part)


def _told(event: Event) -> str:
    """An event in a few lines."""
    data = _data(event)
    lines = [_headline(event), f"  at {at_micros(event.at):%Y-%m-%d %H:%M} UTC ({event.type}, {event.id})"]
    if event.site:
        lines.append(f"  site: {one_line(event.site)}")
    because = data.get("because")
    for reason in because if isinstance(because, list) else ():
        text = reason.get("text") if isinstance(reason, Mapping) else None
        if text:
            lines.append(f"  {one_line(str(text), 1000)}")
    book = data.get("rulebook")
    if isinstance(book, Mapping) and book.get("name"):
        lines.append(f"  by the rulebook {one_line(str(book['name']))}, version {book.get('version')}")
    if data.get("disclaimer"):
        lines.append(f"  {one_line(str(data['disclaimer']), 1000)}")
    return "\n".join(one_line(line, 1100) if i == 0 else line for i, line in enumerate(lines))


def _data(event: Event) -> Mapping[str, Any]:
    found = json.loads(event.body)
    return found if isinstance(found, dict) else {}
