"""A small HTTP server that answers as it is told, one answer after another, and remembers what it was asked."""

import gzip
import json
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


@dataclass(frozen=True, slots=True)
class Answer:
    """status: 0 closes the connection without one. cut: so many bytes of the body are sent, and then the connection is closed."""

    status: int = 200
    body: Any = None
    headers: Mapping[str, str] = field(default_factory=dict)
    cut: int | None = None


@dataclass(frozen=True, slots=True)
class Asked:
    """body: unpacked."""

    method: str
    path: str
    headers: Mapping[str, str]
    body: bytes

    @property
    def key(self) -> str | None:
        return self.headers.get("idempotency-key")


@dataclass
class Scripted:
    """answers: what is answered next, one by one; then `rest`. asked: what came."""

    url: str = ""
    answers: list[Answer] = field(default_factory=list)
    rest: Callable[[Asked], Answer] = lambda asked: Answer(200, {})
    asked: list[Asked] = field(default_factory=list)

    def answer(self, asked: Asked) -> Answer:
        self.asked.append(asked)
        return self.answers.pop(0) if self.answers else self.rest(asked)


def problem(status: int, code: str = "some.thing", **more: Any) -> Answer:
    """A problem as the service answers it. more: headers, with `_` for `-`."""
    body = {
        "type": f"/problems/{code}",
        "title": "Something",
        "status": status,
        "detail": "it is not so",
        "code": code,
        "mend": "make it so",
        "errors": [],
    }
    headers = {name.replace("_", "-"): value for name, value in more.items()}
    return Answer(status, body, {"content-type": "application/problem+json", **headers})


@contextmanager
def scripted(*answers: Answer) -> Iterator[Scripted]:
    """Such a server, on a port of its own."""
    script = Scripted(answers=list(answers))

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def _handle(self) -> None:
            body = self.rfile.read(int(self.headers.get("content-length", 0)))
            headers = {name.lower(): value for name, value in self.headers.items()}
            if headers.get("content-encoding") == "gzip":
                body = gzip.decompress(body)
            answer = script.answer(Asked(self.command, self.path, headers, body))
            if answer.status == 0:
                self.close_connection = True
                return
            told = answer.body if isinstance(answer.body, bytes) else json.dumps(answer.body).encode()
            self.send_response_only(answer.status)
            for name, value in {"content-type": "application/json", **answer.headers}.items():
                self.send_header(name, value)
            self.send_header("content-length", str(len(told)))
            self.end_headers()
            self.wfile.write(told[: answer.cut])
            if answer.cut is not None:
                self.close_connection = True

        def do_GET(self) -> None:
            self._handle()

        do_PUT = do_POST = do_DELETE = do_GET  # noqa: N815  # as the server calls them

        def log_message(self, format: str, *args: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    script.url = f"http://127.0.0.1:{server.server_port}"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield script
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
