"""How the demo shows its answers: 80 columns, plain where there is no terminal. It takes answers in their wire form."""

import textwrap
from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, TextIO

from rich.console import Console
from rich.table import Table
from rich.text import Text

WIDTH = 80
_STANDINGS = ("overdue", "due", "unknown", "upcoming", "clear")
_STYLES = {"overdue": "bold red", "due": "yellow", "unknown": "magenta", "upcoming": "cyan"}
_IN_WORDS = ("overdue", "due", "unknown")
MOST_REASONS = 3
"""Sentences shown of one task; the answer itself holds them all."""

Json = Mapping[str, Any]


def page(out: TextIO) -> Console:
    """A console on `out`: 80 columns, colours only on a terminal."""
    return Console(file=out, width=WIDTH, highlight=False, markup=False, emoji=False, soft_wrap=False)


def say(to: Console, text: str = "", indent: int = 0) -> None:
    """A paragraph, broken at blanks."""
    lines = textwrap.wrap(text, WIDTH - 1, initial_indent=" " * indent, subsequent_indent=" " * indent, break_on_hyphens=False) or [""]
    for line in lines:
        to.print(Text(line))


def heading(to: Console, text: str) -> None:
    """A line of its own, underlined."""
    to.print()
    to.print(Text(text, style="bold"))
    to.print(Text("-" * min(len(text), WIDTH - 1)))


def show_published(to: Console, published: Sequence[Json]) -> None:
    """The rulebooks that were published. Each: `name`, `version`, `digest`, `title`, `tasks` and `warnings` (counts)."""
    heading(to, "Rulebooks, checked and published")
    table = _table()
    for name, justify in (("rulebook", "left"), ("tasks", "right"), ("warnings", "right"), ("digest", "left")):
        table.add_column(name, justify=justify, no_wrap=True)  # type: ignore[arg-type]
    for one in published:
        table.add_row(f"{one['name']}@{one['version']}", str(one["tasks"]), str(one["warnings"]), one["digest"][:19] + "…")
    to.print(table)


def show_due(to: Console, machine: Json, answer: Json) -> None:
    """What is due on one machine and why; what is clear is only counted."""
    heading(to, f"{machine['id']}: model {machine['model']}, serial {machine['serial']}")
    tasks: Sequence[Json] = answer["tasks"]
    counts = Counter(task["standing"] for task in tasks)
    resting = sum(bool(task.get("resting")) for task in tasks)
    rest = f" ({resting} of them resting)" if resting else ""
    standings = ", ".join(f"{counts[s]} {s}" for s in _STANDINGS if counts[s])
    say(to, f"By {answer['rulebook']['name']}@{answer['rulebook']['version']}: {standings}{rest}.")
    dials = ", ".join(f"{reading['meter']} {_number(reading['value'])} {reading['unit']}" for reading in machine["meters"])
    say(to, f"The meters show {dials}.")
    to.print()
    table = _table()
    table.add_column("standing", width=9, no_wrap=True)
    table.add_column("used", width=5, justify="right", no_wrap=True)
    table.add_column("task, and why", width=60)
    for task in tasks:
        if task["standing"] in _IN_WORDS:
            table.add_row(Text(task["standing"], style=_STYLES[task["standing"]]), _share(task["used"]), _why(task))
    to.print(table)
    soon = [f"{task['title']} ({_when(task)})" for task in tasks if task["standing"] == "upcoming"]
    if soon:
        say(to, "Upcoming: " + "; ".join(soon) + ".")


def show_clearance(to: Console, name: str, answer: Json) -> None:
    """One clearance: granted or withheld, what stands against it, what is not known, and the cautions."""
    granted = answer["clearance"] == "granted"
    to.print()
    to.print(Text(answer["clearance"].upper(), style="bold green" if granted else "bold red"))
    say(to, name, 2)
    for one in answer["unmet"]:
        say(to, f"stands against it: {one['fact']} is {one['is']}, it must be {one['must_be']}", 2)
    for one in answer["missing"]:
        say(to, f"not known: {one['text']} {one['how']}", 2)
    for one in answer["blocked_by"]:
        who = f"open work {one['work']} needs it to stay so" if one["work"] is not None else f"put on by {one['by']}"
        say(to, f"{who}: {one['holds']}", 2)
    for step in answer["do_first"]:
        say(to, f"do first: {step['action']}" + (f", and confirm: {step['confirm']}" if step["confirm"] else ""), 2)
    if not granted:
        say(to, answer["because"][-1]["text"], 2)  # whether there is a way to where it may start
    if granted:
        for reason in answer["because"][:MOST_REASONS]:
            say(to, reason["text"], 2)
        if answer["holds"]:
            say(to, f"must stay so: {answer['holds']}", 2)
        if answer["valid_until"]:
            say(to, f"valid until {_clock(answer['valid_until'])}", 2)
    for caution in answer["cautions"]:
        say(to, f"{caution['signal'].upper()}, {caution['hazard']}: {caution['avoid']}", 2)


def show_parts(to: Console, machine: Json, tasks: Sequence[str], answer: Json) -> None:
    """What to take along for some tasks on one machine."""
    heading(to, f"Parts for {machine['id']}")
    say(to, "for " + ", ".join(tasks))
    to.print()
    table = _table()
    table.add_column("part", no_wrap=True)
    table.add_column("title", width=24)
    for name in ("needed", "in stock", "to get"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("take", no_wrap=False)
    for line in answer["lines"]:
        table.add_row(
            line["part"], line["title"], _amount(line["amount"]), _amount(line["from_stock"]), _amount(line["to_get"]), _packs(line)
        )
    to.print(table)
    for line in answer["lines"]:
        told = [r["text"] for r in line["because"] if r["code"] in _WORTH_TELLING]
        if told:
            say(to, f"{line['part']}: {' '.join(told)}")
    for one in answer["undecided"]:
        say(to, f"not decided: {one['why']}")
    if answer["tools"]:
        say(to, "Tools: " + ", ".join(answer["tools"]) + ".")
    if answer["minutes"] is not None:
        say(to, f"Time: {answer['minutes'] // 60} h {answer['minutes'] % 60:02d} min, as the rulebook estimates it.")


_WORTH_TELLING = frozenset({"replaced", "becomes", "stock-of-replaced-number"})


def _table() -> Table:
    return Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold", show_edge=False)


def _number(value: float) -> str:
    return str(int(value)) if float(value).is_integer() else str(value)


def _amount(amount: Json) -> str:
    return f"{_number(amount['value'])} {amount['unit']}"


def _share(used: float | None) -> str:
    return "?" if used is None else f"{used:.2f}"


def _why(task: Json) -> Text:
    """The title, then the first reasons."""
    lines = [Text(task["title"], style="bold")]
    reasons = list(dict.fromkeys(reason["text"] for reason in task["because"]))
    lines += [Text(reason) for reason in reasons[:MOST_REASONS]]
    if len(reasons) > MOST_REASONS:
        lines.append(Text(f"and {len(reasons) - MOST_REASONS} more"))
    if task["at_least"] not in (None, task["standing"]):
        lines.append(Text(f"by what is known alone: {task['at_least']}"))
    return Text("\n").join(lines)


def _when(task: Json) -> str:
    points = task["due_at"]["meters"].items()
    meters = [f"at {_amount(amount)}" + ("" if amount["unit"] == name else f" of {name}") for name, amount in points]
    date = task["due_at"]["date"]
    return ", ".join(meters + ([f"on {date}"] if date else [])) or "before work"


def _packs(line: Json) -> str:
    if not line["to_get"]["value"]:
        return "-"
    taken = [f"{pack['count']} x {_amount(pack['pack'])}" for pack in line["packs"] if pack["count"]]
    return ", ".join(taken) or _amount(line["to_get"])


def _clock(moment: str) -> str:
    return datetime.fromisoformat(moment).strftime("%H:%M:%S")
