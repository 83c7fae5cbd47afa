"""Who may ask a service without keys: programs of this machine, and no page of another site that a browser on it has open.

A web page can send requests to an address of the machine that it is shown on. What it sends to `localhost` says in `Origin` which site it
is of; and a site whose name is made to mean this machine once its page is loaded (DNS rebinding) stands in `Host` under its own name. Both
are looked at here: the first always, the second unless the service may be asked from beyond this machine, where it can't know its names.
"""

import re
from collections.abc import Collection

from starlette.requests import Request

from fieldworthy.usecases.audit import OPEN, Actor
from fieldworthy.usecases.kept import HOME
from fieldworthy.usecases.key_refusals import FromElsewhere
from fieldworthy.usecases.keys import Caller, KeyScope
from fieldworthy.usecases.loopback import is_loopback

_HOST = re.compile(r"(?:\[([0-9a-f:.]+)\]|([a-z0-9.-]+))(?::[0-9]{1,5})?\Z")


class Neighbours:
    """Implements `admission.Admission`: no keys, whoever asks from here may do all."""

    def __init__(self, any_host: bool = False, named: Collection[str] = ()) -> None:
        """any_host: whether it may be called by any name, as behind something that keeps strangers out; named: whose pages may ask."""
        self._any_host = any_host
        self._named = frozenset(named)
        self._caller = Caller(HOME, Actor(OPEN), frozenset(KeyScope))

    async def __call__(self, request: Request, needs: KeyScope | None, again: bool = False) -> Caller:
        """Raises FromElsewhere."""
        hosts, origins = (_all(request, name) for name in (b"host", b"origin"))
        if not self._any_host and not all(map(is_here, hosts)):  # where there is none it was no browser
            raise FromElsewhere("the request's `Host` is not this machine, as `localhost` or `127.0.0.1` is")
        if any(origin not in self._named and [origin.partition("://")[2]] != hosts for origin in origins):
            raise FromElsewhere("a web page of another site sent the request, as its `Origin` says")
        return self._caller

    async def charge(self, request: Request, more: int) -> None:
        """Nothing is counted here."""


def is_here(host: str) -> bool:
    """Whether a `Host` (RFC 9110, 7.2) is a name or an address that means the machine itself, whoever looks it up."""
    found = _HOST.match(host)
    return found is not None and is_loopback(found[1] or found[2])


def _all(request: Request, name: bytes) -> list[str]:
    return [value.decode("latin-1").lower() for key, value in request.scope["headers"] if key == name]
