"""A short form of `fuzz_graphql`: documents made from the schema, none of which is answered by a fault."""

from collections import Counter
from pathlib import Path

import pytest

from tests.contract.fuzz_graphql import run
from tests.contract.test_fuzz import started
from tests.effort import examples


@pytest.mark.slow
def test_no_document_is_answered_by_a_fault(tmp_path: Path) -> None:
    seen = run_short(tmp_path)
    assert sum(seen.values()) >= examples(60)
    assert seen["answered"]


def run_short(folder: Path) -> Counter[str]:
    with started(folder) as address:
        return run(address, examples(60))
