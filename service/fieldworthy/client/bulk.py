"""Many readings: cut into posts, each sent until it is answered, and an account of what became of every one."""

import gzip
import hashlib
import re
from collections.abc import AsyncIterable, Callable, Iterable, Sequence
from typing import Never
from uuid import uuid4

from fieldworthy.client.calls import JSON, Ask, Caller, take_lines
from fieldworthy.client.errors import Failed, FieldworthyError
from fieldworthy.client.posted import Posted
from fieldworthy.client.shapes import ReadingsAnswer, SentReadingIn
from fieldworthy.client.steps import Flow, Source, source_of, take

READINGS = "/v1/readings"
MOST_READINGS = 50_000
"""Of one post, by the service's own limit."""
MOST_BYTES = 10_000_000
"""Of one post, unpacked; half of what the service takes."""

Readings = Iterable[SentReadingIn] | AsyncIterable[SentReadingIn]
Progress = Callable[[Posted], None]

_AT_ONCE = 1_000
_PASSED_AT_ONCE = 20
_RUN = re.compile(r"[\x21-\x7e]{1,120}\Z")
_INDEX = re.compile(r"^#/([0-9]{1,9})(?=/|\Z)")
_TOO_LARGE = 413


def post_readings(
    caller: Caller, readings: Readings, progress: Progress | None, skip: int, run: str | None, most: int
) -> Flow[Never, Posted]:
    """What `Surface.post_readings` says."""
    if run is not None and not _RUN.match(run):
        raise ValueError("`run` takes 1 to 120 visible ASCII characters")
    if not 1 <= most <= MOST_READINGS:
        raise ValueError(f"a post takes 1 to {MOST_READINGS:,} readings")
    if skip < 0:
        raise ValueError("`skip` is less than 0")
    return _Bulk(caller, progress, Posted(run or uuid4().hex, skip, skip), most).flow(source_of(readings))


class _Bulk:
    """One bulk post. most: readings of one post; room: bytes of one, less where something before the service takes less."""

    def __init__(self, caller: Caller, progress: Progress | None, posted: Posted, most: int) -> None:
        self._caller = caller
        self._progress = progress
        self._posted = posted
        self._most = most
        self._room = MOST_BYTES

    def flow(self, source: Source) -> Flow[Never, Posted]:
        """Takes from the source, and sends whenever there is enough for a post."""
        left = self._posted.skipped
        lines: list[bytes] = []
        size = 0
        while left > 0 and (taken := (yield from take(source, min(left, _PASSED_AT_ONCE)))):
            left -= len(taken)
        while fresh := (yield from take_lines(source, _AT_ONCE, self._room - size)):
            for line in fresh:
                if lines and (len(lines) >= self._most or size + len(line) + 2 >= self._room):
                    yield from self._send(lines)
                    lines, size = [], 0
                lines.append(line)
                size += len(line) + 2
        if lines:
            yield from self._send(lines)
        return self._posted

    def _send(self, lines: Sequence[bytes]) -> Flow[Never, None]:
        try:
            answer = _whole((yield from self._caller.json(self._ask(lines))), len(lines))
        except FieldworthyError as error:
            if error.status == _TOO_LARGE and len(lines) > 1:
                self._room = max(1, sum(map(len, lines)) // 2)
                for half in (lines[: len(lines) // 2], lines[len(lines) // 2 :]):
                    yield from self._send(half)
                return
            _count_over_all(error, self._posted.sent)
            error.posted = self._posted
            raise
        self._posted = self._posted.with_answer(answer)
        if self._progress is not None:
            self._progress(self._posted)

    def _ask(self, lines: Sequence[bytes]) -> Ask:
        """The post. Its key tells the run, its place and what it holds: the same at each try, and never that of another post."""
        body = b"[" + b",\n".join(lines) + b"]"
        key = f"{self._posted.run}.{self._posted.sent}.{hashlib.sha256(body).hexdigest()[:16]}"
        headers = {"content-type": JSON, "content-encoding": "gzip", "idempotency-key": key}
        return Ask("POST", READINGS, {}, gzip.compress(body, 5, mtime=0), headers)


def _count_over_all(error: FieldworthyError, before: int) -> None:
    """Has the places of a refused post count over the whole source. before: readings that stand before those of the post."""
    for finding in error.findings:
        finding["pointer"] = _INDEX.sub(lambda found: f"#/{before + int(found[1])}", finding["pointer"])


def _whole(answer: ReadingsAnswer, sent: int) -> ReadingsAnswer:
    """Raises Failed where the answer does not tell of each reading."""
    told = answer["kept"] + answer["same"] + answer["set_aside"]
    if not len(answer["readings"]) == told == sent:
        raise Failed(f"of {sent} readings the service told what became of {told}", "see whether it is this service that answers there")
    return answer
