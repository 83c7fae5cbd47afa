"""`fieldworthy worker`: what delivers, by itself beside PostgreSQL, or inside `serve` on SQLite."""

import asyncio
import os
import socket
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from functools import partial
from secrets import token_hex
from typing import TYPE_CHECKING

from fieldworthy.cli.unanswerable import Unanswerable
from fieldworthy.settings import Settings
from fieldworthy.usecases.alert_rules import AlertRules
from fieldworthy.usecases.deliveries import Claim
from fieldworthy.usecases.sending import Outcome
from fieldworthy.usecases.tally import Tally

if TYPE_CHECKING:
    from fieldworthy.storage.engine import SqlStore


def run(settings: Settings) -> None:
    """Delivers until it is told to stop. Raises Unanswerable on SQLite, where `serve` does it."""
    from fieldworthy.cli.serving import _log, _loop, listen_for_operators, warn_of_role
    from fieldworthy.cli.trouble import passwords

    if is_sqlite(settings.database_url):
        raise Unanswerable(
            "on SQLite `fieldworthy serve` delivers by itself; a worker of its own is for PostgreSQL (FIELDWORTHY_DATABASE_URL)"
        )

    async def work(watching: socket.socket | None) -> None:
        import typer

        from fieldworthy.cli.operators import Operators, operators
        from fieldworthy.cli.stopping import told_to_stop
        from fieldworthy.main import freshening
        from fieldworthy.rest.metrics import Metrics
        from fieldworthy.rest.readiness import Readiness
        from fieldworthy.storage.engine import SqlStore, open_engine, prepare
        from fieldworthy.storage.readiness import hindrance, pool_of
        from fieldworthy.usecases.watch import Watch

        store = SqlStore(open_engine(settings.database_url, settings.database), wait=settings.database.lock)
        readiness = Readiness([partial(hindrance, store)])
        with told_to_stop(readiness) as stop:
            try:
                await prepare(store, settings.database_url)
                _log(sys.stderr, settings.log_level, passwords(settings.database_url))
                typer.echo("fieldworthy delivers; stop it with Ctrl-C", err=True)
                await warn_of_role(store)
                tally = Tally()
                door = Operators(Metrics(tally, Watch(store), pool_of(store.engine, settings.database)), readiness)
                fresh, sent = freshening(store, settings.silent_days, tally), working(store, settings.alerts, tally)
                async with operators(door, watching), fresh, sent:
                    await stop.wait()
            finally:
                await store.close()

    with listen_for_operators(settings) as watching, asyncio.Runner(loop_factory=_loop()) as runner:
        runner.run(work(watching))


@asynccontextmanager
async def working(store: "SqlStore", rules: AlertRules, tally: Tally) -> AsyncIterator[None]:
    """Delivers as long as the block goes on; at its end what was begun is finished. tally: what counts attempts."""
    from fieldworthy.alerting.mail import MAIL_SECONDS, Mailer
    from fieldworthy.alerting.outgoing import LOOK_UP_SECONDS, Outgoing
    from fieldworthy.alerting.sender import Outward
    from fieldworthy.alerting.worker import NOTES_WITHIN, delivering, note
    from fieldworthy.usecases.deliver import Deliver
    from fieldworthy.usecases.forget_events import forgetting

    def now() -> datetime:
        return datetime.now(UTC)

    def noted(claim: Claim, outcome: Outcome, state: str) -> None:
        note(claim, outcome, state)
        tally.attempted(outcome.trouble is None, outcome.took / 1000)

    sender = Outward(Outgoing(rules.reach, rules.seconds), None if rules.mail is None else Mailer(rules.mail, now), now)
    owner = f"{socket.gethostname()[:40]}-{os.getpid()}-{token_hex(4)}"
    try:
        within = NOTES_WITHIN + max(LOOK_UP_SECONDS + rules.seconds, 0 if rules.mail is None else MAIL_SECONDS)
        async with delivering(Deliver(store, sender, owner, noted=noted), forgetting(store, rules.days), within):
            yield
    finally:
        await sender.close()


def is_sqlite(address: str) -> bool:
    """Whether a database is an SQLite file."""
    return address.startswith("sqlite")
