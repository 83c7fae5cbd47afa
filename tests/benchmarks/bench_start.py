"""How soon `fieldworthy serve --open` answers its first request, and what that costs.

    python tests/benchmarks/bench_start.py [rounds]

On an absent SQLite database and on one that exists, by GET /healthz and by POST /v1/due with a whole rulebook in it: seconds from the
start of the process to the first answer (best and median), seconds of CPU that the process had used by its end (least; it hardly
changes while other programs are busy), its most memory.
"""

import http.client
import json
import os
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

TOP = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(TOP / "service")]

from fieldworthy.core.rulebook.text import read_text  # noqa: E402

PATIENCE = 30.0
RULEBOOK = TOP / "service" / "fieldworthy" / "demo" / "baler.yaml"


@dataclass(frozen=True)
class Request:
    method: str
    path: str
    body: bytes | None = None


def first_question() -> Request:
    document, _ = read_text(RULEBOOK.read_bytes())
    assert document is not None
    asked = {"rulebook": document.data, "now": "2026-07-14T06:00:00+01:00", "machine": {}}
    return Request("POST", "/v1/due", json.dumps(asked).encode())


@dataclass(frozen=True)
class Start:
    seconds: float
    cpu: float
    megabytes: float


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as held:
        return int(held.getsockname()[1])


def answers(port: int, request: Request) -> bool:
    try:
        asked = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE)
        asked.request(request.method, request.path, request.body, {"content-type": "application/json"})
        answer = asked.getresponse()
    except OSError:  # nobody listens yet
        return False
    if answer.status != 200:
        raise SystemExit(f"{request.path} answered {answer.status}")
    return True


def start(database: Path, request: Request) -> Start:
    """One start, first answer and stop."""
    port = free_port()
    command = [sys.executable, "-m", "fieldworthy.cli", "serve", "--open", "--port", str(port)]
    script = Path(sys.executable).with_name("fieldworthy")
    if script.exists():
        command[:3] = [str(script)]
    began = time.perf_counter()
    process = subprocess.Popen(command, env=os.environ | {"FIELDWORTHY_DATABASE_URL": f"sqlite:///{database}"}, stderr=subprocess.DEVNULL)
    while not answers(port, request):
        if time.perf_counter() - began > PATIENCE or process.poll() is not None:
            process.kill()
            raise SystemExit("the service did not start")
        time.sleep(0.002)
    seconds = time.perf_counter() - began
    process.send_signal(signal.SIGTERM)
    _, _, used = os.wait4(process.pid, 0)
    process.returncode = 0  # it was waited for here
    return Start(seconds, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)


def main() -> None:
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 7
    with tempfile.TemporaryDirectory() as folder:
        room = Path(folder)
        requests = (Request("GET", "/healthz"), first_question())
        start(room / "kept.db", requests[0])  # the first start of all fills the caches of the system
        for number, request in enumerate(requests):
            show(request, "existing", [start(room / "kept.db", request) for _ in range(rounds)])
            show(request, "new", [start(room / f"new-{number}-{n}.db", request) for n in range(rounds)])


def show(request: Request, database: str, starts: list[Start]) -> None:
    seconds = [s.seconds for s in starts]
    print(  # noqa: T201
        f"{request.method} {request.path}, {database} database: best {min(seconds):.2f} s, median {statistics.median(seconds):.2f} s; "
        f"CPU {min(s.cpu for s in starts):.2f} s; {max(s.megabytes for s in starts):.0f} MB"
    )


if __name__ == "__main__":
    main()
