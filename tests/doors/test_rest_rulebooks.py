"""Checking, drafting, publishing, reading and comparing over REST."""

import json

import httpx
import pytest

from fieldworthy.wire import answers as questions
from fieldworthy.wire import shelf_answers as answers
from tests.doors.test_rest_problems import problem
from tests.doors_app import client, make_test_app

NAME = "plover-r5-baler"
YAML = {"content-type": "application/yaml"}


async def test_a_check_answers_whatever_the_document_says(empty: httpx.AsyncClient, rulebook: str) -> None:
    good = await empty.post("/v1/rulebooks/check", content=rulebook.encode(), headers=YAML)
    assert good.json()["rulebook"]["name"] == NAME
    bad = await empty.post("/v1/rulebooks/check", content=rulebook.replace("every 80 h", "evry 80 h").encode(), headers=YAML)
    assert bad.status_code == 200
    told = answers.CheckAnswer.model_validate(bad.json())
    assert told.rulebook is None
    errors = [f for f in told.findings if f.severity == "error"]
    assert [(f.path, f.line, f.column) for f in errors] == [("/tasks/roller-bearing-grease/interval", 23, 15)]
    for text in (b"", b"\xff\xfe", b"{", b"a: &x 1\nb: *x", b"- 1\n- 2", b"\x00"):
        response = await empty.post("/v1/rulebooks/check", content=text, headers=YAML)
        assert response.status_code == 200, response.text
        assert response.json()["rulebook"] is None
        assert response.json()["findings"]


async def test_a_check_takes_json_and_a_wrapped_document(empty: httpx.AsyncClient) -> None:
    document = {"rulebook": "b", "title": "B", "tasks": {"t": {"title": "T", "kind": "inspect"}}}
    for body in (document, {"document": document}, {"document": json.dumps(document)}):
        response = await empty.post("/v1/rulebooks/check", json=body)
        assert response.status_code == 200, response.text
        assert response.json()["rulebook"]["name"] == "b"
    told = problem(await empty.post("/v1/rulebooks/check", json={"document": document, "more": 1}), 422, "request.does_not_fit")
    assert told["errors"][0]["pointer"] == "#/more"
    problem(await empty.post("/v1/rulebooks/check", json={"document": 5}), 422, "request.does_not_fit")
    problem(await empty.post("/v1/rulebooks/check", content=b"x", headers={"content-type": "text/plain"}), 415, "body.media_type")


async def test_a_draft_is_given_back_as_it_was_written(empty: httpx.AsyncClient, rulebook: str) -> None:
    address = f"/v1/rulebooks/{NAME}/draft"
    problem(await empty.get(address), 404, "rulebook.draft_unknown")
    put = await empty.put(address, content=rulebook.encode(), headers=YAML)
    assert put.status_code == 200
    assert put.headers["etag"] == '"1"'
    assert answers.DraftAnswer.model_validate(put.json()).revision == 1
    got = await empty.get(address)
    assert got.text == rulebook
    assert got.headers["content-type"].startswith("application/yaml")
    assert got.headers["etag"] == '"1"'


async def test_a_draft_is_not_overwritten_unseen(empty: httpx.AsyncClient, rulebook: str) -> None:
    address = f"/v1/rulebooks/{NAME}/draft"
    body = rulebook.encode()
    assert (await empty.put(address, content=body, headers={**YAML, "if-none-match": "*"})).status_code == 200
    problem(await empty.put(address, content=body, headers={**YAML, "if-none-match": "*"}), 412, "rulebook.draft_changed")
    for wrong in ("", "0", '"1"', "*, *"):  # passed over, it would have replaced the draft
        problem(await empty.put(address, content=body, headers={**YAML, "if-none-match": wrong}), 400, "request.unreadable")
    assert (await empty.put(address, content=body, headers={**YAML, "if-match": '"1"'})).status_code == 200
    problem(await empty.put(address, content=body, headers={**YAML, "if-match": '"1"'}), 412, "rulebook.draft_changed")
    problem(await empty.put(address, content=body, headers={**YAML, "if-match": "one"}), 400, "request.unreadable")
    problem(await empty.post(f"/v1/rulebooks/{NAME}/publish", headers={"if-match": '"1"'}), 412, "rulebook.draft_changed")
    assert (await empty.post(f"/v1/rulebooks/{NAME}/publish", headers={"if-match": '"2"'})).status_code == 200


async def test_a_draft_with_errors_is_kept_and_not_published(empty: httpx.AsyncClient, rulebook: str) -> None:
    put = await empty.put(f"/v1/rulebooks/{NAME}/draft", content=rulebook.replace("every 80 h", "evry 80 h").encode(), headers=YAML)
    assert put.status_code == 200
    assert put.json()["rulebook"] is None
    told = problem(await empty.post(f"/v1/rulebooks/{NAME}/publish"), 422, "rulebook.has_errors")
    assert told["errors"][0]["severity"] == "error"
    assert told["errors"][0]["line"] == 23
    problem(await empty.get(f"/v1/rulebooks/{NAME}/versions"), 404, "rulebook.unknown")
    problem(await empty.post("/v1/rulebooks/nothing/publish"), 404, "rulebook.draft_unknown")


@pytest.mark.parametrize("name", ["Upper", "a b", "-x", "x" * 81, "a%00b", "a@1"])
async def test_a_name_has_its_form(empty: httpx.AsyncClient, rulebook: str, name: str) -> None:
    problem(await empty.put(f"/v1/rulebooks/{name}/draft", content=rulebook.encode(), headers=YAML), 422, "request.does_not_fit")
    assert (await empty.get(f"/v1/rulebooks/{name}/draft")).status_code == 404
    assert (await empty.get(f"/v1/rulebooks/{name}/versions/1")).status_code == 404


async def test_a_draft_under_another_name(empty: httpx.AsyncClient, rulebook: str) -> None:
    problem(await empty.put("/v1/rulebooks/other/draft", content=rulebook.encode(), headers=YAML), 422, "rulebook.name_differs")
    problem(await empty.put(f"/v1/rulebooks/{NAME}/draft", content=b"\xff", headers=YAML), 400, "body.unreadable")


async def test_publishing_twice_is_harmless(http: httpx.AsyncClient, rulebook: str) -> None:
    again = await http.post(f"/v1/rulebooks/{NAME}/publish")
    assert answers.PublishAnswer.model_validate(again.json()).version == 1
    await http.put(f"/v1/rulebooks/{NAME}/draft", content=rulebook.replace("every 80 h", "every 90 h").encode(), headers=YAML)
    assert (await http.post(f"/v1/rulebooks/{NAME}/publish")).json()["version"] == 2
    compared = answers.CompareAnswer.model_validate((await http.get(f"/v1/rulebooks/{NAME}/compare?from=1&to=2")).json())
    assert compared.intervals == ["roller-bearing-grease"]
    assert (compared.safety.changes, compared.safety.hazards) == ([], [])


async def test_a_version_that_lets_more_through_says_so_with_a_state(http: httpx.AsyncClient, rulebook: str) -> None:
    looser = rulebook.replace("needs: tailgate is closed and engine", "needs: engine")
    assert looser != rulebook
    await http.put(f"/v1/rulebooks/{NAME}/draft", content=looser.encode(), headers=YAML)
    assert (await http.post(f"/v1/rulebooks/{NAME}/publish")).json()["version"] == 2
    compared = answers.CompareAnswer.model_validate((await http.get(f"/v1/rulebooks/{NAME}/compare?from=1&to=2")).json())
    (change,) = compared.safety.changes
    assert (change.task, change.member, change.stronger, change.not_compared) == ("roller-bearing-grease", "needs", None, None)
    assert change.weaker == {"tailgate": "raised", "engine": "stopped", "key": "removed"}
    back = answers.CompareAnswer.model_validate((await http.get(f"/v1/rulebooks/{NAME}/compare?from=2&to=1")).json())
    assert back.safety.changes[0].stronger == change.weaker


UNSAFE = """\
rulebook: unsafe
title: A panel that comes off while the engine may run
facts:
  engine: {states: [stopped, running]}
  panel: {states: ["on", "off"]}
actions:
  start engine: {makes: engine is running}
  stop engine: {makes: engine is stopped}
  take panel off: {makes: panel is off}
  put panel on: {makes: panel is on}
hazards:
  caught: {never: panel is off and engine is running, outcome: serious injury, certainty: could, avoid: Stop the engine.}
tasks:
  grease: {title: Grease it, kind: lubricate, needs: engine is stopped, steps: [take panel off, {do: Grease it.}, put panel on]}
"""


async def test_a_reachable_hazard_refuses_publication_and_shows_the_way(empty: httpx.AsyncClient) -> None:
    text = UNSAFE
    checked = answers.CheckAnswer.model_validate((await empty.post("/v1/rulebooks/check", content=text.encode(), headers=YAML)).json())
    assert checked.rulebook is None
    (found,) = [f for f in checked.findings if f.severity == "error"]
    assert (found.code, found.path) == ("procedure.hazard_reached", "/tasks/grease/steps")
    assert found.trace == {
        "start": {"engine": "stopped", "panel": "on"},
        "steps": ["step 1: take panel off", "somebody else: start engine"],
        "hazard": "caught",
    }
    await empty.put("/v1/rulebooks/unsafe/draft", content=text.encode(), headers=YAML)
    told = problem(await empty.post("/v1/rulebooks/unsafe/publish"), 422, "rulebook.has_errors")
    assert told["errors"][0]["trace"] == found.trace
    held = text.replace("needs: engine is stopped,", "needs: engine is stopped, holds: engine is stopped,")
    await empty.put("/v1/rulebooks/unsafe/draft", content=held.encode(), headers=YAML)
    assert (await empty.post("/v1/rulebooks/unsafe/publish")).status_code == 200


async def test_the_bound_of_the_exploration_is_a_setting() -> None:
    async with client(make_test_app(max_states=3)) as http:
        found = (await http.post("/v1/rulebooks/check", content=UNSAFE.encode(), headers=YAML)).json()["findings"]
        assert [f["code"] for f in found if f["severity"] == "error"] == ["procedure.not_shown_safe"]
        asked = {"rulebook": {"rulebook": "x", "title": "X", **PIECES}, "now": "2026-07-14T06:00:00Z", "machine": {}, "tasks": []}
        told = problem(await http.post("/v1/due", json=asked), 422, "rulebook.has_errors")
        assert [e["code"] for e in told["errors"] if e["severity"] == "error"] == ["procedure.not_shown_safe"]


PIECES = {
    "facts": {name: {"states": ["off", "on"]} for name in ("a", "b")},
    "hazards": {"h": {"never": "a is on and b is on", "signal": "notice", "avoid": "Keep one off."}},
    "tasks": {"t": {"title": "T", "kind": "inspect", "needs": "a is off"}},
}


async def test_a_version_by_accept(http: httpx.AsyncClient, rulebook: str) -> None:
    address = f"/v1/rulebooks/{NAME}/versions/1"
    plain = await http.get(address)
    assert plain.headers["content-type"] == "application/json"
    assert plain.headers["vary"] == "Accept, Authorization"
    assert plain.json()["rulebook"] == NAME
    text = await http.get(address, headers={"accept": "application/json;q=0.5, application/yaml"})
    assert text.text == rulebook
    assert text.headers["etag"] != plain.headers["etag"]
    problem(await http.get(address, headers={"accept": "image/png"}), 406, "address.not_acceptable")
    problem(await http.get(f"/v1/rulebooks/{NAME}/versions/7"), 404, "rulebook.version_unknown")
    problem(await http.get(f"/v1/rulebooks/{NAME}/versions/one"), 404, "rulebook.unknown")


async def test_the_shelf_is_paged(http: httpx.AsyncClient) -> None:
    for name in ("a", "b", "c"):
        text = json.dumps({"rulebook": name, "title": name, "tasks": {"t": {"title": "T", "kind": "inspect"}}})
        assert (
            await http.put(f"/v1/rulebooks/{name}/draft", content=text.encode(), headers={"content-type": "application/json"})
        ).status_code == 200
    found: list[str] = []
    query = "?limit=2"
    for _ in range(5):
        page = answers.RulebooksAnswer.model_validate((await http.get(f"/v1/rulebooks{query}")).json())
        found += [item.name for item in page.items]
        if page.next is None:
            break
        query = f"?limit=2&after={page.next}"
    assert found == ["a", "b", "c", NAME]


@pytest.mark.parametrize(
    "query", ["limit=0", "limit=201", "limit=x", "limit=1&limit=2", "lmit=1", "limit=%ff", "limit=1_0", "limit=+5", "limit=٣"]
)
async def test_the_query_is_read_strictly(http: httpx.AsyncClient, query: str) -> None:
    response = await http.get(f"/v1/rulebooks?{query}")
    assert response.status_code in (400, 422)
    assert response.headers["content-type"] == "application/problem+json"


async def test_compare_wants_both(http: httpx.AsyncClient) -> None:
    told = problem(await http.get(f"/v1/rulebooks/{NAME}/compare?from=1"), 422, "request.does_not_fit")
    assert "`to`" in told["detail"]
    problem(await http.get(f"/v1/rulebooks/{NAME}/compare?from=1&to=2"), 404, "rulebook.version_unknown")


async def test_inputs_say_what_to_send(http: httpx.AsyncClient) -> None:
    told = answers.InputsAnswer.model_validate((await http.get(f"/v1/rulebooks/{NAME}/versions/1/inputs")).json())
    assert [m.meter for m in told.meters if m.wanted] == ["work"]
    assert {t.task: t.occurrences for t in told.tasks}["belt-tension"] == ["belt fitted"]
    assert (told.never_together, told.never_together_complete) == ([], True)


async def test_inputs_say_which_tasks_are_never_open_together(empty: httpx.AsyncClient) -> None:
    tasks = {name: {"title": name, "kind": "inspect", "holds": f"a is {state}"} for name, state in (("up", "on"), ("down", "off"))}
    document = {"rulebook": "two", "title": "Two", "facts": {"a": PIECES["facts"]["a"]}, "tasks": tasks}
    await empty.put("/v1/rulebooks/two/draft", json=document)
    assert (await empty.post("/v1/rulebooks/two/publish")).status_code == 200
    told = answers.InputsAnswer.model_validate((await empty.get("/v1/rulebooks/two/versions/1/inputs")).json())
    (pair,) = told.never_together
    assert pair.tasks == ["up", "down"]
    assert pair.because == "`up` holds `a is on` and `down` holds `a is off`, which are never true at once"


async def test_an_expression_with_errors_is_answered(http: httpx.AsyncClient) -> None:
    bad = await http.post("/v1/expressions/check", json={"interval": "every 80 h\nor evry 3 months"})
    told = questions.ExpressionAnswer.model_validate(bad.json())
    assert told.canonical is None
    assert [(f.line, f.column, f.path) for f in told.findings] == [(2, 4, "/interval")]
    unknown = await http.post("/v1/expressions/check", json={"condition": "engin is stopped", "rulebook": NAME})
    assert "`engine`" in unknown.json()["findings"][0]["mend"]
    good = await http.post("/v1/expressions/check", json={"condition": "dust is heavy", "over": "working conditions", "rulebook": NAME})
    assert good.json()["findings"] == []
    for body in (
        {},
        {"interval": "daily", "condition": "a is b"},
        {"interval": "daily", "over": "facts"},
        {"interval": "daily", "rulebook": NAME, "vocabulary": {}},
    ):
        problem(await http.post("/v1/expressions/check", json=body), 422, "request.does_not_fit")
