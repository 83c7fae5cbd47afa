"""Counters of a machine's bus in a request: which counter, its raw number or its bytes, and whose it is."""

from typing import Annotated, NotRequired

from pydantic import Field, with_config
from typing_extensions import TypedDict

from fieldworthy.usecases.limits import MAX_READINGS
from fieldworthy.wire.scalars import STRICT, Name, When, Whole

_HEX = r"^[0-9A-Fa-f]{2}(?: ?[0-9A-Fa-f]{2})*$"


@with_config(STRICT)
class CounterIn(TypedDict):
    """One counter. Exactly one of `spn` and `ddi`, and exactly one of `raw` and `bytes`."""

    machine: Name
    meter: Name
    at: When
    spn: NotRequired[Annotated[Whole, Field(description="suspect parameter number of SAE J1939", ge=0, le=2**31 - 1)]]
    ddi: NotRequired[Annotated[Whole, Field(description="data dictionary identifier of ISO 11783-11", ge=0, le=65535)]]
    raw: NotRequired[Annotated[Whole, Field(description="the number as it was sent, unscaled", ge=0, le=2**32 - 1)]]
    bytes: NotRequired[
        Annotated[
            str,
            Field(
                strict=True,
                max_length=40,
                pattern=_HEX,
                description="its bytes in hex, the least significant first: `70 17 00 00`",
            ),
        ]
    ]


@with_config(STRICT)
class CountersIn(TypedDict):
    """Counters of machines' buses, in any order."""

    readings: Annotated[list[CounterIn], Field(max_length=MAX_READINGS)]
