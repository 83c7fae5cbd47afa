"""Due questions of many machines: cut into batches, answered in order while they come, and gone on with where one was cut off."""

import json
from collections.abc import AsyncIterable, Generator, Iterable, Mapping, Sequence
from typing import Any, TypedDict, final

import httpx

from fieldworthy.client.calls import Ask, Caller, Moment, Patience, encoded, take_lines
from fieldworthy.client.errors import Failed, Refused
from fieldworthy.client.shapes import DueAnswer, DueLine, Problem
from fieldworthy.client.steps import Flow, Give, Reply, Source, Step, read, source_of

BATCH = "/v1/due/batch"
MOST_LINES = 500
"""Of one batch: far from the service's limit, so that answers come soon and little is asked again after a break."""
MOST_BYTES = 4_000_000

Questions = Iterable[DueLine] | AsyncIterable[DueLine]

_AT_ONCE = 100
_STOPPED = "request.too_large"


@final
class DueOfLine(DueAnswer):
    """The answer to one question of a batch. line: which one, counted from 1; ref: the caller's own."""

    line: int
    ref: str | int | None


@final
class RefusedLine(TypedDict):
    """A question of a batch that was refused, and why."""

    line: int
    ref: str | int | None
    problem: Problem


BatchAnswer = DueOfLine | RefusedLine


def due_batch(
    caller: Caller, questions: Questions, rulebook: str | Mapping[str, Any] | None, now: Moment | None
) -> Flow[BatchAnswer, None]:
    """What `Surface.due_batch` says."""
    defaults = {name: value for name, value in (("rulebook", rulebook), ("now", now)) if value is not None}
    return _Batches(caller, encoded({"defaults": defaults}) if defaults else None).flow(source_of(questions))


class _Batches:
    """Batches one after another. answered: questions so far."""

    def __init__(self, caller: Caller, defaults: bytes | None) -> None:
        self._caller = caller
        self._head = [] if defaults is None else [defaults]
        self._answered = 0

    def flow(self, source: Source) -> Flow[BatchAnswer, None]:
        lines: list[bytes] = []
        size = 0
        while fresh := (yield from take_lines(source, _AT_ONCE, MOST_BYTES - size)):
            for line in fresh:
                if lines and (len(lines) >= MOST_LINES or size + len(line) >= MOST_BYTES):
                    yield from self._ask(lines)
                    lines, size = [], 0
                lines.append(line)
                size += len(line) + 1
        if lines:
            yield from self._ask(lines)

    def _ask(self, lines: Sequence[bytes]) -> Flow[BatchAnswer, None]:
        """Asks until every line is answered: after a break those that are not."""
        patience = Patience(self._caller)
        beginning = self._answered
        while rest := lines[self._answered - beginning :]:
            ask = Ask("POST", BATCH, {}, b"\n".join([*self._head, *rest]), {"content-type": "application/jsonl"})
            yield from self._caller.answered(ask, stream=True, patience=patience)
            before = self._answered
            trouble = yield from self._answers()
            if self._answered > before:
                patience = Patience(self._caller)
            if trouble is not None and self._answered - beginning < len(lines):
                yield from patience.wait(ask, trouble)

    def _answers(self) -> Generator[Step | Give[BatchAnswer], Reply, httpx.RequestError | None]:
        """
        Gives the answers of a batch as they come; returns what cut it off, if anything did.

        A refusal as too large may be of its line, or of all that follow: then nothing comes after it. Raises Refused, Failed.
        """
        told = 0
        rest = b""
        held: RefusedLine | None = None
        while part := (yield from read()):
            if isinstance(part, httpx.RequestError):
                return part
            *whole, rest = (rest + part).split(b"\n")
            for line in whole:
                said = _read(line)
                if held is not None:
                    yield from self._give(held)
                    told, held = told + 1, None
                if said.get("end") is True:
                    return None
                if said.get("line") != len(self._head) + told + 1:
                    raise _strange()
                if "problem" in said and said["problem"]["code"] == _STOPPED:
                    held = said
                    continue
                yield from self._give(said)
                told += 1
        if held is not None and not told:
            raise Refused(held["problem"]["detail"], held["problem"]["mend"], held["problem"]["status"], held["problem"])
        return httpx.ReadError("the batch was cut off")

    def _give(self, answer: BatchAnswer) -> Generator[Give[BatchAnswer], Reply, None]:
        self._answered += 1
        answer["line"] = self._answered
        yield Give(answer)


def _read(line: bytes) -> Any:
    """One line of an answer; Any, for it is the wire's. Raises Failed."""
    try:
        said = json.loads(line)
    except ValueError:
        said = None
    if not isinstance(said, dict):
        raise _strange()
    return said


def _strange() -> Failed:
    return Failed("a line of the batch is no answer to its question", "see whether it is this service that answers there")
