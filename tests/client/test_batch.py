"""Due questions of many machines: in order, while they come, whatever breaks in between."""

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest

from fieldworthy.client import AsyncClient, Client, Failed, Refused, Retries, Unavailable
from tests.client.both import Both, Time
from tests.client.real import serving
from tests.client.scripted import Answer, Asked, Scripted, problem, scripted

NOW = datetime(2026, 7, 14, 6, 0, tzinfo=UTC)
DOCUMENT = {
    "rulebook": "faults",
    "title": "A machine of the tests",
    "meters": {"work": {"unit": "h", "default": True}},
    "tasks": {"grease": {"title": "Grease", "kind": "lubricate", "interval": "every 50 h"}},
}


def question(n: int) -> dict[str, Any]:
    reading = {"meter": "work", "value": n, "at": NOW}
    machine = {"id": f"m{n}", "in_service": {"on": "2026-01-01", "meters": {"work": 0}}, "meters": [reading]}
    return {"ref": n, "machine": machine} if n % 100 != 7 else {"ref": n, "machine": machine, "tasks": ["grase"]}


def test_any_number_is_answered_in_order(both: Both, address: str) -> None:
    with serving(address) as url:
        answers = both(url, "due_batch", (question(n) for n in range(1203)), rulebook=DOCUMENT, now=NOW)
        assert [(a["line"], a["ref"]) for a in answers] == [(n + 1, n) for n in range(1203)]
        for n in (0, 7, 499, 500, 1202):
            told = {k: v for k, v in answers[n].items() if k not in ("line", "ref")}
            asked = {"rulebook": DOCUMENT, "now": NOW, **{k: v for k, v in question(n).items() if k != "ref"}}
            if n == 7:
                with pytest.raises(Refused) as refused:
                    both(url, "due", asked)
                assert told == {"problem": refused.value.problem}
                assert refused.value.mend == "did you mean `grease`?"
            else:
                assert told == both(url, "due", asked)
                assert told["machine"] == f"m{n}"
        assert both(url, "due_batch", []) == []
        alone = {"rulebook": DOCUMENT, "now": "2026-07-14T06:00:00Z", "machine": {}}
        assert [("problem" in a, a["line"]) for a in both(url, "due_batch", [alone, {"machine": {}}])] == [(False, 1), (True, 2)]


def test_questions_are_taken_as_they_are_sent_and_an_iterator_may_be_left(address: str) -> None:
    taken = []

    def endless() -> Iterator[Any]:
        n = 0
        while True:
            taken.append(n)
            yield question(n)
            n += 1

    with serving(address) as url, Client(url) as service:
        answers = service.due_batch(endless(), rulebook=DOCUMENT, now=NOW)
        assert [next(answers)["ref"] for _ in range(3)] == [0, 1, 2]
        assert len(taken) <= 600
        answers.close()  # type: ignore[attr-defined]  # it is a generator
        assert next(service.due_batch(endless(), rulebook=DOCUMENT, now=NOW))["ref"] == 0


async def test_an_async_source_is_for_the_async_client(address: str) -> None:
    async def questions() -> Any:
        for n in range(3):
            yield question(n)

    with serving(address) as url:
        async with AsyncClient(url) as service:
            assert [a["ref"] async for a in service.due_batch(questions(), rulebook=DOCUMENT, now=NOW)] == [0, 1, 2]
        with Client(url) as plain, pytest.raises(TypeError, match="AsyncClient"):
            list(plain.due_batch(questions()))


def answered(server: Scripted, cut: dict[int, int], end: bool = True) -> None:
    """The server answers each line with its number; of the n-th request it sends so many bytes only."""

    def rest(asked: Asked) -> Answer:
        count = asked.body.count(b"\n") + 1
        lines = [json.dumps({"line": n + 1, "ref": json.loads(line)["ref"]}) for n, line in enumerate(asked.body.splitlines())]
        told = "\n".join([*lines, *([json.dumps({"end": True, "lines": count})] if end else [])]) + "\n"
        return Answer(200, told.encode(), {"content-type": "application/jsonl"}, cut=cut.get(len(server.asked)))

    server.rest = rest


def test_a_batch_that_is_cut_off_goes_on_where_it_was(both: Both) -> None:
    with scripted(problem(503)) as server:
        answered(server, {2: 30, 3: 0, 4: 50})  # in the middle of the second line, at once, after two lines
        time = Time()
        answers = both(server.url, "due_batch", [{"ref": n} for n in range(6)], time=time)
        assert answers == [{"line": n + 1, "ref": n} for n in range(6)]
        assert [json.loads(a.body.splitlines()[0])["ref"] for a in server.asked] == [0, 0, 1, 1, 3]
        assert time.waits == [0.25, 0.25, 0.5, 0.25]  # an answer in between begins anew


def test_without_its_last_line_all_answers_are_still_all(both: Both) -> None:
    with scripted() as server:
        answered(server, {}, end=False)
        assert len(both(server.url, "due_batch", [{"ref": n} for n in range(3)], time=Time())) == 3
        assert len(server.asked) == 1


def test_a_batch_that_never_comes_is_given_up(both: Both) -> None:
    with scripted() as server:
        answered(server, dict.fromkeys(range(100), 3))
        with pytest.raises(Unavailable, match=r"cut off|peer closed"):
            both(server.url, "due_batch", [{"ref": 1}], time=Time(), client={"retries": Retries(within=5)})
        assert len(server.asked) > 3


def test_a_limit_of_the_services_own_is_not_taken_for_an_answer(both: Both) -> None:
    """The service stops at so many lines, says so in the place of the next answer, and sends no end."""

    def few(asked: Asked) -> Answer:
        lines = asked.body.splitlines()[:2]
        told = [{"line": n + 1, "ref": json.loads(line)["ref"]} for n, line in enumerate(lines)]
        more = asked.body.count(b"\n") >= 2
        told.append({"line": 3, "ref": None, "problem": problem(413, "request.too_large").body} if more else {"end": True, "lines": 2})
        return Answer(200, ("\n".join(map(json.dumps, told)) + "\n").encode())

    with scripted() as server:
        server.rest = few
        assert [a["ref"] for a in both(server.url, "due_batch", [{"ref": n} for n in range(7)], time=Time())] == list(range(7))
        none = {"line": 1, "ref": None, "problem": problem(413, "request.too_large").body}
        server.rest = lambda asked: Answer(200, json.dumps(none).encode() + b"\n")
        with pytest.raises(Refused) as told:
            both(server.url, "due_batch", [{"ref": 0}], time=Time())
        assert told.value.status == 413
        both_lines = [none, {"end": True, "lines": 1}]  # one line alone is too large, and says so in its place
        server.rest = lambda asked: Answer(200, "".join(json.dumps(line) + "\n" for line in both_lines).encode())
        assert both(server.url, "due_batch", [{"ref": 0}], time=Time()) == [none]


@pytest.mark.parametrize("line", [b"[]\n", b"no\n", b'{"line": 2}\n', b"{}\n"])
def test_what_is_no_answer_to_its_question_is_not_taken_for_one(both: Both, line: bytes) -> None:
    with scripted(Answer(200, line)) as server, pytest.raises(Failed, match="no answer to its question"):
        both(server.url, "due_batch", [{"ref": 0}], time=Time())
