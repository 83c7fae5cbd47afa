"""Ways out through GraphQL name its own fields and members, and through REST the addresses, of the same things that are kept."""

from tests.graph_door import ask, data
from tests.keep.service import Service
from tests.keep.test_graph_due import fill

ASIDE = """mutation ($input: ReadingsInput!) { keepReadings(input: $input) { ... on ReadingsAnswer { aside { id mend } } } }"""
UNKNOWN = '{ machine(id: "/v1/x") { id } }'


async def test_each_door_speaks_its_own_language(service: Service) -> None:
    await fill(service, 1)
    reading = {"machine": "r5-00", "meter": "work", "value": 1, "unit": "h", "at": "2026-07-13T19:00:00Z"}
    (aside,) = (await data(service.http, ASIDE, input={"readings": [reading]}))["keepReadings"]["aside"]
    assert "/v1/" not in aside["mend"]
    assert f'`acceptSetAside(id: "{aside["id"]}")`' in aside["mend"]
    assert "`replacedMeter`" in aside["mend"]
    (kept,) = (await service.get("/v1/set-aside"))["items"]
    assert f"accept it at /v1/set-aside/{aside['id']}/accept with `replaced_meter`" in kept["mend"]

    (error,) = (await ask(service.http, UNKNOWN))["errors"]
    rest = (await service.http.get("/v1/machines/nothing-like-it")).json()
    assert error["extensions"]["mend"] == "list them (`machines`), or put it (`putMachine`)"
    assert rest["mend"] == "list them at /v1/machines, or put it at /v1/machines/ID"
    refused = 'mutation { closeWork(machine: "none", work: "w", input: {by: "p", result: "done"}) { ... on Refusal { mend } } }'
    answer = await ask(service.http, refused)
    assert "/v1/" not in str(answer)
