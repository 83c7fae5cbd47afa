"""Which running service a command talks to, and with whose key."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Annotated, Any

import typer

from fieldworthy.cli.unanswerable import Unanswerable

if TYPE_CHECKING:
    import httpx

    from fieldworthy.client import Client

URL_VARIABLE = "FIELDWORTHY_URL"


def _names(incomplete: str) -> list[str]:
    """Profiles, for a shell that completes their name."""
    from fieldworthy.cli.profile_file import read_profiles

    try:
        return [p.name for p in read_profiles().items if p.name.startswith(incomplete)]
    except (Unanswerable, OSError):
        return []


Url = Annotated[
    str | None, typer.Option("--url", "-u", help="ask this running service, as in `http://127.0.0.1:8000`; with the key FIELDWORTHY_KEY")
]
ProfileName = Annotated[
    str | None, typer.Option("--profile", "-p", metavar="NAME", autocompletion=_names, help="ask the service of this `fieldworthy profile`")
]
WHICH = "Without --url and --profile it is FIELDWORTHY_URL, else the default profile, else http://127.0.0.1:8000."


@dataclass(frozen=True, slots=True)
class Place:
    """A service's address, and the key that it is shown."""

    url: str
    key: str | None = field(repr=False)


def place(url: str | None, profile: str | None) -> Place:
    """Where to ask. Raises Unanswerable where nothing can be asked there, or a key would be sent for others to read."""
    from fieldworthy.cli.profile_file import read_profiles

    if url is not None and profile is not None:
        raise Unanswerable("--url and --profile both say which service; leave one of them out")
    if url is None and profile is None:
        url = os.environ.get(URL_VARIABLE) or None
        profile = read_profiles().default if url is None else None
    if profile is not None:
        return _of_profile(profile)
    return _safe(Place(url or "http://127.0.0.1:8000", _environment_key()))


def _of_profile(name: str) -> Place:
    from fieldworthy.cli.keyring_keys import kept_key
    from fieldworthy.cli.profile_file import read_profiles

    profile = read_profiles().named(name)
    match profile.key:
        case "keyring":
            return _safe(Place(profile.url, kept_key(profile)))
        case "environment":
            if (key := _environment_key()) is None:
                raise Unanswerable(f"the profile `{name}` takes its key from FIELDWORTHY_KEY, which is not set; set it")
            return _safe(Place(profile.url, key))
        case "none":
            return _safe(Place(profile.url, None))


def _environment_key() -> str | None:
    from fieldworthy.settings import read_settings

    return read_settings().key


def check_url(url: str) -> "httpx.URL":
    """The address as a URL. Raises Unanswerable for what is none of a service."""
    import httpx

    try:
        found = httpx.URL(url)
    except httpx.InvalidURL:
        found = httpx.URL("")
    if found.scheme not in ("http", "https") or not found.host:
        raise Unanswerable(f"`{url[:200]}` can't be reached: no address of a service; write it as in https://fieldworthy.example")
    if found.userinfo:
        raise Unanswerable("the service's address holds a name or a password; leave them out, and give a key")
    return found


def check_way(url: str, has_key: bool) -> None:
    """Raises Unanswerable where a key would go over plain http beyond this machine."""
    from fieldworthy.usecases.loopback import is_loopback

    found = check_url(url)
    if has_key and found.scheme == "http" and not is_loopback(found.host):
        raise Unanswerable(f"whoever is on the way to {url} could read the key; give the service's https:// address, or ask without a key")


def _safe(there: Place) -> Place:
    check_way(there.url, there.key is not None)
    return there


def http_client(url: str) -> "httpx.Client":
    """Sends to that address; to this machine never by way of a proxy, which would read the key."""
    import ssl

    import httpx

    from fieldworthy.usecases.loopback import is_loopback

    found = check_url(url)
    host = f"[{found.host}]" if ":" in found.host else found.host
    # certificates are read where they are used: it takes longer than most requests. A context without any trusts nobody.
    verify = True if found.scheme == "https" else ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    return httpx.Client(mounts={f"all://{host}": None} if is_loopback(found.host) else None, verify=verify)


@contextmanager
def opened(there: Place, within: float, waiting: Any = None) -> "Iterator[Client]":
    """A client of it. within: so many s a request is tried again; waiting: as of the client's, which is not imported here for its type."""
    from fieldworthy.client import Client, Retries

    tries = Retries(within=within, longest=5.0)  # a person, or a script, waits
    with http_client(there.url) as http, Client(there.url, there.key or False, retries=tries, http=http, waiting=waiting) as client:
        yield client
