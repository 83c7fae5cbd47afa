"""How much a document may ask: what can be seen of its text alone, before its types are looked at.

A fragment is walked once, however often it stands somewhere, so the work is that of the document's own length.

Below `__schema` and `__type` no field has another name: fields of one name are one field there. How deep it goes is bounded among the
rules of validation, by the lists that lead from type to type, and how much is told where it is counted (`description.py`).
"""

from collections.abc import Mapping
from dataclasses import dataclass

from graphql import (
    DocumentNode,
    FieldNode,
    FragmentDefinitionNode,
    FragmentSpreadNode,
    InlineFragmentNode,
    OperationDefinitionNode,
    SelectionSetNode,
)

from fieldworthy.graph.told import turned
from fieldworthy.usecases.limits import MAX_QUERY_ALIASES, MAX_QUERY_BREADTH, MAX_QUERY_DEPTH

DESCRIPTION = ("__schema", "__type")
"""The fields below which the schema describes itself."""


@dataclass(frozen=True, slots=True)
class Bounds:
    """depth: fields inside each other; breadth: selections side by side; aliases: of a document."""

    depth: int = MAX_QUERY_DEPTH
    breadth: int = MAX_QUERY_BREADTH
    aliases: int = MAX_QUERY_ALIASES


def fragments_of(document: DocumentNode) -> dict[str, FragmentDefinitionNode]:
    """The fragments of a document by their names."""
    return {each.name.value: each for each in document.definitions if isinstance(each, FragmentDefinitionNode)}


def hold(document: DocumentNode, bounds: Bounds) -> None:
    """Raises Turned where a document passes a bound; the error says where."""
    walk = _Walk(bounds, fragments_of(document))
    for definition in document.definitions:
        if isinstance(definition, OperationDefinitionNode):
            walk.deepest(definition.selection_set, 0)
        elif isinstance(definition, FragmentDefinitionNode):
            walk.fragment(definition.name.value)


class _Walk:
    def __init__(self, bounds: Bounds, fragments: Mapping[str, FragmentDefinitionNode]) -> None:
        self._bounds = bounds
        self._fragments = fragments
        self._known: dict[str, int] = {}
        self._open: set[str] = set()
        self._aliases = 0

    def deepest(self, selected: SelectionSetNode | None, above: int, inside: bool = False) -> int:
        """
        How many fields stand inside each other below a selection. above: those that are around it; inside: it is of the schema's own
        description, whose depth is not counted.
        """
        if selected is None:
            return 0
        if len(selected.selections) > self._bounds.breadth:
            detail = f"{len(selected.selections):,} fields or fragments stand side by side, and at most {self._bounds.breadth:,} may"
            raise turned("query.too_broad", detail, nodes=selected.selections[self._bounds.breadth])
        deepest = 0
        for node in selected.selections:
            if isinstance(node, FieldNode):
                described = inside or node.name.value in DESCRIPTION
                if node.alias is not None:
                    if described:
                        detail = "a field of the schema's own description is given another name"
                        raise turned("query.too_many_aliases", detail, "leave the other name out", nodes=node)
                    self._aliases += 1
                    if self._aliases > self._bounds.aliases:
                        detail = f"the document gives more than {self._bounds.aliases} fields another name"
                        raise turned("query.too_many_aliases", detail, nodes=node)
                if not inside:
                    self._hold(above + 1, node)
                deepest = max(deepest, 1 + self.deepest(node.selection_set, above + 1, described))
            elif isinstance(node, FragmentSpreadNode):
                below = self.fragment(node.name.value)
                if not inside:
                    self._hold(above + below, node)
                deepest = max(deepest, below)
            elif isinstance(node, InlineFragmentNode):
                deepest = max(deepest, self.deepest(node.selection_set, above, inside))
        return 0 if inside else deepest

    def fragment(self, name: str) -> int:
        """The same below a fragment; of one that holds itself, which validation refuses, 0."""
        if name in self._known:
            return self._known[name]
        definition = self._fragments.get(name)
        if definition is None or name in self._open:
            return 0
        self._open.add(name)
        inside = definition.type_condition.name.value.startswith("__")
        self._known[name] = self.deepest(definition.selection_set, 0, inside)
        self._open.discard(name)
        return self._known[name]

    def _hold(self, depth: int, node: FieldNode | FragmentSpreadNode) -> None:
        if depth > self._bounds.depth:
            raise turned("query.too_deep", f"fields stand inside each other deeper than {self._bounds.depth}", nodes=node)
