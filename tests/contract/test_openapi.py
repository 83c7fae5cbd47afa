"""The committed contract is the app's own, its examples are what the service answers, and its schemas fit the answers."""

import importlib.util
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from fieldworthy.rest import openapi
from fieldworthy.rest.described import ALWAYS, KEYED, problem_responses
from fieldworthy.rest.examples import EXAMPLES
from fieldworthy.wire import answers, fleet_answers, kept_answers, procedure_answers, readings_answers, shelf_answers, work_answers
from tests.contract.breaking import breaking
from tests.doors_app import make_test_app

HERE = Path(__file__).resolve().parent
SPEC = importlib.util.spec_from_file_location("contract_write", HERE / "write.py")
assert SPEC is not None
assert SPEC.loader is not None
write = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(write)

CONTRACT: dict[str, Any] = json.loads(write.CONTRACT.read_text("utf-8"))
METHODS = ("get", "put", "post", "delete", "patch")


def operations() -> Iterator[tuple[str, str, dict[str, Any]]]:
    for path, methods in CONTRACT["paths"].items():
        for method, operation in methods.items():
            if method in METHODS:
                yield path, method, operation


def answers_of(operation: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Its answers by status, with those that many operations have in common in their places."""
    shared = CONTRACT["components"]["responses"]
    return {status: shared[r["$ref"].rsplit("/", 1)[1]] if "$ref" in r else r for status, r in operation["responses"].items()}


def schema(of: dict[str, Any]) -> Draft202012Validator:
    """A schema of the contract with its components beside it."""
    return Draft202012Validator({**of, "components": CONTRACT["components"]})


def test_the_committed_contract_is_the_apps_own() -> None:
    committed, made = write.CONTRACT.read_text("utf-8"), openapi.text(make_test_app())
    if committed != made:
        noticed = breaking(json.loads(committed), json.loads(made))
        wants = f"; openapi/CHANGES.md wants a line of each that a client would notice: {noticed}" if noticed else ""
        pytest.fail(f"run: python tests/contract/write.py{wants}")


def test_every_operation_has_an_example_and_good_names() -> None:
    names = [operation["operationId"] for _, _, operation in operations()]
    assert len(set(names)) == len(names) >= 15
    assert set(names) == set(EXAMPLES)
    for _, _, operation in operations():
        assert operation["operationId"].isidentifier()
        assert operation["summary"]
        assert operation["description"]
        assert operation["tags"]


def test_every_operation_lists_its_problems() -> None:
    for path, _, operation in operations():
        refusals = {status: r for status, r in answers_of(operation).items() if status[0] in "45"}
        assert {"400", "431", "500"} <= set(refusals), path
        assert all(list(r["content"]) == ["application/problem+json"] for r in refusals.values()), path
        if "requestBody" in operation:
            assert "415" in refusals, path


def test_every_reference_leads_somewhere() -> None:
    def refs(node: Any) -> Iterator[str]:
        if isinstance(node, dict):
            if isinstance(node.get("$ref"), str):
                yield node["$ref"]
            for value in node.values():
                yield from refs(value)
        elif isinstance(node, list):
            for value in node:
                yield from refs(value)

    found = set(refs(CONTRACT["paths"])) | set(refs(CONTRACT["components"]))
    assert len(found) > 20
    for ref in found:
        kind, name = ref.removeprefix("#/components/").split("/")
        assert name in CONTRACT["components"][kind], ref


def test_every_schema_is_one() -> None:
    for part in CONTRACT["components"]["schemas"].values():
        Draft202012Validator.check_schema(part)


def test_requests_refuse_unknown_members_in_the_schema_too() -> None:
    for name, part in CONTRACT["components"]["schemas"].items():
        if part.get("type") == "object" and "properties" in part:
            assert part.get("additionalProperties") is False, name


def test_answers_have_no_defaults() -> None:
    kept = (*fleet_answers.ALL, *kept_answers.ALL, *readings_answers.ALL, *work_answers.ALL)
    for model in (*answers.ALL, *procedure_answers.ALL, *shelf_answers.ALL, *kept):
        part = CONTRACT["components"]["schemas"][model.__name__]
        assert set(part["required"]) == set(part["properties"]), model.__name__


async def test_every_example_gets_the_answer_that_it_shows() -> None:
    for path, method, operation in operations():
        example = EXAMPLES[operation["operationId"]]
        assert (example.path, example.method.lower()) == (path, method)
    async with write.prepared() as http:
        for name, example in EXAMPLES.items():
            response = await write.run(http, {k: getattr(example, k) for k in ("method", "path", "parameters", "body", "body_type")})
            assert response.status_code == example.status, (name, response.text)
            assert example.status in (200, 201, 202, 204), name
            assert write.told(response) == example.answer, name


@pytest.mark.parametrize("name", list(EXAMPLES))
def test_every_example_fits_its_schema(name: str) -> None:
    operation = next(o for _, _, o in operations() if o["operationId"] == name)
    example = EXAMPLES[name]
    answered = answers_of(operation)[str(example.status)]
    if example.status == 204:
        assert example.answer is None
        assert not answered.get("content")
    else:
        content = answered["content"][example.answer_type]
        assert content["example"] == example.answer
        schema(content["schema"]).validate(example.answer)
    if example.body is not None:
        body = operation["requestBody"]["content"][example.body_type]
        assert body["example"] == example.body
        schema(body["schema"]).validate(example.body)


@pytest.mark.parametrize(
    ("name", "model"),
    [
        ("askDue", answers.DueAnswer),
        ("askClearance", answers.ClearanceAnswer),
        ("askProcedure", procedure_answers.ProcedureAnswer),
        ("askParts", answers.PartsAnswer),
    ],
)
def test_the_models_of_answers_read_real_ones(name: str, model: Any) -> None:
    assert model.model_validate(EXAMPLES[name].answer)
    with pytest.raises(ValueError, match="extra"):
        model.model_validate({**EXAMPLES[name].answer, "more": 1})


def test_to_write_the_contract_changes_nothing_that_the_next_app_shares() -> None:
    assert problem_responses((*ALWAYS, *KEYED)) is problem_responses((*ALWAYS, *KEYED))
    first = make_test_app().openapi()
    assert make_test_app().openapi() == first
