"""How much is taken at once, unless the settings say otherwise. Each limit is named in README.md; passing one is a refusal with a code."""

MAX_BODY_BYTES = 2_000_000
"""One request, after unpacking (a batch counts line by line, see below)."""

MAX_RULEBOOK_BYTES = 1_000_000
"""One rulebook's text, UTF-8."""

MAX_BATCH_LINES = 100_000
"""Lines of one batch."""

MAX_BATCH_LINE_BYTES = 1_000_000
"""One line of a batch."""

MAX_READINGS = 50_000
"""Readings of one post."""

MAX_READINGS_BYTES = 20_000_000
"""One post of readings, as it is sent and after unpacking."""

MAX_AT_ONCE = 200
"""Requests that one process answers at the same time."""

MAX_REQUESTS = 6_000
MAX_REQUESTS_SECONDS = 60
"""Requests that one key may make in a window of so many seconds, over all replicas. A bridge that posts every second makes 60."""

MAX_WRONG_KEYS = 30
"""Wrong keys that one address may send a minute, before keys that were not seen to work wait."""

MAX_REQUEST_SECONDS = 1_800
"""One request from its headers to the last byte of its answer. A batch of 100,000 lines takes a few minutes."""

STOP_SECONDS = 25
"""What was begun may take so long once the process is told to stop; a cluster's usual patience with that is 30 s in all."""

MAX_STATES = 200_000
"""States of one procedure that a check looks at; one that has more is "not shown safe" (procedure.explore.MOST_STATES)."""

MAX_EXPRESSION_CHARACTERS = 2_000
"""One interval or condition."""

MAX_PAGE = 200
"""Items of one page of a list."""

CACHE_BYTES = 4_000_000
"""What the checked rulebooks that are kept ready may weigh together, measured by their canonical documents.

Made ready, a rulebook takes up to fifty times its document's bytes (long intervals): so this is 200 MB at the worst, and enough for
a hundred rulebooks of a usual size.
"""

MAX_QUERY_TOKENS = 2_000
"""Words and signs of one GraphQL document."""

MAX_QUERY_CHARACTERS = 50_000
"""Of one GraphQL document, spaces and remarks as well."""

MAX_QUERY_DEPTH = 15
"""Fields inside each other, in one GraphQL document."""

MAX_QUERY_BREADTH = 200
"""Fields and fragments side by side, in one selection of a GraphQL document."""

MAX_QUERY_ALIASES = 30
"""Fields that one GraphQL document gives another name."""

MAX_QUERY_FIELDS = 100_000
"""Fields that the answer to one GraphQL request may hold, by its pages' sizes."""

MAX_QUERY_DESCRIPTION = 50_000
"""Fields of the schema's own description that one answer may hold: some twice as many as the usual tools ask for."""

QUERY_FIELDS_A_REQUEST = 1_000
"""As many fields of a GraphQL answer count as one request in a key's quota."""

QUERY_LIST_LENGTH = 10
"""How long a list without pages is taken to be where an answer's fields are counted beforehand."""
