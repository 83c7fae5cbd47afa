"""Requests made from the contract, right ones and wrong ones: no answer is a 500, and each is one that the contract describes."""

import asyncio
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import content_type_conformance, response_schema_conformance, status_code_conformance

from tests.contract.test_openapi import write
from tests.doors_app import client, make_test_app, publish

APP = make_test_app()


async def _filled() -> None:
    async with client(APP) as http:
        await publish(http, write.NAME, write.RULEBOOK)


asyncio.run(_filled())
# the batch has tests of its own: its lines are no JSON document that could be made from a schema
SCHEMA = schemathesis.openapi.from_asgi("/openapi.json", APP).exclude(operation_id="askDueBatch")


@pytest.mark.slow
@SCHEMA.parametrize()
@settings(max_examples=15, deadline=None, phases=[Phase.generate], suppress_health_check=list(HealthCheck), derandomize=True)
def test_the_service_keeps_its_contract(case: Any) -> None:
    case.call_and_validate(checks=[not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance])
