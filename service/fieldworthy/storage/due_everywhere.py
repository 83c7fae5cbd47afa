"""Of which organisations something is to be delivered: one look at all of them, for a worker that has nothing to do most of the time."""

from collections.abc import Sequence

from sqlalchemy import text
from sqlalchemy.ext.asyncio import AsyncConnection

# from one organisation that something waits of to the next, by the index, and of each whether it is due: however much waits
_WHOSE = text(
    "with recursive whose(organisation) as ("
    "select min(organisation) from deliveries where state = 'waiting' union all "
    "select (select min(d.organisation) from deliveries d where d.state = 'waiting' and d.organisation > whose.organisation) "
    "from whose where whose.organisation is not null"
    ") select organisation from whose where organisation is not null and ("
    "select 1 from deliveries d where d.organisation = whose.organisation and d.state = 'waiting' and d.due <= :moment "
    "and (d.lease is null or d.lease <= :moment) order by d.due limit 1) = 1"  # the limit: a join would read all that waits
)


async def due_everywhere(connection: AsyncConnection, moment: int) -> Sequence[int]:
    """Inside a transaction that sees all organisations' deliveries (`row_security.ACROSS_DUE`)."""
    return (await connection.execute(_WHOSE, {"moment": moment})).scalars().all()
