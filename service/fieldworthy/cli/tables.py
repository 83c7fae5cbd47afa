"""Answers for people, in 80 columns; and as JSON for programs. What comes from a rulebook is never read as markup."""

import sys
import textwrap
from collections.abc import Callable, Mapping, Sequence, Set
from typing import Any

import orjson
from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from fieldworthy.core.base.finding import Finding, Severity
from fieldworthy.core.rulebook.together import Pairs, never_together
from fieldworthy.usecases.check_draft import Checked
from fieldworthy.wire.problems import finding_json

STYLES = {
    "overdue": "bold red",
    "due": "bold yellow",
    "unknown": "bold magenta",
    "upcoming": "cyan",
    "clear": "green",
    "granted": "bold green",
    "withheld": "bold red",
    "danger": "bold white on red",
    "warning": "bold black on yellow",
    "caution": "bold black on yellow",
    "notice": "bold white on blue",
    "error": "bold red",
}


def console() -> Console:
    """Standard output: as wide as the terminal, 80 columns where there is none; colours only on a terminal."""
    return Console(highlight=False, markup=False, emoji=False, soft_wrap=False, width=None if sys.stdout.isatty() else 80)


def write_json(data: object) -> None:
    """One JSON document, indented, on standard output."""
    sys.stdout.write(orjson.dumps(data, option=orjson.OPT_INDENT_2).decode("utf-8") + "\n")


def check_json(checked: Checked) -> dict[str, Any]:
    """A check's answer as on the wire."""
    book = checked.book
    about = None if book is None else {"name": book.name, "title": book.title, "digest": book.digest}
    return {"rulebook": about, "findings": [finding_json(f) for f in checked.findings]}


def show_check(checked: Checked, name: str) -> None:
    """Findings in the order of the text, then one line that sums them up."""
    out = console()
    for finding in checked.findings:
        _show_finding(out, finding, name)
    warnings = len(checked.findings) - checked.errors
    count = f"{_many(checked.errors, 'error')}, {_many(warnings, 'warning')}"
    if checked.book is None:
        out.print(Text.assemble(f"{name}: ", (count, STYLES["error"])))
    else:
        out.print(Text.assemble(f"{name}: ", (count, STYLES["clear"])))
        out.print(f"{checked.book.name}: {checked.book.title}, {_many(len(checked.book.tasks), 'task')}")
        out.print(checked.book.digest)
        _show_apart(out, never_together(checked.book))


MOST_NOTES = 20


def _show_apart(out: Console, pairs: Pairs) -> None:
    """Notes, no warnings: which tasks are never open at one time."""
    for pair in pairs.found[:MOST_NOTES]:
        paragraph(out, f"never open together: {pair.because}", 0, "note: ")
    more = len(pairs.found) - MOST_NOTES
    if more > 0 or not pairs.complete:
        out.print(f"note: {f'{more:,} more such pairs' if more > 0 else 'there may be more such pairs'}")


def _show_finding(out: Console, finding: Finding, name: str) -> None:
    place = f"{name}:{finding.line}:{finding.column}" if finding.line is not None else f"{name} {finding.path}"
    style = STYLES["error" if finding.severity is Severity.ERROR else "due"]
    out.print(Text.assemble(f"{place}: ", (str(finding.severity), style), f" [{finding.code}]"))
    paragraph(out, finding.message, 4)
    paragraph(out, f"mend: {finding.mend}", 4)
    if isinstance(finding.trace, Mapping):
        _show_trace(out, finding.trace)


def _show_trace(out: Console, trace: Mapping[str, Any]) -> None:
    """The shortest way to a hazard: the start state, step by step, the hazard."""
    rows = [("start", _plain(trace.get("start"))), *((str(n), _plain(s)) for n, s in enumerate(trace.get("steps") or (), 1))]
    if trace.get("hazard"):
        rows.append(("then", _plain(trace["hazard"])))
    for label, words in rows:
        paragraph(out, words, 4, f"{label:>5}  ")


def _plain(value: Any) -> str:
    """JSON data in words: `tailgate is raised, engine is stopped`; a step by its own words."""
    match value:
        case {"text": str(words)}:
            return words
        case Mapping():
            return ", ".join(f"{k} is {_plain(v)}" for k, v in value.items() if v is not None)
        case list() | tuple():
            return ", ".join(_plain(v) for v in value)
        case None:
            return ""
    return str(value)


FITNESS = {"unfit": "THE MACHINE MUST NOT WORK", "unknown": "WHETHER THE MACHINE MAY WORK IS NOT KNOWN"}


def show_due(answer: Mapping[str, Any]) -> None:
    """The tasks, the most urgent first; then why, for those that ask for something."""
    out = console()
    _show_head(out, answer, f"machine {answer['machine']}" if answer.get("machine") else "the machine")
    if answer["fit"]["fit"] != "fit":  # a machine of which nothing was told is no news
        out.print(Text(FITNESS[answer["fit"]["fit"]], style="bold red"))
        for reason in answer["fit"]["because"]:
            paragraph(out, reason["text"], 4)
    if not answer["tasks"]:
        out.print("No task of this rulebook is for this machine.")
        return
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, expand=False)
    columns(table, "standing", "task", ">due at", ">left", ">used")
    for task in answer["tasks"]:
        used = "?" if task["used"] is None else f"{task['used'] * 100:.0f} %"
        standing = Text(task["standing"] + ("*" if task["incomplete"] else ""), style=STYLES.get(task["standing"], ""))
        table.add_row(standing, Text(task["title"]), Text(due_at(task["due_at"])), Text(left(task["remaining"])), used)
    out.print(table)
    if any(task["incomplete"] for task in answer["tasks"]):
        out.print("* not all is known: it may be more urgent than that")
    for task in answer["tasks"]:
        if task["standing"] == "clear":
            continue
        out.print(Text.assemble((task["title"], "bold"), f" ({task['task']})"))
        for reason in task["because"]:
            paragraph(out, reason["text"], 4)


def due_at(due: Mapping[str, Any]) -> str:
    """Where it falls due, a line for each meter and the date; `-` where nothing says."""
    parts = [_amount(value) for value in due["meters"].values()]
    return "\n".join([*parts, *([due["date"]] if due["date"] else [])]) or "-"


def left(remaining: Mapping[str, Any]) -> str:
    """What is left until then, in the same lines."""
    parts = [_amount(value) for value in remaining["meters"].values()]
    if remaining["days"] is not None:
        parts.append(_many(remaining["days"], "day"))
    return "\n".join(parts) or "-"


def show_clearance(answer: Mapping[str, Any]) -> None:
    """Granted or withheld first, then what stands against it, what to do, and the cautions."""
    out = console()
    _show_head(out, answer, "whether it may start")
    out.print(Text(answer["clearance"].upper(), style=STYLES[answer["clearance"]]))
    _show_clearance(out, answer)
    out.print()
    paragraph(out, answer["disclaimer"], 0)


def _show_clearance(out: Console, answer: Mapping[str, Any]) -> None:
    """What stands against it, what to do first, the cautions, what must stay so, and why."""
    _list(out, "stands against it", [f"{u['fact']} is {_value(u['is'])}, must be {_value(u['must_be'])}" for u in answer["unmet"]])
    _list(out, "not known", [f"{m['fact']}: {m['text']} {m['how']}" for m in answer["missing"]])
    works = [f"{b['work']}{' of ' + b['by'] if b['by'] else ''} needs: {b['holds']}" for b in answer["blocked_by"] if b["work"] is not None]
    _list(out, "open work in the way", works)
    locks = [f"{b['holds']}, for {b['by']} alone to change" for b in answer["blocked_by"] if b["work"] is None]
    _list(out, "put on by somebody else", locks)
    _show_way(out, "do first, and report the facts anew after each", answer["do_first"], {c["hazard"] for c in answer["cautions"]})
    for caution in answer["cautions"]:
        out.print(Text.assemble((f" {caution['signal'].upper()} ", STYLES[caution["signal"]]), f" {caution['hazard']}"))
        paragraph(out, caution["avoid"], 4)
    if answer["holds"]:
        _list(out, "must stay so while it is open", [answer["holds"]])
    if answer["valid_until"]:
        out.print(f"valid until {answer['valid_until']}")
    _list(out, "because", [reason["text"] for reason in answer["because"]])


def _show_way(out: Console, title: str, way: Sequence[Mapping[str, Any]], told: Set[str]) -> None:
    """Numbered actions, each with what it makes and what must then be confirmed. told: hazards whose cautions stand elsewhere."""
    if way:
        out.print(Text(f"{title}:", style="bold"))
    for number, first in enumerate(way, 1):
        paragraph(out, f"{first['action']}: {first['makes']}", 2, f"{number}. ")
        if first["confirm"]:
            paragraph(out, f"confirm it before what follows: {first['confirm']}", 5)
        for caution in first["cautions"]:
            if caution["hazard"] not in told:
                paragraph(out, f"{caution['signal'].upper()}, {caution['hazard']}: {caution['avoid']}", 5)
        told = told | {c["hazard"] for c in first["cautions"]}


def show_procedure(answer: Mapping[str, Any]) -> None:
    """What interrupts it first, then the steps, the next one's clearance, and what must be put back."""
    out = console()
    _show_head(out, answer, f"the steps of {answer['task']}")
    interrupted, following = answer["interrupted"], answer["next"]
    if interrupted is not None:
        out.print(Text("INTERRUPTED", style=STYLES["withheld"]))
        paragraph(out, interrupted["text"], 4)
        _list(out, "not known", [f"{m['fact']}: {m['text']} {m['how']}" for m in interrupted["missing"]])
        _show_way(out, "make it safe, and report the facts anew after each", interrupted["make_safe"], set())
    for step in answer["steps"]:
        paragraph(out, step["action"] or step["do"] or _wait(step), 0, f"{step['state']:>5} {step['step']:>2}  ")
    if following is not None:
        out.print(Text.assemble(f"step {following['step']} is ", (following["clearance"].upper(), STYLES[following["clearance"]])))
        if answer["ready_at"]:
            out.print(f"the wait is over at {answer['ready_at']}")
        _show_clearance(out, following)
    _list(out, "to put back before the work is closed", [f"{x['fact']} is {x['is']}, must be {x['must_be']}" for x in answer["left"]])
    _list(out, "where it stands", [reason["text"] for reason in answer["because"]])
    out.print()
    paragraph(out, answer["disclaimer"], 0)


def _wait(step: Mapping[str, Any]) -> str:
    return f"wait {_amount(step['wait'])}" + (f" until {step['until']}" if step["until"] else "")


def show_parts(answer: Mapping[str, Any]) -> None:
    """The lines, then what is undecided, tools and minutes."""
    out = console()
    _show_head(out, answer, "to take along")
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    columns(table, "part", "title", ">needed", ">in stock", ">to get", "packs")
    for line in answer["lines"]:
        packs = ", ".join(f"{p['count']} x {_amount(p['pack'])}" for p in line["packs"] if p["count"])
        row = (line["part"], line["title"], _amount(line["amount"]), _amount(line["from_stock"]), _amount(line["to_get"]))
        table.add_row(*(Text(cell) for cell in (*row, "loose" if line.get("loose") and line["to_get"]["value"] else packs or "-")))
    if answer["lines"]:
        out.print(table)
    else:
        out.print("No parts.")
    open_lines = [f"{u.get('part') or u.get('task')}: {u['why']} Say {', '.join(u['supply'])}." for u in answer["undecided"]]
    _list(out, "undecided", open_lines)
    _list(out, "left out", [f"{x.get('part') or x['task']}: {x['why']}" for x in answer.get("left_out", ())])
    _list(out, "tools", answer["tools"])
    if answer["minutes"] is not None:
        out.print(f"{answer['minutes']} minutes")
    elif answer.get("minutes_at_least"):
        out.print(f"at least {answer['minutes_at_least']} minutes")


SHOW: Mapping[str, Callable[[Mapping[str, Any]], None]] = {
    "due": show_due,
    "clearance": show_clearance,
    "procedure": show_procedure,
    "parts": show_parts,
}


def _show_head(out: Console, answer: Mapping[str, Any], what: str) -> None:
    book = answer["rulebook"]
    version = f" version {book['version']}" if book["version"] is not None else ", not published"
    at = f", {answer['now']}" if answer.get("now") else ""
    out.print(Text(f"{what}{at}"))
    out.print(Text(f"by rulebook {book['name']}{version}", style="dim"))


def columns(table: Table, *titles: str) -> None:
    """Columns of these titles; `>` at the beginning: numbers, set to the right."""
    for title in titles:
        table.add_column(title.lstrip(">"), justify="right" if title.startswith(">") else "left", overflow="fold")


def _list(out: Console, title: str, items: list[str]) -> None:
    if not items:
        return
    out.print(Text(f"{title}:", style="bold"))
    for item in items:
        paragraph(out, item, 2, "- ")


def paragraph(out: Console, words: str, indent: int, mark: str = "") -> None:
    """Words broken at blanks, set in; `mark` stands before the first line."""
    first, rest = " " * indent + mark, " " * (indent + len(mark))
    for line in textwrap.wrap(words, out.width - 1, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False) or [first]:
        out.print(Text(line))


def _amount(amount: Mapping[str, Any]) -> str:
    return f"{amount['value']:g} {amount['unit']}" if abs(amount["value"]) < 1e6 else f"{amount['value']} {amount['unit']}"


def _value(value: Any) -> str:
    return _amount(value) if isinstance(value, Mapping) and {"value", "unit"} <= set(value) else _plain(value)


def _many(count: int, word: str) -> str:
    return f"1 {word}" if count == 1 else f"{count} {word}s"
