"""What is refused of listeners and deliveries. Part of the tree that `usecases.refusals` draws."""

from fieldworthy.core.base.finding import Finding
from fieldworthy.usecases.refusals import AtOdds, DoesNotFit, NotFound, shorten


class ListenerUnknown(NotFound):
    """No listener has this id."""

    code, title = "listener.unknown", "no such listener"

    def __init__(self, id: str) -> None:
        super().__init__(f"no listener has the id `{shorten(id)}`", "list them at /v1/listeners")


class DeliveryUnknown(NotFound):
    """No delivery has this id."""

    code, title = "delivery.unknown", "no such delivery"

    def __init__(self, id: str) -> None:
        super().__init__(f"no delivery has the id `{shorten(id)}`", "list them at /v1/deliveries; old ones are forgotten after a while")


class ListenerChanged(AtOdds):
    """The listener is no longer the one that the sender had seen."""

    code, title = "listener.changed", "the listener has changed meanwhile"
    status = 412

    def __init__(self, id: str, revision: int) -> None:
        super().__init__(f"the listener `{shorten(id)}` is at revision {revision}", "read it again and repeat the change on it")


class ListenerNotOn(AtOdds):
    """A listener that is told nothing is neither tested nor sent anything again."""

    code, title = "listener.not_on", "the listener is told nothing"

    def __init__(self, id: str, state: str) -> None:
        super().__init__(f"the listener `{shorten(id)}` is `{state}`", 'turn it on: put it again with `"state": "on"`')


class TestsTooMany(AtOdds):
    """A listener was sent as many tests as it may be in an hour."""

    code, title = "listener.tests_too_many", "the listener was sent many tests"

    def __init__(self, id: str, most: int, next: str) -> None:
        super().__init__(
            f"the listener `{shorten(id)}` was sent {most} tests within an hour",
            f"send the next one from {next} on; `GET /v1/deliveries` says what became of those",
        )


class ListenerTaken(AtOdds):
    """A listener has this id, or had it before it was removed."""

    code, title = "listener.taken", "there is, or was, a listener of this id"

    def __init__(self, id: str) -> None:
        super().__init__(f"the id `{shorten(id)}` is taken", "change that listener at its own address, or take another id")


class ListenersTooMany(AtOdds):
    """An organisation has as many listeners as it may have."""

    code, title = "listener.too_many", "there are too many listeners"

    def __init__(self, most: int) -> None:
        super().__init__(f"an organisation has at most {most} listeners", "remove one, or let one listener hear more")


class NoSecret(AtOdds):
    """A listener that is told by mail has no secret to rotate."""

    code, title = "listener.no_secret", "the listener has no secret"

    def __init__(self, id: str) -> None:
        super().__init__(f"the listener `{shorten(id)}` is told by mail, which is not signed", "a listener with a `url` has a secret")


class ListenerRefused(DoesNotFit):
    """A listener can't be as it was asked for: its address, its hours, or how it is told."""

    code, title = "listener.does_not_fit", "there can't be such a listener"

    def __init__(self, finding: Finding) -> None:
        super().__init__(finding.message, finding.mend or "mend it", [finding])
