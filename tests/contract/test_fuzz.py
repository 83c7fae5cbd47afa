"""Requests made from the contract, right ones and wrong ones: no answer is a 500, each is one that the contract describes, and what it
forbids is refused.

They go to a real service over a database of its own, which holds the examples' rulebook and machine. A few of each operation, the same ones
each time; thousands, with all checks, chains of operations and keys, on both databases: python -m tests.faults.fuzz_rest
"""

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    negative_data_rejection,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from tests.contract.test_openapi import write
from tests.effort import examples
from tests.faults import fuzz_hooks  # noqa: F401  # Schemathesis is told of JSON Lines there
from tests.faults.fuzz_rest import CONFIG

SCHEMA = schemathesis.openapi.from_path(write.CONTRACT, config=schemathesis.Config.from_str(CONFIG))
CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
    response_headers_conformance,
    negative_data_rejection,
]
MACHINE = {"rulebook": write.NAME, "model": "R5", "serial": "R5-0417"}


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a service that runs for the tests of this module."""
    with started(tmp_path_factory.mktemp("data")) as address:
        yield address


@contextmanager
def started(folder: Path) -> Iterator[str]:
    """A service over a database of its own in that folder, which holds the examples' rulebook and machine; its address."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    env = os.environ | {"FIELDWORTHY_DATA_DIR": str(folder)}
    script = str(Path(sys.executable).parent / "fieldworthy")
    served = subprocess.Popen([script, "serve", "--open", "--port", str(port)], env=env, stderr=subprocess.DEVNULL)
    address = f"http://127.0.0.1:{port}"
    try:
        with httpx.Client(base_url=address, trust_env=False, timeout=30) as http:
            for _ in range(300):
                try:
                    if http.get("/readyz").status_code == 200:
                        break
                except httpx.TransportError:
                    time.sleep(0.1)
            text = {"content": write.RULEBOOK.encode(), "headers": {"content-type": "application/yaml"}}
            assert http.put(f"/v1/rulebooks/{write.NAME}/draft", **text).status_code == 200
            assert http.post(f"/v1/rulebooks/{write.NAME}/publish").status_code == 200
            assert http.put("/v1/machines/r5-17", json=MACHINE).status_code == 201
        yield address
    finally:
        served.terminate()
        served.wait(30)


@pytest.mark.slow
@SCHEMA.parametrize()
@settings(max_examples=examples(3), deadline=None, phases=[Phase.generate], suppress_health_check=list(HealthCheck), derandomize=True)
def test_the_service_keeps_its_contract(case: Any, service: str) -> None:
    if "id" in (case.path_parameters or {}) and "machines" in case.path:
        case.path_parameters["id"] = "r5-17" if len(case.path_parameters["id"]) % 2 else case.path_parameters["id"]
    case.call_and_validate(base_url=service, checks=CHECKS)
