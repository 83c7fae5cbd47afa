"""What is refused of work that is done once. Part of the tree that `usecases.refusals` draws."""

from fieldworthy.usecases.refusals import AtOdds


class ShownOnce(AtOdds):
    """A request with the same `Idempotency-Key` was done, and showed a secret that is shown once."""

    code, title = "request.shown_once", "this was done, and its secret was shown"

    def __init__(self, what: str, id: str, remedy: str) -> None:
        """what: was done, as "made the link"; id: of what has the secret."""
        self.said = (what, id, remedy)
        super().__init__(
            f"a request with this `Idempotency-Key` {what} `{id}`; its secret was shown in that answer and is shown once", remedy
        )
