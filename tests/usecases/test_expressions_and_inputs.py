"""One expression on its own; and what a caller must send."""

from dataclasses import fields, is_dataclass
from types import ModuleType
from typing import Any, get_args

import pytest

from fieldworthy.core.condition import ast as condition_ast
from fieldworthy.core.interval import ast as interval_ast
from fieldworthy.core.rulebook.text import read_document
from fieldworthy.usecases.check_expression import CheckExpression
from fieldworthy.usecases.expression_tree import KINDS
from fieldworthy.usecases.find_rulebook import FindRulebook
from fieldworthy.usecases.inputs import ReadInputs
from fieldworthy.usecases.refusals import RulebookHasErrors
from tests.usecases.conftest import BOOK


def document() -> Any:
    read = read_document(BOOK)
    assert not isinstance(read, list)
    return read.data


check = CheckExpression(FindRulebook())


async def test_an_interval_is_read_back() -> None:
    found = await check.interval("every 80 hours or Yearly, whichever comes first", document())
    assert found.canonical == "every 80 h or yearly, whichever first"
    assert found.good
    assert found.names_checked
    assert found.tree is not None
    rule = found.tree["rules"][0]
    assert rule["timing"]["node"] == "combined"
    assert rule["timing"]["op"] == "or"
    first = rule["timing"]["parts"][0]
    assert first["amount"] == {"node": "amount", "number": 80, "unit": "h", "span": [6, 14]}
    assert found.aloud
    assert found.to_json()["rulebook"]["name"] == "plover-r5-baler"


async def test_without_a_vocabulary_only_the_form_is_looked_at() -> None:
    found = await check.interval("every 80 h of drum")
    assert not found.names_checked
    assert found.findings == ()
    against = await check.interval("every 80 h of drum", document())
    assert not against.good
    assert "drum" in against.findings[0].message


async def test_a_unit_is_the_same_everywhere() -> None:
    found = await check.interval("every 80 hurs")
    assert [f.code for f in found.findings] == ["interval.unknown_unit"]
    assert not found.good
    assert (await check.interval("when mud is deep, every 80 h of drum or every belt fitted or before each winter")).good


async def test_a_text_that_cannot_be_read_has_one_finding_and_no_tree() -> None:
    found = await check.interval("every 80 h, or")
    assert (found.canonical, found.tree, found.aloud) == (None, None, None)
    assert len(found.findings) == 1
    assert not found.good


async def test_conditions_speak_of_facts_or_of_working_conditions() -> None:
    assert (await check.condition("tailgate is raised", rulebook=document())).good
    assert not (await check.condition("dust is heavy", rulebook=document())).good
    assert (await check.condition("dust is heavy", "working conditions", document())).good


async def test_a_few_names_will_do_in_place_of_a_rulebook() -> None:
    found = await check.condition("dial < 50 degF", vocabulary={"facts": {"dial": {"unit": "degC"}}})
    assert found.good
    assert found.names_checked
    assert found.rulebook is None
    with pytest.raises(RulebookHasErrors):
        await check.condition("dial < 50 degF", vocabulary={"facts": {"dial": {"unit": "furlong"}}})


@pytest.mark.parametrize("module", [condition_ast, interval_ast])
def test_every_node_has_a_kind(module: ModuleType) -> None:
    """A new node without a kind in the wire's tree is found here and not by a caller."""
    nodes = {n for n in vars(module).values() if is_dataclass(n) and n.__module__ == module.__name__} - {interval_ast.Notice}
    assert nodes <= set(KINDS)
    assert all(fields(node) for node in nodes)  # type: ignore[arg-type]
    assert set(get_args(condition_ast.Condition)) <= set(KINDS)


async def test_inputs_say_what_each_task_needs() -> None:
    told = (await ReadInputs(FindRulebook())(document())).to_json()
    tasks = {task["task"]: task for task in told["tasks"]}
    assert tasks["bearing-grease"]["records"] == "newest"
    assert tasks["bearing-grease"]["meters"] == ["work"]
    assert tasks["bearing-grease"]["facts"] == ["tailgate", "engine"]
    assert tasks["bearing-grease"]["machine"] == ["options"]
    assert not tasks["bearing-grease"]["readings_since_last_record"]
    assert tasks["belt-check"]["records"] == "all"
    assert tasks["belt-check"]["meters"] == ["work", "bales"]
    assert tasks["belt-check"]["occurrences"] == ["belt fitted"]
    assert tasks["filter-clean"]["working_conditions"] == ["dust"]
    assert tasks["filter-clean"]["readings_since_last_record"]
    assert tasks["barn-check"]["seasons"] == ["silage"]
    assert tasks["blockage"]["records"] == "none"
    assert told["machine"] == ["model", "options"]
    assert told["meters"][0] == {"meter": "work", "unit": "h", "default": True, "good_for_seconds": 172800, "wanted": True}
    assert told["seasons"] == [{"season": "silage", "from": "05-10", "to": "09-25", "wanted": True}]
    assert told["working_conditions"] == [{"condition": "dust", "states": ["light", "heavy"], "assumed": "light", "wanted": True}]
    assert told["facts"][0] == {
        "fact": "tailgate",
        "states": ["closed", "raised"],
        "unit": None,
        "known_by": ["seen"],
        "good_for_seconds": 60,
        "per_person": False,
    }
