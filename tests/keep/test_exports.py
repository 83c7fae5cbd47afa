"""Tables of what is due and of readings: what stands in them, in which form, and that any number of rows takes no more memory.

Sources, all from memory: RFC 4180 (CRLF, quotes, the header line); RFC 9110, 12.5.1 (`Accept` and its weights); OWASP, "CSV Injection"
(cells that begin with `=`, `+`, `-`, `@`, a tab or a carriage return). Read back by Python's csv and by pyarrow.
"""

import asyncio
import csv
import io
import json
import tracemalloc
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

import httpx
import pytest
from pyarrow import parquet
from sqlalchemy import text

from fieldworthy.core.base.micros import micros_of
from fieldworthy.storage.tables import metadata
from fieldworthy.usecases.calendar import AskCalendar
from fieldworthy.usecases.export_due import ExportDue
from fieldworthy.usecases.export_readings import Chosen, ExportReadings
from fieldworthy.usecases.find_rulebook import FindRulebooks
from fieldworthy.usecases.kept import HOME
from fieldworthy.usecases.kept_standings import Scope, Wanted
from fieldworthy.usecases.standings import Recompute
from fieldworthy.wire.parquet import PARQUET, ParquetWriter
from fieldworthy.wire.tables import CSV, READINGS, Column, CsvWriter
from tests.keep.histories import publish, put_machine, read, tell
from tests.keep.service import Service
from tests.keep.test_standings import BOOK, machine

AT = datetime(2026, 7, 1, tzinfo=UTC)


def table(answer: httpx.Response) -> list[dict[str, str]]:
    """The rows of CSV, as Python's own reader has them."""
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "text/csv; charset=utf-8; header=present"
    assert answer.content.endswith(b"\r\n")
    return list(csv.DictReader(io.StringIO(answer.content.decode(), newline=""), strict=True))


@pytest.fixture
async def fleet(service: Service) -> Service:
    """Two machines with readings of two meters; one was told without its unit, and of the other no rulebook declares the meter."""
    await publish(service, {**BOOK, "meters": {**BOOK["meters"], "drum": {"unit": "h"}}})
    service.later(minutes=1)
    for id_, site in (("c-2", "north"), ("c-1", "south")):
        await put_machine(service, id_, {"rulebook": "combine", "site": site})
        hours = [("engine", micros_of(AT + timedelta(hours=n)), (100 + n) * 10**6 + n, None if n % 2 else "min") for n in range(4)]
        await read(service, id_, [*hours, ("drum", micros_of(AT), -2_500_000, "h")])
        service.later(minutes=1)
    return service


async def test_readings_stand_by_machine_and_meter_the_oldest_first(fleet: Service) -> None:
    rows = table(await fleet.http.get("/v1/readings.csv"))
    assert list(rows[0]) == ["machine", "meter", "value", "unit", "at", "kept_at"]
    assert [row["machine"] for row in rows] == ["c-1"] * 5 + ["c-2"] * 5
    of_one = [(row["meter"], row["value"], row["unit"], row["at"]) for row in rows[:5]]
    assert sorted(of_one) == [
        ("drum", "-2.5", "h", "2026-07-01T00:00:00Z"),
        ("engine", "100", "min", "2026-07-01T00:00:00Z"),
        ("engine", "101.000001", "h", "2026-07-01T01:00:00Z"),
        ("engine", "102.000002", "min", "2026-07-01T02:00:00Z"),
        ("engine", "103.000003", "h", "2026-07-01T03:00:00Z"),
    ]
    listed = (await fleet.get("/v1/machines/c-1/readings"))["items"]
    assert sorted((r["meter"], float(r["value"]), r["unit"], r["at"], r["kept_at"]) for r in rows[:5]) == sorted(
        (r["meter"], r["value"], r["unit"], r["at"], r["kept_at"]) for r in listed
    )


@pytest.mark.both_databases
async def test_what_is_being_kept_is_waited_for(fleet: Service) -> None:
    """So no piece tells of a post that an earlier piece left out."""
    pieces = ExportReadings(fleet.store, FindRulebooks(fleet.store))(HOME, Chosen())
    async with fleet.store.keep(HOME):
        first = asyncio.ensure_future(anext(pieces))
        await asyncio.sleep(0.3)
        assert not first.done()
    assert len(await first) == 10


@pytest.mark.parametrize(
    ("query", "count"),
    [
        ("", 10),
        ("?machine=c-1", 5),
        ("?machine=c-1&site=south", 5),
        ("?machine=c-1&site=north", 0),
        ("?site=north", 5),
        ("?site=nowhere", 0),
        ("?meter=Drum", 2),
        ("?meter=nothing", 0),
        ("?from=2026-07-01T02:00:00Z", 4),
        ("?to=2026-07-01T02:00:00Z", 6),
        ("?machine=c-2&meter=engine&from=2026-07-01T01:00:00Z&to=2026-07-01T03:00:00Z", 2),
    ],
)
@pytest.mark.parametrize("address", ["sqlite"], indirect=True)
async def test_which_readings(fleet: Service, query: str, count: int) -> None:
    for path in ("/v1/readings", "/v1/readings.csv"):
        assert len(table(await fleet.http.get(path + query))) == count


@pytest.mark.parametrize(
    ("path", "status", "code"),
    [
        ("/v1/readings.csv?machine=c-3", 404, "machine.unknown"),
        ("/v1/machines/c-3/readings.csv", 404, "machine.unknown"),
        ("/v1/machines/c-1/readings.csv?meter=dru", 422, "request.does_not_fit"),
        ("/v1/readings.csv?from=yesterday", 422, "request.does_not_fit"),
        ("/v1/readings.csv?limit=5", 422, "request.does_not_fit"),
        ("/v1/due.csv?limit=5", 422, "request.does_not_fit"),
        ("/v1/due.csv?standing=late", 422, "request.does_not_fit"),
        ("/v1/due.csv?as_of=2030-01-01T00:00:00Z", 422, "question.does_not_fit"),
    ],
)
@pytest.mark.parametrize("address", ["sqlite"], indirect=True)
async def test_what_can_be_no_table_is_refused_before_anything_is_sent(fleet: Service, path: str, status: int, code: str) -> None:
    answer = await fleet.http.get(path)
    assert (answer.status_code, answer.json()["code"]) == (status, code), answer.text


async def test_what_is_withdrawn_while_a_table_is_read_stands_in_it(fleet: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    """All pieces are of the state at which the first one began: nothing is missing or there twice, whatever is done meanwhile."""
    monkeypatch.setattr("fieldworthy.usecases.export_readings.AT_ONCE", 3)
    before = [line async for some in ExportReadings(fleet.store, FindRulebooks(fleet.store))(1, Chosen()) for line in some]
    export = ExportReadings(fleet.store, FindRulebooks(fleet.store))(1, Chosen())
    lines = [*await anext(export)]
    fleet.later(minutes=1)
    for id_ in ("c-1", "c-2"):
        await read(fleet, id_, [("engine", micros_of(AT + timedelta(hours=n)), None, None) for n in range(4)])
        await read(fleet, id_, [("engine", micros_of(AT + timedelta(hours=n)), 7, None) for n in (2, 9)])
    async for some in export:
        lines += some
    assert lines == before
    assert len(table(await fleet.http.get("/v1/readings.csv"))) == 6


async def test_due_as_a_table_is_the_list(service: Service) -> None:
    await publish(service, BOOK)
    service.later(minutes=1)
    for id_, shows, site in (("c-3", 1010, "north"), ("c-1", 1300, "south"), ("c-2", 1052, "north")):
        await machine(service, id_, shows, site=site)
    service.later(minutes=1)
    for query in ("", "?standing=due,overdue", "?site=north&kind=inspect", f"?as_of={service.now.isoformat()[:19]}Z"):
        rows = table(await service.http.get("/v1/due.csv" + query))
        items = (await service.get("/v1/due" + query))["items"]
        assert [(r["machine"], r["task"], r["standing"], r["site"]) for r in rows] == [
            (i["machine"], i["task"], i["standing"], i["site"]) for i in items
        ]
        assert rows
        for row, item in zip(rows, items, strict=True):
            at, left = item["due_at"]["meters"].get("engine"), item["remaining"]["meters"].get("engine")
            assert (row["due_at"], row["unit"]) == ((f"{at['value']:g}", at["unit"]) if at else ("", ""))
            assert row["remaining"] == (f"{left['value']:g}" if left else "")
            assert (row["due_date"], row["days_left"]) == (item["due_at"]["date"] or "", str(item["remaining"]["days"] or ""))
            assert row["reason"] == " ".join(reason["text"] for reason in item["because"])
            assert Decimal(row["used"]) == Decimal(str(item["used"]))
            assert (row["computed_at"], row["as_of"]) == (item["computed_at"], item["as_of"])
            assert (row["rulebook"], row["version"]) == ("combine", "1")


async def test_of_several_meters_the_others_are_told_as_text(service: Service) -> None:
    tasks = {"oil": {"title": "Oil", "kind": "replace", "interval": "every 100 h or every 20 ha, whichever first"}}
    await publish(service, {**BOOK, "meters": {**BOOK["meters"], "area": {"unit": "ha"}}, "tasks": tasks})
    await put_machine(service, "c-1", {"rulebook": "combine"})
    done = {"task": "oil", "at": "2026-07-01T00:00:00Z", "meters": {"engine": 10, "area": 5.5}}
    await tell(service, "c-1", [("done", "o", done, "oil")])
    await read(service, "c-1", [("engine", micros_of(AT + timedelta(days=1)), 20 * 10**6, None), ("area", micros_of(AT), 6 * 10**6, None)])
    (row,) = table(await service.http.get("/v1/due.csv"))
    assert (row["meter"], row["due_at"], row["unit"], row["further_meters"]) == ("engine", "110", "h", "area 25.5 ha, 19.5 ha to go")


@pytest.mark.parametrize(
    ("accept", "form"),
    [
        (None, "application/json"),
        ("*/*", "application/json"),
        ("text/csv", CSV),
        ("TEXT/CSV; header=present", CSV),
        (PARQUET, PARQUET),
        ("text/csv;q=0.5, application/json", "application/json"),
        ("text/csv, application/json;q=0.9", CSV),
        (f"text/csv;q=0.2, {PARQUET};q=0.3, application/json;q=0.1", PARQUET),
        ("application/json;q=0, */*;q=0.1", CSV),
        ("text/*;q=0.3, text/html;q=0.7, */*;q=0.1", CSV),
        ("text/html", None),
        ("application/json;q=0", None),
        ("text/csv;q=0, application/json;q=0.0", None),
    ],
)
@pytest.mark.parametrize("address", ["sqlite"], indirect=True)
async def test_accept_chooses_the_form(fleet: Service, accept: str | None, form: str | None) -> None:
    for path in ("/v1/due", "/v1/machines/c-1/readings"):
        request = fleet.http.build_request("GET", path)
        del request.headers["accept"]
        if accept is not None:
            request.headers["accept"] = accept
        answer = await fleet.http.send(request)
        assert answer.headers["vary"].startswith("Accept, ")
        if form is None:
            assert (answer.status_code, answer.headers["content-type"]) == (406, "application/problem+json")
            told = answer.json()
            assert told["code"] == "address.not_acceptable"
            assert all(f"`{each}`" in told["mend"] for each in ("application/json", CSV, PARQUET))
        else:
            assert (answer.status_code, answer.headers["content-type"].split(";")[0]) == (200, form)


@pytest.mark.parametrize("address", ["sqlite"], indirect=True)
async def test_without_the_library_parquet_is_refused_with_a_way_out(fleet: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fieldworthy.rest.forms.is_installed", lambda: False)
    refused = await fleet.http.get("/v1/readings", headers={"accept": PARQUET})
    assert (refused.status_code, refused.json()["code"]) == (406, "address.not_acceptable")
    assert refused.json()["mend"] == (
        "accept `text/csv`; for Parquet whoever runs the service installs the extra: pip install 'fieldworthy[batch]'"
    )
    either = await fleet.http.get("/v1/readings", headers={"accept": f"{PARQUET}, text/csv;q=0.5"})
    assert len(table(either)) == 10


@pytest.mark.parametrize("address", ["sqlite"], indirect=True)
async def test_a_table_has_all_rows_and_takes_no_page(fleet: Service) -> None:
    for path in ("/v1/due?limit=3", "/v1/machines/c-1/readings?limit=3", "/v1/due?after=x"):
        answer = await fleet.http.get(path, headers={"accept": "text/csv"})
        assert answer.json()["detail"].startswith("a table has all rows, so it takes no `")


async def test_parquet_is_read_back_as_it_was_kept(fleet: Service) -> None:
    answer = await fleet.http.get("/v1/readings", headers={"accept": PARQUET})
    assert (answer.status_code, answer.headers["content-type"]) == (200, PARQUET)
    found = parquet.read_table(io.BytesIO(answer.content))
    assert {field.name: str(field.type) for field in found.schema} == {
        "machine": "string",
        "meter": "string",
        "value": "decimal128(19, 6)",
        "unit": "string",
        "at": "timestamp[us, tz=UTC]",
        "kept_at": "timestamp[us, tz=UTC]",
    }
    rows = table(await fleet.http.get("/v1/readings"))
    assert [{**row, "value": str(row["value"])} for row in found.to_pylist()] == [
        {
            **row,
            "value": str(Decimal(row["value"]).quantize(Decimal("0.000001"))),
            **{name: datetime.fromisoformat(row[name]) for name in ("at", "kept_at")},
        }
        for row in rows
    ]
    due = parquet.read_table(io.BytesIO((await fleet.http.get("/v1/due", headers={"accept": PARQUET})).content))
    assert due.num_rows == len((await fleet.get("/v1/due"))["items"]) > 0
    assert str(due.schema.field("due_date").type) == "date32[day]"


def test_values_at_the_edges_are_exact_in_both_forms() -> None:
    columns = [Column("value", "ticks"), Column("on", "day"), Column("at", "moment"), Column("name")]
    rows: list[Any] = [(n, "2026-07-14", micros_of(AT) + 1, "ü") for n in (0, 1, -1, 2**63 - 1, -(2**63), 10**15)] + [(None,) * 4]
    written = ParquetWriter(columns)
    found = parquet.read_table(io.BytesIO(written.head() + written.rows(rows) + written.end())).to_pylist()
    assert [row["value"] for row in found] == [None if n is None else Decimal(n).scaleb(-6) for n, *_ in rows]
    assert (found[0]["on"], found[0]["at"]) == (date(2026, 7, 14), AT + timedelta(microseconds=1))
    plain = CsvWriter(columns).rows(rows).decode().split("\r\n")
    assert [Decimal(line.split(",")[0]) for line in plain[:-2]] == [Decimal(n).scaleb(-6) for n, *_ in rows[:-1]]
    assert plain[-2] == ",,,"
    empty = ParquetWriter(columns)
    assert parquet.read_table(io.BytesIO(empty.head() + empty.end())).num_rows == 0


@pytest.mark.parametrize(
    ("name", "cell"),
    [
        ("r5-17", "r5-17"),
        ("=1+1", "'=1+1"),
        ("+44", "'+44"),
        ("-2.5", "'-2.5"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\t=1", "'\t'=1"),
        ("\r=1", "\"'\r'=1\""),
        ("＝1", "'＝1"),
        ('=cmd|" /C calc"!A0', '"\'=cmd|"" /C calc""!A0"'),
        ("a,b", '"a,b"'),
        ('say "so"', '"say ""so"""'),
        ("two\r\nlines", '"two\r\nlines"'),
        ("a=b", "a=b"),
        (" =1", " =1"),
        ("x;=1", "x;'=1"),
        (";\t+1", ";\t'+1"),
        ("\t\t-1", "'\t\t'-1"),
        ("x\r\n＝1", '"x\r\n\'＝1"'),
        ("a; b; -c", "a; b; -c"),
        ('a;"=1+1;"', '"a;\'""=1+1;"""'),
        ('"=1', '"\'""=1"'),
    ],
)
def test_a_name_is_no_formula(name: str, cell: str) -> None:
    written = CsvWriter([Column("name"), Column("value", "ticks")]).rows([(name, -2_500_000)]).decode()
    assert written == f"{cell},-2.5\r\n"  # and a number stays one
    for sign in ";\t":  # as one reads it whose lists are divided so
        told = csv.reader(io.StringIO(CsvWriter([Column("name")] * 2).rows([("x", name)]).decode(), newline=""), delimiter=sign)
        assert not any(one.startswith(("=", "+", "-", "@", "＝", "＋", "－", "＠")) for row in told for one in row), sign


@pytest.mark.parametrize("address", ["sqlite"], indirect=True)
async def test_names_that_are_formulas_go_through_the_door_as_text(service: Service) -> None:
    name = '=HYPERLINK("http://x"&A1,"see, here")'
    tasks = {"look": {"title": name, "kind": "inspect", "interval": "weekly"}}
    await publish(service, {**BOOK, "tasks": tasks})
    await put_machine(service, "-17", {"rulebook": "combine", "site": "@north"})
    (row,) = table(await service.http.get("/v1/due.csv"))
    assert (row["machine"], row["site"], row["title"]) == ("'-17", "'@north", f"'{name}")
    assert (await service.get("/v1/due"))["items"][0]["title"] == name


@pytest.mark.parametrize("address", ["sqlite"], indirect=True)
async def test_memory_does_not_grow_with_the_rows(service: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    """As objects these rows take 6 MB and more; in memory may be one piece of them, here of a thousand."""
    rows = 12_007
    monkeypatch.setattr("fieldworthy.usecases.export_readings.AT_ONCE", 1_000)
    monkeypatch.setattr("fieldworthy.wire.parquet.GROUP", 1_000)
    await publish(service, BOOK)
    await put_machine(service, "c-1", {"rulebook": "combine"})
    await read(service, "c-1", [("engine", 0, 0, None)])
    many = "with recursive c(n) as (select 1 union all select n + 1 from c where n < :last) select 1, 1, n * 1000000, n, null, 1 from c"
    async with service.store.writing() as connection:
        await connection.execute(text(f"insert into readings {many}"), {"last": rows - 1})
    for write, most in ((CsvWriter, 2 * 10**6), (ParquetWriter, 3 * 10**6)):
        written = write(READINGS)
        size, count = len(written.head()), 0
        tracemalloc.start()
        async for some in ExportReadings(service.store, FindRulebooks(service.store))(1, Chosen("c-1")):
            count += len(some)
            size += len(written.rows(some))
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        size += len(written.end())
        assert (count, peak < most) == (rows, True), peak
        assert size > rows


@pytest.mark.parametrize("address", ["sqlite"], indirect=True)
async def test_memory_does_not_grow_with_the_machines(service: Service) -> None:
    """What was computed of these takes 12 MB and more. An export may hold a piece of it, and a calendar that is known none."""
    many = 3_000
    await publish(service, BOOK)
    await put_machine(service, "c-1", {"rulebook": "combine"})
    await service.get("/v1/due")
    other: dict[str, dict[str, str]] = {
        "machines": {"key": "n", "id": "'c-' || n"},
        "computed": {"machine": "n", "announced": "hex(zeroblob(2000))", "until": str(2**62)},
        "standings": {"machine": "n", "machine_id": "'c-' || n"},
    }
    async with service.store.writing() as connection:
        for name, others in other.items():
            columns = metadata.tables[name].columns.keys()
            ours = ", ".join(others.get(column, f"t.{column}") for column in columns)
            numbers = "with recursive c(n) as (select 2 union all select n + 1 from c where n < :last)"
            await connection.execute(text(f"insert into {name} {numbers} select {ours} from c, {name} t"), {"last": many})  # noqa: S608
    finders = FindRulebooks(service.store)
    recompute = Recompute(service.store, finders, None)  # type: ignore[arg-type]  # nothing is stale
    held = []
    for what in ("export", "calendar"):
        count = 0
        tracemalloc.start()
        if what == "export":
            async for some in ExportDue(service.store, recompute, None)(1, Wanted(), None):  # type: ignore[arg-type]  # as it stands now
                count += len(some)
        else:
            known = await AskCalendar(service.store, finders, recompute)(1, Scope(), lambda tag: True)
            assert (known.events, known.stale) == (None, 0)
        held.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert count == (many * len(BOOK["tasks"]) if what == "export" else 0)
    assert max(held) < 6 * 10**6, held


async def test_columns_are_told_where_there_is_no_row(service: Service) -> None:
    for path in ("/v1/due.csv", "/v1/readings.csv"):
        assert table(await service.http.get(path)) == []
        assert (await service.http.get(path)).content.count(b"\r\n") == 1
    assert json.loads((await service.http.get("/v1/due")).content)["items"] == []
