"""`fieldworthy done`: tells a running service that a task was done, and shows when it is due next."""

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated, Any, cast

import typer

from fieldworthy.cli.services import WHICH, ProfileName, Url
from fieldworthy.cli.unanswerable import Unanswerable

if TYPE_CHECKING:
    from fieldworthy.client import Client
    from fieldworthy.client.shapes import DoneIn

WITHIN = 15.0
"""s that a request is tried again: somebody stands beside the machine and waits."""

_Several = list[str] | None


def add_to(top: typer.Typer) -> None:
    """Gives the program this command."""
    top.command(
        epilog="Example:  fieldworthy done r5-17 roller-bearing-grease --at 2026-07-14T18:00:00+01:00 --meter work=712.4 --by p-3\n\n"
        "Without --id it is drawn from the task and the time, so that the same command once more changes nothing, and another value "
        f"corrects the record.\n\n{WHICH}"
    )(done)


def done(
    machine: Annotated[str, typer.Argument(metavar="MACHINE", help="the machine's id")],
    task: Annotated[str, typer.Argument(metavar="TASK", help="the task's name in the rulebook")],
    at: Annotated[str | None, typer.Option("--at", metavar="TIME", help="when it was done (RFC 3339, with offset), or `now`")] = None,
    on: Annotated[str | None, typer.Option("--on", metavar="DATE", help="the day, where the time is not known")] = None,
    meter: Annotated[
        _Several, typer.Option("--meter", metavar="NAME=VALUE", help="what a meter showed, `work=712.4`; several times")
    ] = None,
    by: Annotated[str | None, typer.Option("--by", help="who did it")] = None,
    result: Annotated[str | None, typer.Option("--result", help="done (if absent), partly, skipped, or `not possible`")] = None,
    why: Annotated[str | None, typer.Option("--why", help="why it was not all done")] = None,
    point: Annotated[_Several, typer.Option("--point", help="a point of the task that was done; several times")] = None,
    found: Annotated[str | None, typer.Option("--found", help="what was found")] = None,
    measured: Annotated[_Several, typer.Option("--measured", metavar="NAME=VALUE", help="a measurement; several times")] = None,
    used: Annotated[_Several, typer.Option("--used", metavar="PART=AMOUNT", help="a part, as `PL-0400=60 g`; several times")] = None,
    id: Annotated[str | None, typer.Option("--id", help="the record's id, of your own choice")] = None,
    url: Url = None,
    profile: ProfileName = None,
    json: Annotated[bool, typer.Option("--json", help="what was kept, and where the task stands, as JSON")] = False,
) -> None:
    """Tell that a task was done, and show when it is due next. To tell it twice does no harm."""
    from fieldworthy.cli.services import opened, place

    when, name = _when(task, at, on)
    given: dict[str, Any] = {"by": by, "result": result, "why": why, "points": point, "found": found}
    given |= {"meters": _values("--meter", meter), "measured": _values("--measured", measured)}
    given["used"] = [{"part": part, "amount": amount} for part, amount in _values("--used", used).items()]
    record = {"task": task, **when, **{member: value for member, value in given.items() if value}}
    with opened(place(url, profile), WITHIN) as service:
        kept = service.done.put(machine, id or name, cast("DoneIn", record))
        next_, why_not = _standing(service, machine, task)
    if json:
        from fieldworthy.cli.tables import write_json

        write_json({"kept": kept, "due": next_})
        return
    told = kept["record"]
    values = ", ".join(f"{name} {_amount(value)}" for name, value in told.get("meters", {}).items())
    head = f"{kept['outcome']}: {told['task']} of {machine}, {told.get('result', 'done')} {_time(told)}{', ' + values if values else ''}"
    typer.echo(f"{head}; record {kept['id']}")
    typer.echo(why_not if next_ is None else _words(next_))


def _when(task: str, at: str | None, on: str | None) -> tuple[dict[str, str], str]:
    """The record's `at` or `on`, and an id that is the same for the same task and time. Raises Unanswerable."""
    if (at is None) == (on is None):
        raise Unanswerable("say when it was done, by one of --at TIME and --on DATE; `--at now` is this moment")
    if on is not None:
        return {"on": on}, _id(task, on)
    moment = datetime.now().astimezone().replace(microsecond=0) if at == "now" else _moment(at or "")
    return {"at": moment.isoformat() if at == "now" else at or ""}, _id(task, moment.astimezone(UTC).isoformat())


def _moment(text: str) -> datetime:
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        found = None
    if found is None or found.tzinfo is None or "T" not in text.upper():
        raise Unanswerable(f"`{text[:60]}` is no time with its offset; write it as 2026-07-14T18:00:00+01:00, or as `now`")
    return found


def _id(task: str, when: str) -> str:
    import hashlib

    return "cli-" + hashlib.sha256(f"{task}\n{when}".encode()).hexdigest()[:16]


def _values(option: str, pairs: Sequence[str] | None) -> dict[str, Any]:
    """Numbers, and texts for values with a unit. Raises Unanswerable."""
    from fieldworthy.cli.json_texts import Mistake, number_of
    from fieldworthy.cli.reading_files import NUMBER

    found: dict[str, Any] = {}
    for pair in pairs or ():
        name, mark, value = (part.strip() for part in pair.partition("="))
        if not (name and mark and value):
            raise Unanswerable(f"`{pair[:60]}` after {option} names no value; write it as `work=712.4` or `work=712.4 h`")
        if name in found:
            raise Unanswerable(f"`{name[:60]}` is given twice by {option}; leave one of them out")
        try:
            found[name] = number_of(value) if NUMBER.match(value) and option != "--used" else value
        except Mistake as mistake:
            raise Unanswerable(str(mistake)) from None
    return found


def _standing(service: "Client", machine: str, task: str) -> tuple[Any, str]:
    """Where the task stands now, or why that can't be told: the record is kept all the same."""
    from fieldworthy.client import FieldworthyError

    try:
        tasks = service.machine_due(machine, tasks=[task])["tasks"]
    except FieldworthyError as trouble:
        return None, f"when it is due next can't be told: {trouble}"
    return (tasks[0], "") if tasks else (None, "when it is due next can't be told: the task is not for this machine as it is")


def _words(task: Any) -> str:
    points = [_amount(value) for value in task["due_at"]["meters"].values()]
    points += [task["due_at"]["date"]] if task["due_at"]["date"] else []
    left = [f"{_amount(value)} left" for value in task["remaining"]["meters"].values()]
    left += [f"{task['remaining']['days']} days left"] if task["remaining"]["days"] is not None else []
    expected = f"; expected {task['expected']['date']}" if task["expected"] else ""
    due = f"due at {' or '.join(points)} ({', '.join(left)}){expected}"
    reasons = [reason["text"] for reason in task["because"]]
    if not points:
        return f"now {task['standing']}: {' '.join(reasons)}"
    return f"now {task['standing']}: {due}" + (f". {' '.join(reasons)}" if task["standing"] == "unknown" else "")


def _amount(value: Any) -> str:
    if isinstance(value, dict):
        return f"{value['value']:.12g} {value['unit']}"
    return f"{value:.12g}" if isinstance(value, int | float) else str(value)


def _time(record: Any) -> str:
    return f"at {record['at']}" if "at" in record else f"on {record['on']}"
