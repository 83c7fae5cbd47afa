"""Work beside a question: both come to their end, or neither goes on."""

import asyncio

import pytest

from fieldworthy.usecases.meanwhile import meanwhile


class Question:
    """What a store is asked. said: what happened, in order."""

    def __init__(self, trouble: Exception | None = None) -> None:
        self.said: list[str] = []
        self._trouble = trouble
        self.asked = asyncio.Event()
        self.answered = asyncio.Event()

    async def ask(self) -> str:
        self.said.append("asked")
        self.asked.set()
        try:
            await self.answered.wait()
        finally:
            self.said.append("over")
        if self._trouble is not None:
            raise self._trouble
        return "answer"

    def work(self, trouble: Exception | None = None) -> str:
        self.said.append("worked")
        self.answered.set()
        if trouble is not None:
            raise trouble
        return "made"


async def test_work_is_done_while_the_question_is_on_its_way() -> None:
    question = Question()
    assert await meanwhile(question.ask(), question.work) == ("answer", "made")
    assert question.said == ["asked", "worked", "over"]


async def test_where_the_work_fails_the_question_is_over_before_anybody_hears_of_it() -> None:
    question = Question()
    with pytest.raises(KeyError):
        await meanwhile(question.ask(), lambda: question.work(KeyError()))
    assert question.said == ["asked", "worked", "over"]


async def test_where_the_question_fails_so_does_all() -> None:
    question = Question(KeyError())
    with pytest.raises(KeyError):
        await meanwhile(question.ask(), question.work)
    assert question.said == ["asked", "worked", "over"]


async def test_who_is_called_off_calls_the_question_off() -> None:
    question = Question()
    task = asyncio.ensure_future(meanwhile(question.ask(), lambda: None))
    await question.asked.wait()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert question.said == ["asked", "over"]


async def test_who_is_called_off_twice_still_leaves_no_question_behind() -> None:
    """As where a server stops while a request's time is up: to call a question off takes the database a moment too."""
    said: list[str] = []
    asked, may_end = asyncio.Event(), asyncio.Event()

    async def ask() -> None:
        asked.set()
        try:
            await asyncio.Event().wait()
        finally:
            await may_end.wait()
            said.append("over")

    async def whole() -> None:
        try:
            await meanwhile(ask(), lambda: None)
        finally:
            said.append("left")

    task = asyncio.ensure_future(whole())
    await asked.wait()
    for _ in range(2):
        task.cancel()
        for _ in range(5):
            await asyncio.sleep(0)
    assert said == []
    may_end.set()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert said == ["over", "left"]
