"""The second door is loaded and made when somebody first asks it, once, and whoever asks elsewhere does not wait for it."""

import asyncio
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest
from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.rest.graphql import Answers, AtFirstKnock
from tests.doors_app import client, make_test_app

TOP = Path(__file__).resolve().parents[2]
STARTED = """
import asyncio, sys
from tests.doors_app import client, make_test_app

def loaded():
    return sorted({name.split(".")[0] for name in sys.modules} & {"strawberry", "graphql"})

async def asked():
    async with client(make_test_app()) as http:
        print((await http.get("/v1/rulebooks")).status_code, loaded())
        print((await http.post("/graphql", json={"query": "{ __typename }"})).json()["data"], loaded())

asyncio.run(asked())
"""


async def answer(request: Request) -> Response:
    return Response(request.scope["path"])


async def answer_socket(_socket: Any) -> None:
    raise AssertionError


DOOR = Answers(answer, answer_socket)


def asked(path: str = "/here") -> Request:
    return Request({"type": "http", "path": path})


def test_who_does_not_ask_it_does_not_load_it() -> None:
    ran = subprocess.run([sys.executable, "-c", STARTED], cwd=TOP, capture_output=True, text=True, check=True)
    assert ran.stdout.splitlines() == ["200 []", "{'__typename': 'Query'} ['graphql', 'strawberry']"]


async def test_two_who_come_at_once_find_one_door_and_nobody_else_waits() -> None:
    finished, made = threading.Event(), []

    def make() -> Answers:
        made.append(threading.current_thread())
        assert finished.wait(30)
        return DOOR

    second = AtFirstKnock(make)
    both = [asyncio.create_task(second.answer(asked(path))) for path in ("/a", "/b")]
    async with client(make_test_app()) as http:
        assert (await http.get("/healthz")).status_code == 200  # on the loop that those two wait on
    assert not any(task.done() for task in both)
    finished.set()
    assert [(await task).body for task in both] == [b"/a", b"/b"]
    assert len(made) == 1
    assert made[0] is not threading.current_thread()


async def test_what_keeps_it_from_being_made_is_told_and_tried_again() -> None:
    tried = []

    def make() -> Answers:
        tried.append(1)
        if len(tried) == 1:
            raise MemoryError
        return DOOR

    second = AtFirstKnock(make)
    with pytest.raises(MemoryError):
        await second.answer(asked())
    assert (await second.answer(asked())).body == b"/here"


async def test_who_is_called_off_while_it_is_made_has_it_made_once_all_the_same() -> None:
    finished, made = threading.Event(), []

    def make() -> Answers:
        made.append(1)
        assert finished.wait(30)
        return DOOR

    second = AtFirstKnock(make)
    for _ in range(3):
        knocking = asyncio.ensure_future(second.answer(asked()))
        await asyncio.sleep(0.01)
        knocking.cancel()
        with pytest.raises(asyncio.CancelledError):
            await knocking
    finished.set()
    assert (await second.answer(asked("/there"))).body == b"/there"
    assert made == [1]
