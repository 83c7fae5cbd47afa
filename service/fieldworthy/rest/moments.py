"""Moments in the query of an address, as the contract tells of them."""

from fieldworthy.rest.described import query_parameter

MOMENT = {"type": "string", "format": "date-time", "maxLength": 40}
AS_OF = query_parameter(
    "as_of", "as it was known at that moment; absent: as it is known now", {"type": "string", "maxLength": 40, "format": "date-time"}
)
