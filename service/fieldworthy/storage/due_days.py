"""On which day a calendar shows each task, and how often that has moved, noted with the standings that say so."""

from collections.abc import Sequence

from sqlalchemy import bindparam, insert, select, update
from sqlalchemy.ext.asyncio import AsyncConnection

from fieldworthy.storage.machines import chunks
from fieldworthy.storage.tables import due_days
from fieldworthy.usecases.kept_standings import Computed, Row

_ROWS_AT_ONCE = 500


async def note_days(connection: AsyncConnection, organisation: int, made: Sequence[tuple[Computed, Sequence[Row]]]) -> None:
    """
    Notes the days that are new or another. The machines must be locked.

    A task that has no day any more keeps its count, so that it goes on from there where it has one again: a calendar heeds no event whose
    SEQUENCE is below what it has seen.
    """
    d = due_days.c
    there: dict[tuple[int, str], str | None] = {}
    for chunk in chunks([one.machine for one, _ in made]):
        query = select(d.machine, d.task, d.day).where(d.organisation == organisation, d.machine.in_(chunk))
        there |= {(machine, task): day for machine, task, day in await connection.execute(query)}
    new, moved = [], []
    for one, rows in made:
        for row in rows:
            place = (one.machine, row.task)
            if place in there:
                if there[place] != row.day:
                    moved.append({"of_machine": one.machine, "of_task": row.task, "to_day": row.day})
            elif row.day is not None:
                new.append({"organisation": organisation, "machine": one.machine, "task": row.task, "day": row.day, "sequence": 0})
    for part in chunks(new, _ROWS_AT_ONCE):
        await connection.execute(insert(due_days), part)
    if moved:
        await connection.execute(_MOVED.where(d.organisation == organisation), moved)


_MOVED = (
    update(due_days)
    .where(due_days.c.machine == bindparam("of_machine"), due_days.c.task == bindparam("of_task"))
    .values(day=bindparam("to_day"), sequence=due_days.c.sequence + 1)
)
