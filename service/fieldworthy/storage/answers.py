"""Answers that are given again, in the database."""

import hashlib
import json

from sqlalchemy import delete, insert, select, text
from sqlalchemy.ext.asyncio import AsyncConnection

from fieldworthy.storage.tables import answers
from fieldworthy.usecases.kept_answers import KeptAnswer


class SqlAnswers:
    """Implements `usecases.kept_answers.Answers` inside one transaction, which it neither begins nor ends."""

    def __init__(self, connection: AsyncConnection, organisation: int) -> None:
        self._connection = connection
        self._organisation = organisation
        self._own = answers.c.organisation == organisation

    async def claim(self, key: str) -> bool:
        """On SQLite whoever writes is alone: another process has waited, and finds the answer."""
        if self._connection.dialect.name != "postgresql":
            return True
        # the numbers of locks are everybody's: nobody may find a key that has the number of another lock
        number = int.from_bytes(hashlib.sha256(f"{self._organisation} {key}".encode()).digest()[:8], signed=True)
        lock = text("select pg_try_advisory_xact_lock(:number)")
        return bool((await self._connection.execute(lock, {"number": number})).scalar_one())

    async def find(self, key: str) -> KeptAnswer | None:
        row = (await self._connection.execute(select(answers).where(self._own, answers.c.key == key))).first()
        return None if row is None else KeptAnswer(row.fingerprint, row.status, json.loads(row.headers), bytes(row.body))

    async def put(self, key: str, answer: KeptAnswer, known: int) -> None:
        await self._connection.execute(
            insert(answers).values(
                organisation=self._organisation,
                key=key,
                fingerprint=answer.fingerprint,
                status=answer.status,
                headers=json.dumps(dict(answer.headers)),
                body=answer.body,
                known=known,
            )
        )

    async def forget(self, before: int) -> int:
        return (await self._connection.execute(delete(answers).where(self._own, answers.c.known < before))).rowcount
