"""`fieldworthy serve`: what must hold before the service listens, and how it runs."""

import asyncio
import errno
import gc
import json
import logging
import os
import socket
import sys
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from fieldworthy.cli.trouble import passwords
from fieldworthy.cli.unanswerable import Unanswerable
from fieldworthy.settings import Settings, TokenSettings, secrets_of_traces
from fieldworthy.usecases.loopback import is_loopback

if TYPE_CHECKING:
    from fieldworthy.rest.readiness import Readiness, Ready
    from fieldworthy.rest.tracing import Tracing
    from fieldworthy.storage.engine import SqlStore
    from fieldworthy.usecases.tokens import TokenReader

KEEP_ALIVE_SECONDS = 5  # a connection on which nothing comes after an answer
IDLE_CONNECTIONS = 1000  # kept open beside those that are answered; more than both are turned away


def run(settings: Settings, is_open: bool) -> None:
    """Runs until it is told to stop. Raises Unanswerable where it must not, or can't, listen as it was asked to."""
    only_here = is_open and not settings.open_network
    if only_here and not is_loopback(settings.host):
        raise _beyond(settings.host)
    with (
        _listen(settings.host, settings.port) as listening,
        listen_for_operators(settings) as watching,
        asyncio.Runner(loop_factory=_loop()) as runner,
    ):
        bound = listening.getsockname()[0]
        if only_here and not is_loopback(bound):  # a name may mean anything
            raise _beyond(bound)
        runner.run(_serve(settings, listening, watching, is_open))


def _beyond(host: str) -> Unanswerable:
    return Unanswerable(
        f"--open listens on this machine only, and `{host}` reaches beyond it; leave --host out, or set "
        "FIELDWORTHY_OPEN_NETWORK=yes where something in front keeps strangers out"
    )


def listen_for_operators(settings: Settings) -> AbstractContextManager[socket.socket | None]:
    """Where `/metrics` is answered; None where nowhere. Raises Unanswerable."""
    if settings.metrics is None:
        return nullcontext()
    listening = _listen(*settings.metrics, "choose another with FIELDWORTHY_METRICS_ADDRESS")
    sys.stderr.write(f"metrics are at http://{_shown(listening)}/metrics, without a key\n")
    return listening


def _shown(listening: socket.socket) -> str:
    host, port = listening.getsockname()[:2]
    return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


def _listen(host: str, port: int, mend: str = "choose another with --host and --port") -> socket.socket:
    bare = host.strip("[]")
    family = socket.AF_INET6 if ":" in bare else socket.AF_INET
    try:
        return socket.create_server((bare, port), family=family, backlog=2048)
    except OSError as trouble:
        why = "is in use" if trouble.errno == errno.EADDRINUSE else f"can't be used ({trouble.strerror})"
        raise Unanswerable(f"`{host}` port {port} {why}; {mend}") from None


def _loop() -> "type[asyncio.AbstractEventLoop] | None":
    try:
        import uvloop
    except ImportError:  # there is none on Windows
        return None
    return uvloop.Loop


def _json(event: dict[str, Any], default: Callable[[Any], Any]) -> str:
    """Five times as quick as the standard library's, which takes what this does not: half a character in a text."""
    import orjson

    try:
        return orjson.dumps(event, default, orjson.OPT_NON_STR_KEYS).decode()
    except TypeError:
        return json.dumps(event, default=default)


def _log(out: TextIO, level: str, secrets: Sequence[str]) -> None:
    """One JSON object a line, without secrets: what the service says, and what the server and the libraries say through `logging`."""
    import structlog
    from structlog import stdlib

    from fieldworthy.rest.hiding import hidden

    told: list[structlog.typing.Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.format_exc_info,  # a traceback names lines, and no values of variables
    ]
    written = structlog.processors.JSONRenderer(_json)

    def line(logger: Any, name: str, event: structlog.typing.EventDict) -> str:
        plain = event.pop("plain", False)  # nothing in it was sent: a caller who names a word of ours as a secret hides nothing of it
        text = str(written(logger, name, event))
        return text if plain else hidden(text, secrets)

    structlog.configure(
        processors=[*told, line],
        wrapper_class=structlog.make_filtering_bound_logger(getattr(logging, level.upper())),
        logger_factory=structlog.PrintLoggerFactory(out),
        cache_logger_on_first_use=True,
    )
    handler = logging.StreamHandler(out)
    handler.setFormatter(
        stdlib.ProcessorFormatter(foreign_pre_chain=told, processors=[stdlib.ProcessorFormatter.remove_processors_meta, line])
    )
    logging.basicConfig(handlers=[handler], level=logging.WARNING, force=True)  # below that drivers tell the values of every statement
    logging.getLogger("uvicorn").setLevel(logging.DEBUG if level == "debug" else logging.WARNING)


async def _tokens(settings: TokenSettings) -> "tuple[TokenReader, Ready]":
    """
    What looks at tokens, and what keeps it from that. Raises Unanswerable where the library is missing, or a file of keys holds none; an
    issuer may be away.
    """
    try:
        from fieldworthy.tokens.issuer import Issuer
        from fieldworthy.tokens.reader import SignedTokens
        from fieldworthy.tokens.sources import NotHad, from_address, from_file
    except ImportError:
        raise Unanswerable("FIELDWORTHY_TOKEN_KEYS is set, and tokens need the library `joserfc`; install `fieldworthy[jwt]`") from None
    is_address = "://" in settings.keys
    issuer = Issuer(from_address(settings.keys) if is_address else from_file(Path(settings.keys)))
    if not is_address:
        try:
            await issuer.ready()
        except NotHad as trouble:
            raise Unanswerable(f"the file of FIELDWORTHY_TOKEN_KEYS can't be used: {trouble.why}") from None
    return SignedTokens(issuer, settings.rules), issuer.hindrance


def _traces() -> "Tracing | None":
    """Where spans go. Where the library is missing nothing is traced, and the log says so: a cluster may set the variable for everybody."""
    import structlog

    try:
        from fieldworthy.rest.tracing import Tracing
    except ImportError:
        structlog.get_logger().warning("traces are asked for, and none are sent", mend="install `fieldworthy[otel]`")
        return None
    return Tracing()


async def _serve(settings: Settings, listening: socket.socket, watching: socket.socket | None, is_open: bool) -> None:
    gc.disable()  # until all is loaded: the collector would look through it again and again, and find nothing to throw away

    import typer
    import uvicorn

    from fieldworthy.cli.connection import Connection
    from fieldworthy.cli.operators import Operators, operators
    from fieldworthy.cli.stopping import Server
    from fieldworthy.cli.working import is_sqlite, working
    from fieldworthy.main import make_app, settle_memory
    from fieldworthy.rest.origins import named_origins
    from fieldworthy.storage.engine import SqlStore, open_engine, prepare
    from fieldworthy.storage.readiness import hindrance, pool_of
    from fieldworthy.usecases.keep_keys import list_keys
    from fieldworthy.usecases.tally import Tally

    store = SqlStore(open_engine(settings.database_url, settings.database), wait=settings.database.lock)
    traces = None
    try:
        await prepare(store, settings.database_url)
        tokens, issuer = (None, None) if is_open or settings.tokens is None else await _tokens(settings.tokens)
        if not is_open and tokens is None and not any(held.works for held in await list_keys(store)):
            raise Unanswerable(
                "there is no key that works, so nobody could ask anything; make one with `fieldworthy key create`, or add --open to run "
                "without keys, on this machine only"
            )
        _log(sys.stderr, settings.log_level, [*passwords(settings.database_url), *secrets_of_traces(os.environ)])
        traces = _traces() if settings.traces else None

        async def ready() -> str | None:
            found = await hindrance(store)
            return found if found is not None or issuer is None else await issuer()

        tally = Tally()
        app = make_app(
            store,
            lambda: datetime.now(UTC),
            ready,
            max_body=settings.max_body_bytes,
            max_lines=settings.max_batch_lines,
            max_at_once=settings.max_at_once,
            max_states=settings.max_states,
            is_open=is_open,
            any_host=settings.open_network,
            quota=settings.quota,
            wrong_keys=settings.max_wrong_keys,
            tokens=tokens,
            origins=settings.cors_origins,
            longest=settings.request_seconds,
            alerts=settings.alerts,
            silent_days=settings.silent_days,
            pool=pool_of(store.engine, settings.database),
            traces=traces,
            lines=True,
            tally=tally,
            graphql=settings.graphql,
            graphql_columns=settings.graphql_columns,
        )
        readiness: Readiness = app.state.readiness

        class Bounded(Connection):
            most = settings.max_at_once + IDLE_CONNECTIONS
            origins = named_origins(settings.cors_origins)
            stopping = staticmethod(lambda: readiness.stopping)

        config = uvicorn.Config(
            app,
            log_config=None,  # as all the rest, see `_log`
            access_log=False,
            server_header=False,
            proxy_headers=False,  # whoever asks is who connects
            http=Bounded,
            ws="none" if settings.graphql == "off" else "websockets-sansio",
            ws_max_size=settings.max_body_bytes,
            ws_per_message_deflate=False,  # what unpacks to a thousand times its size is not taken
            timeout_keep_alive=KEEP_ALIVE_SECONDS,
            timeout_graceful_shutdown=settings.stop,
        )
        settle_memory()
        keys = "WITHOUT KEYS" if is_open else "and asks for a key"
        typer.echo(f"fieldworthy listens at http://{_shown(listening)} {keys}; stop it with Ctrl-C", err=True)
        if is_open:
            typer.echo("WARNING: whoever reaches this address may read and change everything (--open)", err=True)
        await warn_of_role(store)
        delivering = working(store, settings.alerts, tally) if is_sqlite(settings.database_url) else nullcontext()
        async with operators(Operators(app.state.metrics, readiness), watching), delivering:
            await Server(config, readiness, settings.stop_delay).serve(sockets=[listening])
    finally:
        await store.close()
        if traces is not None:
            await traces.close()


async def warn_of_role(store: "SqlStore") -> None:
    """Says so in the log where PostgreSQL lets the store's role past row-level security, or can't be asked: the service runs on."""
    import structlog

    from fieldworthy.storage.row_security import passes_by
    from fieldworthy.usecases.ports import StoreUnavailable

    log = structlog.get_logger()
    try:
        passes = await passes_by(store.engine)
    except StoreUnavailable as trouble:
        log.warning("it can't be told whether the database's role passes by row-level security", why=trouble.detail)
        return
    if passes:
        log.warning(
            "the database's role passes by row-level security: only the service's own filters keep organisations apart",
            mend="run the service as a role of its own, made by `fieldworthy migrate --grant ROLE`",
        )
