"""Traces by OpenTelemetry, for whoever asks for them: one span a request, sent over OTLP/HTTP to where the standard's own settings say.

Loaded only then. A span says the template of its route and nothing of what was sent, for a trace goes out of the house.
"""

import asyncio
from collections.abc import Mapping
from threading import Thread
from typing import Any

from opentelemetry.exporter.otlp.proto.http.trace_exporter import OTLPSpanExporter
from opentelemetry.sdk.resources import SERVICE_NAME, SERVICE_VERSION, OTELResourceDetector, Resource
from opentelemetry.sdk.trace import TracerProvider
from opentelemetry.sdk.trace.export import BatchSpanProcessor
from opentelemetry.trace import SpanKind, StatusCode
from opentelemetry.trace.propagation.tracecontext import TraceContextTextMapPropagator
from starlette.types import Scope

from fieldworthy import __version__

_CARRIED = {b"traceparent": "traceparent", b"tracestate": "tracestate"}
_LAST_SECONDS = 5.0
"""For so long the last spans may be on their way when the service ends."""


class Sent:
    """One span. Implements `watching.Span`."""

    def __init__(self, span: Any) -> None:
        self._span = span
        self.trace = f"{span.get_span_context().trace_id:032x}"

    def end(self, method: str, route: str | None, status: int | None, request_id: str) -> None:
        """Names and attributes as the semantic conventions for HTTP have them (version 1.23 and later)."""
        span = self._span
        if span.is_recording():
            span.update_name(method if route is None else f"{method} {route}")
            span.set_attributes({"http.request.method": method, "url.scheme": "http", "fieldworthy.request_id": request_id})
            if route is not None:
                span.set_attribute("http.route", route)
            if status is not None:
                span.set_attribute("http.response.status_code", status)
            if status is None or status >= 500:
                span.set_status(StatusCode.ERROR)
        span.end()


class Tracing:
    """Implements `watching.Traces`. Where it sends to, and how many of them, the environment says (`OTEL_…`)."""

    def __init__(self) -> None:
        usual = Resource({SERVICE_NAME: "fieldworthy", SERVICE_VERSION: __version__})
        self._provider = TracerProvider(resource=usual.merge(OTELResourceDetector().detect()), shutdown_on_exit=False)
        self._provider.add_span_processor(BatchSpanProcessor(OTLPSpanExporter()))
        self._tracer = self._provider.get_tracer("fieldworthy", __version__)
        self._propagator = TraceContextTextMapPropagator()

    def begin(self, scope: Scope) -> Sent:
        carried: Mapping[str, str] = {_CARRIED[name]: value.decode("latin-1") for name, value in scope["headers"] if name in _CARRIED}
        return Sent(self._tracer.start_span(scope["method"], self._propagator.extract(carried), SpanKind.SERVER))

    async def close(self) -> None:
        """Sends what is left, for a short time: whoever should have it may be away."""
        ending = Thread(target=self._provider.shutdown, daemon=True)
        ending.start()
        await asyncio.to_thread(ending.join, _LAST_SECONDS)
