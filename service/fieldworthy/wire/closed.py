"""What the published shapes of answers are made of. Answers are written by hand from the core's values; a test validates real ones.

No member has a default, so that none looks optional to a generated client: where there is nothing to say, a member is null or empty.
"""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

CLOSED = ConfigDict(extra="forbid", populate_by_name=True, allow_inf_nan=False, defer_build=True)  # built for the contract only

Text = Annotated[str, Field(max_length=20_000)]
Id = Annotated[str, Field(max_length=200)]
Time = Annotated[str, Field(max_length=40, json_schema_extra={"format": "date-time"})]
Date = Annotated[str, Field(max_length=10, json_schema_extra={"format": "date"})]
Count = Annotated[int, Field(ge=0, le=2**31 - 1, json_schema_extra={"format": "int32"})]
Version = Annotated[int, Field(ge=1, le=2**31 - 1, json_schema_extra={"format": "int32"})]
Digest = Annotated[str, Field(description="SHA-256 of the canonical JSON (RFC 8785)", pattern=r"^sha256:[0-9a-f]{64}$", max_length=71)]
Real = Annotated[float, Field(allow_inf_nan=False)]


class Closed(BaseModel):
    """An object that has these members and no other."""

    model_config = CLOSED


class Provenance(Closed):
    """The rulebook that an answer was drawn from. version: null for a document that was sent along."""

    name: Id
    version: Version | None
    digest: Digest


class Reason(Closed):
    """One step of the explanation: `code` and `values` for programs, `text` for people."""

    code: Id
    text: Text
    values: Annotated[dict[str, Any], Field(description="what the sentence speaks of")]


class Quantity(Closed):
    """A value and its unit."""

    value: Real
    unit: Id


class Finding(Closed):
    """What a check reports."""

    severity: Literal["error", "warning"]
    code: Id
    path: Annotated[str, Field(description="JSON Pointer (RFC 6901)", max_length=4000)]
    line: Version | None
    column: Version | None
    message: Text
    mend: Text
    trace: Annotated[
        dict[str, Any] | None,
        Field(description='{"start", "steps", "hazard"}: a shortest way to a hazard (or, null, to what else is wrong)'),
    ]
