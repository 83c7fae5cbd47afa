"""Readings in bulk: what becomes of each, and that nothing is kept twice or lost, on both databases."""

import asyncio
import gzip
import json
import random
import sys
import tomllib
import zlib
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from fieldworthy.core.base.micros import micros_of
from fieldworthy.core.base.quantity import TICKS
from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.storage.readiness import hindrance
from fieldworthy.usecases.find_rulebook import FindRulebooks
from fieldworthy.usecases.keep_readings import Intake, keep_readings
from fieldworthy.usecases.kept import HOME
from fieldworthy.usecases.sent_readings import SentReadings
from tests.doors_app import client
from tests.keep.readings_at_work import URL, kept_rows, lines, machines, moment, outcome, reading, shown, whys
from tests.keep.service import BEGINNING, Service

if sys.version_info >= (3, 14):
    from compression import zstd
else:
    from backports import zstd

CASES = tomllib.loads((Path(__file__).parents[1] / "cases" / "readings" / "verdicts.toml").read_text())["case"]


async def test_verdicts(service: Service) -> None:
    """Every case of the table, each on a machine of its own."""
    await machines(service, *(f"m-{i}" for i in range(len(CASES))))
    for i, case in enumerate(CASES):
        meter = case.get("meter", "work")
        made = [[reading(at, value, unit or None, f"m-{i}", meter) for at, value, unit in case[part]] for part in ("kept", "sent")]
        if "now" in case:
            now, service.now = service.now, service.now.fromisoformat(moment(case["now"]))
        if made[0]:
            assert (await service.post(URL, made[0]))["kept"] == len(made[0]), case["name"]
        answer = await service.post(URL, made[1])
        if "now" in case:
            service.now = now
        assert whys(answer) == case["want"], case["name"]
        stands = len(made[0]) + answer["kept"]
        assert len(await kept_rows(service, f"m-{i}")) == stands, case["name"]
        again = whys(await service.post(URL, made[1])) if "now" not in case else None
        assert again is None or again == ["same" if why == "kept" else why for why in case["want"]], case["name"]


async def test_what_is_told_of_a_reading_that_was_set_aside(service: Service) -> None:
    await machines(service, "r5-17")
    await service.post(URL, [reading(0, 100), reading(30, 110)])
    [low] = (await service.post(URL, [reading(10, 99)]))["aside"]
    assert low["index"] == 0
    assert low["text"] == (
        "99 h is below an earlier one, 100 h at 2026-07-01T06:00:00Z and before 110 h at 2026-07-02T12:00:00Z: a meter does not run "
        "backward; it may be a replaced meter."
    )
    assert low["values"] == {
        "before": {"value": 100.0, "unit": "h", "at": "2026-07-01T06:00:00Z"},
        "after": {"value": 110.0, "unit": "h", "at": "2026-07-02T12:00:00Z"},
    }
    assert f"/v1/set-aside/{low['id']}/accept" in low["mend"]
    assert "replaced_meter" in low["mend"]
    [fast] = (await service.post(URL, [reading(31, 115)]))["aside"]
    assert "an hour and a hundredth of the time may be more" in fast["text"]
    assert fast["values"]["tolerance"] == {"hours": 1, "share": 0.01}
    [minutes] = (await service.post(URL, [reading(31, 6660)]))["aside"]
    assert minutes["values"]["as"] == {"value": 6660.0, "unit": "min"}


async def test_unknown_machines_and_meters_are_told_with_near_names(service: Service) -> None:
    await machines(service, "r5-17")
    answer = await service.post(
        URL, [reading(0, 1, machine="r5-71"), reading(0, 1, meter="wrok"), reading(0, 1, meter="WORK"), reading(1, 2, machine="x")]
    )
    assert whys(answer) == ["unknown-machine", "unknown-meter", "kept", "unknown-machine"]
    assert answer["aside"][0]["values"] == {"near": ["r5-17"]}
    assert answer["aside"][1]["values"] == {"near": ["work"], "meters": ["work", "pump", "bales", "road"]}
    assert [a["index"] for a in answer["aside"]] == [0, 1, 3]


async def test_one_meter_under_two_spellings_is_one_meter(service: Service) -> None:
    await machines(service, "r5-17")
    assert whys(await service.post(URL, [reading(0, 1, meter="Work"), reading(0, 1), reading(1, 1.5, meter=" WORK")])) == [
        "kept",
        "same",
        "kept",
    ]
    assert [row[0] for row in await kept_rows(service)] == ["work", "work"]


async def test_every_form_and_coding_is_read(service: Service) -> None:
    await machines(service, "r5-17")
    items = [reading(n, n / 2) for n in range(6)]
    array, wrapped, rows = json.dumps(items).encode(), json.dumps({"readings": items}).encode(), lines(items)
    sent = [
        ("application/json", None, array),
        ("application/json", None, wrapped),
        ("application/x-ndjson", None, rows),
        ("application/jsonl", None, b"\r\n" + rows.replace(b"\n", b"\r\n\n") + b"\n"),
        ("application/json", "gzip", gzip.compress(array)),
        ("application/json", "x-gzip", gzip.compress(array[:50]) + gzip.compress(array[50:])),  # RFC 1952, 2.2: members follow
        ("application/jsonl", "zstd", zstd.compress(rows)),
        ("application/json", "zstd", zstd.compress(array[:50]) + zstd.compress(array[50:])),  # RFC 8878, 3.1: so do frames
        ("application/json", "identity", array),
    ]
    for n, (kind, coding, body) in enumerate(sent):
        headers = {"content-type": kind, **({} if coding is None else {"content-encoding": coding})}
        answer = await service.http.post(URL, content=body, headers=headers)
        assert answer.status_code == 200, (kind, coding, answer.text)
        assert outcome(answer.json()) == ((0, 6, 0) if n else (6, 0, 0)), (kind, coding)


BAD = [
    ("no array", b"5", 422, None),
    ("cut off", json.dumps([reading(0, 1)]).encode()[:-9], 400, None),
    ("unknown member", json.dumps([reading(0, 1), {**reading(1, 1), "colour": "red"}]).encode(), 422, "#/1/colour"),
    ("missing member", json.dumps({"readings": [{"machine": "x"}]}).encode(), 422, "#/readings/0"),
    ("a text for a number", json.dumps([{**reading(0, 1), "value": "1"}]).encode(), 422, "#/0/value"),
    ("true for a number", json.dumps([{**reading(0, 1), "value": True}]).encode(), 422, "#/0/value"),
    ("null for a unit", json.dumps([{**reading(0, 1), "unit": None}]).encode(), 422, "#/0/unit"),
    ("no offset", json.dumps([{**reading(0, 1), "at": "2026-07-01T06:00:00"}]).encode(), 422, "#/0/at"),
    ("no such day", json.dumps([reading(0, 1), {**reading(0, 1), "at": "2026-02-30T06:00:00Z"}]).encode(), 422, "#/1/at"),
    ("before the calendar", json.dumps([{**reading(0, 1), "at": "0001-01-01T00:00:00+14:00"}]).encode(), 422, "#/0/at"),
    ("NaN", json.dumps([{**reading(0, 1), "value": float("nan")}]).encode(), 400, None),
    ("too many digits", json.dumps([reading(0, 1)]).encode().replace(b": 1,", b": 1.0000000000000001,"), 422, "#/0/value"),
    ("too large", json.dumps([{**reading(0, 1), "value": 1e300}]).encode(), 422, "#/0/value"),
    ("given twice", json.dumps([reading(0, 1)]).encode().replace(b'"value"', b'"value": 2, "value"'), 422, "#/0/value"),
    ("an empty name", json.dumps([{**reading(0, 1), "machine": ""}]).encode(), 422, "#/0/machine"),
    ("a control character", json.dumps([{**reading(0, 1), "meter": "a\nb"}]).encode(), 422, "#/0/meter"),
    ("not UTF-8", json.dumps([reading(0, 1, machine="x")]).encode().replace(b'"x"', b'"\xff"'), 400, None),
]


async def test_a_mistake_in_the_form_of_one_refuses_all(service: Service) -> None:
    await machines(service, "r5-17")
    good = [reading(50, 5), reading(51, 5.5)]
    for name, body, status, pointer in BAD:
        both = body
        if body.startswith(b"[") and status == 422:
            both = body[:-1] + b", " + json.dumps(good).encode()[1:]
        answer = await service.http.post(URL, content=both, headers={"content-type": "application/json"})
        assert answer.status_code == status, (name, answer.text)
        problem = answer.json()
        assert problem["errors"], name
        if pointer is not None:
            assert pointer in [e["pointer"] for e in problem["errors"]], (name, problem)
        one = good[0] if body.startswith(b"[") else None
        if one is not None and pointer is not None:  # the same in lines: the mistake's line is told
            items = body.strip().removeprefix(b"[").removesuffix(b"]")
            answer = await service.http.post(
                URL,
                content=json.dumps(one).encode() + b"\n\n" + items.replace(b"}, {", b"}\n{"),
                headers={"content-type": "application/jsonl"},
            )
            assert answer.status_code == status, (name, answer.text)
            assert {e["line"] for e in answer.json()["errors"]} == {2 + body.count(b"}, {") + 1}, (name, answer.text)
    assert await shown(service) == []
    many = await service.http.post(URL, json=[{**reading(n, 1), "value": "x"} for n in range(500)])
    assert len(many.json()["errors"]) == 100


async def test_what_is_too_much_is_told_and_never_unpacked(service: Service) -> None:
    await machines(service, "r5-17")
    bomb = b" " * 400_000_000
    packer = zlib.compressobj(9, zlib.DEFLATED, 31)
    for coding, body in (("gzip", packer.compress(bomb) + packer.flush()), ("zstd", zstd.compress(bomb))):
        assert len(body) < 1_000_000
        answer = await service.http.post(URL, content=body, headers={"content-type": "application/json", "content-encoding": coding})
        assert (answer.status_code, answer.json()["code"]) == (413, "body.too_large")
    answer = await service.http.post(URL, content=b" " * 20_000_001, headers={"content-type": "application/json"})
    assert (answer.status_code, answer.json()["code"]) == (413, "body.too_large")
    one = json.dumps(reading(0, 1)).encode()
    for kind, body in (("application/json", b"[" + b",".join([one] * 50_001) + b"]"), ("application/jsonl", b"\n".join([one] * 50_001))):
        answer = await service.http.post(URL, content=body, headers={"content-type": kind})
        assert (answer.status_code, answer.json()["code"]) == (413, "request.too_large")
    assert await shown(service) == []


@pytest.mark.parametrize("coding", ["gzip", "zstd"])
async def test_a_broken_packing_is_told(service: Service, coding: str) -> None:
    await machines(service, "r5-17")
    array = json.dumps([reading(0, 1)]).encode()
    packed = gzip.compress(array) if coding == "gzip" else zstd.compress(array, options={zstd.CompressionParameter.checksum_flag: 1})
    wide = zstd.ZstdCompressor(options={zstd.CompressionParameter.window_log: 27})
    broken = [packed[:-1], packed[:10], packed + b"\0", array, packed[:-3] + b"xyz"]
    if coding == "zstd":
        broken.append(wide.compress(array) + wide.flush())  # RFC 9659: no window above 8 MB
    for body in broken:
        answer = await service.http.post(URL, content=body, headers={"content-type": "application/json", "content-encoding": coding})
        assert (answer.status_code, answer.json()["code"]) == (400, "body.unreadable"), (body, answer.text)
    for unknown in ("br", "gzip, gzip"):
        answer = await service.http.post(URL, content=packed, headers={"content-type": "application/json", "content-encoding": unknown})
        assert answer.status_code == 415
        assert answer.headers["accept-encoding"] == "gzip, zstd, identity"
    assert await shown(service) == []


async def test_the_same_key_is_answered_again_and_not_done_again(service: Service) -> None:
    await machines(service, "r5-17")
    first, second = ([reading(n, n)] for n in (0, 1))
    headers = {"idempotency-key": "a"}
    one = await service.http.post(URL, json=first, headers=headers)
    again = await service.http.post(URL, json=first, headers=headers)
    assert one.content == again.content
    assert outcome(again.json()) == (1, 0, 0)
    other = await service.http.post(URL, json=second, headers=headers)
    assert (other.status_code, other.json()["code"]) == (422, "request.key_reused")


def a_season(rng: random.Random, ids: list[str]) -> list[dict[str, Any]]:
    """Meters that run as they can: no two readings are at odds."""
    made = []
    for id_ in ids:
        at, value = 0.0, float(rng.randrange(1000))
        for _ in range(40):
            step = rng.randrange(1, 12)
            at, value = at + step / 2, round(value + rng.randrange(step * 5 + 1) / 10, 1)
            made.append(reading(at, value, rng.choice([None, "h"]), machine=id_))
            made.append(reading(at, int(at * 3), machine=id_, meter="bales"))
    return made


async def test_doubles_disorder_and_replays_leave_the_same(service: Service) -> None:
    rng = random.Random(4)
    ids = [f"r5-{n}" for n in range(12)]
    await machines(service, *ids)
    season = a_season(rng, ids)
    whole = sorted({(r["machine"], r["meter"], r["at"], r["value"]) for r in season})
    kept = 0
    for _ in range(3):
        posts: list[list[dict[str, Any]]] = [[] for _ in range(6)]
        for r in [*season, *rng.sample(season, 200)]:
            posts[rng.randrange(6)].append(r)
        for post in posts:
            rng.shuffle(post)
            answer = await service.post(URL, post)
            assert answer["set_aside"] == 0, answer["aside"][:1]
            kept += answer["kept"]
    assert kept == len(whole)
    rows = [(id_, *row) for id_ in ids for row in await kept_rows(service, id_)]
    assert len(rows) == len(whole)
    assert sorted((i, m, at.isoformat().replace("+00:00", "Z"), v / 1e6) for i, m, at, v, _ in rows) == whole


@pytest.mark.both_databases
async def test_two_replicas_post_the_same_at_once(service: Service) -> None:
    """Nothing doubled, nothing lost, and of each reading exactly one of them is told that it was kept."""
    ids = [f"r5-{n}" for n in range(8)]
    await machines(service, *ids)
    season = a_season(random.Random(9), ids)
    other = SqlStore(open_engine(service.address), lambda: service.now)
    from fieldworthy.main import make_app

    app = make_app(other, lambda: service.now, partial(hindrance, other), is_open=True)
    async with client(app) as http:
        rng = random.Random(1)

        async def post(through: Any) -> list[str]:
            mine = list(range(len(season)))
            rng.shuffle(mine)
            found = [""] * len(season)
            for begin in range(0, len(mine), 100):
                places = mine[begin : begin + 100]
                answer = await through.post(URL, json=[season[i] for i in places])
                assert answer.status_code == 200, answer.text
                for i, what in zip(places, answer.json()["readings"], strict=True):
                    found[i] = what
            return found

        told = await asyncio.gather(post(service.http), post(http), post(service.http), post(http))
    await other.close()
    assert all(sorted(of) == ["kept", "same", "same", "same"] for of in zip(*told, strict=True))
    assert sum([len(await kept_rows(service, id_)) for id_ in ids]) == len(season)


async def test_only_machines_that_got_a_reading_are_touched(service: Service) -> None:
    from fieldworthy.usecases.kept import HOME

    await machines(service, "a", "b", "c")
    await service.post(URL, [reading(0, 5, machine=m) for m in "abc"])

    async def known() -> dict[str, int]:
        async with service.store.look(HOME) as kept:
            return {m.id: m.known for m in await kept.machines.page(None, 9)}

    before = await known()
    service.later(minutes=1)
    await service.post(URL, [reading(0, 5, machine="a"), reading(1, 4, machine="b"), reading(1, 5, machine="c")])
    after = await known()
    assert [m for m in "abc" if before[m] != after[m]] == ["c"]


@pytest.mark.both_databases
@pytest.mark.parametrize("begin", [0, 24 * 184 - 7], ids=["in one year", "over the turn of the year"])
async def test_one_post_of_all_kinds_is_kept_as_if_each_meter_had_been_posted_by_itself(service: Service, begin: float) -> None:
    """What is new of a known meter, the first of a meter, what is kept already, what runs backward, and a machine that there is not."""
    service.later(days=200)
    ids = [f"m-{n}" for n in range(6)]
    await machines(service, *ids, *(f"{id_}-alone" for id_ in ids))
    before = [reading(begin, 5, machine=id_) for id_ in ids[:4]]
    sent = [reading(begin + n, 5 + n, machine=id_) for n in (1, 3) for id_ in (*ids, "nobody")]
    sent += [reading(begin, 5, machine="m-1"), reading(begin + 2, 1, machine="m-2"), *before[3:]]
    random.Random(1).shuffle(sent)

    def alone(readings: list[dict[str, Any]]) -> list[dict[str, Any]]:
        return [{**each, "machine": f"{each['machine']}-alone"} for each in readings]

    await service.post(URL, [*before, *alone(before)])
    together = await service.post(URL, sent)
    by_itself: dict[int, str] = {}
    for id_ in (*ids, "nobody"):
        places = [i for i, each in enumerate(sent) if each["machine"] == id_]
        told = await service.post(URL, alone([sent[i] for i in places]))
        by_itself |= zip(places, whys(told), strict=True)
    assert whys(together) == [by_itself[i] for i in range(len(sent))]
    assert outcome(together) == (12, 2, 3)
    for id_ in ids:
        assert await kept_rows(service, id_) == await kept_rows(service, f"{id_}-alone") != []
    newest = {id_: (await shown(service, id_))[-1] for id_ in ids}
    assert set(newest.values()) == {(begin + 3, 8)}
    assert set(whys(await service.post(URL, [each for each in sent if each["machine"] in ("m-0", "m-4")]))) == {"same"}


@pytest.mark.both_databases
async def test_where_no_answer_can_be_made_nothing_is_kept(service: Service) -> None:
    """It is made while the last of the post is written: what fails there undoes all, and the store goes on."""
    await machines(service, "r5-17", "r5-18")
    at = BEGINNING - timedelta(hours=1)
    sent = SentReadings.of([(id_, "work", micros_of(at), 7 * TICKS, "h") for id_ in ("r5-17", "r5-18")])

    def fails(intake: Intake) -> None:
        raise ArithmeticError(list(intake.outcomes))

    with pytest.raises(ArithmeticError, match=r"kept.*kept"):
        async with service.store.keep(HOME) as kept:
            await keep_readings(kept, FindRulebooks(service.store), sent, fails)
    assert await kept_rows(service) == []
    async with service.store.keep(HOME) as kept:
        told = await keep_readings(kept, FindRulebooks(service.store), sent, lambda intake: intake)
    assert list(told.outcomes) == ["kept", "kept"]
    assert len(await kept_rows(service)) == 1
