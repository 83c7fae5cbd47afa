"""Runs a rulebook's own worked examples: what is given becomes a question, and the answer must hold what is expected.

Forms of `given` (members of one form only):
  due        {task, done_at, now_at, machine}: amounts (`640 h`, on the default meter of their dimension), days, or lists of both;
             or the whole question as on the wire: {now, machine, tasks, notice}
  clearance  {task, step} or {action} or {needs}, with facts: {engine: stopped};
             or as on the wire: {now, machine, for, evidence, open_work, by, put_on}
  parts      {task, times, on, machine, stock}; or as on the wire: {on, machine, tasks, stock}
In the short forms a machine is one that the rulebook and the task are for, in so far as `machine` does not say otherwise.
"""

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, time
from typing import Any

from fieldworthy.core.answer.asked import ClearanceQuestion
from fieldworthy.core.answer.clearance import answer_clearance
from fieldworthy.core.answer.due import answer_due, read_due_question
from fieldworthy.core.answer.evidence import Evidence
from fieldworthy.core.answer.expected import differences
from fieldworthy.core.answer.others import HandOver, OpenWork, PutOn
from fieldworthy.core.answer.parts_list import PartsQuestion, Stock, TaskCount, answer_parts
from fieldworthy.core.base.finding import Finding, Refused, did_you_mean, pointer
from fieldworthy.core.base.fit import Fit, Identity
from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import Quantity, exact, find_unit, number_json, read_amount, whole
from fieldworthy.core.interval.check import dimensions
from fieldworthy.core.rulebook.model import CheckedRulebook, Example, Task

DAY = date(2026, 1, 2)
"""Stands for today where an example counts on meters or facts alone, so that the day makes no difference."""

_FORMS: Mapping[str, tuple[str, ...]] = {
    "due": ("task", "done_at", "now_at", "now", "machine", "tasks", "notice"),
    "clearance": ("task", "step", "action", "needs", "facts", "now", "machine", "for", "evidence", "open_work", "by", "put_on"),
    "parts": ("task", "times", "on", "machine", "tasks", "stock"),
}


class _Unfit(Exception):
    """What is given makes no question. path: inside the example."""

    def __init__(self, message: str, mend: str, path: str = "/given") -> None:
        self.finding = Finding("rulebook.example_given", message, mend, path=path)
        super().__init__(message)


def run_example(book: CheckedRulebook, example: Example) -> list[Finding]:
    """Every way in which the answer is not as expected (none: it passes); paths are inside the example ("/expect/standing")."""
    form = _form(example)
    try:
        for member in example.given:
            if member not in _FORMS[form]:
                mend = did_you_mean(member, _FORMS[form], f"what is given for {form} has {', '.join(f'`{m}`' for m in _FORMS[form])}")
                raise _Unfit(f"`{member}` is no member of what is given", mend, "/given" + pointer(member))
        answer = _ANSWERS[form](book, example.given)
    except _Unfit as unfit:
        return [unfit.finding]
    except Refused as refused:
        return [
            Finding("rulebook.example_given", f"the example `{example.name}` is refused: {f.message}", f.mend, path="/given")
            for f in refused.findings
        ]
    except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError):
        # given comes from the document, and the readers of questions trust a door to have looked at its shape
        message = f"what the example `{example.name}` gives has not the form of a question"
        return [Finding("rulebook.example_given", message, "write it as on the wire, or in the short form", path="/given")]
    return differences(example, answer)


def _form(example: Example) -> str:
    if "clearance" in example.expect or {"facts", "evidence", "for"} & set(example.given):
        return "clearance"
    return "parts" if {"parts", "lines"} & set(example.expect) else "due"


# --- due -----------------------------------------------------------------------------------------------------------------------


def _due(book: CheckedRulebook, given: Mapping[str, Any]) -> Mapping[str, Any]:
    if "task" not in given:
        return answer_due(book, read_due_question(book, given)).to_json()
    task = _task(book, given["task"])
    done, now = _moment(book, given, "done_at"), _moment(book, given, "now_at")
    if now is None:
        raise _Unfit("nothing says where the machine stands now", "add `now_at`, as in `now_at: 700 h`")
    if now.day is None and task.interval is not None and _needs_day(task):
        raise _Unfit("the interval counts on the calendar too", "give a day as well, as in `now_at: [700 h, 2026-07-14]`", "/given/now_at")
    day = now.day or DAY
    if done is not None and done.day is None and now.day is not None and _needs_day(task):
        raise _Unfit(
            "the interval counts on the calendar too", "give a day as well, as in `done_at: [640 h, 2026-07-01]`", "/given/done_at"
        )
    at = datetime.combine(day, time(12), UTC).isoformat()
    machine = {**_fitting(book, task), "timezone": "UTC", **_mapping(given, "machine")}
    readings = [{"meter": meter, "value": value, "at": at} for meter, value in now.meters.items()]
    machine["meters"] = [*machine.get("meters", ()), *readings]
    if done is not None:
        record = {"task": task.name, "on": (done.day or day).isoformat(), "meters": done.meters}
        machine["done"] = [*machine.get("done", ()), record]
    question = {"now": at, "machine": machine, "tasks": [task.name], "notice": given.get("notice")}
    return answer_due(book, read_due_question(book, question)).to_json()["tasks"][0]  # type: ignore[no-any-return]


class _Moment:
    """Meter values (by meter name, in the meter's own unit, as JSON numbers) and a day, as far as they are told."""

    def __init__(self) -> None:
        self.meters: dict[str, int | float] = {}
        self.day: date | None = None


def _moment(book: CheckedRulebook, given: Mapping[str, Any], member: str) -> _Moment | None:
    if member not in given:
        return None
    told = given[member]
    moment = _Moment()
    for item in told if isinstance(told, list) else [told]:
        if not isinstance(item, str):
            raise _Unfit(f"`{member}` holds no text", "write amounts like `640 h` and days like `2026-07-14`", f"/given/{member}")
        amount = read_amount(item)
        if amount is None:
            moment.day = _day(item, f"/given/{member}")
            continue
        meter = book.vocabulary.default_meter(amount.unit.dimension)
        if meter is None:
            raise _Unfit(f"no one meter counts `{amount.unit.name}`", "write the whole machine as on the wire", f"/given/{member}")
        moment.meters[meter.name] = number_json(amount.to(meter.unit).value)
    return moment


def _needs_day(task: Task) -> bool:
    rules = () if task.interval is None else task.interval.rules
    return any({"calendar", "event"} & dimensions(rule.timing) or rule.during is not None for rule in rules)


# --- clearance -----------------------------------------------------------------------------------------------------------------


def _clearance(book: CheckedRulebook, given: Mapping[str, Any]) -> Mapping[str, Any]:
    target = _mapping(given, "for") if "for" in given else given
    now = _instant(given["now"], "/given/now") if "now" in given else datetime.combine(DAY, time(12), UTC)
    task = _task(book, target["task"]) if target.get("task") is not None else None
    told = _mapping(given, "machine")
    if "for" not in given:
        told = {**_fitting(book, task), **told}
    facts = [_evidence(book, name, value, now) for name, value in _mapping(given, "facts").items()]
    evidence = [
        Evidence(e["fact"], _value(e["value"]), _instant(e["at"], "/given/evidence"), e["via"], e.get("by"))
        for e in given.get("evidence", ())
    ]
    work = [OpenWork(w["work"], w["task"], w.get("step"), w.get("by"), _hand_over(w)) for w in given.get("open_work", ())]
    put_on = [PutOn(p["fact"], p["state"], p["by"], _hand_over(p)) for p in given.get("put_on", ())]
    question = ClearanceQuestion(
        now,
        _identity(told),
        target.get("task"),
        target.get("step"),
        target.get("action"),
        target.get("needs"),
        (*facts, *evidence),
        tuple(work),
        given.get("by"),
        tuple(put_on),
    )
    return answer_clearance(book, question).to_json()


def _hand_over(given: Mapping[str, Any]) -> HandOver | None:
    told = given.get("hand_over")
    return None if told is None else HandOver(told["to"], told["by"], told["why"])


def _evidence(book: CheckedRulebook, name: str, value: Any, now: datetime) -> Evidence:
    """A fact that is simply given: reported now, by the first source that the rulebook accepts for it."""
    fact = book.vocabulary.facts.get(key(name))
    source = min(fact.known_by) if fact is not None else "seen"
    return Evidence(name, _value(value), now, source, "the example" if source == "seen" else None)


def _value(value: Any) -> Any:
    """A state, an amount (`48 degC` or {value, unit}) or a bare number."""
    if isinstance(value, str):
        return read_amount(value) or value
    if isinstance(value, Mapping):
        unit = find_unit(value["unit"])
        if unit is None:
            raise _Unfit(f"`{value['unit']}` is no unit", "write it as in `48 degC`")
        return Quantity(whole(exact(value["value"])), unit)
    return exact(value)


# --- parts ---------------------------------------------------------------------------------------------------------------------


def _parts(book: CheckedRulebook, given: Mapping[str, Any]) -> Mapping[str, Any]:
    if "on" not in given:
        raise _Unfit("nothing says for which day the parts are", "add `on: 2026-07-14`: part numbers change with time")
    on = _day(given["on"], "/given/on")
    told = _mapping(given, "machine")
    if "task" in given:
        task = _task(book, given["task"])
        counts = [TaskCount(task.name, given.get("times", 1))]
        told = {**_fitting(book, task), **told}
    else:
        counts = [TaskCount(item["task"], item.get("times", 1)) for item in given["tasks"]]
    stock = [Stock(item["part"], _value(item["amount"])) for item in given.get("stock", ())]
    return answer_parts(book, PartsQuestion(on, _identity(told), tuple(counts), tuple(stock))).to_json()


_ANSWERS = {"due": _due, "clearance": _clearance, "parts": _parts}


# --- what they share -----------------------------------------------------------------------------------------------------------


def _task(book: CheckedRulebook, name: Any) -> Task:
    task = book.tasks.get(name) if isinstance(name, str) else None
    if task is None:
        raise _Unfit(f"no task is called `{name}`", did_you_mean(str(name), book.tasks, "name a declared task"), "/given/task")
    return task


def _mapping(given: Mapping[str, Any], member: str) -> Mapping[str, Any]:
    value = given.get(member, {})
    if not isinstance(value, Mapping):
        raise _Unfit(f"`{member}` is no mapping", "write it as `{name: value}`", f"/given/{member}")
    return value


def _day(text: Any, path: str) -> date:
    try:
        return date.fromisoformat(text)
    except (ValueError, TypeError):
        raise _Unfit(f"`{text}` is neither an amount nor a day", "write it as in `640 h` or `2026-07-14`", path) from None


def _instant(text: Any, path: str) -> datetime:
    try:
        return datetime.fromisoformat(text)
    except (ValueError, TypeError):
        raise _Unfit(f"`{text}` is no time", "write it as in `2026-07-14T06:00:00+01:00`, in quotes", path) from None


def _identity(machine: Mapping[str, Any]) -> Identity:
    options = machine.get("options")
    return Identity(
        machine.get("id"), machine.get("model"), machine.get("serial"), None if options is None else frozenset(key(o) for o in options)
    )


def _fitting(book: CheckedRulebook, task: Task | None) -> dict[str, Any]:
    """Model, serial number and options of a machine that the rulebook and the task are for, as far as they ask for any."""
    fits = [fit for fit in (None if task is None else task.only_with, book.applies_to) if fit is not None]
    machine: dict[str, Any] = {"options": sorted(o for fit in fits for o in fit.options)}
    models = _common([fit.models for fit in fits if fit.models])
    if models:
        machine["model"] = models[0]
    serials = [end for fit in fits if fit.serials is not None for end in _ends(fit)]
    if serials:
        machine["serial"] = serials[0]
    return machine


def _common(several: Sequence[frozenset[str]]) -> list[str]:
    return sorted(frozenset.intersection(*several)) if several else []


def _ends(fit: Fit) -> list[str]:
    assert fit.serials is not None  # INVARIANT: the caller looked
    return [end for end in (fit.serials.first, fit.serials.last) if end is not None]
