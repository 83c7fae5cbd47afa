"""An issuer of tokens for the tests: its keys, a real HTTP server that gives them out, and tokens made by another library (PyJWT)."""

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import jwt
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, rsa
from jwt.algorithms import ECAlgorithm, OKPAlgorithm, RSAAlgorithm

from tests.doors_app import NOW

ISSUER = "https://issuer.example/"
AUDIENCE = "fieldworthy"


@cache
def private(name: str) -> Any:
    """A key by a name of the tests: "rsa", "rsa-2", "rsa-small", "ec", "ec-384", "ed"."""
    kind, _, which = name.partition("-")
    if kind == "rsa":
        return rsa.generate_private_key(65537, 1024 if which == "small" else 2048)
    if kind == "ec":
        return ec.generate_private_key(ec.SECP384R1() if which == "384" else ec.SECP256R1())
    return ed25519.Ed25519PrivateKey.generate()


def public(name: str, kid: str | None = None, **more: Any) -> dict[str, Any]:
    """Its public half as a JWK (RFC 7517). kid: the key's name where None; an empty one for none."""
    algorithm = {"rsa": RSAAlgorithm, "ec": ECAlgorithm, "ed": OKPAlgorithm}[name.partition("-")[0]]
    told = json.loads(algorithm.to_jwk(private(name).public_key()))
    told.pop("key_ops", None)
    return {**told, **({} if kid == "" else {"kid": kid or name}), **more}


def claims(**other: Any) -> dict[str, Any]:
    """Good ones, but for what is said; None leaves one out."""
    now = int(NOW.timestamp())
    good = {
        "iss": ISSUER,
        "aud": AUDIENCE,
        "sub": "bridge-1",
        "iat": now - 10,
        "exp": now + 600,
        "organisation": "Nine Oxen",
        "scope": "read post-readings",
    }
    return {name: value for name, value in {**good, **other}.items() if value is not None}


def token(key: str = "rsa", algorithm: str = "RS256", headers: dict[str, Any] | None = None, **other: Any) -> str:
    """A token that PyJWT signed. headers: beside `kid`, which is the key's name; None leaves one out. other: claims."""
    told = {"kid": key, **(headers or {})}
    return jwt.encode(claims(**other), private(key), algorithm, {name: value for name, value in told.items() if value is not None})


@dataclass
class KeyServer:
    """Gives out a key set. asked: how often it was; answer: status, headers and body in its place, or None; away: it hangs up."""

    keys: list[dict[str, Any]] = field(default_factory=lambda: [public("rsa"), public("ec"), public("ed")])
    asked: int = 0
    answer: tuple[int, dict[str, str], bytes] | None = None
    away: bool = False
    address: str = ""


@contextmanager
def key_server() -> Iterator[KeyServer]:
    """Running on loopback until the block ends."""
    server = KeyServer()

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            server.asked += 1
            if server.away:
                self.close_connection = True
                return
            status, headers, body = server.answer or (200, {}, json.dumps({"keys": server.keys}).encode())
            if self.path != "/jwks":
                status, headers, body = 200, {}, json.dumps({"keys": [public("rsa-2")]}).encode()  # where a redirect leads
            self.send_response(status)
            for name, value in {"content-length": str(len(body)), **headers}.items():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: Any) -> None:
            """Not on the screen."""

    listening = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=listening.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    server.address = f"http://127.0.0.1:{listening.server_address[1]}/jwks"
    try:
        yield server
    finally:
        listening.shutdown()
        listening.server_close()
        thread.join()
