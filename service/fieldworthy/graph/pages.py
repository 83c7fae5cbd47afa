"""Connections, as the specification of cursor connections has them: forward only, for the store's pages begin behind a place."""

from collections.abc import Iterable, Sequence
from typing import Any

from strawberry.types.field import StrawberryField

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.graph.shapes import make_type, member
from fieldworthy.graph.words import listed, nullable
from fieldworthy.usecases.limits import MAX_PAGE

PAGE = 50
"""Items of a page, where nothing else is asked for."""

FIRST = f"items at most, 0 to {MAX_PAGE}"
AFTER = "where to go on: `endCursor` of the page before, or the cursor of any item"

PAGE_INFO = make_type(
    "PageInfo",
    [
        member("hasNextPage", bool),
        member("hasPreviousPage", bool, "false: pages go forward only, and none looks back"),
        member("startCursor", nullable(str)),
        member("endCursor", nullable(str), "`after` of the next page"),
    ],
    "Where a page lies (GraphQL Cursor Connections Specification).",
)


def connection_of(node: Any, name: str, description: str, more: Iterable[StrawberryField] = ()) -> Any:
    """The connection of a type. more: members beside the page."""
    edge = make_type(f"{name}Edge", [member("node", node), member("cursor", str)], "An item, and its place in the list.")
    fields = [member("edges", listed(edge)), member("pageInfo", PAGE_INFO), *more]
    return make_type(f"{name}Connection", fields, description)


def first_of(first: int) -> int:
    """Items of a page. Raises Refused."""
    if not 0 <= first <= MAX_PAGE:
        message = f"`first` is {first}"
        raise Refused([Finding("request.parameter", message, f"give a whole number from 0 to {MAX_PAGE}")])
    return first


def query_of(**given: Any) -> dict[str, str]:
    """Arguments as the query of an address, for what reads one; what was not given is left out."""
    return {name: value if isinstance(value, str) else str(value) for name, value in given.items() if value is not None}


def page(nodes: Sequence[Any], cursors: Sequence[str], more: bool) -> dict[str, Any]:
    """A page as data. more: whether another follows."""
    edges = [{"node": node, "cursor": cursor} for node, cursor in zip(nodes, cursors, strict=True)]
    ends = {"startCursor": cursors[0] if cursors else None, "endCursor": cursors[-1] if cursors else None}
    return {"edges": edges, "pageInfo": {"hasNextPage": more, "hasPreviousPage": False, **ends}}
