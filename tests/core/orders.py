"""Logs of what was done, replayed: each action is asked for in its turn and counts only if it is granted; then the question itself.

A case has `start` (fact -> state), `log`, `for`, `withheld` (the logged actions that are withheld in their turn) and `expect`; `why`: the
values of the reason for there being no way. An entry of the log is an action's name, or {action, by}, or {happens: NAME} (what the machine
does by itself), or {hand_over: {to, by, why}} of all that is put on. `puts_on`: which actions put a lock on, as {ACTION: {fact: state}};
it is then in the hands of who did it. `by`: who asks.
"""

from collections.abc import Generator, Mapping
from typing import Any

from fieldworthy.core.base.truth import Truth
from fieldworthy.core.condition.evaluate import evaluate
from tests.core.books import condition, differs

Replay = Generator[dict[str, Any], Mapping[str, Any], None]


def replay(case: Mapping[str, Any]) -> Replay:
    """The requests without `rulebook`, in turn; each is to be sent its answer. Fails where an answer is not as the case says."""
    book, state = case["books"][case["book"]], dict(case["start"])
    put_on: list[dict[str, Any]] = []
    withheld = []
    for entry in case["log"]:
        if isinstance(entry, dict) and "happens" in entry:
            happening = book["happenings"][entry["happens"]]
            assert _so(happening["needs"], state), f"{entry['happens']} can't happen there"
            state |= _made(happening["makes"])
        elif isinstance(entry, dict) and "hand_over" in entry:
            put_on = [{**each, "hand_over": entry["hand_over"]} for each in put_on]
        else:
            act = entry if isinstance(entry, dict) else {"action": entry}
            answer = yield _request(case, state, put_on, {"action": act["action"]}, act.get("by"))
            if answer["clearance"] == "withheld":
                withheld.append(act["action"])
                continue
            made = _made(book["actions"][act["action"]]["makes"])
            state |= made
            put_on = [each for each in put_on if made.get(each["fact"], each["state"]) == each["state"]]
            if "by" in act:
                puts = case.get("puts_on", {}).get(act["action"], {})
                put_on += [{"fact": fact, "state": to, "by": act["by"]} for fact, to in puts.items()]
    assert withheld == case["withheld"]
    answer = yield _request(case, state, put_on, case["for"], case.get("by"))
    assert differs(case["expect"], answer) is None, differs(case["expect"], answer)
    if "why" in case:
        (none,) = [r["values"] for r in answer["because"] if r["code"] == "no-way-to-safe"]
        assert differs(case["why"], none) is None, none


def _request(case: Mapping[str, Any], state: Mapping[str, str], put_on: list[dict[str, Any]], asked: Any, by: str | None) -> dict[str, Any]:
    facts = case["books"][case["book"]]["facts"]
    evidence = [{"fact": f, "value": s, "via": facts[f].get("known_by", ["sensor"])[0], "ago": 1} for f, s in state.items()]
    request: dict[str, Any] = {"for": asked, "evidence": evidence, "put_on": put_on}
    return request if by is None else {**request, "by": by}


def _made(text: str) -> dict[str, str]:
    return dict(part.split(" is ") for part in text.split(" and "))


def _so(needs: str, state: Mapping[str, str]) -> bool:
    c = condition(needs)
    return c is None or evaluate(c, state) is Truth.YES
