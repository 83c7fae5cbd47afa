"""Why a command could not be carried out, and the exit codes of all commands. It imports nothing, so that every command may have it."""

FINE = 0
NOT_PLAIN = 1
"""Answered, and the answer is not a plain yes."""
REFUSED = 2
NOT_NOW = 3
"""No answer came from the service, or one that says: not now."""
STOPPED = 130
"""By whoever runs it (SIGINT): 128 and the signal's number, as shells have it."""


class Unanswerable(Exception):
    """A command that can't be carried out. The message says why, `; ` and the way out. code: the exit code."""

    def __init__(self, message: str, code: int = REFUSED) -> None:
        super().__init__(message)
        self.code = code
