"""Arrays as texts, read back by PostgreSQL."""

import asyncio

import asyncpg
from hypothesis import given
from hypothesis import strategies as st

from fieldworthy.storage.driver import int_array, text_array
from tests.postgres import Postgres

texts = st.lists(st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]) | st.sampled_from('"\\{},\n NULL')))


def test_postgresql_reads_what_was_meant(postgres: Postgres) -> None:
    loop = asyncio.new_event_loop()
    connection = loop.run_until_complete(asyncpg.connect(postgres.empty()))

    @given(texts, st.lists(st.integers(-(2**63), 2**63 - 1)))
    def check(said: list[str], numbers: list[int]) -> None:
        asked = connection.fetchrow("select $1::text::text[], $2::text::bigint[]", text_array(said), int_array(numbers))
        assert tuple(loop.run_until_complete(asked)) == (said, numbers)

    try:
        check()
    finally:
        loop.run_until_complete(connection.close())
        loop.close()
