"""Where ports meet their adapters, and the app is put together."""

import gc
from collections.abc import AsyncIterator, Callable, Collection
from contextlib import asynccontextmanager
from secrets import token_bytes
from typing import Literal

from fastapi import FastAPI

from fieldworthy import __version__
from fieldworthy.graph.explorer import file as page_file
from fieldworthy.graph.explorer import page
from fieldworthy.rest import openapi, problems
from fieldworthy.rest.admission import WithKeys, asker_of, caller_of, charge, scopes_of_routes
from fieldworthy.rest.audit import audit_router
from fieldworthy.rest.batch import PATH as BATCH
from fieldworthy.rest.batch import batch_router
from fieldworthy.rest.beside import beside
from fieldworthy.rest.body import RawRoute
from fieldworthy.rest.calendars import Feeds, calendars_router
from fieldworthy.rest.deliveries import deliveries_router
from fieldworthy.rest.evaluate import evaluate_router
from fieldworthy.rest.events import events_router
from fieldworthy.rest.exports import exports_router
from fieldworthy.rest.fleet import fleet_router, writing
from fieldworthy.rest.graphql import Answers, AtFirstKnock, admit_once, admit_socket, from_here, graphql_router, graphql_socket, look_again
from fieldworthy.rest.headers import Headers
from fieldworthy.rest.limits import Limits
from fieldworthy.rest.listeners import listeners_router
from fieldworthy.rest.machines import machines_router
from fieldworthy.rest.metrics import Metrics
from fieldworthy.rest.neighbours import Neighbours
from fieldworthy.rest.noting import noting
from fieldworthy.rest.operate import operate_router
from fieldworthy.rest.origins import Origins
from fieldworthy.rest.quota import Telling
from fieldworthy.rest.readiness import Readiness, Ready
from fieldworthy.rest.readings import PATH as READINGS
from fieldworthy.rest.readings import readings_router
from fieldworthy.rest.refreshing import refreshing
from fieldworthy.rest.rulebooks import rulebooks_router
from fieldworthy.rest.sharing import sharing_router
from fieldworthy.rest.shelf import shelf_router
from fieldworthy.rest.sockets import begin_operation, end_operation, id_of_socket
from fieldworthy.rest.tables import Tables
from fieldworthy.rest.telematics import telematics_router
from fieldworthy.rest.told import told_router
from fieldworthy.rest.watching import Traces, Watching
from fieldworthy.rest.work import work_router
from fieldworthy.usecases.alert_rules import AlertRules
from fieldworthy.usecases.all_uses import AllUses
from fieldworthy.usecases.announce import SILENT_DAYS
from fieldworthy.usecases.feeds import FEED_QUOTA, FeedRing
from fieldworthy.usecases.find_rulebook import FindRulebooks
from fieldworthy.usecases.keep_listeners import KeepListeners
from fieldworthy.usecases.kept import WholeStore
from fieldworthy.usecases.key_ring import KeyRing
from fieldworthy.usecases.limits import (
    MAX_AT_ONCE,
    MAX_BATCH_LINES,
    MAX_BODY_BYTES,
    MAX_READINGS_BYTES,
    MAX_REQUEST_SECONDS,
    MAX_STATES,
    MAX_WRONG_KEYS,
)
from fieldworthy.usecases.once import Keeping
from fieldworthy.usecases.ports import Clock
from fieldworthy.usecases.quota import USUAL as USUAL_QUOTA
from fieldworthy.usecases.quota import Quota
from fieldworthy.usecases.quotas import Quotas
from fieldworthy.usecases.standings import Recompute
from fieldworthy.usecases.tally import Tally
from fieldworthy.usecases.tokens import TokenReader, TokenRing
from fieldworthy.usecases.watch import Pool, Watch
from fieldworthy.usecases.wrong_keys import WrongKeys
from fieldworthy.wire.troubles import problem_of

GraphqlMode = Literal["on", "no-introspection", "off"]
"""Whether the second door is there, and whether it tells of its schema and has its page."""


async def _always() -> None:
    """Nothing is in the way."""


def make_app(
    store: WholeStore,
    clock: Clock,
    ready: Ready = _always,
    max_body: int = MAX_BODY_BYTES,
    max_lines: int = MAX_BATCH_LINES,
    max_at_once: int = MAX_AT_ONCE,
    max_states: int = MAX_STATES,
    *,
    is_open: bool = False,
    any_host: bool = False,
    quota: Quota | None = USUAL_QUOTA,
    wrong_keys: int = MAX_WRONG_KEYS,
    tokens: TokenReader | None = None,
    origins: Collection[str] = (),
    longest: float = MAX_REQUEST_SECONDS,
    random: Callable[[int], bytes] = token_bytes,
    alerts: AlertRules | None = None,
    silent_days: int = SILENT_DAYS,
    pool: Callable[[], Pool | None] = lambda: None,
    traces: Traces | None = None,
    lines: bool = False,
    tally: Tally | None = None,
    graphql: GraphqlMode = "on",
    graphql_columns: bool = True,
) -> FastAPI:
    """
    The service as an ASGI app.

    store, clock: the ports' adapters; the caller opens and closes the store. ready: what keeps the process from its work (for /readyz).
    max_body: bytes of one body; a batch counts by the line instead, and has at most max_lines. max_at_once: requests at one time.
    max_states: of one procedure that a check explores. is_open: without keys, whoever asks from this machine may do all, as often as they
    like; any_host: from elsewhere too. quota: of each key, None for none. wrong_keys: that one address may send a minute, 0 for any number;
    as many signed tokens of one subject may be refused. tokens: what looks at tokens of an issuer outside; None where none are taken.
    origins: whose pages may ask from a browser. longest: seconds of one request. random: so many random bytes, of which secrets are made.
    silent_days: without a reading, after which a meter is told of as silent; 0: none is. pool: of the store's connections (for /metrics);
    traces: where spans go; lines: whether each request has one in the log. tally: what counts, where the caller counts something too.
    graphql: whether there is that door, and whether it tells of its schema; graphql_columns: whether it answers plain members in columns.

    `app.state.readiness` and `app.state.metrics` are what answers operators, for other doors than this one.

    Raises Undeclared where a route does not say which scope it needs.
    """
    tally = tally or Tally()
    uses = AllUses(store, clock, max_states, tally)
    recompute = Recompute(store, uses.find, writing(), silent_days, tally)
    keeping = Keeping(store, uses.find, recompute.wanted, tally)
    ring = KeyRing(store, clock)
    wrong = WrongKeys(wrong_keys) if wrong_keys else None
    known = None if tokens is None else TokenRing(tokens, store, clock, most_wrong=wrong_keys)
    quotas = None if is_open or quota is None else Quotas(store, quota)
    links = FeedRing(store, clock)
    feeds = Feeds(links, None if quotas is None else Quotas(store, FEED_QUOTA), wrong)

    @asynccontextmanager
    async def while_running(_: FastAPI) -> AsyncIterator[None]:
        async with beside(refreshing(recompute)), noting(ring, quotas), noting(links):
            yield

    app = FastAPI(
        title="Fieldworthy",
        version=__version__,
        openapi_url=None,
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        lifespan=while_running,
    )
    evaluate = evaluate_router(uses)
    routers = [evaluate, batch_router(uses, max_lines), rulebooks_router(uses, keeping.kept), shelf_router(uses), sharing_router(uses)]
    routers += [kept(keeping) for kept in (machines_router, told_router, telematics_router, work_router, audit_router, events_router)]
    tables = Tables(keeping, recompute, writing())
    routers += [readings_router(keeping, tables), fleet_router(keeping, recompute, tables), exports_router(tables)]
    listening = KeepListeners(alerts or AlertRules())
    routers += [listeners_router(keeping, listening), deliveries_router(keeping, listening)]
    readiness, metrics = Readiness([ready]), Metrics(tally, Watch(store), pool)
    app.state.readiness, app.state.metrics = readiness, metrics
    routers += [calendars_router(keeping, recompute, feeds, random), operate_router(app, readiness, metrics if is_open else None)]
    shown = graphql == "on"

    def second_door() -> Answers:
        from fieldworthy.graph.context import Asked, Context
        from fieldworthy.graph.door import Around, Door
        from fieldworthy.graph.schema import make_schema
        from fieldworthy.graph.socket import SocketAround, Sockets
        from fieldworthy.graph.weights import WEIGHTS

        asked = Asked(uses, keeping, recompute, writing(), listening, random)
        around = Around(
            admit_once,
            charge,
            lambda request: Context(asked, caller_of(request), asker_of(request.scope)),
            problem_of,
            page if shown else None,
            lambda context: context.taken.held,
        )
        door = Door(make_schema()._schema, around, introspection=shown, weights=WEIGHTS, columns=graphql_columns)
        may_open = from_here(origins)
        sockets = SocketAround(admit_socket, look_again, may_open, problem_of, id_of_socket, begin_operation, end_operation)
        answers = Answers(door, Sockets(door, sockets).answer)
        if gc.get_freeze_count():  # memory was settled before this was made
            settle_memory()
        return answers

    second = AtFirstKnock(second_door)
    if graphql != "off":
        routers.append(graphql_router(second.answer, page_file if shown else None))
    for router in routers:
        app.router.routes += router.routes  # as they are: `include_router` would build each of them a second time
    if graphql != "off":
        app.router.routes.append(graphql_socket(second.answer_socket))
    scopes_of_routes(app.routes)
    app.state.admission = Neighbours(any_host, origins) if is_open else WithKeys(ring, quotas, wrong, known)
    problems.install(app)
    openapi.install(app)
    app.add_middleware(problems.Straight, routes=[route for route in evaluate.routes if isinstance(route, RawRoute)])
    app.add_middleware(problems.Guard)
    own = {READINGS: MAX_READINGS_BYTES}
    app.add_middleware(Limits, most=max_body, unlimited=frozenset({BATCH}), at_once=max_at_once, own=own, longest=longest)
    if not is_open:
        app.add_middleware(Telling)
    if origins:
        app.add_middleware(Origins, named=origins)
    app.add_middleware(Headers)
    app.add_middleware(Watching, tally=tally, traces=traces, lines=lines)
    return app


@asynccontextmanager
async def freshening(store: WholeStore, silent_days: int = SILENT_DAYS, tally: Tally | None = None) -> AsyncIterator[None]:
    """Keeps standings fresh as long as the block goes on, as a service does beside its requests. tally: what counts them."""
    async with beside(refreshing(Recompute(store, FindRulebooks(store), writing(), silent_days, tally))):
        yield


def settle_memory() -> None:
    """What is loaded by now stays: the collector need not walk it again, nor run several times in one answer (a tenth of its cost)."""
    gc.freeze()
    gc.set_threshold(100_000, 20, 50)
    gc.enable()
