"""What `/metrics` answers: the text form of Prometheus, version 0.0.4, of what this process counted and of what is kept.

The library that writes it is loaded when somebody asks for the first time: a process that nobody watches starts the quicker. No line says
whose a request or a machine was: whoever may read this is told of all organisations together, and of none by itself.
"""

import platform
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import accumulate
from typing import TYPE_CHECKING, Any

from fieldworthy import __version__
from fieldworthy.usecases.tally import BOUNDS, Durations, Tally
from fieldworthy.usecases.watch import Pool, Watch, Watched

if TYPE_CHECKING:
    from prometheus_client.core import Metric

TEXT = "text/plain; version=0.0.4; charset=utf-8"


class Metrics:
    """Of one process."""

    def __init__(self, tally: Tally, watch: Watch, pool: Callable[[], Pool | None] = lambda: None) -> None:
        """watch: what is read of the store, where it can be; pool: None where there is none to tell of."""
        self._tally = tally
        self._watch = watch
        self._pool = pool
        self._registry: Any = None

    async def __call__(self) -> bytes:
        """The text. It never fails because the store is away: then what is read from there is left out, and one line says so."""
        from prometheus_client import CollectorRegistry, ProcessCollector, generate_latest

        if self._registry is None:
            self._registry = CollectorRegistry(auto_describe=False)
            ProcessCollector(registry=self._registry)
        watched, registry = await self._watch(), self._registry
        collector = _Told([*_counted(self._tally), *_over_sockets(self._tally), *_connections(self._pool()), *_kept(watched), *_itself()])
        registry.register(collector)
        try:
            return bytes(generate_latest(registry))
        finally:
            registry.unregister(collector)


class _Told:
    """What was made ready, as the library collects it."""

    def __init__(self, metrics: Sequence["Metric"]) -> None:
        self._metrics = metrics

    def describe(self) -> Iterable["Metric"]:
        return ()

    def collect(self) -> Iterable["Metric"]:
        return self._metrics


def _counted(tally: Tally) -> Iterator["Metric"]:
    from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily

    words = "Requests that were answered, by the template of their route (none: no route), method and status (none: the caller left)"
    requests = CounterMetricFamily("fieldworthy_requests", words, labels=("route", "method", "status"))
    for (route, method, status), count in sorted(tally.requests.items()):
        requests.add_metric((route, method, str(status or "none")), count)
    yield requests
    took: dict[tuple[str, ...], Durations] = dict(sorted(tally.took.items()))
    yield _histogram("fieldworthy_request_seconds", "From a request's head to the end of its answer", ("route", "method"), took)
    yield GaugeMetricFamily("fieldworthy_requests_open", "Requests that are being answered", value=tally.open)
    words = "Questions, expressions, rulebooks and standings, finding what they ask of included"
    yield _histogram("fieldworthy_evaluation_seconds", words, ("kind",), {(kind,): found for kind, found in tally.evaluated.items()})
    readings = CounterMetricFamily("fieldworthy_readings", "Readings that were sent, by what became of them", labels=("outcome",))
    for outcome, count in (*tally.readings.items(), ("set-aside", sum(tally.aside.values()))):
        readings.add_metric((outcome,), count)
    yield readings
    aside = CounterMetricFamily("fieldworthy_readings_set_aside", "Readings that were set aside, by the reason", labels=("why",))
    for why, count in sorted(tally.aside.items()):
        aside.add_metric((why,), count)
    yield aside
    attempts: dict[tuple[str, ...], Durations] = {(outcome,): durations for outcome, durations in tally.attempts.items()}
    yield _histogram("fieldworthy_delivery_attempt_seconds", "Attempts to deliver an event, by how they ended", ("outcome",), attempts)


def _over_sockets(tally: Tally) -> Iterator["Metric"]:
    from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily

    yield GaugeMetricFamily("fieldworthy_sockets_open", "Connections over which operations are asked", value=tally.sockets_open)
    words = "Such connections that ended, by the code with which the service ended them (none: the other side left; 403: not let in)"
    ended = CounterMetricFamily("fieldworthy_sockets", words, labels=("code",))
    for code, count in sorted(tally.sockets.items()):
        ended.add_metric((str(code or "none"),), count)
    yield ended
    yield CounterMetricFamily("fieldworthy_socket_operations_begun", "Operations that were begun over them", tally.operations_begun)
    words = "Operations over them that ended, by their kind (none: could not be read) and how"
    operations = CounterMetricFamily("fieldworthy_socket_operations", words, labels=("kind", "outcome"))
    for (kind, outcome), count in sorted(tally.operations.items()):
        operations.add_metric((kind, outcome), count)
    yield operations
    yield CounterMetricFamily("fieldworthy_socket_results", "Results that were sent over them", tally.results)


def _histogram(name: str, words: str, labels: Sequence[str], found: Mapping[tuple[str, ...], Durations]) -> "Metric":
    from prometheus_client.core import HistogramMetricFamily

    bounds = [*(str(bound) for bound in BOUNDS), "+Inf"]
    family = HistogramMetricFamily(name, words, labels=labels)
    for values, durations in found.items():
        family.add_metric(values, list(zip(bounds, accumulate(durations.classes), strict=True)), durations.total)
    return family


def _connections(pool: Pool | None) -> Iterator["Metric"]:
    from prometheus_client.core import GaugeMetricFamily

    if pool is None:
        return
    yield _gauge("fieldworthy_database_connections", "Connections to the database", "state", {"used": pool.used, "idle": pool.idle})
    yield GaugeMetricFamily("fieldworthy_database_connections_most", "The most that this process opens", value=pool.most)


def _kept(watched: Watched | None) -> Iterator["Metric"]:
    from prometheus_client.core import GaugeMetricFamily

    words = "Whether what is kept could be counted; 0: the lines that tell of it are left out"
    yield GaugeMetricFamily("fieldworthy_store_readable", words, value=0 if watched is None else 1)
    if watched is None:
        return
    yield _gauge("fieldworthy_standings", "Tasks of kept machines, by where they stand", "standing", watched.standings)
    yield _gauge("fieldworthy_machines", "Kept machines, by whether they may work by what was told of them", "fit", watched.machines)
    words = "Kept machines whose standings are to be computed anew"
    yield GaugeMetricFamily("fieldworthy_machines_stale", words, value=watched.stale)
    words = "Kept machines that have no standings, because their question is refused"
    yield GaugeMetricFamily("fieldworthy_machines_with_problem", words, value=watched.problems)
    words = "Deliveries that are on their way, and those that were given up and are kept"
    yield _gauge("fieldworthy_deliveries", words, "state", watched.deliveries)
    words = "Since the first try in vain of what still waits, or since it is due and nobody has tried; 0: none waits so"
    yield GaugeMetricFamily("fieldworthy_delivery_oldest_waiting_seconds", words, value=watched.oldest)


def _itself() -> Iterator["Metric"]:
    from prometheus_client.core import GaugeMetricFamily

    build = GaugeMetricFamily("fieldworthy_build_info", "What runs here; always 1", labels=("version", "python"))
    build.add_metric((__version__, platform.python_version()), 1)
    yield build


def _gauge(name: str, words: str, label: str, counts: Mapping[str, int]) -> "Metric":
    from prometheus_client.core import GaugeMetricFamily

    family = GaugeMetricFamily(name, words, labels=(label,))
    for value, count in counts.items():
        family.add_metric((value,), count)
    return family
