"""Documents made from GraphQL's own schema, asked of a running service: none is answered by a fault.

    python -m tests.contract.fuzz_graphql [documents] [address]

Without an address a service is started over a database of its own. Each document fits the schema, with arguments of the right kinds and
values that may mean nothing; every answer must be GraphQL's, each error must have a code of the catalogue, and none may be a fault.
"""

import json
import sys
import tempfile
from collections import Counter
from functools import cache
from pathlib import Path
from typing import Any

import httpx
from graphql import build_schema, print_ast
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from hypothesis_graphql import mutations, nodes, queries

from fieldworthy.wire.catalogue import KINDS
from tests.contract.write import sdl

TOO_MUCH = {"query.too_deep", "query.too_broad", "query.too_many_aliases", "query.too_large", "query.too_dear"}
FAULTS = {"service.failed", "query.unreadable"}
TEXTS = ("r5-17", "plover-r5-baler", "work", "roller-bearing-grease", "none", "")


def _text(values: Any) -> Any:
    return values.map(nodes.String)


MOMENT = _text(st.sampled_from(("2026-07-14T06:00:00Z", "2026-07-14T06:00:00+01:00", "9999-12-31T23:59:59-12:00", "no time", "")))
DAY = _text(st.sampled_from(("2026-07-14", "0001-01-01", "2026-02-30", "")))
ANY_SCALAR = st.one_of(MOMENT, DAY, _text(st.sampled_from(TEXTS)), st.integers(-(2**31), 2**31 - 1).map(nodes.Int))
SCALARS = {
    "DateTime": MOMENT,
    "Date": DAY,
    **dict.fromkeys(("Json", "JSON", "Amount", "FactValue", "RulebookRef"), ANY_SCALAR),
    "Int64": st.integers(0, 2**53).map(nodes.Int),
}


def documents() -> Any:
    """Queries and mutations, each of one field of the root."""
    schema = build_schema(sdl())
    known = {name: strategy for name, strategy in SCALARS.items() if name in schema.type_map}
    assert schema.query_type is not None
    assert schema.mutation_type is not None
    fields = [(queries, name) for name in schema.query_type.fields] + [(mutations, name) for name in schema.mutation_type.fields]

    @cache
    def of(place: int) -> Any:
        make, name = fields[place]
        return make(schema, fields=(name,), custom_scalars=known, print_ast=print_ast, allow_null=True)

    return st.sampled_from(range(len(fields))).flatmap(of)


def checked(http: httpx.Client, document: str, seen: Counter[str]) -> None:
    """Asks one; fails where the answer is none that may be."""
    answer = http.post("/graphql", json={"query": document}, headers={"accept": "application/graphql-response+json"})
    assert answer.status_code in (200, 400), (answer.status_code, answer.text[:500], document)
    told = json.loads(answer.content)
    codes = [error["extensions"]["code"] for error in told.get("errors", ())]
    assert set(codes) <= set(KINDS), (codes, document)
    assert not FAULTS & set(codes), (told["errors"], document)
    if answer.status_code == 400 and not TOO_MUCH & set(codes):
        assert set(codes) == {"query.does_not_fit"}, (codes, document)
    seen.update(codes or ["answered"])


def run(address: str, count: int, derandomize: bool = True) -> Counter[str]:
    """Asks so many; what came of them, by code."""
    seen: Counter[str] = Counter()
    with httpx.Client(base_url=address, trust_env=False, timeout=60) as http:

        @settings(
            max_examples=count, deadline=None, phases=[Phase.generate], suppress_health_check=list(HealthCheck), derandomize=derandomize
        )
        @given(documents())
        def each(document: str) -> None:
            checked(http, document, seen)

        each()
    return seen


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 5_000
    if len(sys.argv) > 2:
        sys.stdout.write(f"{run(sys.argv[2], count, False).most_common()}\n")
        return
    from tests.contract.test_fuzz import started

    with tempfile.TemporaryDirectory() as folder, started(Path(folder)) as address:
        sys.stdout.write(f"{run(address, count, False).most_common()}\n")


if __name__ == "__main__":
    main()
