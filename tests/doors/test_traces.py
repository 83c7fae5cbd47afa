"""Traces: what a real receiver of OTLP over HTTP gets, and what is loaded where none are asked for.

Sources: OpenTelemetry Protocol 1.x, OTLP/HTTP with binary protobuf (`POST /v1/traces`); Semantic Conventions for HTTP spans (stable since
1.23): the name `{method} {http.route}`, SERVER, an error from 500 on; W3C Trace Context: the caller's trace goes on by `traceparent`.
"""

import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import pytest
from opentelemetry.proto.collector.trace.v1.trace_service_pb2 import ExportTraceServiceRequest, ExportTraceServiceResponse

from fieldworthy import __version__
from fieldworthy.rest.tracing import Tracing
from fieldworthy.settings import read_settings, secrets_of_traces
from tests.doors_app import client, make_test_app

TRACE, PARENT = "0af7651916cd43dd8448eb211c80319c", "b7ad6b7169203331"


@dataclass
class Receiver:
    """What came. paths: where to; headers: of each request; sent: the bodies, read."""

    address: str = ""
    paths: list[str] = field(default_factory=list)
    headers: list[dict[str, str]] = field(default_factory=list)
    sent: list[ExportTraceServiceRequest] = field(default_factory=list)

    @property
    def spans(self) -> list[Any]:
        return [span for one in self.sent for resource in one.resource_spans for scope in resource.scope_spans for span in scope.spans]


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    found = Receiver()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            found.paths.append(self.path)
            found.headers.append({name.lower(): value for name, value in self.headers.items()})
            found.sent.append(ExportTraceServiceRequest.FromString(body))
            answer = ExportTraceServiceResponse().SerializeToString()
            self.send_response(200)
            self.send_header("content-type", "application/x-protobuf")
            self.send_header("content-length", str(len(answer)))
            self.end_headers()
            self.wfile.write(answer)

        def log_message(self, *_: Any) -> None:
            """Not on the screen."""

    listening = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    listening.daemon_threads = True
    thread = threading.Thread(target=listening.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    found.address = f"http://127.0.0.1:{listening.server_address[1]}"
    yield found
    listening.shutdown()
    listening.server_close()
    thread.join()


def attributes(span: Any) -> dict[str, Any]:
    return {each.key: getattr(each.value, each.value.WhichOneof("value")) for each in span.attributes}


async def test_a_receiver_gets_a_span_a_request(receiver: Receiver, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("OTEL_EXPORTER_OTLP_ENDPOINT", receiver.address)
    monkeypatch.setenv("OTEL_EXPORTER_OTLP_HEADERS", "x-collector-key=of-ours")
    monkeypatch.setenv("OTEL_RESOURCE_ATTRIBUTES", "deployment.environment.name=tests")
    traces = Tracing()
    app = make_test_app(traces=traces)
    async with client(app) as http:
        named = {"traceparent": f"00-{TRACE}-{PARENT}-01", "x-request-id": "mine-1"}
        assert (await http.get("/v1/rulebooks/x-1/versions/2?secret=told", headers=named)).headers["x-request-id"] == "mine-1"
        made = (await http.post("/v1/due")).headers["x-request-id"]
        await http.get("/v1/machines")  # which fails, for there is no such store here
        await http.get("/nothing/told")
        await http.get("/healthz")
        await http.get("/v1/rulebooks", headers={"traceparent": f"00-{TRACE}-{PARENT}-00"})  # the caller's trace is not recorded
    await traces.close()
    assert set(receiver.paths) == {"/v1/traces"}
    assert receiver.headers[0]["content-type"] == "application/x-protobuf"
    assert receiver.headers[0]["x-collector-key"] == "of-ours"
    resource = attributes(receiver.sent[0].resource_spans[0].resource)
    assert (resource["service.name"], resource["service.version"]) == ("fieldworthy", __version__)
    assert resource["deployment.environment.name"] == "tests"

    spans = receiver.spans
    server, unset, error = 2, 0, 2  # SPAN_KIND_SERVER; STATUS_CODE_UNSET, STATUS_CODE_ERROR
    assert [(s.name, s.kind, attributes(s)["http.response.status_code"], s.status.code) for s in spans] == [
        ("GET /v1/rulebooks/{name}/versions/{version}", server, 404, unset),
        ("POST /v1/due", server, 415, unset),
        ("GET /v1/machines", server, 500, error),
        ("GET", server, 404, unset),
    ]
    assert (spans[0].trace_id.hex(), spans[0].parent_span_id.hex()) == (TRACE, PARENT)
    assert spans[1].trace_id.hex() == made  # whoever finds the id in the log finds the trace
    assert spans[1].parent_span_id == b""
    assert attributes(spans[0]) == {
        "http.request.method": "GET",
        "http.route": "/v1/rulebooks/{name}/versions/{version}",
        "http.response.status_code": 404,
        "url.scheme": "http",
        "fieldworthy.request_id": "mine-1",
    }
    assert all(s.end_time_unix_nano >= s.start_time_unix_nano > 0 for s in spans)
    assert "told" not in str(receiver.sent)  # nothing of what was sent


@pytest.mark.parametrize(
    ("environment", "sent"),
    [
        ({}, False),
        ({"OTEL_EXPORTER_OTLP_ENDPOINT": ""}, False),
        ({"OTEL_EXPORTER_OTLP_ENDPOINT": "http://collector:4318"}, True),
        ({"OTEL_EXPORTER_OTLP_TRACES_ENDPOINT": "http://collector:4318/v1/traces"}, True),
        ({"OTEL_EXPORTER_OTLP_ENDPOINT": "http://collector:4318", "OTEL_SDK_DISABLED": "true"}, False),
        ({"OTEL_EXPORTER_OTLP_ENDPOINT": "http://collector:4318", "OTEL_TRACES_EXPORTER": "none"}, False),
        ({"OTEL_SERVICE_NAME": "x"}, False),
    ],
)
def test_when_they_are_asked_for(environment: dict[str, str], sent: bool) -> None:
    assert read_settings(environment).traces is sent


def test_what_goes_with_them_to_their_receiver_is_secret() -> None:
    told = {"OTEL_EXPORTER_OTLP_HEADERS": "authorization=Bearer%20x, api-key=abc=", "OTEL_EXPORTER_OTLP_TRACES_HEADERS": "k=def"}
    assert list(secrets_of_traces(told)) == ["Bearer%20x", "abc=", "def"]
    assert list(secrets_of_traces({})) == []


@pytest.mark.slow
def test_nothing_of_it_is_loaded_where_none_are_asked_for() -> None:
    """FastAPI looks for the interface alone, `opentelemetry`, by itself; it does nothing without what is not loaded here."""
    program = (
        "import sys, fieldworthy.cli.serving, fieldworthy.cli.operators, fieldworthy.cli.stopping, fieldworthy.main\n"
        "from fieldworthy.cli.serving import _serve\n"
        "told = ('opentelemetry.sdk', 'opentelemetry.exporter', 'google.protobuf', 'requests', 'prometheus_client')\n"
        "print([name for name in told if name in sys.modules])"
    )
    ended = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert ended.stdout.strip() == "[]"
