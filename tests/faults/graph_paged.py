"""A list is the same in pages: from the cursor of any item on, come the items that stood behind it.

Source: the GraphQL Cursor Connections Specification (Relay), section 4.4, "Pagination algorithm"; from memory.
"""

from collections.abc import Awaitable, Callable
from random import Random
from typing import Any

from graphql import GraphQLSchema, get_named_type, is_leaf_type

from fieldworthy.graph.table import MACHINE
from tests.faults.graph_rounds import Call

Ask = Callable[[str, dict[str, Any]], Awaitable[Any]]


async def paged(ask: Ask, schema: GraphQLSchema, call: Call, chance: Random) -> list[str]:
    """What is to be said against the pages of a list."""
    whole = await _page(ask, schema, call, {"first": 200, "after": None})
    if whole is None:
        return [f"pages {call.operation}: not answered the second time: {call.args}"]
    edges = whole["edges"]
    if not edges:
        return [] if not whole["pageInfo"]["hasNextPage"] else [f"pages {call.operation}: nothing, and more of it"]
    at, size = chance.randrange(len(edges)), chance.choice((0, 1, 2, 7))
    page = await _page(ask, schema, call, {"first": size, "after": edges[at]["cursor"]})
    wanted = edges[at + 1 : at + 1 + size]
    if page is None or page["edges"] != wanted:
        return [f"pages {call.operation}: behind item {at} of {len(edges)} stand not the {size} that follow it: {page} {wanted}"]
    info, is_more = page["pageInfo"], at + 1 + size < len(edges) or whole["pageInfo"]["hasNextPage"]
    if info["hasNextPage"] != is_more or info["endCursor"] != (wanted[-1]["cursor"] if wanted else None):
        return [f"pages {call.operation}: behind item {at} of {len(edges)}, {size} at once, the page says {info}"]
    return []


async def _page(ask: Ask, schema: GraphQLSchema, call: Call, more: dict[str, Any]) -> Any:
    made: Any = schema.get_type(call.on)
    field = made.fields[call.field]
    node = field.type.fields["edges"].type.of_type.of_type.of_type.fields["node"].type.of_type
    leaves = " ".join(name for name, each in node.fields.items() if is_leaf_type(get_named_type(each.type)) and not each.args)
    args = {name: value for name, value in {**call.args, **more}.items() if value is not None}
    declared = ", ".join(f"${name}: {field.args[name].type}" for name in args)
    given = ", ".join(f"{name}: ${name}" for name in args)
    asked = f"{call.field}({given}) {{ edges {{ cursor node {{ {leaves} }} }} pageInfo {{ hasNextPage endCursor }} }}"
    if call.on == MACHINE:
        asked, declared, args = f"machine(id: $owner) {{ {asked} }}", f"{declared}, $owner: String!", {**args, "owner": call.owner}
    answer = await ask(f"query ({declared}) {{ {asked} }}", args)
    told = (answer.get("data") or {}).get("machine" if call.on == MACHINE else call.field)
    return told.get(call.field) if told and call.on == MACHINE else told
