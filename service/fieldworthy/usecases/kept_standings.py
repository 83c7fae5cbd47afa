"""Standings that are kept ready, as the use cases see them."""

from typing import Protocol


class Standings(Protocol):
    """The standings of the fleet, inside one transaction."""
