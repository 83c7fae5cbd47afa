"""Columns answer what graphql-core's own executor answers: the same data in the same order, the same errors in the same order at the same
places, and the same count of what lists hold."""

import asyncio
from collections.abc import Callable, Iterator
from itertools import product
from random import Random
from typing import Any, cast

import graphql
import pytest
from graphql import DocumentNode, ExecutionResult, Executor, GraphQLSchema, execute, parse, validate
from hypothesis import assume, event, given, settings
from hypothesis import strategies as st

from fieldworthy.graph import executing
from fieldworthy.graph.context import Context
from fieldworthy.graph.errors import Refused
from fieldworthy.graph.executing import PROVED, ColumnExecutor, Selections
from fieldworthy.rest.examples import EXAMPLES
from fieldworthy.usecases.limits import MAX_QUERY_FIELDS
from tests.doors_app import client, make_test_app
from tests.effort import examples
from tests.graph.made_up import FORMS, LEAVES, STRANGE, Drawn, make_schema
from tests.graph.test_bounded import EACH, many
from tests.graph.test_plain import DUE
from tests.graph.test_plain import schema as of_due
from tests.graph_door import everything

SCHEMA = make_schema()
STEERED: list[dict[str, Any]] = [{"a": a, **more} for a in (True, False) for more in ({}, {"b": False}, {"b": None}, {"c": True, "n": 1})]


@pytest.fixture(scope="module")
def runner() -> Iterator[asyncio.Runner]:
    with asyncio.Runner() as runner:
        yield runner


@pytest.fixture
def fields(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The fields that the executor answered one by one."""
    seen: list[str] = []
    really = Executor.execute_field

    def seeing(self: Any, parent_type: Any, source: Any, field_details_list: Any, path: Any, position_context: Any) -> Any:
        seen.append(path.key)
        return really(self, parent_type, source, field_details_list, path, position_context)

    monkeypatch.setattr(Executor, "execute_field", seeing)
    return seen


async def answered(
    schema: GraphQLSchema, document: DocumentNode, root: Any, variables: dict[str, Any], left: int, selections: Selections | None
) -> tuple[ExecutionResult, int]:
    """What comes of it, and what lists may hold then. left: the same before; selections: None for graphql-core's own executor."""
    context = Context(cast(Any, None), cast(Any, None))
    context.taken.took(MAX_QUERY_FIELDS - left)
    how: dict[str, Any] = {} if selections is None else {"executor_class": ColumnExecutor, "selections": selections}
    result: Any = execute(schema, document, root, context, variables, **how)
    if not isinstance(result, ExecutionResult):
        result = await result
    for _ in range(20):  # what was left behind where an error ended its object
        await asyncio.sleep(0)
    return result, context.taken.left


def told(result: ExecutionResult) -> tuple[Any, ...]:
    """All that is told, and all that an error is told from; the order of names and the types of values count."""
    errors = [(e.message, e.path, e.locations, e.extensions, type(e.original_error)) for e in result.errors or ()]
    return repr(result.data), errors


@settings(max_examples=examples(300))
@given(
    seed=st.integers(0, 2**32),  # drawn evenly from a seed, more goes wrong in more places than where Hypothesis draws each value
    strange=st.sampled_from((0.0, 0.002, 0.02, 0.1)),
    each=st.integers(1, 4),
    left=st.sampled_from((MAX_QUERY_FIELDS, 40, 10, 0, -1)),
)
def test_any_document_is_answered_the_same_over_any_data(runner: asyncio.Runner, seed: int, strange: float, each: int, left: int) -> None:
    random = Random(seed)
    drawn = Drawn(SCHEMA, random, strange, each)
    text = drawn.document()
    document = parse(text)
    assume(not validate(SCHEMA, document))  # a few ask for one name of two types
    selections = Selections(len(text))
    for variables in random.sample(STEERED, 3):
        root = drawn.root(text)
        own, own_left = runner.run(answered(SCHEMA, document, root, variables, left, None))
        ours, ours_left = runner.run(answered(SCHEMA, document, root, variables, left, selections))
        assert told(ours) == told(own)
        assert ours_left == own_left
        event("with errors" if own.errors else "without")


async def held(text: str, *roots: dict[str, Any], left: int = 1_000) -> list[ExecutionResult]:
    """What is answered over each of these data, by both executors. left: what lists may hold."""
    document, selections = parse(text), Selections(len(text))
    assert validate(SCHEMA, document) == []
    results = []
    for root in roots:
        own, own_left = await answered(SCHEMA, document, root, {}, left, None)
        ours, ours_left = await answered(SCHEMA, document, root, {}, left, selections)
        assert told(ours) == told(own)
        assert ours_left == own_left
        results.append(own)
    return results


USUAL = {"Int": 4, "Float": 0.5, "Boolean": True, "Kind": "oil", "Even": 6, "Bottom": {"name_": "a"}}
INSIDE: list[Callable[[Any], Any]] = [lambda v: v, lambda v: v, lambda v: [v], lambda v: [v], lambda v: [[v], []]]


@pytest.mark.parametrize("form", range(len(FORMS)))
@pytest.mark.parametrize("name", [*LEAVES, "Bottom"])
async def test_each_odd_value_in_each_place_is_told_the_same(name: str, form: int) -> None:
    """Of three objects the second holds it: in the place of the value, of the list around it, of a list in that list."""
    usual, field, inside = USUAL.get(name, "a text"), f"{name.lower()}{form}", INSIDE[form]
    odd = [inside(strange(usual)) for strange in STRANGE] + [strange(inside(usual)) for strange in STRANGE]
    if form == 4:
        odd += [[strange([usual]), [usual]] for strange in STRANGE]
    whole = {f"{field}_": inside(usual)}
    objects = [[whole, {f"{field}_": each}, whole] for each in [*odd, inside(usual)]] + [[whole, {}, whole]]
    of = "{ name }" if name == "Bottom" else ""
    owner = "middle3" if name == "Bottom" else "bottom3"
    results = await held(f"{{ top0 {{ {owner} {{ x: {field} {of} }} }} }}", *({"top0": {f"{owner}_": each}} for each in objects))
    assert [bool(result.errors) for result in results].count(True) >= 3
    assert results[-2].errors is None


B = {"name_": "b", "size_": 1}
ON = "fragment B on Bottom { bottoms { name } } fragment C on Bottom { bottoms { size } } "
OF_TWO = [{"__typename": of, "bottoms_": [B, None]} for of in ("Bottom", "Middle")]
ENTRIES = [{"work": {"value": 5}}, {"work": {}}, None, {}, 3]
WHOLES = [{"work": 5}, {"work": None}, None]
SEVERAL: dict[str, list[dict[str, Any]]] = {
    # one name in several places, and one fragment
    "{ bottom3 { name } bottom3 { size } ...T } fragment T on Top { bottom3 { t: __typename } }": [{"bottom3_": [B, B]}],
    "{ a: bottom2 { ...B } b: bottom2 { ...B ...C } } " + ON: [{"bottom2_": [{"bottoms_": [B]}, None]}],
    "{ a: bottom2 { ...B ...C } b: bottom2 { ...B } } " + ON: [{"bottom2_": [{"bottoms_": [B]}, None]}],
    # one place in objects of two types
    "{ named0 { name } named1 { later bottoms { name } } }": [{"named1_": OF_TWO}, {"named1_": OF_TWO[::-1]}, {"named1_": OF_TWO[:1]}],
    "{ named1 { ...N } } fragment N on Named { __typename bottoms { name } }": [{"named1_": OF_TWO}, {"named1_": OF_TWO[:1]}],
    # types that look at their objects themselves
    "{ middle3 { entries { name value } wholes { value } } }": [
        {"middle3_": [{"entries": e, "wholes": w}]} for e in ENTRIES for w in WHOLES
    ],
    "{ middle3 { entries { name } } }": [{"middle3_": [{"entries": each}]} for each in ENTRIES],
    "{ middle3 { answer1 { name } answer0 { int1 } } }": [
        {"middle3_": [{"answer1_": [each], "answer0_": each}]} for each in ({"name_": "a", "int1_": 2}, Refused(name_="a", int1_=2))
    ],
}


@pytest.mark.parametrize("asked", SEVERAL)
async def test_what_stands_in_several_places_is_told_the_same(asked: str) -> None:
    of_top, _, fragments = asked.partition(" fragment ")
    text = f"{{ top0 {of_top} }}" + (f" fragment {fragments}" if fragments else "")
    results = await held(text, *({"top0": root} for root in SEVERAL[asked]))
    assert any(result.data and result.data["top0"] for result in results)


async def test_lists_are_refused_from_the_same_one_on() -> None:
    """Twelve items of one or two fields in three lists, one of them in an object of another: 14 in all."""
    bottom = {"name_": "b", "bottoms_": [B, B]}
    asked = "{ bottom2 { name } middle0 { answer0 { bottom2 { bottoms { name } } } } }"
    root = {"bottom2_": [B, B], "middle0_": {"answer0_": {"bottom2_": [bottom, bottom, {"bottoms_": []}, B]}}}
    refused = [bool((await held(f"{{ top0 {asked} }}", {"top0": root}, left=left))[0].errors) for left in range(-1, 20)]
    assert refused == sorted(refused, reverse=True)
    assert refused.count(True) == 11


async def test_what_is_plain_is_answered_in_one_pass(fields: list[str]) -> None:
    schema, document = of_due(EXAMPLES["askDue"].answer, True), parse(f"{{ due {everything(DUE)} }}")
    own, own_left = await answered(schema, document, None, {}, MAX_QUERY_FIELDS, None)
    assert len(fields) > 100
    fields.clear()
    ours, ours_left = await answered(schema, document, None, {}, MAX_QUERY_FIELDS, Selections(4_000))
    assert fields == ["due"]
    assert told(ours) == told(own)
    assert ours.errors is None
    assert ours_left == own_left < MAX_QUERY_FIELDS


async def test_one_odd_value_leaves_the_other_objects_in_columns(fields: list[str]) -> None:
    bottoms = [{"name_": "a", "size_": n} for n in range(50)]
    root = {"top0": {"bottom3": None, "bottom3_": [*bottoms, {"name_": None}]}}
    result, _ = await answered(SCHEMA, parse("{ top0 { bottom3 { name size } } }"), root, {}, MAX_QUERY_FIELDS, Selections(40))
    assert fields == ["top0", "bottom3", "name"]
    assert result.data == {"top0": None}
    assert [each.path for each in result.errors or ()] == [["top0", "bottom3", 50, "name"]]


@pytest.mark.parametrize("columns", [True, False])
async def test_what_asks_for_leave_is_never_looked_up(columns: bool) -> None:
    """Data hold what a key may not read: the field's own resolver refuses, in an object of its own and among many."""
    middle = {"name_": "a", "secret_": "told", "secrets_": [{"name_": "told"}]}
    root = {"middle0": middle, "middle3": [middle, middle]}
    document = parse("{ middle0 { name secret secrets { name } } middle3 { name secret ... { secrets { name } } } }")
    result, _ = await answered(SCHEMA, document, root, {}, MAX_QUERY_FIELDS, Selections(90) if columns else None)
    withheld = {"name": "a", "secret": None, "secrets": None}
    assert result.data == {"middle0": withheld, "middle3": [withheld, withheld]}
    assert [each.message for each in result.errors or ()] == ["this may not be told"] * 6


async def test_what_is_kept_of_a_document_is_bounded(fields: list[str]) -> None:
    """Thirty lists under other names that share a fragment and have a member more; where there is no room for them the executor answers."""
    inside = " ".join(f"b{n}: bottom2 {{ ...B n{n}: name }}" for n in range(30))
    document = parse(f"{{ top0 {{ {inside} }} }} fragment B on Bottom {{ id0 id2 int0 int2 kind0 kind2 loose0 loose2 even0 even2 }}")
    root = {"top0": {"bottom2_": [{"name_": "a"}] * 3}}
    own, _ = await answered(SCHEMA, document, root, {}, MAX_QUERY_FIELDS, None)
    for characters, least, most in ((3_000, 1, 1), (100, 31, 1_000), (400, 31, 700)):
        selections = Selections(characters)
        fields.clear()
        ours, _ = await answered(SCHEMA, document, root, {}, MAX_QUERY_FIELDS, selections)
        assert told(ours) == told(own)
        assert least <= len(fields) <= most
        assert size_of(selections) <= 64 + characters // 4


def size_of(selections: Selections) -> int:
    """Nodes by which something is found, and members."""
    places = [place for found in selections.kept for place in (*found.columns, *found.members)]
    return sum(1 + len(nodes) for _, nodes in places) + sum(
        len(members or ()) for found in selections.kept for members in found.members.values()
    )


FLAGS = ("v0", "v1", "v2")
OVERLAPPING = (
    f"query ({' '.join(f'${name}: Boolean!' for name in FLAGS)}) "
    f"{{ top0 {{ {' '.join(f'{name}: name @skip(if: ${name})' for name in FLAGS)} "
    f"{' '.join(f'a{n}: middle3 {{ ...F b{n}: name }}' for n in range(28))} }} }} fragment F on Middle {{ {'bottom0 { name } ' * 40}}}"
)


@pytest.mark.parametrize("at_once", [True, False])
async def test_what_is_kept_is_bounded_where_several_ask_at_once_too(at_once: bool) -> None:
    document, selections = parse(OVERLAPPING), Selections(len(OVERLAPPING))
    all_here = asyncio.Barrier(8)

    async def top(_info: Any) -> Any:
        if at_once:
            await all_here.wait()
        return {"name_": "t", "middle3_": [{"name_": "m", "bottom0_": {"name_": "b"}}]}

    async def ask(way: tuple[bool, ...]) -> None:
        root = {"top0": top}
        result, _ = await answered(SCHEMA, document, root, dict(zip(FLAGS, way, strict=True)), MAX_QUERY_FIELDS, selections)
        assert not result.errors

    ways = list(product((True, False), repeat=3))
    if at_once:
        await asyncio.gather(*map(ask, ways))
    else:
        for way in ways:
            await ask(way)
    assert 0 < size_of(selections) <= 64 + len(OVERLAPPING) // 4


@pytest.mark.parametrize(("characters", "most"), [(1_000, 16), (20, 12)])
async def test_of_the_ways_to_ask_a_document_those_asked_last_are_kept(characters: int, most: int) -> None:
    names = [f"v{n}" for n in range(6)]
    skipped = " ".join(f"{name}: name @skip(if: ${name})" for name in names)
    document = parse(f"query ({' '.join(f'${name}: Boolean!' for name in names)}) {{ answer0 {{ name {skipped} }} }}")
    root, selections = {"answer0": {"name_": "a"}}, Selections(characters)
    ways = [dict(zip(names, way, strict=True)) for way in product((True, False), repeat=len(names))]
    for way in [*ways, ways[-1]]:
        before = list(selections.kept)
        result, _ = await answered(SCHEMA, document, root, way, MAX_QUERY_FIELDS, selections)
        assert result.data == {"answer0": {"name": "a", **{name: "a" for name in names if not way[name]}}}
        assert len(selections.kept) <= most
        assert size_of(selections) <= 64 + characters // 4
    assert list(selections.kept) == before
    assert len(before) > most // 2


def test_columns_were_held_to_the_release_that_is_installed() -> None:
    """Where this fails, run the tests of this file with the new release for longer (`THOROUGH=yes`), then name it as `PROVED`."""
    assert graphql.version == PROVED


@pytest.mark.parametrize("off", ["the switch", "another release"])
async def test_without_columns_the_door_answers_the_same_bytes(off: str, fields: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    asked = {"query": f"query ($i: DueInput!) {{ due(input: $i) {{ now tasks {EACH} }} }}", "variables": {"i": many(40)}}
    answers = []
    for columns in (True, False):
        if off == "another release":
            monkeypatch.setattr(executing, "PROVED", PROVED if columns else "3.3.0")
            app = make_test_app()
        else:
            app = make_test_app(graphql_columns=columns)
        fields.clear()
        async with client(app) as http:
            answers.append((await http.post("/graphql", json=asked)).content)
        assert (len(fields) == 1) is columns
    assert answers[0] == answers[1]
    assert b'"standing"' in answers[0]
