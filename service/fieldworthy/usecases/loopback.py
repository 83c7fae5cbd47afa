"""Which addresses mean the machine itself."""

from ipaddress import ip_address


def is_loopback(host: str) -> bool:
    """Whether only programs on this machine can reach that address (RFC 1122, 3.2.1.3; RFC 4291, 2.5.3), or it is `localhost`."""
    if host == "localhost":
        return True
    try:
        return ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False
