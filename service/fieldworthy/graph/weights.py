"""What is dearer than a field of an answer that is there: where machines are computed, one by one, or the whole schema is told."""

from collections.abc import Mapping

SCHEMA = 20_000
"""About as many fields has the schema's description, asked as the usual tools ask it."""

WEIGHTS: Mapping[str, int] = {"Machine.due": 500, "Query.__schema": SCHEMA, "Query.__type": SCHEMA}
"""By `Type.field`: as many fields more (`graph.cost`). What is due on a machine takes half as long as a request that asks it alone."""
