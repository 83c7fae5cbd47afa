"""What one request may ask is bounded however it is written: by other names, fragments, page sizes, and lists that come in no pages."""

from typing import Any

import pytest
from graphql import OperationDefinitionNode, get_introspection_query, parse
from sqlalchemy import event

from fieldworthy.graph.bounds import fragments_of
from fieldworthy.graph.cost import Cost
from fieldworthy.graph.schema import make_schema
from fieldworthy.usecases.keep_keys import create_key
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.limits import MAX_QUERY_DESCRIPTION
from fieldworthy.usecases.quota import Quota
from tests.doors_app import client, make_test_app
from tests.graph.small import small_app
from tests.keep.service import running
from tests.keep.test_graph_due import fill

APP, SMALL = make_test_app(), small_app()


async def answered(app: Any, query: str, **variables: Any) -> dict[str, Any]:
    async with client(app) as http:
        answer = await http.post("/graphql", json={"query": query, "variables": variables})
    assert answer.status_code == 200, answer.text
    told: dict[str, Any] = answer.json()
    return told


def code(told: dict[str, Any]) -> str:
    """The code of an answer that is an error alone."""
    assert "data" not in told
    (error,) = told["errors"]
    found: str = error["extensions"]["code"]
    return found


ASIDE = "{ __schema { " + " ".join(f"t{n}: types {{ name }}" for n in range(25)) + " } }"
BELOW = (
    "{ __schema { types { ...A } } } fragment A on __Type { f1: fields { ...B } f2: fields { ...B } } "
    "fragment B on __Field { a1: type { ...C } a2: type { ...C } } fragment C on __Type { name }"
)


@pytest.mark.parametrize(
    "query",
    [
        ASIDE,
        BELOW,
        "{ " + " ".join(f's{n}: __type(name: "Query") {{ name }}' for n in range(3)) + " }",
        "{ ... { other: __schema { types { name } } } }",
        "{ __schema { ... { types { ... on __Type { n: name } } } } }",
        "{ __schema { types { kind: __typename } } }",
    ],
)
async def test_what_describes_the_schema_has_no_other_names(query: str) -> None:
    assert code(await answered(APP, query)) == "query.too_many_aliases"


async def test_the_descriptions_breadth_is_bounded_as_any() -> None:
    assert code(await answered(APP, "{ __schema { types { " + "name " * 201 + "} } }")) == "query.too_broad"


async def test_the_introspection_of_the_tools_passes_and_has_its_price() -> None:
    """As graphql-js asks it with all that it can ask; graphql-core writes the same text."""
    whole = get_introspection_query(
        specified_by_url=True, directive_is_repeatable=True, schema_description=True, input_value_deprecation=True
    )
    told = await answered(APP, whole)
    assert "errors" not in told
    assert len(told["data"]["__schema"]["types"]) > 150
    fields = fields_of(told["data"])
    assert fields < MAX_QUERY_DESCRIPTION / 2, "so that the tools may ask it when the schema has grown"
    assert told["extensions"]["cost"]["requests"] == -(-fields // 1_000)
    one = await answered(APP, '{ __type(name: "Machine") { name fields { name } } }')
    assert one["extensions"]["cost"]["requests"] == 1


def fields_of(told: Any) -> int:
    """How many fields an answer holds."""
    if isinstance(told, dict):
        return sum(1 + fields_of(value) for value in told.values())
    return sum(map(fields_of, told)) if isinstance(told, list) else 0


TOLD = (
    "{ __schema { types { ...T } directives { name args(includeDeprecated: true) { ...I } } } } "
    "fragment T on __Type { kind name ...L ofType { kind ...L ofType { kind ...L ofType { kind } } } } "
    "fragment L on __Type { fields(includeDeprecated: true) { ...F } inputFields { ...I } possibleTypes { name } enumValues { name } } "
    "fragment F on __Field { name args { ...I } type { ...W } } fragment I on __InputValue { name defaultValue type { ...W } } "
    "fragment W on __Type { kind name ofType { kind name ofType { kind name ofType { kind name } } } }"
)
HEAVY = (
    "{ __schema { types { ...T } queryType { ...T } mutationType { ...T } } } "
    "fragment T on __Type { ...L fields { ...F } inputFields { ...I } possibleTypes { ...L fields { ...G } } } "
    "fragment L on __Type { kind name description specifiedByURL enumValues { name description isDeprecated deprecationReason } } "
    "fragment F on __Field { name description isDeprecated args { ...I } type { ...X ofType { ...X ofType { ...X ofType { ...X } } } } } "
    "fragment I on __InputValue { name description defaultValue type { ...X ofType { ...X ofType { ...X ofType { ...X } } } } } "
    "fragment X on __Type { ...L fields { ...G } inputFields { ...J } possibleTypes { ...L } } "
    "fragment G on __Field { name description isDeprecated args { ...J } type { ...Y } } "
    "fragment J on __InputValue { name description defaultValue type { ...Y } } "
    "fragment Y on __Type { ...L ofType { ...L ofType { ...L ofType { ...L } } } }"
)
"""About as much as can be asked: it would hold some 100,000 fields, and take a second."""


@pytest.mark.parametrize(
    "query",
    [
        TOLD,
        "query ($deep: Boolean = false) { __schema { types { name fields @include(if: $deep) { name type { name } } } } }",
        "query ($deep: Boolean = true) { __schema { types { name fields @skip(if: $deep) { name type { name } } } } }",
        'query ($of: String = "Machine") { __type(name: $of) { name fields { name type { name ofType { name } } } } }',
        '{ __type(name: "Nothing") { name } }',
        '{ __typename __type(name: "Machine") { __typename interfaces { name } ... on __Type { ... { fields { name } } } } }',
    ],
)
async def test_the_description_costs_what_is_answered(query: str) -> None:
    """Held to the answer itself."""
    document = parse(query)
    (operation, *_) = document.definitions
    assert isinstance(operation, OperationDefinitionNode)
    counted = Cost(make_schema()._schema, {}).of(operation, fragments_of(document), {}).fields
    told = await answered(APP, query)
    assert "errors" not in told, told
    assert counted == fields_of(told["data"])


async def test_what_would_tell_the_schema_many_times_over_is_refused_before_it_is_told() -> None:
    assert code(await answered(APP, HEAVY)) == "query.too_dear"


SPREAD = " ".join("... { ...Z }" for _ in range(190))
NOTHING = (
    f"query ($x: Boolean = true) {{ {' '.join('__schema { ...G }' for _ in range(40))} }} fragment G on __Schema {{ types {{ ...F }} }} "
    f"fragment F on __Type {{ {SPREAD} }} fragment Z on __Type {{ name @skip(if: $x) }}"
)
"""Asks of each type 190 times for nothing, and of the schema 40 times."""


async def test_looking_for_what_is_left_out_is_bounded_too_in_all_of_an_operation_together() -> None:
    assert code(await answered(APP, NOTHING)) == "query.too_dear"
    few = NOTHING.replace("__schema { ...G } " * 39, "").replace("... { ...Z } " * 150, "")
    told = await answered(APP, few)
    assert "errors" not in told
    assert told["extensions"]["cost"]["requests"] > 10, "what is looked at counts as what is found"


def again(deep: int, nothing: str) -> str:
    """Asks 199 times for nothing, as many fragments deep."""
    into = " ".join(f"fragment A{n} on __Schema {{ {f'...A{n + 1} ' * 199}}}" for n in range(deep))
    return f"query ($x: Boolean = true) {{ __schema {{ ...A0 }} }} {into} fragment A{deep} on __Schema {{ {nothing} }}"


KNOWN = again(2, "types { name @skip(if: $x) }")
"""Each type 39,601 times, of which nothing is found, and after the first time known."""
ENDLESS = again(4, "description @skip(if: $x)")
"""1.6 thousand million times: looked at to the end it meets the time that a test has."""


@pytest.mark.parametrize("query", [KNOWN, ENDLESS], ids=["known", "endless"])
async def test_looking_again_for_what_was_found_is_bounded_too(query: str) -> None:
    assert code(await answered(APP, query)) == "query.too_dear"


async def test_a_type_that_a_variable_names_is_counted_anew() -> None:
    query = "query ($of: String!) { __type(name: $of) { fields { name args { name type { name kind ofType { name kind } } } } } }"
    few, many, again = [(await answered(APP, query, of=of))["extensions"]["cost"]["requests"] for of in ("Int", "Mutation", "Int")]
    assert few == again == 1
    assert many > 1


async def test_what_wraps_a_type_is_no_input_of_which_one_member_is_given() -> None:
    """GraphQL specification (September 2025), 4.2.2, from memory: `isOneOf` is null but for input objects."""
    wrapped = "type { kind isOneOf ofType { kind isOneOf ofType { kind isOneOf } } }"
    query = f'{{ __type(name: "Query") {{ isOneOf fields {{ args {{ {wrapped} }} }} }} }}'
    told = await answered(APP, query)
    assert "errors" not in told
    found: dict[str, set[bool | None]] = {}

    def gather(each: Any) -> None:
        if each is not None:
            found.setdefault(each["kind"], set()).add(each["isOneOf"])
            gather(each.get("ofType"))

    for field in told["data"]["__type"]["fields"]:
        for argument in field["args"]:
            gather(argument["type"])
    assert told["data"]["__type"]["isOneOf"] is None
    assert found.pop("INPUT_OBJECT") == {False}
    assert {"NON_NULL", "LIST"} <= set(found)
    assert set().union(*found.values()) == {None}


LEAVES = "query ($n: Int!) { leaves(first: $n) { edges { node { name size a: leaf { name size } b: leaf { name size } } } } }"


@pytest.mark.parametrize(("whole", "real"), [(200, 200.0), (120, 120.0), (10**9, 1e9), (0, 0.0)])
async def test_a_page_costs_the_same_however_its_size_is_written(whole: int, real: float) -> None:
    first, second = [await answered(SMALL, LEAVES, n=n) for n in (whole, real)]
    assert first == second
    assert first["extensions"]["cost"]["requests"] == (1 if whole == 0 else 2 if whole == 120 else 3)


async def test_what_is_left_out_by_one_request_counts_in_the_next() -> None:
    query = "query ($more: Boolean!) { a: who b: who @include(if: $more) ... @skip(if: $more) { c: who d: who } }"
    for more, requests in ((True, 2), (False, 3), (True, 2)):
        assert (await answered(SMALL, query, more=more))["extensions"]["cost"]["requests"] == requests


async def test_what_nests_pages_is_turned_away_by_both_writings() -> None:
    query = "query ($n: Int!) { machines(first: $n) { edges { node { readings(first: $n) { edges { node { meter value at } } } } } } }"
    for n in (200, 200.0):
        async with client(APP) as http:
            answer = await http.post("/graphql", json={"query": query, "variables": {"n": n}})
        assert code(answer.json()) == "query.too_dear"


PUTS = " ".join(f'p{n}: put(name: "bounded")' for n in range(25))


@pytest.mark.parametrize(
    ("query", "requests"),
    [
        ("{ ...F } fragment F on Query { a: leaf { name } b: leaf { name } c: who }", 3),
        ("{ ... { a: leaf { name } ... on Query { b: leaf { name } } } }", 2),
        (
            "{ ...F ... { ...F } } fragment F on Query { a: leaf { name } a: leaf { size } ...G } fragment G on Query { leaf { name } }",
            2,
        ),
        ("{ ...F @skip(if: true) ... @include(if: false) { b: leaf { name } } who } fragment F on Query { a: leaf { name } }", 1),
        ("{ ... on Query @skip(if: false) { a: leaf { name } b: leaf @skip(if: true) { name } } }", 1),
        (f"mutation {{ ...M }} fragment M on Mutation {{ {PUTS} }}", 25),
    ],
)
async def test_each_field_at_the_top_counts_as_a_request_in_a_fragment_too(query: str, requests: int) -> None:
    assert (await answered(SMALL, query))["extensions"]["cost"]["requests"] == requests


def many(tasks: int) -> dict[str, Any]:
    """What is asked of a machine by a rulebook of so many tasks."""
    task = {"title": "Look it over", "kind": "inspect", "interval": "every 30 days"}
    book = {"rulebook": "many", "title": "Many tasks", "language": 1, "tasks": {f"task-{n}": task for n in range(tasks)}}
    machine = {"timezone": "Europe/London", "inService": {"on": "2024-03-01", "as": "new"}}
    return {"rulebook": book, "now": "2026-07-14T06:00:00Z", "machine": machine}


EACH = "{ task title kind standing used incomplete resting decidedBy rule needs because { code text } }"
MANY = "query ($i: DueInput!) { due(input: $i) { now " + " ".join(f"a{n}: tasks {EACH}" for n in range(29)) + " } }"


async def test_a_list_without_pages_is_counted_while_it_is_answered() -> None:
    """400 tasks, 12 fields of each, 29 times: 139,200, and beforehand no more than 10 of each list could be counted."""
    told = await answered(APP, MANY, i=many(400))
    assert told["data"] == {"due": None}
    (error,) = told["errors"]
    assert error["extensions"]["code"] == "query.too_dear"
    assert error["path"][0] == "due"
    once = "query ($i: DueInput!) { due(input: $i) { tasks { ...T @include(if: true) } } } fragment T on DueTask " + EACH
    told = await answered(APP, once, i=many(400))
    assert len(told["data"]["due"]["tasks"]) == 400


async def test_what_lists_hold_beyond_what_was_counted_counts_once_it_is_answered(address: str) -> None:
    """400 tasks, of each 11 fields and a reason of 2, 5 times: 26,000; beforehand 5 lists of 10."""
    query = "query ($i: DueInput!) { due(input: $i) { " + " ".join(f"a{n}: tasks {EACH}" for n in range(5)) + " } }"
    (operation,) = parse(query).definitions
    assert isinstance(operation, OperationDefinitionNode)
    assert Cost(make_schema()._schema, {}).of(operation, {}, {}).fields < 2_000
    async with running(address, is_open=False, quota=Quota(30, 60)) as service:
        key = (await create_key(service.store, "Nine Oxen", "a test", [KeyScope.READ])).text
        body = {"query": query, "variables": {"i": many(400)}}
        async with client(service.app) as http:
            http.headers["authorization"] = f"Bearer {key}"
            first = await http.post("/graphql", json=body)
            assert first.json()["extensions"]["cost"]["requests"] == 26
            second = await http.post("/graphql", json=body)  # what is left is less than it turns out to be
            assert len(second.json()["data"]["due"]["a0"]) == 400
            third = await http.post("/graphql", json={"query": "{ __typename }"})
    assert (third.status_code, third.json()["code"]) == (429, "quota.exceeded")


@pytest.mark.parametrize(
    ("of_each", "fields"),
    [("{ task remaining { days } because @skip(if: true) { code } }", 3), ("{ ...T ... { ...T } } ", 4), ("{ ...T assumed { value } }", 3)],
)
async def test_what_is_left_out_is_not_counted_and_what_stands_in_fragments_is(
    of_each: str, fields: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("fieldworthy.graph.taken.MAX_QUERY_FIELDS", 1_000)
    query = "query ($i: DueInput!) { due(input: $i) { " + " ".join(f"a{n}: tasks {of_each}" for n in range(29)) + " } }"
    if "...T" in query:
        query += " fragment T on DueTask { task kind }"
    most = 1_000 // (29 * fields)
    assert "errors" not in await answered(APP, query, i=many(most))
    (error,) = (await answered(APP, query, i=many(most + 1)))["errors"]
    assert error["extensions"]["code"] == "query.too_dear"


async def test_a_post_is_done_though_its_answer_is_too_much_to_tell(address: str) -> None:
    """1,000 readings that are set aside, 4 fields of each, 29 times: 116,000."""
    sent = [
        {"machine": "nobodys", "meter": "work", "value": n, "unit": "h", "at": f"2026-07-13T{n // 60:02}:{n % 60:02}:00Z"}
        for n in range(1_000)
    ]
    query = "mutation ($i: ReadingsInput!) { keepReadings(input: $i) { ... on ReadingsAnswer { setAside %s } } }"
    async with running(address) as service:
        long = query % " ".join(f"a{n}: aside {{ index why text mend }}" for n in range(29))
        told = await answered(service.app, long, i={"readings": sent})
        assert told["data"] == {"keepReadings": None}
        assert told["errors"][0]["extensions"]["code"] == "query.too_dear"
        assert "done" in told["errors"][0]["extensions"]["mend"]
        again = await answered(service.app, query % "aside { index }", i={"readings": sent})
        assert len(again["data"]["keepReadings"]["aside"]) == 1_000
        waiting = await answered(service.app, "{ setAside(first: 200) { edges { node { id } } } }")
        assert len(waiting["data"]["setAside"]["edges"]) == 200  # they were set aside, once


AT_ONCE = [
    ("{ FIELDS }", "fleetDue { stale }"),
    ("{ FIELDS }", 'setAside(machine: "r5-00") { edges { cursor } }'),
    ("{ machines(first: 2) { edges { node { FIELDS } } } }", 'due(now: "2026-07-20T06:00:NNZ") { now }'),
    ("{ machines(first: 2) { edges { node { FIELDS } } } }", 'readings(from: "2026-07-01T06:00:NNZ") { edges { cursor } }'),
]


async def test_one_request_takes_a_few_connections_to_the_database_at_once(address: str) -> None:
    """30 fields of one request, which all want one: the pool has 20 of them for all callers."""
    held, most = 0, 0

    def taken(*_: Any) -> None:
        nonlocal held, most
        held += 1
        most = max(most, held)

    def given_back(*_: Any) -> None:
        nonlocal held
        held -= 1

    async with running(address) as service:
        await fill(service, 3)
        pool = service.store.engine.sync_engine.pool
        event.listen(pool, "checkout", taken)
        event.listen(pool, "checkin", given_back)
        for query, field in AT_ONCE:
            most = 0
            fields = " ".join(f"a{n}: {field.replace('NN', f'{n:02}')}" for n in range(30))
            told = await answered(service.app, query.replace("FIELDS", fields))
            assert "errors" not in told, field
            assert 2 <= most <= 4, field
        assert held == 0
