"""The client stands by itself: it is imported, and works, where nothing else of the service's can be."""

import subprocess
import sys

ALONE = """
import sys
from importlib.abc import MetaPathFinder

ALLOWED = {"httpx", "httpcore", "h11", "anyio", "sniffio", "certifi", "idna", "typing_extensions", "fieldworthy"}

class Barred(MetaPathFinder):
    def find_spec(self, name, path=None, target=None):
        first = name.partition(".")[0]
        other_room = first == "fieldworthy" and name != "fieldworthy" and name.split(".")[1] != "client"
        if other_room or first not in ALLOWED | set(sys.stdlib_module_names):
            raise ImportError(f"{name} is barred")

sys.meta_path.insert(0, Barred())
for barred in ("pydantic", "fastapi", "sqlalchemy", "fieldworthy.core"):
    try:
        __import__(barred)
    except ImportError:
        continue
    raise SystemExit(f"{barred} could be imported")

from fieldworthy.client import Client, Retries, Unavailable
with Client("http://127.0.0.1:9", retries=Retries(within=0)) as service:
    try:
        service.due({"rulebook": "r", "now": "2026-07-14T06:00:00Z", "machine": {}})
    except Unavailable as error:
        print(error.status, str(error).partition(" (")[0])
print(sorted(n for n in sys.modules if n.startswith("fieldworthy.") and not n.startswith("fieldworthy.client")))
"""


def test_it_works_without_the_servers_parts() -> None:
    ran = subprocess.run([sys.executable, "-W", "error", "-c", ALONE], capture_output=True, text=True, timeout=60)
    assert ran.stderr == ""
    assert ran.stdout.splitlines() == ["None no answer to POST /v1/due from http://127.0.0.1:9", "[]"]
