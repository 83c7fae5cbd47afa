"""`POST /v1/due/batch`: JSON Lines in, JSON Lines out, in order, while they come.

Lines that arrive are put by (in memory, then in a temporary file) and answered from there, so that a caller which sends everything
before it reads anything does not block itself.
"""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from tempfile import SpooledTemporaryFile
from typing import Any

import orjson
import structlog
from fastapi import APIRouter
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.rest.admission import admit
from fieldworthy.rest.answers import written_due
from fieldworthy.rest.body import RawRoute, media_type
from fieldworthy.rest.described import described
from fieldworthy.rest.keeping import organisation_of
from fieldworthy.rest.problems import problem_of
from fieldworthy.usecases.all_uses import AllUses, Uses
from fieldworthy.usecases.asking import ask
from fieldworthy.usecases.find_rulebook import Found, PinnedRulebooks, RulebookSource
from fieldworthy.usecases.key_refusals import NoKey
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.limits import MAX_BATCH_LINE_BYTES, MAX_BATCH_LINES
from fieldworthy.usecases.refusals import RulebookHasErrors
from fieldworthy.usecases.tally import Tally
from fieldworthy.wire import requests
from fieldworthy.wire.problems import of_refusal, problem
from fieldworthy.wire.reading import Unreadable, read_json
from fieldworthy.wire.troubles import failed

TAG = "evaluate"
PATH = "/v1/due/batch"
NEEDS = KeyScope.READ
LINES_TYPES = ("application/jsonl", "application/x-ndjson", "application/json-lines", "application/x-jsonlines")
LINES = LINES_TYPES[0]

MAX_BATCH_BYTES = 500_000_000
LINES_SCHEMA = {"type": "string", "maxLength": MAX_BATCH_BYTES, "description": "JSON Lines of DueLine, the first one may be a DefaultsLine"}
"""All lines of one batch together: what a temporary file may grow to."""

_IN_MEMORY = 1_000_000
_FLUSH = 64_000

log = structlog.get_logger("fieldworthy.rest")


class Spool:
    """Bytes put by at one end and taken in lines at the other."""

    def __init__(self, most_line: int) -> None:
        self._file = SpooledTemporaryFile(max_size=_IN_MEMORY)  # noqa: SIM115  # closed by `close`
        self._written = 0
        self._taken = 0
        self._more = asyncio.Event()
        self._ended = False
        self._most = most_line
        self.full = False
        self.idle = False
        """Whether nothing else has arrived behind the line that was given last."""

    def put(self, data: bytes) -> bool:
        """Whether there was room for it; if not, the lines end here and `full` is set."""
        if self._written + len(data) > MAX_BATCH_BYTES:
            self.full = True
            return False
        self._file.seek(self._written)
        self._file.write(data)
        self._written += len(data)
        self._more.set()
        return True

    def end(self) -> None:
        self._ended = True
        self._more.set()

    def close(self) -> None:
        self._file.close()

    async def lines(self) -> AsyncIterator[bytes | None]:
        """Each line without its end; None for a line that is too long."""
        rest = b""
        too_long = False
        while True:
            if self._taken < self._written:
                self._file.seek(self._taken)
                chunk = self._file.read(_FLUSH)
                self._taken += len(chunk)
                *whole, rest = (rest + chunk).split(b"\n")
                for left, line in zip(range(len(whole) - 1, -1, -1), whole, strict=True):
                    self.idle = not left and self._taken == self._written
                    yield None if too_long or len(line) > self._most else line
                    too_long = False
                if len(rest) > self._most:
                    rest, too_long = b"", True
            elif self._ended:
                if rest or too_long:
                    yield None if too_long else rest
                return
            else:
                self._more.clear()
                await self._more.wait()


class BatchResponse(Response):
    """Reads the request and writes the answer at the same time."""

    def __init__(self, request: Request, uses: Uses, tally: Tally, most_lines: int) -> None:
        super().__init__(None, 200, {"cache-control": "no-store"}, LINES)
        self.request = request
        self.batch = Batch(uses, tally, most_lines, self._still)
        self.whole = False
        self.gone = False

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        spool = Spool(MAX_BATCH_LINE_BYTES)
        reader = asyncio.create_task(self._read(spool, receive))
        try:
            headers = [(k, v) for k, v in self.raw_headers if k != b"content-length"]
            await send({"type": "http.response.start", "status": 200, "headers": headers})
            ready: list[bytes] = []
            size = 0
            async for answer in self.batch.answers(spool):
                if self.gone:
                    break
                ready.append(answer)
                size += len(answer)
                if size >= _FLUSH or spool.idle:
                    await send({"type": "http.response.body", "body": b"".join(ready), "more_body": True})
                    ready, size = [], 0
            if self.whole and not self.batch.stopped and not self.gone:
                ready.append(orjson.dumps({"end": True, "lines": self.batch.answered}) + b"\n")
            await send({"type": "http.response.body", "body": b"".join(ready), "more_body": False})
        finally:
            reader.cancel()
            spool.close()

    async def _still(self) -> None:
        await admit(self.request, NEEDS, again=True)

    async def _read(self, spool: Spool, receive: Receive) -> None:
        """Puts by what arrives, then waits to see whether the caller leaves before it has its answer."""
        try:
            async for chunk in self.request.stream():
                if not spool.put(chunk):
                    return
            self.whole = True
            spool.end()
            while (await receive())["type"] != "http.disconnect":
                pass
            self.gone = True
        except ClientDisconnect:
            self.gone = True
        finally:
            spool.end()


class Batch:
    """The lines of one batch, answered one by one. answered: how many; stopped: whether a limit, or the end of the key, ended it."""

    def __init__(self, uses: Uses, tally: Tally, most_lines: int, still: Callable[[], Awaitable[None]]) -> None:
        """
        tally: what counts its lines. still: lets the caller in once more, or raises what it is refused with: a batch may last longer than
        its key.
        """
        self._still = still
        self._tally = tally
        self._most_lines = most_lines
        self._find: PinnedRulebooks = uses.find.pinned()
        self._defaults: dict[str, Any] = {}
        self._default_book: Found | None = None
        self._refusal: RulebookHasErrors | None = None
        self.answered = 0
        self.stopped = False

    async def answers(self, spool: Spool) -> AsyncIterator[bytes]:
        """An answer for every line that is not blank and holds no defaults."""
        number = 0
        first = True
        async for line in spool.lines():
            number += 1
            if line is not None and not line.strip():
                continue
            if number > self._most_lines:
                self.stopped = True
                yield _line(
                    number,
                    None,
                    {
                        "problem": problem(
                            "request.too_large", f"a batch may hold at most {self._most_lines:,} lines", "send the rest in another batch"
                        )
                    },
                )
                return
            if first and line is not None and line.lstrip().startswith(b'{"defaults"'):
                first = False
                trouble = self._take_defaults(line)
                if trouble is None:
                    continue
                answer = {"problem": trouble}
                ref = None
            else:
                first = False
                ref, answer = await self._answer(line)
            self.answered += 1
            yield _line(number, ref, answer)
            if self.stopped:
                return
            if self.answered % 16 == 0:
                await asyncio.sleep(0)  # others want to be answered too
        if spool.full:
            self.stopped = True
            detail = f"a batch may hold at most {MAX_BATCH_BYTES:,} bytes"
            yield _line(number + 1, None, {"problem": problem("request.too_large", detail, "send the rest in another batch")})

    def _take_defaults(self, line: bytes) -> dict[str, Any] | None:
        try:
            self._defaults = requests.DEFAULTS_LINE.read(line)["defaults"]
        except (Refused, Unreadable) as trouble:
            return problem_of(trouble)
        return None

    async def _answer(self, line: bytes | None) -> tuple[Any, dict[str, Any]]:
        if line is None:
            return None, {"problem": problem("body.too_large", f"a line may hold at most {MAX_BATCH_LINE_BYTES:,} bytes")}
        try:
            given = requests.DUE_LINE.read(line)
        except (Refused, Unreadable) as trouble:
            return _ref_of(line), {"problem": problem_of(trouble)}
        ref = given.get("ref")
        try:
            await self._still()
            return ref, await self._ask({**self._defaults, **given})
        except Exception as trouble:
            self.stopped = isinstance(trouble, NoKey)
            told = problem_of(trouble)
            if told is None:
                log.exception("line failed")
                told = failed()
            return ref, {"problem": told}

    async def _ask(self, given: dict[str, Any]) -> dict[str, Any]:
        missing = [m for m in ("rulebook", "now") if m not in given]
        if missing:
            mend = "give `{}`, here or in the defaults"
            raise Refused([Finding("request.missing", f"the member `{m}` is missing", mend.format(m)) for m in missing])
        with self._tally.evaluating("due"):
            try:
                found = await self._book(given["rulebook"])
            except RulebookHasErrors as refusal:
                if isinstance(given["rulebook"], str):
                    raise
                return {"problem": of_refusal(refusal, "/rulebook")}
            return ask(found, given, written_due).to_json()

    async def _book(self, source: RulebookSource) -> Found:
        if source is not self._defaults.get("rulebook"):
            return await self._find(source)
        if self._refusal is not None:
            raise self._refusal
        if self._default_book is None:
            try:
                self._default_book = await self._find(source)
            except RulebookHasErrors as refusal:
                self._refusal = refusal  # a document of the defaults is checked once, whatever comes of it
                raise
        return self._default_book


def _ref_of(line: bytes) -> Any:
    """The caller's `ref` of a line that does not fit, where it can still be read."""
    try:
        data = read_json(line)
    except (Refused, Unreadable):
        return None
    ref = data.get("ref") if isinstance(data, dict) else None
    return ref if isinstance(ref, str | int) and not isinstance(ref, bool) and len(str(ref)) <= 120 else None


def _line(number: int, ref: Any, answer: dict[str, Any]) -> bytes:
    return orjson.dumps({"line": number, "ref": ref, **answer}, default=str) + b"\n"


def batch_router(uses: AllUses, most_lines: int = MAX_BATCH_LINES) -> APIRouter:
    """The batch's route. most_lines: of one batch."""
    router = APIRouter(route_class=RawRoute)

    @router.post(
        PATH,
        **described(
            "askDueBatch",
            TAG,
            NEEDS,
            "The same for many machines",
            "JSON Lines: a due question a line, answered in order while they come. The first line may be "
            '{"defaults": {"rulebook", "now"}}. '
            "Each answer carries `line` (of the request, counted from 1) and `ref` (the caller's own); a line that is refused answers in "
            "its place with `problem`; where the key ends meanwhile, that is the last. Else the last line is "
            '{"end": true, "lines": n}, n answers: without it the answer was cut off.',
            {
                LINES: {
                    "schema": {"type": "string", "description": "JSON Lines of DueAnswer with `line` and `ref`, or {line, ref, problem}"}
                }
            },
            {LINES: {"schema": LINES_SCHEMA}},
            ("body.media_type",),
        ),
    )
    async def ask_due_batch(request: Request) -> Response:
        media_type(request, LINES_TYPES)
        return BatchResponse(request, uses.of(organisation_of(request)), uses.tally, most_lines)

    return router
