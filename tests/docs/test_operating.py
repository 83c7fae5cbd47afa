"""What the README says to whoever runs the service: its settings as they are, and examples that name what there is."""

import inspect
import re
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer
import yaml

from fieldworthy.cli.commands import app as commands
from fieldworthy.cli.services import place
from fieldworthy.rest.metrics import Metrics
from fieldworthy.settings import VARIABLES, read_settings
from fieldworthy.usecases.limits import STOP_SECONDS
from fieldworthy.usecases.tally import Tally
from fieldworthy.usecases.watch import Watch
from tests.doors_app import MemoryStore, make_test_app

README = (Path(__file__).resolve().parents[2] / "README.md").read_text("utf-8")


def rows(beginning: str, end: str) -> list[list[str]]:
    """The cells of the tables between two headings, without their heads."""
    text = README.split(f"\n{beginning}\n")[1].split(f"\n{end}\n")[0]
    return [[cell.strip() for cell in line.strip("|").split(" | ")] for line in text.splitlines() if line.startswith("| `")]


def test_every_setting_stands_in_one_table_with_what_it_is_where_it_is_not_set(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    for name in VARIABLES:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("FIELDWORTHY_CONFIG_DIR", str(tmp_path))  # so that no profile of whoever runs this is read
    plain = read_settings({"XDG_DATA_HOME": "/somewhere"})
    database = plain.database
    assert plain.quota is not None
    usual = {
        "DATABASE_URL": "an SQLite file in the data folder",
        "DATA_DIR": "the user's data folder",
        "CONFIG_DIR": "the user's config folder",
        "HOST": plain.host,
        "PORT": plain.port,
        "LOG_LEVEL": plain.log_level,
        "MAX_BODY_BYTES": plain.max_body_bytes,
        "MAX_BATCH_LINES": plain.max_batch_lines,
        "MAX_AT_ONCE": plain.max_at_once,
        "MAX_REQUESTS": plain.quota.requests,
        "MAX_REQUESTS_SECONDS": plain.quota.seconds,
        "MAX_WRONG_KEYS": plain.max_wrong_keys,
        "MAX_STATES": plain.max_states,
        "REQUEST_SECONDS": plain.request_seconds,
        "TOKEN_ISSUER": plain.tokens,
        "TOKEN_AUDIENCE": plain.tokens,
        "TOKEN_KEYS": plain.tokens,
        "POOL_SIZE": database.pool,
        "POOL_OVERFLOW": database.overflow,
        "POOL_WAIT_SECONDS": database.pool_wait,
        "CONNECT_SECONDS": database.connect,
        "STATEMENT_SECONDS": database.statement,
        "LOCK_SECONDS": database.lock,
        "IDLE_SECONDS": database.idle,
        "GRAPHQL": plain.graphql,
        "GRAPHQL_COLUMNS": "yes" if plain.graphql_columns else "no",
        "METRICS_ADDRESS": plain.metrics,
        "STOP_DELAY_SECONDS": plain.stop_delay,
        "STOP_SECONDS": plain.stop,
        "LISTENER_NETWORKS": ",".join(map(str, plain.alerts.reach.networks)) or None,
        "LISTENER_SECONDS": plain.alerts.seconds,
        "SMTP_URL": plain.alerts.mail,
        "MAIL_FROM": plain.alerts.mail,
        "EVENTS_DAYS": plain.alerts.days,
        "SILENT_DAYS": plain.silent_days,
        "URL": place(None, None).url,
        "KEY": plain.key,
        "CORS_ORIGINS": ",".join(plain.cors_origins) or None,
        "OPEN_NETWORK": "yes" if plain.open_network else "no",
    }
    told = read_settings({"FIELDWORTHY_TOKEN_ISSUER": "i", "FIELDWORTHY_TOKEN_AUDIENCE": "a", "FIELDWORTHY_TOKEN_KEYS": "k"}).tokens
    assert told is not None
    usual |= {
        "TOKEN_ORGANISATION_CLAIM": told.rules.organisation_claim,
        "TOKEN_SCOPE_CLAIM": told.rules.scope_claim,
        "TOKEN_LONGEST_SECONDS": told.rules.longest,
    }
    wanted = {f"FIELDWORTHY_{name}": "none" if value is None else str(value) for name, value in usual.items()}
    wanted["OTEL_EXPORTER_OTLP_ENDPOINT"] = "none"
    assert set(wanted) == set(VARIABLES)

    found: dict[str, str] = {}
    for names, defaults, means in rows("## Settings", "## Limits"):
        called = re.findall(r"`([A-Z0-9_]+)`", names)
        values = [value.strip("`") for value in defaults.split(", ")] if defaults.startswith("`") else [defaults] * len(called)
        assert len(called) == len(values), names
        assert not found.keys() & set(called), names
        assert len(means) > 10, names
        found.update(zip(called, values, strict=True))
    assert found == wanted


async def test_every_metric_stands_in_the_readme_and_no_other() -> None:
    """Those that are read from the store are in test_metrics.py, on a real one."""
    told = {name for row in rows("## Operating", "### Two replicas and a worker") for name in re.findall(r"`(fieldworthy_\w+)`", row[0])}
    written = (await Metrics(Tally(), Watch(MemoryStore()))()).decode()  # type: ignore[arg-type]  # a store that can't be counted
    found = set(re.findall(r"^# HELP (fieldworthy_\w+) ", written, re.MULTILINE))
    assert found <= told
    source = inspect.getsource(inspect.getmodule(Metrics) or Metrics)
    assert told == {f"{n}_total" if f'CounterMetricFamily("{n}"' in source else n for n in re.findall(r'"(fieldworthy_\w+)"', source)}


# --- the examples -------------------------------------------------------------------------------------------------------------------


def documents(name: str) -> list[Any]:
    (text,) = re.findall(rf"^```yaml\n# {re.escape(name)}\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
    return list(yaml.safe_load_all(text))


def check_command(words: list[str]) -> None:
    """That there is such a command, and that it has such options."""
    known: Any = typer.main.get_command(commands)
    command = known.commands[words[0]]
    options = {option for parameter in command.params for option in parameter.opts}
    assert {word for word in words[1:] if word.startswith("-")} <= options


def check_settings(given: dict[str, Any]) -> None:
    ours = {name: str(value) for name, value in given.items() if value is not None}
    assert set(given) <= set(VARIABLES)
    read_settings(ours)  # which raises where a value is none


def seconds(text: str) -> int:
    return int(text.removesuffix("s"))


def test_the_compose_file() -> None:
    (compose,) = documents("compose.yaml")
    services = compose["services"]
    ours = {name: service for name, service in services.items() if "build" in service}
    assert set(ours) == {"migrate", "serve", "worker"}
    for service in ours.values():
        check_command(service["command"])
        check_settings(service["environment"])
    for name in ("serve", "worker"):
        delay = int(services[name]["environment"].get("FIELDWORTHY_STOP_DELAY_SECONDS", 0))
        assert seconds(services[name]["stop_grace_period"]) > delay + STOP_SECONDS
    assert services["serve"]["deploy"]["replicas"] == 2
    health = " ".join(services["worker"]["healthcheck"]["test"])  # the image's own asks a port at which no worker listens
    assert f"127.0.0.1:{services['worker']['environment']['FIELDWORTHY_METRICS_ADDRESS'].rpartition(':')[2]}/healthz" in health
    assert {to for service in services.values() for to in service.get("depends_on", {})} <= set(services)
    assert {volume.split(":")[0] for volume in services["database"]["volumes"]} == set(compose["volumes"])
    assert services["migrate"]["command"][-1] in services["role"]["command"][-1]
    assert subprocess.run(["sh", "-n", "-c", services["role"]["command"][-1]]).returncode == 0


def containers(kubernetes: list[Any]) -> Iterator[tuple[Any, Any]]:
    for one in kubernetes:
        if "template" in one.get("spec", {}):
            spec = one["spec"]["template"]["spec"]
            for container in spec["containers"]:
                yield spec, container


def test_the_kubernetes_file() -> None:
    kubernetes = documents("fieldworthy.yaml")
    assert [one["kind"] for one in kubernetes] == ["Job", "Deployment", "Deployment", "Service", "PodDisruptionBudget"]
    paths = {route.path for route in make_test_app().routes if hasattr(route, "path")}
    for spec, container in containers(kubernetes):
        check_command(container["args"])
        plain = {each["name"]: each.get("value", "sqlite:///x") for each in container["env"]}
        check_settings(plain)
        secret = [each for each in container["env"] if each["name"] == "FIELDWORTHY_DATABASE_URL"]
        assert [each["valueFrom"]["secretKeyRef"]["name"] for each in secret] == ["fieldworthy"]
        ports = {port["name"] for port in container.get("ports", ())}
        for probe in (value["httpGet"] for name, value in container.items() if name.endswith("Probe")):
            assert probe["path"] in paths
            assert probe["port"] in ports
        assert {"requests", "limits"} == set(container["resources"])
        assert container["securityContext"]["runAsNonRoot"] is True
        if container["name"] != "migrate":
            ends = int(plain.get("FIELDWORTHY_STOP_DELAY_SECONDS", 0)) + int(plain.get("FIELDWORTHY_STOP_SECONDS", STOP_SECONDS))
            assert spec["terminationGracePeriodSeconds"] > ends
        assert {mount["name"] for mount in container.get("volumeMounts", ())} == {volume["name"] for volume in spec.get("volumes", ())}
    serve, worker = (one for one in kubernetes if one["kind"] == "Deployment")
    assert serve["spec"]["replicas"] == 2
    for one in (serve, worker):
        assert one["spec"]["selector"]["matchLabels"] == one["spec"]["template"]["metadata"]["labels"]
    service, budget = kubernetes[3:]
    assert service["spec"]["selector"] == budget["spec"]["selector"]["matchLabels"] == serve["spec"]["selector"]["matchLabels"]
    assert [port["targetPort"] for port in service["spec"]["ports"]] == ["http"]  # the metrics are none of the world's business
