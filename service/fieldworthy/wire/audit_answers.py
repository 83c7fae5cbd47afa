"""The published shapes of the audit trail."""

from typing import Annotated, Any

from pydantic import BaseModel, Field

from fieldworthy.usecases.audit import NOTED, WAYS
from fieldworthy.wire.closed import Closed, Time
from fieldworthy.wire.kept_answers import Next

_Text = Annotated[str, Field(max_length=1000)]
Way = Annotated[str, Field(json_schema_extra={"enum": list(WAYS)})]
Noted = Annotated[str, Field(json_schema_extra={"enum": sorted(NOTED)})]
Told = Annotated[dict[str, Any] | None, Field(description="null: nothing was there, or is no more")]


class WhoChanged(Closed):
    """
    way: with a key, with a token, by a command on the database, from anybody while there are no keys, or of the service's own accord. id:
    the key's, or the token's subject; name: the key's; by: the person whom the request named.
    """

    way: Way
    id: _Text | None
    name: _Text | None
    by: _Text | None


class AuditLine(Closed):
    """
    One change. number: from 1, in the order in which changes were committed, without a gap; at: since when what was changed is known so;
    id: of the thing that changed (a machine's, a record's, a key's, ...); machine: whose it is. Secrets are in none.
    """

    number: Annotated[int, Field(ge=1, le=2**63 - 1, json_schema_extra={"format": "int64"})]
    at: Time
    who: WhoChanged
    kind: Noted
    id: _Text | None
    machine: _Text | None
    before: Told
    after: Told


class AuditPage(Closed):
    """A page of the trail, the newest change first."""

    items: Annotated[list[AuditLine], Field(max_length=200)]
    next: Next


ALL: tuple[type[BaseModel], ...] = (AuditPage,)
