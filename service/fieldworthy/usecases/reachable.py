"""Which addresses a listener may have: public ones, and those of networks that whoever runs the service names. Pure: nothing is resolved.

A listener's address comes from a stranger, and the service stands where a stranger does not: beside databases, routers and the page of a
cloud host that hands out credentials. So an address is looked at twice. When a listener is kept, its text must be one that can be read in
one way only. When something is sent, the host is resolved once, the number that comes out is looked at here, and that number is called.
"""

import re
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network

from fieldworthy.usecases.loopback import is_loopback

Address = IPv4Address | IPv6Address
Network = IPv4Network | IPv6Network

MOST_URL = 2000
"""Characters of a listener's address."""

_HTTPS = 443
_HTTP = 80
_RESERVED = 1024
"""Ports below it belong to services of the system, none of which is a receiver of events but that of HTTPS."""

_NEVER = frozenset(
    map(
        ip_address,
        # Common practice of cloud hosts, from memory: where a host answers its guests about themselves. The last one is a public number.
        ("169.254.169.254", "169.254.170.2", "fd00:ec2::254", "100.100.100.200", "192.0.0.192", "168.63.129.16"),
    )
)

_GLOBAL_6 = IPv6Network("2000::/3")  # RFC 4291, 2.4 and the registry of IPv6 address space: all else is not given out
_NOT_GLOBAL = tuple(
    map(
        ip_network,
        (
            # of the IANA special-purpose registries (RFC 6890) those that `is_global` of some Python from 3.11 on leaves open
            *("192.0.0.0/24", "192.88.99.0/24", "198.18.0.0/15", "240.0.0.0/4", "224.0.0.0/4", "100.64.0.0/10"),
            *("2001::/23", "2001:db8::/32", "2002::/16", "3fff::/20", "2620:4f:8000::/48"),
        ),
    )
)
_CARRIES_4 = (IPv6Network("64:ff9b::/96"), IPv6Network("::/96"))  # NAT64 (RFC 6052, 2.1); IPv4-compatible (RFC 4291, 2.5.5.1)

_LABEL = r"[a-z0-9_](?:[a-z0-9_-]{0,61}[a-z0-9_])?"
_NAME = re.compile(rf"(?:{_LABEL}\.)*{_LABEL}\Z")
_NUMBER = re.compile(r"(?:0x[0-9a-f]*|[0-9]+)\Z")  # what some resolvers read as a number when it is the last label
_URL = re.compile(
    r"(?P<scheme>https?)://"
    r"(?P<host>\[[0-9a-f:.]+\]|[a-z0-9._-]+)"
    r"(?::(?P<port>[0-9]{1,5}))?"
    r"(?P<target>/[!$&-;=?@A-Z_a-z~%]*|)\Z"
)


@dataclass(frozen=True, slots=True)
class Receiver:
    """Where something is sent. host: a name or a number without brackets, small letters; target: path and query, from `/` on."""

    scheme: str
    host: str
    port: int
    target: str

    @property
    def authority(self) -> str:
        """As the `Host` header says it (RFC 9110, 7.2)."""
        shown = f"[{self.host}]" if ":" in self.host else self.host
        usual = _HTTPS if self.scheme == "https" else _HTTP
        return shown if self.port == usual else f"{shown}:{self.port}"


class NotReachable(ValueError):
    """It can't be a listener's address. why: without the address; mend: the way out."""

    def __init__(self, why: str, mend: str) -> None:
        self.why = why
        self.mend = mend
        super().__init__(f"{why}; {mend}")


_MEND = "write it as `https://farm.example/events`, in small letters, without name, password or `#`"
_MEND_PUBLIC = "give the address of a receiver on the public internet; whoever runs the service can allow networks of its own"


@dataclass(frozen=True, slots=True)
class Reach:
    """What may be reached. networks: beside all that is public; those may be asked by plain HTTP too, and on any port."""

    networks: tuple[Network, ...] = ()

    def receiver(self, url: str) -> Receiver:
        """What an address says. Raises NotReachable where it can't be read in one way only, or its number or port is not allowed."""
        if len(url) > MOST_URL:
            raise NotReachable(f"it is longer than {MOST_URL} characters", _MEND)
        if "@" in url.split("//", 1)[-1].split("/", 1)[0]:
            raise NotReachable("it holds a name or a password, which would stand in logs", _MEND)
        found = _URL.match(url)
        if found is None:
            raise NotReachable("it can't be read", _MEND)
        scheme, written = found["scheme"], found["host"]
        port = int(found["port"] or (_HTTPS if scheme == "https" else _HTTP))
        if not 0 < port < 2**16:
            raise NotReachable(f"there is no port {port}", _MEND)
        number, host = _host(written)
        if number is not None:
            self.check(number, scheme, port)
        elif not self.networks:
            self._check_public(scheme, port)  # with networks of one's own a name may mean one of those: seen when it is resolved
            if is_loopback(host) or host.endswith(".localhost"):
                raise NotReachable(f"`{host}` means the service's own machine", _MEND_PUBLIC)
        return Receiver(scheme, host, port, found["target"] or "/")

    def check(self, address: Address, scheme: str, port: int) -> None:
        """Whether that number may be called. Raises NotReachable."""
        meant = _meant(address)
        if any(each in _NEVER for each in meant):
            raise NotReachable("that is where a cloud host hands out what belongs to the service", _MEND_PUBLIC)
        if all(self._is_named(each) for each in meant):
            return
        if not all(_is_public(each) for each in meant):
            raise NotReachable("that address is not on the public internet", _MEND_PUBLIC)
        self._check_public(scheme, port)

    def _is_named(self, address: Address) -> bool:
        return any(address in network for network in self.networks if network.version == address.version)

    @staticmethod
    def _check_public(scheme: str, port: int) -> None:
        if scheme != "https":
            raise NotReachable("over the public internet events go by `https` alone", _MEND)
        if port != _HTTPS and port < _RESERVED:
            raise NotReachable(
                f"port {port} belongs to another service", f"let the receiver listen at port 443, or at one from {_RESERVED} on"
            )


def read_networks(text: str) -> tuple[Network, ...]:
    """Networks with commas between, as in `10.1.0.0/16, fd12::/32`. Raises ValueError."""
    return tuple(ip_network(part.strip()) for part in text.split(",") if part.strip())


def _host(written: str) -> tuple[Address | None, str]:
    """The number that a host is, None for a name; and the host as it is asked for."""
    try:
        if written.startswith("["):
            number: Address = IPv6Address(written[1:-1])
            return number, str(number)
        if _NUMBER.match(written.rstrip(".").rpartition(".")[2]):  # never a name (WHATWG URL, "ends in a number")
            four = IPv4Address(written)  # four numbers, no octal and no hexadecimal ones
            return four, str(four)
    except ValueError:
        raise NotReachable(
            "its number can't be read in one way only", "write four decimal numbers, or an IPv6 address in brackets"
        ) from None
    if not _NAME.match(written) or len(written) > 253:
        raise NotReachable("its host is no name", _MEND)
    return None, written


def _meant(address: Address) -> tuple[Address, ...]:
    """The number itself, or the older kind of number that it only carries."""
    if isinstance(address, IPv4Address):
        return (address,)
    if address.ipv4_mapped is not None:
        return (address.ipv4_mapped,)
    if any(address in network for network in _CARRIES_4) and int(address) > 1:
        return (address, IPv4Address(int(address) & 0xFFFFFFFF))
    if address.sixtofour is not None:  # RFC 3056: whatever carries it there takes it out
        return (address, address.sixtofour)
    return (address,)


def _is_public(address: Address) -> bool:
    if isinstance(address, IPv6Address) and address in _CARRIES_4[0]:
        return True  # as public as what it carries, which is looked at beside it
    if isinstance(address, IPv6Address) and (address not in _GLOBAL_6 or address.scope_id is not None):
        return False
    return address.is_global and not any(address in network for network in _NOT_GLOBAL if network.version == address.version)
