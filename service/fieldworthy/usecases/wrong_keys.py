"""How many wrong keys may come from one address. In memory, of each process for itself.

Nobody guesses one of 2^256 secrets; what this limits is what guessing costs: each wrong key that is well formed is a question to the
store. Behind a proxy everybody comes from one address, so an address is never shut: keys that were seen to work are taken as before, and
only those that this process has not seen to work wait until the next wrong one may come.

A token that an issuer signed, and that is refused all the same, is counted by its subject instead (`usecases.tokens`).
"""

import ipaddress
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from math import ceil

MINUTE = 60  # s
MOST_ADDRESSES = 10_000
"""That are remembered, and as many subjects; the one from which nothing wrong came for longest is forgotten first."""

_IPV6_OF_ONE = 64
"""Bits of an IPv6 address that one household or host is given; it may take any address with the same."""


@dataclass(slots=True)
class _Seen:
    level: float
    at: float


class Buckets:
    """A bucket for each source: full at first, emptied by what is noted, filled again evenly."""

    def __init__(self, most: int, tick: Callable[[], float] = time.monotonic) -> None:
        """most: at once, and a minute; tick: s that never run back."""
        self.most = most
        self._tick = tick
        self._seen: OrderedDict[str, _Seen] = OrderedDict()

    def wait(self, source: str) -> int:
        """Whole s until another may come; 0: now."""
        seen = self._seen.get(source)
        if seen is None:
            return 0
        missing = 1 - self._level(seen)
        return ceil(missing * MINUTE / self.most) if missing > 0 else 0

    def note(self, source: str) -> None:
        """One came."""
        seen = self._seen.pop(source, None)
        level = float(self.most) if seen is None else self._level(seen)
        self._seen[source] = _Seen(max(level - 1, 0.0), self._tick())
        while len(self._seen) > MOST_ADDRESSES:
            self._seen.popitem(last=False)

    def _level(self, seen: _Seen) -> float:
        return min(self.most, seen.level + (self._tick() - seen.at) * self.most / MINUTE)


class WrongKeys(Buckets):
    """Those of addresses, emptied by wrong keys."""

    def wait(self, address: str) -> int:
        return super().wait(source_of(address))

    def note(self, address: str) -> None:
        super().note(source_of(address))


def source_of(address: str) -> str:
    """An address as far as it tells one caller from another."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return ""  # of a socket without one
    if isinstance(found, ipaddress.IPv4Address):
        return str(found)
    if found.ipv4_mapped is not None:
        return str(found.ipv4_mapped)
    return str(ipaddress.ip_network((found, _IPV6_OF_ONE), strict=False))
