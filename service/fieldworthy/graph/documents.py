"""Documents, read and checked once: what was asked before is not parsed again, and its hash may stand for it.

Both are kept in memory, bounded, and by each process for itself. So a hash that one replica knows another may not: it says so, and the
client sends the document along, as the open practice of `persistedQuery` has it; nothing that is answered depends on it.
"""

import hashlib
import re
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from graphql import (
    ASTValidationRule,
    DocumentNode,
    FragmentDefinitionNode,
    GraphQLError,
    GraphQLSchema,
    GraphQLSyntaxError,
    NoSchemaIntrospectionCustomRule,
    OperationDefinitionNode,
    OperationType,
    TokenKind,
    parse,
    specified_rules,
    validate,
)
from graphql.validation import recommended_rules

from fieldworthy.graph.asked import LONGER, Asked
from fieldworthy.graph.bounds import Bounds, fragments_of, hold
from fieldworthy.graph.cost import Counted
from fieldworthy.graph.executing import Selections
from fieldworthy.graph.told import Turned, extensions, turned
from fieldworthy.usecases.limits import MAX_QUERY_CHARACTERS, MAX_QUERY_TOKENS
from fieldworthy.wire.problems import problem
from fieldworthy.wire.reading import MOST_DIGITS, kept_exactly

MOST_KEPT = 1_000
MOST_KEPT_CHARACTERS = 400_000
"""
Documents that one process keeps ready, and their length together: read and checked they weigh a hundred times that, of the shortest names
nearly four hundred times.
"""

_MOST_ERRORS = 20
_HASH = re.compile(r"[0-9a-f]{64}\Z")
_NOT_KEPT = {"message": "PersistedQueryNotFound", "code": "PERSISTED_QUERY_NOT_FOUND"}
"""As the practice has it: clients know what to do by these words."""


@dataclass(frozen=True, slots=True)
class Ready:
    """
    A document that was read and fits the schema. selections: how they are answered; counted: what its operations cost, by their names,
    where no variable has a say in it.
    """

    document: DocumentNode
    operations: Mapping[str | None, OperationDefinitionNode]
    fragments: Mapping[str, FragmentDefinitionNode]
    selections: Selections
    counted: dict[str | None, Counted] = field(default_factory=dict)

    def operation(self, name: str | None) -> OperationDefinitionNode:
        """The one that is meant. Raises Turned where it is not told, or there is none of this name."""
        if name is None and len(self.operations) == 1:
            return next(iter(self.operations.values()))
        found = self.operations.get(name) if name is not None else None
        if found is None:
            names = ", ".join(f"`{each}`" for each in list(self.operations)[:10])
            said = "which operation is meant is not told" if name is None else f"the document has no operation `{name[:80]}`"
            raise turned("query.does_not_fit", said, f"say one of these as `operationName`: {names}")
        return found


class Documents:
    """The documents of one schema that were asked lately."""

    def __init__(self, schema: GraphQLSchema, introspection: bool = True, bounds: Bounds | None = None) -> None:
        self._schema = schema
        self._bounds = bounds or Bounds()
        self._hides = not introspection
        rules: Sequence[type[ASTValidationRule]] = (*specified_rules, *(r for r in recommended_rules if r not in specified_rules))
        self._rules = rules if introspection else (*rules, NoSchemaIntrospectionCustomRule)
        self._kept: OrderedDict[str, Ready] = OrderedDict()
        self._characters = 0
        self._by_hash: OrderedDict[str, str] = OrderedDict()
        self._hashed_characters = 0

    def find(self, asked: Asked) -> Ready:
        """The document of a request. Raises Turned where it can't be read, does not fit, is too much, or its hash is not known."""
        digest = None if asked.persisted is None else _digest(asked.persisted)
        if asked.query is None:
            assert digest is not None  # a request without a document has one
            text = self._by_hash.get(digest)
            if text is None:
                told = extensions(problem("query.not_kept", _NOT_KEPT["message"]))
                raise Turned([GraphQLError(_NOT_KEPT["message"], extensions={**told, "code": _NOT_KEPT["code"]})])
            self._by_hash.move_to_end(digest)
            return self._ready(text)
        if digest is not None and hashlib.sha256(asked.query.encode()).hexdigest() != digest:
            raise turned("query.hash_differs", "`sha256Hash` is not the hash of the document")
        ready = self._ready(asked.query)
        if digest is not None and digest not in self._by_hash:  # of what fits alone: else anybody could fill the store with anything
            self._by_hash[digest] = asked.query
            self._hashed_characters += len(asked.query)
            while len(self._by_hash) > MOST_KEPT or self._hashed_characters > MOST_KEPT_CHARACTERS:
                self._hashed_characters -= len(self._by_hash.popitem(last=False)[1])
        return ready

    def _ready(self, text: str) -> Ready:
        ready = self._kept.get(text)
        if ready is not None:
            self._kept.move_to_end(text)
            return ready
        ready = self._kept[text] = self._read(text)
        self._characters += len(text)
        while len(self._kept) > MOST_KEPT or self._characters > MOST_KEPT_CHARACTERS:
            self._characters -= len(self._kept.popitem(last=False)[0])
        return ready

    def _read(self, text: str) -> Ready:
        if len(text) > MAX_QUERY_CHARACTERS:
            raise turned("query.too_large", f"the document has {len(text):,} characters, and at most {MAX_QUERY_CHARACTERS:,} are read")
        try:
            document = parse(text, max_tokens=MAX_QUERY_TOKENS, allow_empty_selection_sets=False)
        except GraphQLSyntaxError as trouble:
            raise Turned([_unreadable(trouble)]) from None
        _refuse_rounded(document)
        hold(document, self._bounds)
        hides = self._hides or LONGER in text or "\\u" in text  # an escape may stand for it
        found = validate(self._schema, document, self._rules, _MOST_ERRORS, hide_suggestions=hides, allow_empty_selection_sets=False)
        if found:
            raise Turned(found)
        operations = {
            each.name.value if each.name else None: each for each in document.definitions if isinstance(each, OperationDefinitionNode)
        }
        if not operations:
            raise turned("query.does_not_fit", "the document holds no operation", "write one, as `{ __typename }`")
        return Ready(document, operations, fragments_of(document), Selections(len(text)))


def is_mutation(operation: OperationDefinitionNode) -> bool:
    """Whether it changes something, so that it is not for a GET."""
    return operation.operation is OperationType.MUTATION


def is_subscription(operation: OperationDefinitionNode) -> bool:
    """Whether it goes on."""
    return operation.operation is OperationType.SUBSCRIPTION


def _unreadable(trouble: GraphQLSyntaxError) -> GraphQLError:
    """What the parser says, as one of ours: it tells what can't be read and what is too much by its words alone."""
    code, said = "query.unreadable", trouble.message
    if "tokens. Parsing aborted" in said:
        code, said = "query.too_large", f"the document has more than {MAX_QUERY_TOKENS:,} words and signs"
    elif "nested too deeply" in said:
        code, said = "query.too_deep", "the document is nested deeper than it can be read"
    told = problem(code, said)
    return GraphQLError(told["detail"], source=trouble.source, positions=trouble.positions, extensions=extensions(told))


def _refuse_rounded(document: DocumentNode) -> None:
    """Raises Turned for numbers that would not be kept as they are written: in variables and bodies they are refused as well."""
    assert document.loc is not None  # it was parsed with its places
    token = document.loc.start_token.next
    found: list[GraphQLError] = []
    while token is not None and len(found) < _MOST_ERRORS:
        text = token.value if token.kind in (TokenKind.INT, TokenKind.FLOAT) else None
        if text is not None and not kept_exactly(text, float(text)):
            shown = text if len(text) <= 40 else text[:40] + "…"
            said = f"the number `{shown}` has more digits than can be kept exactly, or is too large or too small"
            told = problem("query.does_not_fit", said, f"write it with at most {MOST_DIGITS} significant digits")
            found.append(GraphQLError(said, source=document.loc.source, positions=[token.start], extensions=extensions(told)))
        token = token.next
    if found:
        raise Turned(found)


def _digest(persisted: Any) -> str:
    """The hash of `extensions.persistedQuery`. Raises Turned."""
    if isinstance(persisted, dict) and persisted.get("version") == 1:
        digest = persisted.get("sha256Hash")
        if isinstance(digest, str) and _HASH.match(digest):
            return digest
    mend = 'send `{"version": 1, "sha256Hash": "…"}` with 64 small hexadecimal digits'
    raise turned("query.does_not_fit", "`extensions.persistedQuery` can't be read", mend)
