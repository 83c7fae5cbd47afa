"""Answers to requests that carried an `Idempotency-Key`, as the doors see them.

An answer is kept in the transaction of the work that it tells of: so it is there exactly if the work was done, whenever a process was
killed, and a repeated request gets the same bytes again.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class KeptAnswer:
    """fingerprint: of the request that it answers (64 hex digits)."""

    fingerprint: str
    status: int
    headers: Mapping[str, str]
    body: bytes


class Answers(Protocol):
    """Answers that are given again, inside one transaction."""

    async def claim(self, key: str) -> bool:
        """Takes the key until the transaction ends; False where another request has it at this moment."""

    async def find(self, key: str) -> KeptAnswer | None: ...

    async def put(self, key: str, answer: KeptAnswer, known: int) -> None: ...

    async def forget(self, before: int) -> int:
        """Forgets what was kept before that moment; says how many."""
