"""The Python client: what the service answers, from a script, plain or async.

    from fieldworthy.client import Client

    with Client("https://fieldworthy.example", key="…") as service:
        for task in service.fleet_due(standing="overdue,due"):
            print(task["machine"], task["title"], task["standing"])

It needs httpx and nothing else of the service: no web framework, no database, no pydantic. Requests and answers are the plain JSON of the
contract; `fieldworthy.client.shapes` has their types.
"""

from fieldworthy.client.batch import BatchAnswer, DueOfLine, RefusedLine
from fieldworthy.client.clients import AsyncClient, Client
from fieldworthy.client.errors import (
    Conflict,
    Failed,
    FieldworthyError,
    NotAllowed,
    NotFound,
    PreconditionFailed,
    Refused,
    Unavailable,
)
from fieldworthy.client.listeners import DeliveryFilter, ListenerRead
from fieldworthy.client.machines import FleetFilter, MachineKept, MachineRead
from fieldworthy.client.posted import Posted
from fieldworthy.client.records import RecordKept, RecordRead, Told
from fieldworthy.client.retries import Clock, Retries
from fieldworthy.client.rulebooks import DraftKept, DraftText

__all__ = [
    "AsyncClient",
    "BatchAnswer",
    "Client",
    "Clock",
    "Conflict",
    "DeliveryFilter",
    "DraftKept",
    "DraftText",
    "DueOfLine",
    "Failed",
    "FieldworthyError",
    "FleetFilter",
    "ListenerRead",
    "MachineKept",
    "MachineRead",
    "NotAllowed",
    "NotFound",
    "Posted",
    "PreconditionFailed",
    "RecordKept",
    "RecordRead",
    "Refused",
    "RefusedLine",
    "Retries",
    "Told",
    "Unavailable",
]
