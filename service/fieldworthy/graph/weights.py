"""What is dearer than a field of an answer that is there: where machines are computed, one by one."""

from collections.abc import Mapping

WEIGHTS: Mapping[str, int] = {"Machine.due": 500}
"""By `Type.field`: as many fields more (`graph.cost`). What is due on a machine takes half as long as a request that asks it alone."""
