"""Readings that are kept, and those that are set aside, as the use cases see them."""

from typing import Protocol


class Readings(Protocol):
    """Meters and their readings, inside one transaction."""


class Aside(Protocol):
    """Readings that were set aside, inside one transaction."""
