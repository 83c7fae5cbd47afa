"""From validated requests to the core's questions. Each raises Refused for what only a calendar or a unit table can refuse."""

from typing import Any

from fieldworthy.core.answer.clearance import ClearanceQuestion, Evidence, HandOver, OpenWork, PutOn
from fieldworthy.core.answer.parts_list import PartsQuestion, Stock, TaskCount
from fieldworthy.core.answer.procedure import DoneStep, ProcedureQuestion
from fieldworthy.core.base.finding import pointer
from fieldworthy.core.base.fit import Identity
from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import Quantity
from fieldworthy.wire.scalars import amount, day, instant, quantity, refuse


def identity(given: Any) -> Identity:
    """What a request says of a machine."""
    options = given.get("options")
    return Identity(
        id=given.get("id"),
        model=given.get("model"),
        serial=given.get("serial"),
        options=None if options is None else frozenset(key(o) for o in options),
    )


def clearance_question(given: Any) -> ClearanceQuestion:
    """A validated ClearanceIn."""
    asked = given["for"]
    ways = [w for w in ("task", "action", "needs") if w in asked]
    if len(ways) != 1 or ("step" in asked and "task" not in asked):
        message = "exactly one of `task` (and perhaps `step`), `action` and `needs` is asked for"
        raise refuse("request.one_of", message, 'write {"task": …, "step": …}, {"action": …} or {"needs": …}', "/for")
    return ClearanceQuestion(
        now=instant(given["now"], "/now"),
        machine=identity(given["machine"]),
        task=asked.get("task"),
        step=asked.get("step"),
        action=asked.get("action"),
        needs=asked.get("needs"),
        evidence=tuple(_evidence(e, pointer("evidence", i)) for i, e in enumerate(given.get("evidence", ()))),
        open_work=open_work(given),
        by=given.get("by"),
        put_on=put_on(given),
    )


def open_work(given: Any) -> tuple[OpenWork, ...]:
    """The member `open_work` of a validated request."""
    return tuple(
        OpenWork(w["work"], w["task"], w.get("step"), w.get("by"), _hand_over(w.get("hand_over"))) for w in given.get("open_work", ())
    )


def put_on(given: Any) -> tuple[PutOn, ...]:
    """The member `put_on` of a validated request."""
    return tuple(PutOn(p["fact"], p["state"], p["by"], _hand_over(p.get("hand_over"))) for p in given.get("put_on", ()))


def _hand_over(given: Any) -> HandOver | None:
    return None if given is None else HandOver(given["to"], given["by"], given["why"])


def _evidence(given: Any, path: str) -> Evidence:
    value = given["value"]
    return Evidence(
        fact=given["fact"],
        value=value if isinstance(value, str) else amount(value, path + "/value"),
        at=instant(given["at"], path + "/at"),
        via=given["via"],
        by=given.get("by"),
    )


def procedure_question(given: Any) -> ProcedureQuestion:
    """A validated ProcedureIn."""
    return ProcedureQuestion(
        now=instant(given["now"], "/now"),
        machine=identity(given["machine"]),
        task=given["task"],
        done=tuple(_done_step(d, pointer("done", i)) for i, d in enumerate(given.get("done", ()))),
        begun=instant(given["begun"], "/begun") if "begun" in given else None,
        by=given.get("by"),
        evidence=tuple(_evidence(e, pointer("evidence", i)) for i, e in enumerate(given.get("evidence", ()))),
        open_work=open_work(given),
        put_on=put_on(given),
    )


def _done_step(given: Any, path: str) -> DoneStep:
    return DoneStep(given["step"], instant(given["at"], path + "/at"), given.get("by"))


def parts_question(given: Any) -> PartsQuestion:
    """A validated PartsIn."""
    return PartsQuestion(
        on=day(given["on"], "/on"),
        machine=identity(given["machine"]),
        tasks=tuple(TaskCount(t["task"], t.get("times", 1)) for t in given["tasks"]),
        stock=tuple(Stock(s["part"], _stock(s["amount"], pointer("stock", i, "amount"))) for i, s in enumerate(given.get("stock", ()))),
    )


def _stock(given: Any, path: str) -> Quantity:
    return quantity(given, path)
