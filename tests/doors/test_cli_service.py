"""The commands that talk to a running service: a real one, with keys, and a scripted one for what a real one seldom says."""

import asyncio
import gzip
import io
import json
import random
import signal
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from fieldworthy.cli import json_texts
from fieldworthy.cli.unanswerable import Unanswerable
from fieldworthy.client import Client
from fieldworthy.usecases.keys import KeyScope
from tests.client.real import serving
from tests.client.scripted import Answer, problem, scripted
from tests.client.test_keys import made
from tests.doors.test_cli import RULEBOOK, Run, narrow, run
from tests.postgres import lent

__all__ = ["run"]  # the fixture

ROWS = [
    ("m1", "work", "2026-07-01T06:00:00Z", 100.5),
    ("m1", "work", "2026-07-02T06:00:00Z", 104),
    ("m2", "work", "2026-07-02T06:00:00Z", 7),
]
OBJECTS = [dict(zip(("machine", "meter", "at", "value"), row, strict=True)) for row in ROWS]
CSV = "machine,meter,at,value,unit\n" + "".join(f"{m},{t},{a},{v},h\n" for m, t, a, v in ROWS)


@pytest.fixture
def url(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """A service with keys, and two machines; FIELDWORTHY_URL and FIELDWORTHY_KEY say where and who."""
    monkeypatch.setenv("FIELDWORTHY_CONFIG_DIR", str(tmp_path / "config"))
    with lent("sqlite", request, tmp_path) as address, serving(address, is_open=False) as url:
        key = asyncio.run(made(address, "Nine Oxen", list(KeyScope)))
        with Client(url, key) as service:
            service.put_draft("plover-r5-baler", RULEBOOK)
            service.publish("plover-r5-baler")
            service.post_machines([{"id": id, "rulebook": "plover-r5-baler", "serial": f"s-{id}", "site": "north"} for id in ("m1", "m2")])
        monkeypatch.setenv("FIELDWORTHY_URL", url)
        monkeypatch.setenv("FIELDWORTHY_KEY", key)
        yield url


def kept(machine: str) -> list[tuple[str, float]]:
    """The oldest first."""
    with Client() as service:
        return [(r["at"], r["value"]) for r in service.readings(machine)][::-1]


def test_readings_are_posted_from_every_form_of_file(run: Run, url: str, tmp_path: Path) -> None:
    element = {"EquipmentHeader": {"SerialNumber": "s-m1"}, "CumulativeOperatingHours": {"datetime": "2026-07-03T06:00:00Z", "Hour": 110}}
    hours = '<CumulativeOperatingHours datetime="2026-07-03T06:00:00Z"><Hour>110</Hour></CumulativeOperatingHours>'
    xml = f"<Equipment><EquipmentHeader><SerialNumber>s-m1</SerialNumber></EquipmentHeader>{hours}</Equipment>"
    lines = "\n\n".join(map(json.dumps, OBJECTS))
    no_machine = "\ufeffat;value\r\n2026-07-02T06:00:00Z;104\r\n;\r\n"  # as a spreadsheet writes it
    forms: list[tuple[str, bytes, tuple[str, ...], tuple[int, int]]] = [
        ("a.csv", CSV.encode(), (), (3, 0)),
        ("b.csv.gz", gzip.compress(CSV.encode()), (), (0, 3)),
        ("c", no_machine.encode(), ("--machine", "m1", "--meter", "work"), (0, 1)),
        ("d.jsonl", lines.encode(), (), (0, 3)),
        ("e", gzip.compress(lines.encode()), (), (0, 3)),
        ("f.json", json.dumps(OBJECTS, indent=1).encode(), (), (0, 3)),
        ("g.json", json.dumps({"readings": OBJECTS}).encode(), (), (0, 3)),
        ("h.json", json.dumps(element).encode(), ("--element", "CumulativeOperatingHours=work"), (1, 0)),
        ("i.xml", xml.encode(), ("--element", "CumulativeOperatingHours=work"), (0, 1)),
        ("j.json", b"[]", (), (0, 0)),
    ]
    for name, body, options, (new, same) in forms:
        (tmp_path / name).write_bytes(body)
        ran = run("readings", "post", name, *options)
        assert (ran.code, ran.out) == (0, f"{name}: {new} kept, {same} the same, 0 set aside\n"), (name, ran.err)
    assert kept("m1") == [("2026-07-01T06:00:00Z", 100.5), ("2026-07-02T06:00:00Z", 104), ("2026-07-03T06:00:00Z", 110)]
    piped = run("readings", "post", "-", "--json", stdin=CSV)
    assert (piped.code, piped.json) == (0, {"kept": 0, "same": 3, "set_aside": 0, "aside": []})
    assert piped.err == "3 readings: 0 kept, 3 the same, 0 set aside\n"


def test_what_is_set_aside_is_told_with_its_line_and_an_exit_code_of_its_own(run: Run, url: str) -> None:
    wrong = CSV + "\n" + "".join(f"m{n},wrk,2026-07-02T06:00:00Z,5,h\n" for n in (1, 2, 1)) + '"m1",work,2026-07-03T06:00:00Z,99,\n'
    ran = run("readings", "post", "-", stdin=wrong)
    assert ran.code == 1
    assert ran.out.splitlines()[:3] == [
        "standard input: 3 kept, 0 the same, 4 set aside",
        "set aside, until somebody accepts or dismisses it:",
        "  3 unknown-meter, `wrk` of `m1`, `m2`: line 6, 7, 8",
    ]
    assert "did you mean `work`?" in ran.out
    assert "  1 runs-backward, `work` of `m1`: line 9" in ran.out
    assert narrow(ran.out)
    again = run("readings", "post", "-", "--json", stdin=wrong)
    assert (again.code, [(a["place"], a["why"]) for a in again.json["aside"]]) == (
        1,
        [("line 6", "unknown-meter"), ("line 7", "unknown-meter"), ("line 8", "unknown-meter"), ("line 9", "runs-backward")],
    )
    document = (
        '{"EquipmentHeader":{"PIN":"m1"},"FuelUsed":{"datetime":"2026-07-03T06:00:00Z","FuelConsumed":1,"FuelUnits":"litre"},"Distance":{}}'
    )
    told = run("readings", "post", "-", "--machine", "m1", stdin=document)
    assert told.code == 1
    assert "1 unknown-meter, `FuelUsed` of `m1`: FuelUsed" in told.out
    assert "not read: Distance of m1: no-value" in told.out


FIRST = '{"machine": "m1", "meter": "work", "at": "2026-07-02T06:00:00Z", "value": 1}\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "line 1 is empty; it must name the columns"),
        ("m1,work,2026-07-02T06:00:00Z,5\n", "line 1: the first line names no column"),
        ("machine,meter,at,valeu\n", "line 1: no column is called `valeu`; did you mean `value`?"),
        ("machine,meter,at,value,colour\n", "line 1: no column is called `colour`; leave the column out"),
        ("meter,at,value\n", "line 1: the column `machine` is missing; add it, or give --machine"),
        ("machine,meter,at,at,value\n", "line 1: the column `at` is there twice"),
        (CSV + "m1,work\n", "line 5 has 2 cells and the first line 5"),
        (CSV + "m1,work,2026-07-02T06:00:00Z,,h\n", "line 5: `value` is empty"),
        (
            CSV + 'm1,work,2026-07-02T06:00:00Z,"712,4",h\n',
            "line 5: `712,4` in the column `value` is no number; write `712.4`, with a point",
        ),
        (CSV + "m1,work,2026-07-02T06:00:00Z,nan,h\n", "`nan` in the column `value` is no number; write it as `712.4`"),
        (CSV + "m1,work,2026-07-02T06:00:00Z,0.12345678901234567,h\n", "line 5: `0.12345678901234567` has more digits than can be kept"),
        (CSV + '"m1,work,2026-07-02T06:00:00Z,1,h\n', "line 5 can't be read: "),
        (FIRST + "{\n", "line 2: this is no JSON"),
        (FIRST + "[]\n", "line 2: a reading is an object"),
        (FIRST + FIRST.replace("1}", "NaN}"), "line 2: `NaN` is no JSON number"),
        (FIRST + FIRST.replace("1}", '1, "value": 2}'), "line 2: `value` is given twice"),
        (FIRST + FIRST.replace("1}", "1e999}"), "line 2: `1e999` has more digits than can be kept"),
        (FIRST + FIRST.replace("m1", "m\\ud83d"), "line 2: `\\ud83d` is half a sign; write the sign itself, or both halves"),
        (f"[{FIRST},{FIRST.replace('m1', 'm' + chr(92) + 'udc00')}]", "line 2: `\\udc00` is half a sign"),
        (FIRST + FIRST.replace('"m1"', '["\\ud83d"]'), "line 2: `\\ud83d` is half a sign"),
        (FIRST + " " * 1_000_001, "line 2 is longer than 1,000,000 bytes"),
        (f"[{FIRST}, 5]", "line 2: an object must stand here"),
        (f"[{FIRST}, {FIRST}", "line 3: `,` or `]` must stand here; the file may be cut off"),
        (f"[{FIRST}]\n{FIRST}", "line 3: after the array nothing may follow"),
    ],
)
def test_a_file_that_can_not_be_read_is_told_with_its_line(run: Run, text: str, said: str) -> None:
    with scripted() as server:
        ran = run("readings", "post", "-", "--url", server.url, stdin=text)
        assert server.asked == []
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.startswith("fieldworthy: ")
    assert said in ran.err
    assert ran.err.count("\n") == 1


def test_what_the_service_refuses_is_told_with_its_line_and_how_far_it_came(run: Run, url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fieldworthy.cli.readings.PART", 3)
    one = run("readings", "post", "-", stdin=CSV + "\nm1,work,2026-07-03 06:00:00,105,h\n")
    assert (one.code, one.out) == (2, "")
    place = "fieldworthy: line 6, `at`: `2026-07-03 06:00:00` is not an RFC 3339 time with its offset"
    so_far = "  answered so far, to line 4: 3 readings, 3 kept, 0 the same, 0 set aside; "
    assert [line[: len(wanted)] for line, wanted in zip(one.err.splitlines()[1:], (place, so_far), strict=True)] == [place, so_far]
    two = run("readings", "post", "-", stdin=FIRST + 2 * FIRST.replace("1}", '1, "valeu": 2}'))
    assert two.code == 2
    assert [line.partition(": ")[0] for line in two.err.splitlines()[1:]] == ["  line 2, `valeu`", "  line 3, `valeu`"]


def test_a_packed_file_that_is_cut_off_and_one_in_another_coding_are_told(run: Run, tmp_path: Path) -> None:
    whole = gzip.compress(CSV.encode())
    for body, said in (
        (whole[:-9], "cut off or broken"),
        (whole[:40] + b"\0\0\0" + whole[43:], "cut off or broken"),
        (CSV.encode("utf-16"), "line 1 is not UTF-8"),
    ):
        (tmp_path / "a").write_bytes(body)
        ran = run("readings", "post", "a", "--url", "http://127.0.0.1:9", "--wait", "0")
        assert ran.code == 2
        assert said in ran.err


@pytest.mark.parametrize(
    ("text", "kept"),
    [
        ("1e2", 100),
        ("7.125E2", 712.5),
        ("-2.5e-1", -0.25),
        ("1e-400", None),  # it would be kept as 0
        ("1e400", None),
        ("123456789012345678e0", None),  # a double ends with 680
        ("1e99999999999999999999", None),
    ],
)
def test_a_number_with_an_exponent_is_exact_or_refused(text: str, kept: float | None) -> None:
    """IEEE 754: a double keeps 15 digits, from 1e-307 to 1e308."""
    if kept is None:
        with pytest.raises(json_texts.Mistake, match="has more digits than can be kept"):
            json_texts.number_of(text)
    else:
        assert json_texts.number_of(text) == kept


def test_an_array_is_read_the_same_wherever_a_part_of_it_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    chance = random.Random(7)
    items = [{"machine": chance.choice(["a", 'ü"]},{', "\\ud83d\\ude9c"]), "value": chance.random(), "more": [{}, []]} for _ in range(30)]
    text = "\n [" + ",\n".join(json.dumps(item, ensure_ascii=chance.random() < 0.5) for item in items) + "\n]\n"
    for chunk in range(3, 60):
        monkeypatch.setattr(json_texts, "_CHUNK", chunk)
        found = list(json_texts.array_items(io.BufferedReader(io.BytesIO(text.encode()))))
        assert found == [(n + 2, item) for n, item in enumerate(items)], chunk
    with pytest.raises(Unanswerable, match="line 5: this is no JSON"):
        list(json_texts.array_items(io.BufferedReader(io.BytesIO(b'[\n{"a": 1},\n\n{"a": 2,\n "b" 3}]'))))


@pytest.mark.parametrize(
    ("answer", "code", "said"),
    [
        (problem(401, "key.missing"), 2, "it is not so; make it so"),
        (problem(403, "key.scope_missing", x_request_id="r-17"), 2, "it is not so; make it so (request r-17)"),
        (problem(404, "machine.unknown"), 2, "it is not so; make it so"),
        (problem(409), 2, "it is not so; make it so"),
        (problem(422), 2, "it is not so; make it so"),
        (problem(429, retry_after="900"), 3, "it is not so; make it so (it asks to wait 900 s)"),
        (problem(503, retry_after="900"), 3, "it is not so; make it so"),
        (problem(500), 2, "it is not so; make it so"),
        (
            Answer(404, b"<html>", {"content-type": "text/html"}),
            2,
            "was answered with status 404 and no problem; see whether it is this service",
        ),
        (Answer(302, b"", {"location": "http://elsewhere"}), 2, "leads elsewhere (status 302); give the address of the service itself"),
        (Answer(200, b"<html>", {"content-type": "text/html"}), 2, "was answered with status 200 and no problem"),
    ],
)
def test_what_a_service_says_against_it_is_one_line_with_a_way_out(run: Run, answer: Answer, code: int, said: str) -> None:
    commands = (
        ("readings", "post", "-"),
        ("due", "--machine", "m1"),
        ("due", "--site", "north"),
        ("done", "m1", "x", "--on", "2026-07-01"),
    )
    for command in commands:
        with scripted() as server:
            server.rest = lambda asked: answer
            ran = run(*command, "--url", server.url, stdin=CSV)
        assert (ran.code, ran.out) == (code, ""), command
        assert ran.err.startswith("fieldworthy: ")
        assert said in ran.err
        assert ran.err.count("\n") == 1


def test_a_service_that_is_not_there_is_told_with_an_exit_code_of_its_own(run: Run) -> None:
    ran = run("readings", "post", "-", "--url", "http://127.0.0.1:9", "--wait", "0", stdin=CSV)
    assert (ran.code, ran.out) == (3, "")
    assert "no answer to POST /v1/readings from http://127.0.0.1:9" in ran.err


def test_a_stopped_post_says_how_far_it_came(url: str) -> None:
    """SIGINT to a real process, whose standard input goes on."""
    heeding = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)"  # where the tests themselves ignore it
    program = [sys.executable, "-c", f"{heeding}; from fieldworthy.cli import main; main()", "readings", "post", "-"]
    with subprocess.Popen(program, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdin is not None
        assert process.stderr is not None
        beginning = datetime(2026, 1, 1, tzinfo=UTC)
        process.stdin.write("machine,meter,at,value\n")
        for n in range(13_000):
            process.stdin.write(f"m1,work,{(beginning + timedelta(minutes=6 * n)).isoformat()},{n / 10}\n")
        process.stdin.flush()
        assert process.stderr.readline() == "10,000 readings: 10,000 kept, 0 the same, 0 set aside\n"
        process.send_signal(signal.SIGINT)
        try:
            process.wait(30)
        except subprocess.TimeoutExpired:
            process.kill()
            raise
        said = process.stderr.read()
        process.stdin.close()
    assert process.returncode == 130
    assert said == (
        "fieldworthy: stopped; answered so far, to line 10,001: 10,000 readings, 10,000 kept, 0 the same, 0 set aside; "
        "run the same command again: what was posted already is the same then\n"
    )


def test_machines_are_made_and_changed_and_stay_the_same(run: Run, url: str) -> None:
    table = """id,rulebook,site,in_service.on,in_service.meters.work
m1,,south,,
m3,plover-r5-baler,north,2025-03-01,12.5 h
m4,plover-r5-bailer,north,,
m5,,north,,
m1,,west,,
m6,plover-r5-baler,north,2025-13-01,
"""
    dry = run("machines", "import", "-", "--dry-run", stdin=table)
    assert dry.out.splitlines()[:2] == ["line 2: m1 would be changed (site)", "line 3: m3 would be created"]
    assert dry.out.splitlines()[2].startswith("line 4: m4 refused: ")
    for outcomes in (("changed (site)", "created"), ("same", "same")):
        ran = run("machines", "import", "-", stdin=table)
        told = ran.out.splitlines()
        assert ran.code == 1
        assert told[:2] == [f"line 2: m1 {outcomes[0]}", f"line 3: m3 {outcomes[1]}"]
        assert told[2].startswith("line 4: m4 refused: #/rulebook: no published rulebook is `plover-r5-bailer`")
        assert told[3] == "line 5: m5 refused: it is new and names no rulebook; fill the column `rulebook`, or give --rulebook"
        assert told[4] == "line 6: m1 refused: the machine stands in line 2 already; leave one of them out"
        assert told[5].startswith("line 7: m6 refused: #/in_service/on: ")
    with Client() as service:
        assert service.machine("m1")["document"] == {"rulebook": "plover-r5-baler", "serial": "s-m1", "site": "south"}
        assert service.machine("m3")["document"]["in_service"]["meters"] == {"work": "12.5 h"}
        assert [m["id"] for m in service.machines()] == ["m1", "m2", "m3"]
    fine = run("machines", "import", "-", "--json", "--rulebook", "plover-r5-baler", stdin="id,site\nm5,east\n")
    assert (fine.code, fine.json["created"], fine.json["rows"]) == (0, 1, [{"line": 2, "id": "m5", "outcome": "created", "about": []}])
    wrong = run("machines", "import", "-", stdin="id,sight\n")
    assert (wrong.code, "line 1: no column is called `sight`; did you mean `site`?" in wrong.err) == (2, True)


def test_done_is_kept_once_and_tells_when_it_is_due_next(run: Run, url: str) -> None:
    run("readings", "post", "-", stdin="machine,meter,at,value\nm1,work,2026-07-14T05:00:00Z,712.4\n")
    command = ("done", "m1", "bearing-grease", "--meter", "work=700", "--by", "p-3")
    first = run(*command, "--at", "2026-07-13T18:00:00+01:00")
    assert first.code == 0
    told, due = first.out.splitlines()
    head, _, id = told.rpartition(" ")
    assert head == "kept: bearing-grease of m1, done at 2026-07-13T18:00:00+01:00, work 700; record"
    assert due == "now clear: due at 780 h (67.6 h left)"
    assert run(*command, "--at", "2026-07-13T18:00:00+01:00").out.startswith("same: ")
    corrected = run(*command[:4], "work=701 h", "--at", "2026-07-13T17:00:00Z", "--json").json
    assert (corrected["kept"]["outcome"], corrected["kept"]["id"], corrected["due"]["due_at"]["meters"]["work"]["value"]) == (
        "corrected",
        id,
        781,
    )
    own = run("done", "m1", "bearing-grease", "--on", "2026-07-01", "--result", "skipped", "--why", "rain", "--id", "g-1")
    assert own.out.startswith("kept: bearing-grease of m1, skipped on 2026-07-01; record g-1\n")
    for arguments, said in (
        (("m1", "bearing-greese", "--on", "2026-07-01"), "did you mean `bearing-grease`?"),
        (("m1", "bearing-grease"), "say when it was done"),
        (("m1", "bearing-grease", "--at", "2026-07-01T06:00:00"), "is no time with its offset"),
        (("m1", "bearing-grease", "--on", "2026-07-01", "--meter", "work"), "names no value"),
        (("m9", "bearing-grease", "--on", "2026-07-01"), "no machine is called `m9`"),
    ):
        refused = run("done", *arguments)
        assert (refused.code, refused.out) == (2, "")
        assert said in refused.err


def test_due_of_kept_machines(run: Run, url: str) -> None:
    run("readings", "post", "-", stdin="machine,meter,at,value\nm1,work,2026-07-14T05:00:00Z,712.4\n")
    run("done", "m1", "bearing-grease", "--at", "2026-07-01T06:00:00Z", "--meter", "work=600")
    one = run("due", "--machine", "m1", "--strict")
    assert one.code == 1
    assert "every 80 h makes it due at 680 h" in " ".join(one.out.split())
    assert run("due", "--machine", "m1", "--now", "2026-07-14T06:00:00Z", "--json").json["tasks"][0]["standing"] == "overdue"
    fleet = run("due", "--standing", "overdue", "--strict")
    assert (fleet.code, narrow(fleet.out)) == (1, True)
    assert "m1" in fleet.out
    assert "680 h" in fleet.out
    asked = run("due", "--site", "north", "--most", "1", "--json").json
    assert ([t["machine"] for t in asked["items"]], asked["counts"]["overdue"], asked["counts"]["unknown"]) == (["m1"], 1, 1)
    assert "The first 1 are shown" in run("due", "--most", "1").out
    empty = run("due", "--site", "nowhere", "--strict")
    assert (empty.code, empty.out.splitlines()[0]) == (0, "No task.")
    for arguments, said in (
        (("-", "--site", "north"), "--site does not go with that; leave it out, or leave REQUEST out"),
        (("m1",), "there is no file `m1`; check its name, or ask of a kept machine with --machine m1"),
        (("--rulebook", "book.yaml"), "--rulebook FILE does not go with that"),
        (("--now", "2026-07-14T06:00:00Z"), "--now does not go with that"),
        (("--standing", "late"), "give `overdue`, `due`"),
        (("--machine", "m9"), "no machine is called `m9`"),
    ):
        refused = run("due", *arguments, stdin="{}")
        assert (refused.code, refused.out, said in refused.err) == (2, "", True), refused.err


def test_a_fault_of_our_own_is_one_line_too(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fieldworthy.cli.profile_file.read_profiles", lambda: 1 // 0)
    ran = run("profile", "list")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.startswith("fieldworthy: a fault of the program's own (ZeroDivisionError: ")
    assert ran.err.count("\n") == 1


def test_what_is_asked_for_to_complete_a_command_comes_from_the_shells_own_words() -> None:
    environment = {
        "_FIELDWORTHY_COMPLETE": "complete_bash",
        "COMP_WORDS": "fieldworthy rea",
        "COMP_CWORD": "1",
        "PYTHONPATH": ":".join(sys.path),
    }
    program = [sys.executable, "-c", "import sys; sys.argv[0] = 'fieldworthy'; from fieldworthy.cli import main; main()"]
    assert subprocess.run(program, env=environment, capture_output=True, text=True).stdout.split() == ["readings"]
