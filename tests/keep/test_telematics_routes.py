"""Readings in the shapes of standards, sent to the service over a real store: whose they are, which meter, and what becomes of them."""

import gzip
import json
import tomllib
from collections import Counter
from pathlib import Path
from random import Random
from typing import Any

import httpx
import pytest

from fieldworthy.core.base.quantity import TICKS, UNITS, convert, read_amount
from fieldworthy.main import make_app
from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.usecases.kept import HOME, MACHINE, Entry
from fieldworthy.wire.telematics_answers import TelematicsAnswer
from tests.doors_app import client
from tests.keep.service import Service
from tests.keep.test_own_units import statements_of

CASES = Path(__file__).parents[1] / "cases" / "readings"
DOCUMENTS: dict[str, list[dict[str, Any]]] = tomllib.loads((CASES / "telematics.toml").read_text("utf-8"))
COUNTERS: list[dict[str, Any]] = tomllib.loads((CASES / "telematics_counters.toml").read_text("utf-8"))["counter"]

ISO = "/v1/readings/iso15143-3"
BUS = "/v1/readings/counters"
BOOK = """
rulebook: counted
title: Machines that count
meters:
  operating hours: {unit: h, default: true}
  idle hours: {unit: h}
  fuel used: {unit: L}
  road: {unit: km, default: true}
  bales: {unit: bales}
  area: {unit: ha}
tasks:
  oil: {title: Change the oil, kind: replace, interval: every 250 h}
"""
AT = "2026-07-01T06:00:00Z"


async def machines(service: Service, **serials: str) -> None:
    """Machines of these ids and serial numbers (an underline in an id stands for a hyphen)."""
    await service.publish(BOOK, "counted")
    async with service.store.keep(HOME) as kept:
        for name, serial in serials.items():
            machine = await kept.machines.add(name.replace("_", "-"), await kept.moment(), "counted", None, serial)
            body = json.dumps({"rulebook": "counted", "model": "R5", "serial": serial})
            await kept.entries.put(machine.key, [Entry(MACHINE, "", machine.known, 0, "", body)])


def header(**said: str) -> dict[str, Any]:
    return {"EquipmentHeader": {"OEMName": "Plover", "Model": "R5", **said}}


def hours(value: Any, at: str = AT) -> dict[str, Any]:
    return {"CumulativeOperatingHours": {"datetime": at, "Hour": value}}


async def told(service: Service, body: Any, path: str = ISO, **query: str) -> dict[str, Any]:
    """The answer, held to its published shape."""
    answer = await service.post(path, body, params=query)
    TelematicsAnswer.model_validate(answer)
    assert len(answer["read"]) == len(answer["readings"])
    found: dict[str, Any] = answer
    return found


async def send(service: Service, content: bytes, kind: str, **headers: str) -> httpx.Response:
    return await service.http.post(ISO, content=content, headers={"content-type": kind, **headers})


async def kept_of(service: Service, machine: str) -> list[tuple[str, int, int, str | None]]:
    """What is kept: meter, when, millionths, unit; oldest first."""
    async with service.store.look(HOME) as kept:
        found = await kept.machines.find(machine)
        if found is None:
            return []
        meters = await kept.readings.meters_of([found.key])
        series = await kept.readings.series([m.key for m in meters.values()])
        return sorted((m.name, *point) for m in meters.values() for point in series.get(m.key, ()))


async def test_a_page_of_a_fleet_finds_its_machines_and_meters(service: Service) -> None:
    await machines(service, h7_03="H7-0812", r5_17="R5-0417", r5_18="R5-0418", twin_1="T-1", twin_2="T-1")
    page = {
        "machines": {"X-9": "r5-18", "E-4": "h7-03"},
        "Equipment": [
            {**header(PIN="r5-17", SerialNumber="H7-0812"), **hours(100)},  # its PIN is a machine's id
            {**header(PIN="unheard", SerialNumber="H7-0812"), **hours(200)},  # its serial number is in a machine's document
            {**header(SerialNumber="X-9"), **hours(300)},  # the sender says whose it is
            {**header(EquipmentID="E-4"), **hours(201, "2026-07-02T06:00:00Z")},  # so it does
            {**header(EquipmentID="r5-17"), **hours(400)},  # a server's own id tells nothing by itself
            {**header(), **hours(500)},
            {**hours(600)},
            {**header(SerialNumber="T-1"), **hours(700)},
            {**header(PIN="P-1", SerialNumber="S-1"), **hours(800)},
        ],
    }
    answer = await told(service, page)
    assert [(r["machine"], r["meter"], r["at"]) for r in answer["read"]] == [
        ("r5-17", "operating hours", AT),
        ("h7-03", "operating hours", AT),
        ("r5-18", "operating hours", AT),
        ("h7-03", "operating hours", "2026-07-02T06:00:00Z"),
        ("P-1", "CumulativeOperatingHours", AT),
    ]
    assert answer["readings"] == ["kept"] * 4 + ["set-aside"]
    assert [(a["index"], a["why"]) for a in answer["aside"]] == [(4, "unknown-machine")]
    assert [(out["machine"], out["why"]) for out in answer["left_out"]] == [
        ("r5-17", "no-identity"),
        (None, "no-identity"),
        (None, "no-identity"),
        ("T-1", "machine-ambiguous"),
    ]
    assert [row[2] for row in await kept_of(service, "h7-03")] == [200_000_000, 201_000_000]


WHOSE = [  # serial numbers by id; what the header says; whose it is, None: it can't be told
    ("another's serial number is the id of one", {"n123": "A", "other": "n123"}, {"SerialNumber": "n123"}, None),
    ("also where it is said as a PIN", {"n123": "A", "other": "n123"}, {"PIN": "n123"}, None),
    ("its own serial number is its id", {"n123": "n123", "other": "B"}, {"SerialNumber": "n123"}, "n123"),
    ("and another has that serial number too", {"n123": "n123", "other": "n123"}, {"SerialNumber": "n123"}, "n123"),
    ("an id, and nobody's serial number", {"n123": "A", "other": "B"}, {"SerialNumber": "n123"}, "n123"),
    ("a serial number, and nobody's id", {"n123": "A", "other": "B"}, {"SerialNumber": "B"}, "other"),
]


@pytest.mark.parametrize(("serials", "said", "whose"), [w[1:] for w in WHOSE], ids=[w[0] for w in WHOSE])
async def test_what_is_one_machines_id_and_anothers_serial_number_tells_neither(
    service: Service, serials: dict[str, str], said: dict[str, str], whose: str | None
) -> None:
    await machines(service, **serials)
    answer = await told(service, {"Equipment": [{**header(**said), **hours(100)}]})
    assert [r["machine"] for r in answer["read"]] == ([] if whose is None else [whose])
    assert [out["why"] for out in answer["left_out"]] == (["machine-ambiguous"] if whose is None else [])


@pytest.mark.both_databases
async def test_a_serial_number_is_looked_up_and_no_machine_is_walked_through(service: Service, address: str) -> None:
    """However many there are, the same statements; and it is the one that the document says now."""
    await service.publish(BOOK, "counted")
    other = SqlStore(open_engine(address), lambda: service.now)
    asked = statements_of(other)
    taken = []
    async with client(make_app(other, lambda: service.now, is_open=True)) as second:
        for many in (2, 3, 300):  # at first a driver asks for what it needs to know of types
            items = [{"id": f"b-{n}", "rulebook": "counted", "serial": f"S-{n}"} for n in range(many)]
            await service.post("/v1/machines", {"items": items})
            for number, whose in ((f"S-{many - 1}", f"b-{many - 1}"), ("S-none", "S-none")):
                asked.clear()
                body = {"Equipment": [{**header(SerialNumber=number), **hours(many)}]}
                answer = await second.post(ISO, json=body)
                assert [r["machine"] for r in answer.json()["read"]] == [whose], answer.text
                taken.append(len(asked))
    await other.close()
    assert min(taken) > 0
    assert taken[2:4] == taken[4:6]
    for document, whose in (({"serial": "S-new"}, ["b-1"]), ({}, ["S-new"]), ({"serial": "S-2"}, [])):
        await service.put("/v1/machines/b-1", {"rulebook": "counted", **document})
        number = document.get("serial", "S-new")
        answer = await told(service, {"Equipment": [{**header(SerialNumber=number), **hours(50)}]})
        assert [r["machine"] for r in answer["read"]] == whose, document  # two have S-2: nobody can tell
    async with service.store.look(HOME) as kept:
        assert await kept.machines.by_serial(["S-2", "S-3", "S-new", "a\x00b"]) == {"S-2": ["b-1", "b-2"], "S-3": ["b-3"]}


CUT = ["126<x xmlns='u'>9</x>0.5", "1260<x xmlns='u'/>", "<x xmlns='u'/>1260", "126<Hour>9</Hour>0", "126<x xmlns='u'><y/></x>0"]


@pytest.mark.parametrize("cut", CUT)
async def test_a_number_that_an_element_cuts_in_two_is_none(service: Service, cut: str) -> None:
    await machines(service, m="S")
    element = f'<CumulativeOperatingHours datetime="{AT}"><Hour>{cut}</Hour></CumulativeOperatingHours>'
    body = f"<Equipment><EquipmentHeader><PIN>m</PIN></EquipmentHeader>{element}</Equipment>"
    answer = (await send(service, body.encode(), "application/xml")).json()
    assert (answer["readings"], [out["why"] for out in answer["left_out"]]) == ([], ["no-value"])
    assert await kept_of(service, "m") == []


async def test_a_meter_is_said_or_called_by_the_elements_plain_words(service: Service) -> None:
    await machines(service, m="S")
    everything = json.loads(next(c for c in DOCUMENTS["case"] if c["name"].startswith("every counter"))["json"])
    everything["meters"] = {"distance": "Road"}
    everything["EquipmentHeader"]["PIN"] = "m"
    answer = await told(service, everything, CumulativeLoadCount="bales", CumulativePayloadTotals="area")
    became = {r["element"]: (r["meter"], how) for r, how in zip(answer["read"], answer["readings"], strict=True)}
    assert became == {
        "CumulativeOperatingHours": ("operating hours", "kept"),
        "CumulativeIdleHours": ("idle hours", "kept"),
        "CumulativeIdleNonOperatingHours": ("CumulativeIdleNonOperatingHours", "set-aside"),
        "CumulativePowerTakeOffHours": ("CumulativePowerTakeOffHours", "set-aside"),
        "CumulativeActiveRegenerationHours": ("CumulativeActiveRegenerationHours", "set-aside"),
        "FuelUsed": ("fuel used", "kept"),
        "Distance": ("Road", "kept"),
        "CumulativeLoadCount": ("bales", "kept"),
        "CumulativePayloadTotals": ("area", "set-aside"),
    }
    whys = {answer["read"][a["index"]]["element"]: a["why"] for a in answer["aside"]}
    assert whys["CumulativeIdleNonOperatingHours"] == "unknown-meter"
    assert whys["CumulativePayloadTotals"] == "other-unit"
    assert [row[0] for row in await kept_of(service, "m")] == ["bales", "fuel used", "idle hours", "operating hours", "road"]


async def test_a_count_is_no_hours(service: Service) -> None:
    await machines(service, m="S")
    loads = {"CumulativeLoadCount": {"datetime": AT, "Count": 31}}
    answer = await told(service, loads, machine="m", CumulativeLoadCount="operating hours")
    assert [a["why"] for a in answer["aside"]] == ["other-unit"]


# meters.md's table: what is computed there of our own samples
async def test_twice_late_and_backward(service: Service) -> None:
    await machines(service, m="S")
    assert (await told(service, hours(1250.5), machine="m"))["readings"] == ["kept"]
    assert (await told(service, hours(1250.5), machine="m"))["readings"] == ["same"]
    late = hours(1200, "2026-06-01T06:00:00Z")
    assert (await told(service, late, machine="m"))["readings"] == ["kept"]
    backward = await told(service, hours(1249.0, "2026-07-02T06:00:00Z"), machine="m")
    assert [a["why"] for a in backward["aside"]] == ["runs-backward"]
    assert [row[2] for row in await kept_of(service, "m")] == [1_200_000_000, 1_250_500_000]
    async with service.store.look(HOME) as kept:
        machine = await kept.machines.find("m")
        assert machine is not None
        (meter,) = (await kept.readings.meters_of([machine.key])).values()
        assert meter.last_value == 1_250_500_000


async def test_xml_says_the_same_as_json(service: Service) -> None:
    await machines(service, m="PIN-1")
    series = [c for c in DOCUMENTS["case"] if c["name"] in ("one element over time", "the same as XML, in the standard's namespace")]
    as_json = await send(service, series[0]["json"].encode(), "application/json")
    as_xml = await send(service, series[1]["xml"].encode(), "application/xml")
    assert as_json.json()["readings"] == ["kept", "kept", "same"]
    assert as_xml.json()["readings"] == ["same", "same"]
    assert as_xml.json()["read"] == as_json.json()["read"][:2]


@pytest.mark.parametrize("kind", ["application/xml", "text/xml", "text/xml; charset=utf-8"])
async def test_packed_and_sent_once_only(service: Service, kind: str) -> None:
    await machines(service, m="PIN-1")
    body = gzip.compress(next(c for c in DOCUMENTS["case"] if c["name"].startswith("XML without"))["xml"].encode())
    first = await send(service, body, kind, **{"content-encoding": "gzip", "idempotency-key": "k-1"})
    again = await send(service, body, kind, **{"content-encoding": "gzip", "idempotency-key": "k-1"})
    assert first.status_code == 200, first.text
    assert first.json()["kept"] == 1
    assert again.content == first.content


@pytest.mark.parametrize("kind", ["application/yaml", "application/jsonl", "text/xml; charset=utf-16", "application/atom+xml"])
async def test_other_media_types(service: Service, kind: str) -> None:
    answer = await send(service, b"{}", kind)
    assert (answer.status_code, answer.json()["code"]) == (415, "body.media_type")


async def test_what_is_broken_is_refused_and_nothing_of_it_kept(service: Service) -> None:
    await machines(service, m="PIN-1")
    whole = {**header(PIN="m"), **hours(100)}
    for case in (*DOCUMENTS["refused"], *DOCUMENTS["unreadable"]):
        kind, body = ("application/json", case.get("json")) if "json" in case else ("application/xml", case["xml"])
        answer = await send(service, body.encode(), kind)
        wanted = (422, "request.does_not_fit") if "refused" in case else (400, "body.unreadable")
        assert (answer.status_code, answer.json()["code"]) == wanted, case["name"]
        assert answer.json()["mend"]
    half = {"Equipment": [whole, {**header(PIN="m"), **hours("many")}]}
    assert (await send(service, json.dumps(half).encode(), "application/json")).status_code == 422
    bomb = await send(service, gzip.compress(b" " * 3_000_000), "application/xml", **{"content-encoding": "gzip"})
    assert (bomb.status_code, bomb.json()["code"]) == (413, "body.too_large")
    assert await kept_of(service, "m") == []


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ({"machine": "m"}, "the document is about 2 machines"),
        ({"CumulativeOperatingHours": "operating hours"}, "the meter of `CumulativeOperatingHours` is said twice"),
        ({"OperatingHours": "x"}, "no parameter is called `OperatingHours` here"),
        ({"FuelUsed": ""}, "`FuelUsed` has 0 characters"),
    ],
)
async def test_questions_that_do_not_fit_their_document(service: Service, query: dict[str, str], says: str) -> None:
    page = {"Equipment": [header(PIN="a"), header(PIN="b")], "meters": {"CumulativeOperatingHours": "road"}}
    answer = await service.http.post(ISO, json=page, params=query)
    assert answer.status_code == 422, answer.text
    assert says in answer.json()["detail"]


async def test_counters_become_readings_or_are_left_out(service: Service) -> None:
    """Every row of the table, each of a machine of its own."""
    meters = {"time": "operating hours", "length": "road", "volume": "fuel used", "area": "area", "bales": "bales"}
    ids = {f"c{i}": "S" for i in range(len(COUNTERS))}
    await machines(service, **ids)
    amounts = [read_amount(case["want"]) for case in COUNTERS]
    sent = [
        {
            "machine": id,
            "meter": "operating hours" if amount is None else meters[amount.unit.dimension],
            "at": AT,
            **{k: case[k] for k in ("spn", "ddi") if k in case},
            **({"bytes": case["bytes"]} if "bytes" in case else {"raw": case["raw"]}),
        }
        for id, case, amount in zip(ids, COUNTERS, amounts, strict=True)
    ]
    answer = await told(service, {"readings": sent}, BUS)
    valued = [id for id, amount in zip(ids, amounts, strict=True) if amount is not None]
    assert answer["readings"] == ["kept"] * len(valued)
    assert [r["machine"] for r in answer["read"]] == valued
    assert [(out["machine"], out["why"]) for out in answer["left_out"]] == [
        (id, case["want"]) for id, case, amount in zip(ids, COUNTERS, amounts, strict=True) if amount is None
    ]
    for id, amount in zip(ids, amounts, strict=True):
        rows = await kept_of(service, id)
        assert len(rows) == (amount is not None)
        for _, _, value, unit in rows:
            assert amount is not None
            assert unit is not None
            assert convert(value, UNITS[unit], amount.unit) == amount.value * TICKS


COUNTER = {"machine": "m", "meter": "operating hours", "at": AT}


# what is sent, and the place and words of the first mistake
MISTAKES: list[tuple[dict[str, Any], str, str]] = [
    ({**COUNTER, "spn": 247, "raw": -1}, "#/readings/0/raw", "`raw` must be at least 0"),
    ({**COUNTER, "spn": 247, "raw": 2**32}, "#/readings/0/raw", "`raw` must be at most 4294967295"),
    ({**COUNTER, "spn": 247, "raw": 1.5}, "#/readings/0/raw", "`raw` must be a whole number"),
    ({**COUNTER, "spn": 247, "raw": "6000"}, "#/readings/0/raw", "`raw` must be a whole number"),
    ({**COUNTER, "spn": 247, "bytes": "70 17 00"}, "#/readings/0/bytes", "it has 4 bytes, not 3"),
    ({**COUNTER, "spn": 247, "bytes": "70 17 00 00 00 00 00 00"}, "#/readings/0/bytes", "it has 4 bytes, not 8"),
    ({**COUNTER, "spn": 247, "bytes": "7 017 00 00"}, "#/readings/0/bytes", "does not have the form"),
    ({**COUNTER, "spn": 247, "bytes": "hours"}, "#/readings/0/bytes", "does not have the form"),
    ({**COUNTER, "spn": 247, "bytes": ""}, "#/readings/0/bytes", "does not have the form"),
    ({**COUNTER, "spn": 247}, "#/readings/0", "exactly one of `raw` and `bytes`"),
    ({**COUNTER, "spn": 247, "raw": 1, "bytes": "01 00 00 00"}, "#/readings/0", "exactly one of `raw` and `bytes`"),
    ({**COUNTER, "raw": 1}, "#/readings/0", "exactly one of `spn` and `ddi`"),
    ({**COUNTER, "spn": 247, "ddi": 215, "raw": 1}, "#/readings/0", "exactly one of `spn` and `ddi`"),
    ({**COUNTER, "spn": 1, "raw": 1}, "#/readings/0/spn", "no counter with the SPN 1"),
    ({**COUNTER, "ddi": 141, "raw": 1}, "#/readings/0/ddi", "no counter with the DDI 141"),
    ({**COUNTER, "spn": True, "raw": 1}, "#/readings/0/spn", "`spn` must be a whole number"),
    ({**COUNTER, "spn": 247, "raw": 1, "at": "2026-02-30T00:00:00Z"}, "#/readings/0/at", "there is no time"),
    ({**COUNTER, "spn": 247, "raw": 1, "at": "0001-01-01T00:00:00+23:59"}, "#/readings/0/at", "out of the calendar"),
    ({**COUNTER, "spn": 247, "raw": 1, "unit": "h"}, "#/readings/0/unit", "no member is called `unit`"),
    ({"spn": 247, "raw": 1, "at": AT, "meter": "m"}, "#/readings/0", "the member `machine` is missing"),
]


async def test_counters_that_do_not_fit(service: Service) -> None:
    await machines(service, m="S")
    good = {**COUNTER, "spn": 247, "raw": 6000}
    for counter, pointer, says in MISTAKES:
        answer = await service.http.post(BUS, json={"readings": [counter, good]})
        assert (answer.status_code, answer.json()["code"]) == (422, "request.does_not_fit"), answer.text
        first = answer.json()["errors"][0]
        assert (first["pointer"], says in first["detail"]) == (pointer, True), first
    assert await kept_of(service, "m") == []


async def test_counters_that_are_no_json(service: Service) -> None:
    answer = await service.http.post(BUS, content=b'{"readings":[', headers={"content-type": "application/json"})
    assert (answer.status_code, answer.json()["code"]) == (400, "body.unreadable")


ODD: list[Any] = [
    *[None, True, -1, 0, 1e12, 1e15, -5.5, "", " ", "x", "\x00", "a\x00b", "\ud800", "\U0001f9a1" * 60, "'; --", "%", [], {}, [[]]],
    *["0001-01-01T00:00:00Z", "9999-12-31T23:59:59.999999Z", "0001-01-01T00:00:00+23:59", "1969-01-01T00:00:00Z", "2999-01-01T00:00:00Z"],
    *["litre", "mile", "h", "gallon", "furlong", "operating hours", "area", "m", "PIN-1", "k" * 120, "k" * 121],
]


def scrambled(node: Any, chance: Random) -> Any:
    """The same, with an odd value here and there."""
    if chance.random() < 0.06:
        return chance.choice(ODD)
    match node:
        case dict():
            return {k: scrambled(v, chance) for k, v in node.items()}
        case list():
            return [scrambled(v, chance) for v in node]
        case _:
            return node


async def test_odd_documents_never_fail_the_service(service: Service) -> None:
    """What the database can't hold, or a clock can't say, is refused, left out or set aside. Always the same documents."""
    await machines(service, m="PIN-1")
    chance = Random(15143)
    whole = [json.loads(case["json"]) for case in DOCUMENTS["case"] if "json" in case and not case["name"].startswith("what is no counter")]
    counters = {"readings": [{**COUNTER, "spn": 247, "raw": 6000}, {**COUNTER, "ddi": 215, "bytes": "70 17 00 00"}]}
    seen: Counter[int] = Counter()
    for _ in range(150):
        document = {"machines": {"PIN-2": "m"}, "meters": {"Distance": "road"}, **chance.choice(whole)}
        for path, body in ((ISO, scrambled(document, chance)), (BUS, scrambled(counters, chance))):
            answer = await service.http.post(path, content=json.dumps(body).encode(), headers={"content-type": "application/json"})
            assert answer.status_code in (200, 400, 422), (body, answer.text)
            seen[answer.status_code] += 1
    assert min(seen[200], seen[422]) > 20, seen
