"""Which database a test over the whole service runs on: both, or one of the two in turn.

What is in a row of a table is mostly decided above the store, and the store's own tests run on both. So each row runs on one database,
the next on the other; a test without rows runs on the one that its name falls to. Both are for what hangs on SQL, locks, time or races:
mark it `both_databases`, a test or a whole file (`pytestmark`). A thorough run takes both for all, and so does who names one by its id.
"""

from collections import defaultdict
from collections.abc import Sequence
from zlib import crc32

import pytest

FOLDERS = ("tests/keep/", "tests/client/")
_FIXTURE = "address"


def left_out(items: Sequence[pytest.Item]) -> list[pytest.Item]:
    """Those of the collected tests whose row runs on the other database."""
    tests: dict[str, dict[str, list[pytest.Item]]] = defaultdict(lambda: defaultdict(list))
    for item in items:
        if isinstance(item, pytest.Function) and item.nodeid.startswith(FOLDERS) and _in_turn(item):
            row = item.nodeid.replace(item.callspec.params[_FIXTURE], "", 1)  # the id without the database's name
            tests[item.nodeid.split("[")[0]][row].append(item)
    found: list[pytest.Item] = []
    for name, rows in tests.items():
        for n, on_each in enumerate(rows.values(), crc32(name.encode())):
            if len(on_each) > 1:
                found += [item for at, item in enumerate(on_each) if at != n % len(on_each)]
    return found


def _in_turn(item: pytest.Function) -> bool:
    return hasattr(item, "callspec") and _FIXTURE in item.callspec.params and item.get_closest_marker("both_databases") is None
