"""`fieldworthy key`, and `serve` with keys, as a person and a script meet them: the processes are real."""

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest

from fieldworthy.usecases.keys import KEY_PATTERN
from tests.doors.test_cli import RULEBOOK, Run, _wait_for, due, run
from tests.keep.issuing import AUDIENCE, ISSUER, public, token

__all__ = ["run"]  # the fixture

CREATE = ("key", "create", "bridge", "-o", "Nine Oxen", "-s", "post-readings")


def test_a_key_is_shown_once_and_alone_on_standard_output(run: Run, tmp_path: Path) -> None:
    made = run(*CREATE, "--days", "30")
    assert made.code == 0
    assert re.fullmatch(KEY_PATTERN + r"\n", made.out)
    assert "`Nine Oxen` is new; what was kept without keys is its own" in made.err
    assert "shown once" in made.err
    id = made.out[3:15]
    again = run("key", "create", "foreman", "-o", "Nine Oxen", "-s", "read", "-s", "record-work")
    assert "is new" not in again.err
    other = run("key", "create", "foreman", "-o", "South Farm", "-s", "read")
    assert "`South Farm` is new\n" in other.err
    listed = run("key", "list")
    assert listed.code == 0
    assert f"{id}  Nine Oxen: bridge\n    post-readings\n    works until " in listed.out
    assert "read record-work" in listed.out
    assert "last used never" in listed.out
    assert "South Farm" not in run("key", "list", "-o", "Nine Oxen").out
    secret = made.out.strip()[16:]
    assert secret not in listed.out
    assert not [f for f in (tmp_path / "data").iterdir() if secret.encode() in f.read_bytes()]


def test_the_same_as_json(run: Run) -> None:
    made = run(*CREATE, "--json")
    assert made.err == ""
    told = made.json
    assert re.fullmatch(KEY_PATTERN, told["key"])
    assert (told["organisation"], told["organisation_is_new"], told["name"], told["scopes"]) == (
        "Nine Oxen",
        True,
        "bridge",
        ["post-readings"],
    )
    (listed,) = run("key", "list", "--json").json["items"]
    assert listed == {**{k: v for k, v in told.items() if k not in ("key", "organisation_is_new")}, "works": True}
    revoked = run("key", "revoke", told["id"], "--json").json
    assert revoked["works"] is False
    assert revoked["revoked"]
    assert run("key", "list", "--json").json == {"items": [revoked]}


def test_a_key_is_revoked_by_its_id_and_once_more_does_no_harm(run: Run) -> None:
    id = run(*CREATE).out[3:15]
    said = run("key", "revoke", id)
    assert said.code == 0
    assert re.fullmatch(rf"key {id} of `Nine Oxen` \(bridge\) is revoked since 2\S+Z\n", said.out)
    assert run("key", "revoke", id).out == said.out
    assert "was revoked" in run("key", "list").out


def test_without_a_key_the_list_says_how_to_make_one(run: Run) -> None:
    listed = run("key", "list")
    assert (listed.code, listed.out) == (0, "")
    assert "`fieldworthy key create`" in listed.err
    assert run("key", "list", "--json").json == {"items": []}


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("key", "create", "x", "-o", "farm", "-s", "raed"), "did you mean `read`?"),
        (("key", "create", "x", "-o", "farm", "-s", "everything"), "`administer`"),
        (("key", "create", " ", "-o", "farm", "-s", "read"), "can't be the name of the key"),
        (("key", "create", "x", "-o", "a\nb", "-s", "read"), "can't be the name of an organisation"),
        (("key", "revoke", "aaaaaaaaaaaa"), "`fieldworthy key list` shows the ids"),
        (("key", "list", "-o", "nobody"), "no organisation is called `nobody`"),
        (("serve", "--port", "0"), "make one with `fieldworthy key create`, or add --open"),
    ],
)
def test_what_is_refused_is_one_line_with_a_way_out(run: Run, arguments: tuple[str, ...], said: str) -> None:
    ran = run(*arguments)
    assert ran.code == 2
    assert ran.out == ""
    assert ran.err.startswith("fieldworthy: ")
    assert ran.err.count("\n") == 1
    assert said in ran.err


@pytest.mark.parametrize("more", [(), ("-s", "read"), ("-o", "farm"), ("-o", "farm", "-s", "read", "--days", "0")])
def test_a_wrong_use_is_told(run: Run, more: tuple[str, ...]) -> None:
    ran = run("key", "create", "x", *more)
    assert ran.code == 2
    assert "Error" in ran.err


def test_serve_with_keys_that_are_over_is_refused(run: Run) -> None:
    run("key", "revoke", run(*CREATE).out[3:15])
    assert "no key that works" in run("serve", "--port", "0").err


def test_help_names_the_scopes(run: Run) -> None:
    shown = run("key", "create", "--help")
    for scope in ("read", "post-readings", "record-work", "write-rulebooks", "administer"):
        assert scope in shown.out
    for command in ("create", "list", "revoke"):
        assert "Example" in run("key", command, "--help").out


@contextmanager
def served(tmp_path: Path, *options: str, **environment: str) -> Iterator[tuple[str, list[str]]]:
    """A running service over that folder's database: its address, and the lines that it writes at its start."""
    command = [sys.executable, "-c", "from fieldworthy.cli import main; main()", "serve", "--port", "0", *options]
    same = {"PYTHONPATH": os.environ["PYTHONPATH"]} if "PYTHONPATH" in os.environ else {}
    env = {"FIELDWORTHY_DATA_DIR": str(tmp_path / "data"), "PATH": "", "HOME": str(tmp_path), **same, **environment}
    with subprocess.Popen(command, env=env, stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        lines = [process.stderr.readline()]
        assert "listens at http://" in lines[0], lines
        if "--open" in options:
            lines.append(process.stderr.readline())
        address = lines[0].split("listens at ")[1].split()[0]
        try:
            _wait_for(address)
            yield address, lines
        finally:
            process.send_signal(signal.SIGTERM)
            lines += process.stderr.read().splitlines()
            assert process.wait(timeout=20) == 0


@pytest.mark.slow
def test_a_service_with_keys_from_end_to_end(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also on an address beyond this machine: that is what keys are for."""
    read, bridge, author = (
        run("key", "create", "x", "-o", "Nine Oxen", *(a for s in scopes for a in ("-s", s))).out.strip()
        for scopes in (["read"], ["post-readings"], ["write-rulebooks"])
    )
    with served(tmp_path, "--host", "0.0.0.0") as (address, lines):
        address = address.replace("0.0.0.0", "127.0.0.1")
        assert "asks for a key" in lines[0]
        book = f"{address}/v1/rulebooks/plover-r5-baler"
        headers = {"content-type": "application/yaml"}
        assert httpx.put(f"{book}/draft", content=RULEBOOK, headers=headers).status_code == 401
        headers["authorization"] = f"Bearer {author}"
        assert httpx.put(f"{book}/draft", content=RULEBOOK, headers=headers).status_code == 200
        assert httpx.post(f"{book}/publish", headers=headers).status_code == 200
        refused = run("due", "-", "--url", address, stdin=due())
        assert (refused.code, refused.out) == (2, "")
        assert "the request carries no key" in refused.err
        monkeypatch.setenv("FIELDWORTHY_KEY", bridge)
        assert "scope `read`" in run("due", "-", "--url", address, stdin=due()).err
        monkeypatch.setenv("FIELDWORTHY_KEY", read)
        assert run("due", "-", "--url", address, "--json", stdin=due()).json["tasks"]
        used = {item["id"]: item["last_used"] for item in run("key", "list", "--json").json["items"]}
        assert set(used.values()) == {None}  # it is noted once a minute
    used = {item["id"]: item["last_used"] for item in run("key", "list", "--json").json["items"]}
    assert all(used[text[3:15]] for text in (read, author))  # and when the service ends
    told: list[Any] = [read[16:59], author[16:59], bridge[16:59]]
    assert not [line for line in lines for secret in told if secret in line]


@pytest.mark.slow
def test_open_says_so_loudly(tmp_path: Path) -> None:
    with served(tmp_path, "--open") as (address, lines):
        assert "WITHOUT KEYS" in lines[0]
        assert lines[1].startswith("WARNING: whoever reaches this address may read and change everything")
        assert httpx.get(f"{address}/v1/machines").json() == {"items": [], "next": None}
        assert httpx.get(f"{address}/v1/machines", headers={"authorization": "Bearer nonsense"}).status_code == 200


def test_a_key_that_can_be_none_is_told_and_not_repeated(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FIELDWORTHY_KEY", "fw_hush hush")
    ran = run("due", "-", "--url", "http://127.0.0.1:9", stdin=due())
    assert ran.code == 2
    assert "FIELDWORTHY_KEY holds no key" in ran.err
    assert "hush" not in ran.err


@pytest.mark.slow
def test_what_was_kept_open_is_the_first_organisations(run: Run, tmp_path: Path) -> None:
    with served(tmp_path, "--open") as (address, _):
        put = httpx.put(f"{address}/v1/rulebooks/plover-r5-baler/draft", content=RULEBOOK, headers={"content-type": "application/yaml"})
        assert put.status_code == 200
    keys = [run("key", "create", "x", "-o", name, "-s", "read").out.strip() for name in ("Nine Oxen", "South Farm")]
    with served(tmp_path) as (address, _):
        found = [httpx.get(f"{address}/v1/rulebooks", headers={"authorization": f"Bearer {key}"}).json()["items"] for key in keys]
    assert [[item["name"] for item in items] for items in found] == [["plover-r5-baler"], []]


@pytest.mark.slow
def test_a_service_that_takes_tokens_needs_no_key_and_says_what_it_lacks(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "jwks.json"
    told = {"FIELDWORTHY_TOKEN_ISSUER": ISSUER, "FIELDWORTHY_TOKEN_AUDIENCE": AUDIENCE, "FIELDWORTHY_TOKEN_KEYS": str(file)}
    now = int(time.time())
    text = token("ed", "EdDSA", iat=now, exp=now + 60)
    for name, value in told.items():
        monkeypatch.setenv(name, value)
    assert "FIELDWORTHY_TOKEN_KEYS can't be used" in run("serve", "--port", "0").err
    file.write_text(json.dumps({"keys": [public("ed")]}))
    without = "import sys; sys.modules['joserfc'] = None; from fieldworthy.cli import main; main()"
    ran = subprocess.run([sys.executable, "-c", without, "serve", "--port", "0"], capture_output=True, text=True, timeout=60)
    assert (ran.returncode, ran.stderr.count("\n")) == (2, 1)
    assert "install `fieldworthy[jwt]`" in ran.stderr
    with served(tmp_path, **told) as (address, _):
        answer = httpx.get(f"{address}/v1/machines", headers={"authorization": f"Bearer {text}"})
        assert (answer.status_code, answer.json()["code"]) == (403, "token.organisation_unknown")
        run(*CREATE)  # its organisation is there from then on
        answer = httpx.get(f"{address}/v1/machines", headers={"authorization": f"Bearer {text}"})
        assert (answer.status_code, answer.json()) == (200, {"items": [], "next": None})
        assert answer.headers["ratelimit-policy"] == '"requests";q=6000;w=60'


def test_the_settings_do_not_show_the_key() -> None:
    from fieldworthy.settings import read_settings

    told = read_settings({"FIELDWORTHY_KEY": "hush"})
    assert told.key == "hush"
    assert "hush" not in repr(told)
