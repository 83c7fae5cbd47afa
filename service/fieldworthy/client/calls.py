"""Requests, and how each is sent until it is answered: the address, the key, what may be repeated, and when to give up."""

import json
import re
from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, Never
from urllib.parse import quote
from uuid import uuid4

import httpx

from fieldworthy import __version__
from fieldworthy.client.errors import NOT_NOW, FieldworthyError, Unavailable, error_of
from fieldworthy.client.retries import Clock, Retries, retry_after
from fieldworthy.client.steps import Flow, Give, Reply, Send, Source, Take, Wait, take

MOST_OF_A_PAGE = 200
JSON = "application/json"
YAML = "application/yaml"

_IN_FLIGHT = "request.in_flight"
_OF_OUR_OWN = (httpx.LocalProtocolError, httpx.UnsupportedProtocol, httpx.TooManyRedirects)  # it would break again
_KEY = re.compile(r"[\x21-\x7e]+\Z")

Moment = str | datetime
Waiting = Callable[[FieldworthyError, float], None]
Query = Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Ask:
    """
    One request. query: texts, numbers and dates, those that are None are left out; repeatable: whether sending it twice does no more than
    sending it once.
    """

    method: str
    path: str
    query: Query = field(default_factory=dict)
    body: bytes | None = None
    headers: Mapping[str, str] = field(default_factory=dict)
    repeatable: bool = True


def path(form: str, *parts: str | int) -> str:
    """An address's path with its parts in their places, each as one segment. Raises ValueError for an empty one."""
    told = [quote(str(part), safe="") for part in parts]
    if not all(told):
        raise ValueError(f"a part of {form} is empty")
    return form.format(*(part.replace(".", "%2E") if set(part) == {"."} else part for part in told))


def encoded(value: object) -> bytes:
    """
    JSON; moments and days are written as RFC 3339 has them.

    Raises ValueError for what JSON can't say and for a moment without its offset, TypeError for what is no data.
    """
    try:
        return _JSON.encode(value).encode()
    except UnicodeEncodeError as trouble:
        raise ValueError(f"a text holds half a sign (U+{ord(trouble.object[trouble.start]):04X}), which can't be written") from None


def take_lines(source: Source, most: int, room: int) -> Generator[Take, Reply, Sequence[bytes]]:
    """Up to so many more of the source, encoded: none after the one with which they are `room` bytes or more."""
    lines: list[bytes] = []
    size = 0

    def enough(item: object) -> bool:
        nonlocal size
        line = encoded(item)
        lines.append(line)
        size += len(line)
        return size >= room

    yield from take(source, most, enough)
    return lines


def _plain(value: object) -> object:
    if isinstance(value, datetime):
        if value.utcoffset() is None:
            raise ValueError(f"{value.isoformat()} has no offset: give the time zone, as in datetime.now(UTC)")
        return value.isoformat()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Mapping):
        return dict(value)
    raise TypeError(f"a {type(value).__name__} can't be written as JSON")


_JSON = json.JSONEncoder(ensure_ascii=False, allow_nan=False, separators=(",", ":"), default=_plain)


def get(where: str, query: Query | None = None) -> Ask:
    return Ask("GET", where, query or {})


def post(where: str, body: object, query: Query | None = None) -> Ask:
    """A question: to ask it again changes nothing."""
    return Ask("POST", where, query or {}, encoded(body), {"content-type": JSON})


def write(
    method: str,
    where: str,
    body: object = None,
    key: str | None = None,
    if_match: str | None = None,
    if_new: bool = False,
) -> Ask:
    """A change that is made once however often it is sent. key: its `Idempotency-Key`, made where None; if_new: only where nothing is."""
    headers = {"idempotency-key": key or uuid4().hex, **conditions(if_match, if_new)}
    if body is None:
        return Ask(method, where, headers=headers)
    return Ask(method, where, {}, encoded(body), {**headers, "content-type": JSON})


def conditions(if_match: str | None, if_new: bool) -> dict[str, str]:
    """The headers that say which state is meant."""
    return {**({"if-match": if_match} if if_match is not None else {}), **({"if-none-match": "*"} if if_new else {})}


class Key:
    """A key, never shown. Raises ValueError for what can't be one, without showing it."""

    def __init__(self, text: str) -> None:
        if not _KEY.match(text):
            raise ValueError("the key is empty or holds blanks, line ends or letters outside ASCII; no key has those")
        self._text = text

    def __repr__(self) -> str:
        return "Key(…)"

    def header(self) -> str:
        return f"Bearer {self._text}"


class Caller:
    """
    Where requests go, and how. base: the service's address; timeout: of sending and of each wait for more of an answer, in s; waiting: is
    told before each wait for another try what is wrong, and how many s it is.
    """

    def __init__(
        self, base: str, key: Key | None, retries: Retries, clock: Clock, timeout: float, waiting: "Waiting | None" = None
    ) -> None:
        try:
            url = httpx.URL(base)
        except httpx.InvalidURL:
            raise ValueError("the service's address can't be read") from None
        if url.scheme not in ("http", "https") or not url.host:
            raise ValueError("the service's address begins with http:// or https:// and names a host")
        if url.userinfo:
            raise ValueError("the service's address holds a name or a password; give a key instead")
        self._base = url.copy_with(path=url.path.rstrip("/"), query=None, fragment=None)
        self._key = key
        self.retries = retries
        self.clock = clock
        self.waiting = waiting
        self._timeout = timeout

    @property
    def address(self) -> str:
        """Where the service is."""
        return str(self._base)

    def json(self, ask: Ask) -> Flow[Never, Any]:
        """The answer's JSON; Any, for the caller says which shape of the contract it has. None where the answer is empty."""
        response = yield from self.answered(ask)
        return self.read_json(response)

    def text(self, ask: Ask) -> Flow[Never, str]:
        """The answer as text, whatever its form."""
        response = yield from self.answered(Ask(ask.method, ask.path, ask.query, ask.body, {"accept": "*/*", **ask.headers}))
        return response.text

    def tagged(self, ask: Ask) -> Flow[Never, Any]:
        """The same with the state's `ETag` as the member `etag`."""
        response = yield from self.answered(ask)
        return {**self.read_json(response), "etag": response.headers.get("etag", "")}

    def read_json(self, response: httpx.Response) -> Any:
        """Raises Failed where a success holds something else."""
        if response.status_code == 204:
            return None
        try:
            return response.json()
        except ValueError:
            raise error_of(response) from None

    def pages(self, where: str, query: Query) -> Flow[Any, None]:
        """The items of all pages. What tells of one state of things (`as_of`) is asked as of the same state to its end."""
        asked: dict[str, object] = {"limit": MOST_OF_A_PAGE, **query}
        while True:
            page = yield from self.json(get(where, asked))
            for item in page["items"]:
                yield Give(item)
            if page["next"] is None:
                return
            asked["after"] = page["next"]
            if asked.get("as_of") is None and "as_of" in page:
                asked["as_of"] = page["as_of"]

    def answered(self, ask: Ask, stream: bool = False, patience: "Patience | None" = None) -> Flow[Never, httpx.Response]:
        """A success, after as many tries as may be. Raises FieldworthyError."""
        patience = patience or Patience(self)
        while True:
            reply = yield Send(self._request(ask, patience.left()), stream)
            if isinstance(reply, httpx.Response) and reply.is_success:
                return reply
            yield from patience.wait(ask, reply)

    def _request(self, ask: Ask, left: float) -> httpx.Request:
        headers = {"accept": JSON, "accept-encoding": "gzip, deflate", "user-agent": f"fieldworthy-client/{__version__}", **ask.headers}
        if self._key is not None:
            headers["authorization"] = self._key.header()
        query = {name: _text(value) for name, value in ask.query.items() if value is not None}
        url = self._base.copy_with(raw_path=(self._base.raw_path.decode().rstrip("/") + ask.path).encode())
        if query:
            url = url.copy_merge_params(query)
        longest = min(self._timeout, max(left, 1.0))
        timeout = httpx.Timeout(longest, connect=min(longest, 5.0))
        return httpx.Request(ask.method, url, headers=headers, content=ask.body, extensions={"timeout": timeout.as_dict()})


class Patience:
    """How often and how long something is tried."""

    def __init__(self, caller: Caller) -> None:
        self._caller = caller
        self._begun = caller.clock.running()
        self._tries = 0

    def left(self) -> float:
        """s in which the next try may still begin; of the first one the limit does not count."""
        caller = self._caller
        return caller.retries.within - (caller.clock.running() - self._begun) if self._tries else float("inf")

    def wait(self, ask: Ask, reply: object) -> Flow[Never, None]:
        """Waits for the next try. reply: what came in place of a success. Raises FieldworthyError where there is none."""
        self._tries += 1
        error, asked = self._trouble(ask, reply)
        again = isinstance(error, Unavailable) or error.code == _IN_FLIGHT
        if not (ask.repeatable and again) or isinstance(reply, _OF_OUR_OWN):
            raise error
        pause = self._caller.retries.pause(self._tries, self._caller.clock.chance(), asked)
        if pause >= self.left():
            raise error
        if self._caller.waiting is not None:
            self._caller.waiting(error, pause)
        yield Wait(pause)

    def _trouble(self, ask: Ask, reply: object) -> tuple[FieldworthyError, float | None]:
        if isinstance(reply, httpx.Response):
            wanted = retry_after(reply.headers, self._caller.clock.now()) if reply.status_code in {*NOT_NOW, 409} else None
            told = error_of(reply)
            told.retry_after = wanted
            return told, wanted
        assert isinstance(reply, httpx.RequestError)
        said = _broken(reply)
        detail = f"no answer to {ask.method} {ask.path} from {self._caller.address} ({said})"
        error = Unavailable(detail, "see whether the service runs there")
        error.__cause__ = reply
        return error, None


def _broken(trouble: httpx.RequestError) -> str:
    """What broke; of what took too long, what was waited for and how long."""
    said = str(trouble) or type(trouble).__name__
    for kind, what in ((httpx.ConnectTimeout, "connect"), (httpx.ReadTimeout, "read"), (httpx.WriteTimeout, "write")):
        if isinstance(trouble, kind) and (limits := _limits(trouble)) is not None:
            return f"{_WAITED[what]} took more than {limits[what]:g} s"
    return said


_WAITED = {"connect": "connecting", "read": "the answer", "write": "sending"}


def _limits(trouble: httpx.RequestError) -> Mapping[str, float] | None:
    try:
        found: Mapping[str, float] = trouble.request.extensions["timeout"]
    except (RuntimeError, KeyError):  # an HTTP client of the caller's own may not say
        return None
    return found


def _text(value: object) -> str:
    """A value of a query. Raises TypeError for what can't be one."""
    if isinstance(value, date):
        return str(_plain(value))
    if isinstance(value, str | int | float):
        return str(value)
    raise TypeError(f"a {type(value).__name__} can't stand in an address")
