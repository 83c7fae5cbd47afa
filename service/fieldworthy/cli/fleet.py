"""What is due on the machines that a running service keeps: one of them, or all, filtered."""

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from fieldworthy.cli.services import opened, place
from fieldworthy.cli.unanswerable import Unanswerable

if TYPE_CHECKING:
    from fieldworthy.client import FleetFilter

WITHIN = 10.0
"""s that a request is tried again: somebody waits."""

_PAGE = 200
_PRESSING = ("overdue", "due", "unknown")


def kept_due(url: str | None, profile: str | None, machine: str, now: str | None) -> Any:
    """Where every task of one kept machine stands, and why."""
    with opened(place(url, profile), WITHIN) as service:
        return service.machine_due(machine, now=None if now == "now" else now)


def fleet_due(url: str | None, profile: str | None, wanted: Mapping[str, str], most: int) -> dict[str, Any]:
    """The tasks of all machines, the most urgent first, `most` at most; with the counts, and the machines that must not work."""
    items: list[Any] = []
    with opened(place(url, profile), WITHIN) as service:
        after: str | None = None
        while True:
            page = service.fleet(limit=min(_PAGE, most - len(items)), after=after, **cast("FleetFilter", dict(wanted)))
            items += page["items"]
            after = page["next"]
            if after is None or len(items) >= most:
                return {**page, "items": items}


def presses(answer: Mapping[str, Any]) -> bool:
    """Whether a task is due or not known, or a machine not surely fit."""
    if "counts" in answer:
        machines = answer["machines"]
        return any(answer["counts"][word] for word in _PRESSING) or bool(machines["unfit"] or machines["unknown"] or answer["problems"])
    return answer["fit"]["fit"] != "fit" or any(task["standing"] in _PRESSING for task in answer["tasks"])


def check_alone(options: Mapping[str, object], way: str) -> None:
    """Raises Unanswerable where one of these was given. way: out."""
    given = [name for name, value in options.items() if value is not None]
    if given:
        raise Unanswerable(f"{given[0]} does not go with that; {way}")


def check_file(request: str) -> None:
    """Raises Unanswerable where a machine was named in place of a file."""
    if request != "-" and "." not in request and not Path(request).exists():
        raise Unanswerable(f"there is no file `{request[:200]}`; check its name, or ask of a kept machine with --machine {request[:200]}")


def show_fleet(answer: Mapping[str, Any]) -> None:
    """For people, in 80 columns."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    from fieldworthy.cli import tables

    out = tables.console()
    for machine in answer["not_fit"]:
        out.print(Text(f"{machine['machine']}: {tables.FITNESS[machine['fit']]}", style="bold red"))
        for reason in machine["because"]:
            tables.paragraph(out, reason["text"], 4)
    for machine in answer["problems"]:
        problem = machine["problem"]
        tables.paragraph(out, f"{machine['machine']} can't be judged: {problem['detail']}; {problem['mend']}", 0)
    if answer["items"]:
        table = Table(box=box.SIMPLE_HEAD, pad_edge=False, expand=False)
        tables.columns(table, "standing", "machine", "task", ">due at", ">left", ">used")
        for task in answer["items"]:
            standing = Text(task["standing"] + ("*" if task["incomplete"] else ""), style=tables.STYLES.get(task["standing"], ""))
            used = "?" if task["used"] is None else f"{task['used'] * 100:.0f} %"
            at, left = tables.due_at(task["due_at"]), tables.left(task["remaining"])
            table.add_row(standing, Text(task["machine"]), Text(task["title"]), Text(at), Text(left), used)
        out.print(table)
        if any(task["incomplete"] for task in answer["items"]):
            out.print("* not all is known: it may be more urgent than that")
    else:
        out.print("No task.")
    counts = ", ".join(f"{count:,} {word}" for word, count in answer["counts"].items())
    stale = f"; machines still to be computed: {answer['stale']:,}" if answer["stale"] else ""
    out.print(Text(f"{counts}{stale}"))
    if answer["next"] is not None:
        out.print(f"The first {len(answer['items']):,} are shown; --most shows more.")
