"""`fieldworthy readings`: posts files of readings to a running service."""

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any

import typer

from fieldworthy.cli.services import WHICH, ProfileName, Url
from fieldworthy.cli.unanswerable import NOT_PLAIN, STOPPED, Unanswerable

if TYPE_CHECKING:
    from fieldworthy.cli.accounts import Aside
    from fieldworthy.cli.looking_on import LooksOn
    from fieldworthy.cli.reading_files import Form
    from fieldworthy.cli.services import Place
    from fieldworthy.cli.text_lines import Opened
    from fieldworthy.client import Client, Posted

PART = 10_000
"""Readings of one post: small enough to show how it goes on."""
MOST_OF_A_DOCUMENT = 20_000_000
"""Bytes that are read of a document of ISO/TS 15143-3; how many it may have the service says."""
AGAIN = "run the same command again: what was posted already is the same then"

_INDEX = re.compile(r"#/([0-9]{1,9})(?:/(.*))?\Z")

app = typer.Typer(help="Readings: what the machines' meters showed.", no_args_is_help=True, rich_markup_mode=None)


def add_to(top: typer.Typer) -> None:
    """Gives the program these commands."""
    top.add_typer(app, name="readings", epilog="Example:  fieldworthy readings post readings.csv")


@app.callback()
def _group() -> None:
    """Keeps `post` a command of its own while it is the only one."""


@app.command(
    epilog="Examples:\n\n  fieldworthy readings post readings.csv --url http://127.0.0.1:8000\n\n"
    "  zcat night.jsonl.gz | fieldworthy readings post - --profile farm\n\n"
    f"{WHICH}\n\nExit code 1 where a reading was set aside, or an element of a document could not be read."
)
def post(
    file: Annotated[
        str, typer.Argument(metavar="FILE", help="CSV, JSON Lines, a JSON array, ISO/TS 15143-3 (JSON, XML), or `-`; gzip too")
    ],
    url: Url = None,
    profile: ProfileName = None,
    machine: Annotated[str | None, typer.Option("--machine", "-m", metavar="ID", help="of readings that do not say whose they are")] = None,
    meter: Annotated[str | None, typer.Option("--meter", metavar="NAME", help="of readings that do not say which meter it was")] = None,
    element: Annotated[
        list[str] | None, typer.Option("--element", metavar="NAME=METER", help="ISO/TS 15143-3: which meter an element is; several times")
    ] = None,
    form: Annotated[
        str | None, typer.Option("--format", metavar="FORM", help="csv, jsonl, json or iso15143-3; else as the file looks")
    ] = None,
    wait: Annotated[int, typer.Option("--wait", min=0, metavar="SECONDS", help="go on trying so long while the service is away")] = 300,
    json: Annotated[bool, typer.Option("--json", help="what came of it as JSON")] = False,
) -> None:
    """Post a file of readings in parts, and tell what became of them. It may be run again: to post a reading twice does no harm."""
    from fieldworthy.cli.reading_files import form_of
    from fieldworthy.cli.services import place
    from fieldworthy.cli.text_lines import opened_file

    usual = {name: value for name, value in (("machine", machine), ("meter", meter)) if value is not None}
    elements = dict(_pair(text) for text in element or ())
    kind = None if form is None else _form(form)
    there = place(url, profile)
    with opened_file(file) as opened:
        kind = kind or form_of(opened)
        if kind != "iso15143-3" and elements:
            raise Unanswerable("--element is for documents of ISO/TS 15143-3; leave it out, or say --format iso15143-3")
        if kind == "iso15143-3":
            found = _document(there, opened, usual, elements, wait)
        else:
            found = _parts(there, opened, kind, usual, wait)
    found.show(json)


def _pair(text: str) -> tuple[str, str]:
    name, mark, meter = text.partition("=")
    if not (name and mark and meter):
        raise Unanswerable(f"`{text[:80]}` names no element and its meter; write it as CumulativeOperatingHours=engine")
    return name, meter


def _form(word: str) -> "Form":
    from typing import cast, get_args

    from fieldworthy.cli.reading_files import Form

    if word not in get_args(Form):
        raise Unanswerable(f"`{word[:80]}` is no form of a file; choose of {', '.join(get_args(Form))}")
    return cast("Form", word)


class _Outcome:
    """What came of a file. left_out: elements of a document that were there and could not be read."""

    def __init__(self, name: str, counts: Mapping[str, int], aside: "Aside", left_out: list[dict[str, Any]] | None = None) -> None:
        self._name = name
        self._counts = counts
        self._aside = aside
        self._left_out = left_out

    def show(self, as_json: bool) -> None:
        """Writes it, and ends the command."""
        counts, left_out = self._counts, self._left_out or []
        if as_json:
            from fieldworthy.cli.tables import write_json

            told = {**counts, "aside": self._aside.listed}
            write_json(told if self._left_out is None else {**told, "left_out": self._left_out})
        else:
            typer.echo(f"{self._name}: {counts['kept']:,} kept, {counts['same']:,} the same, {counts['set_aside']:,} set aside")
            if counts["set_aside"]:
                typer.echo("set aside, until somebody accepts or dismisses it:")
            for line in self._aside.lines():
                typer.echo(line)
            for one in left_out[:20]:
                typer.echo(f"  not read: {one['element']} of {one['machine'] or 'a machine without a name'}: {one['why']}")
            if len(left_out) > 20:
                typer.echo(f"  and {len(left_out) - 20:,} more that were not read")
        raise typer.Exit(NOT_PLAIN if counts["set_aside"] or left_out else 0)


def _document(there: "Place", file: "Opened", usual: Mapping[str, str], elements: Mapping[str, str], wait: int) -> _Outcome:
    from fieldworthy.cli.accounts import Aside, Stands
    from fieldworthy.cli.services import opened

    if "meter" in usual:
        raise Unanswerable("--meter is for files whose readings name no meter; of a document of ISO/TS 15143-3 say it with --element")
    body = file.bytes.read(MOST_OF_A_DOCUMENT + 1)
    if len(body) > MOST_OF_A_DOCUMENT:
        raise Unanswerable(f"this has more than {MOST_OF_A_DOCUMENT:,} bytes; post its pages one by one")
    with opened(there, wait) as service:
        answer = service.post_telematics(body, query={**elements, **usual})
    aside = Aside()
    for told in answer["aside"]:
        read = answer["read"][told["index"]]
        aside.add(told, Stands(read["element"], read["machine"], read["meter"]))
    counts = {"kept": answer["kept"], "same": answer["same"], "set_aside": answer["set_aside"]}
    return _Outcome(file.name, counts, aside, [dict(one) for one in answer["left_out"]])


def _parts(there: "Place", file: "Opened", form: "Form", usual: Mapping[str, str], wait: int) -> _Outcome:
    from fieldworthy.cli.looking_on import looking_on
    from fieldworthy.cli.services import opened

    with looking_on(file) as watch, opened(there, wait, watch.waiting) as service:
        return _Run(file, watch).post(service, form, usual)


class _Run:
    """One file on its way."""

    def __init__(self, file: "Opened", watch: "LooksOn") -> None:
        from fieldworthy.cli.accounts import Aside, Passing

        self._file = file
        self._watch = watch
        self._passing = Passing()
        self._aside = Aside()
        self._posted: Posted | None = None

    def post(self, service: "Client", form: "Form", usual: Mapping[str, str]) -> _Outcome:
        """Raises Unanswerable with how far it came."""
        from fieldworthy.cli.reading_files import readings_of
        from fieldworthy.cli.trouble import exit_code, told_by_service
        from fieldworthy.client import FieldworthyError

        rows = readings_of(self._file, form, usual)
        try:
            posted = service.post_readings(self._passing.readings(rows), progress=self._progress, most=PART)
        except KeyboardInterrupt:
            raise Unanswerable(f"stopped; {self._so_far()}; {AGAIN}", STOPPED) from None
        except Unanswerable as trouble:
            raise Unanswerable(f"{self._file.name}: {trouble}{self._left()}", trouble.code) from None
        except FieldworthyError as trouble:
            lines = told_by_service(trouble, self._place)
            lines[0] = lines[0].removeprefix("fieldworthy: ")
            lines[-1] += self._left()
            raise Unanswerable("\n".join(lines), exit_code(trouble)) from None
        return _Outcome(self._file.name, {"kept": posted.kept, "same": posted.same, "set_aside": posted.set_aside}, self._aside)

    def _progress(self, posted: "Posted") -> None:
        for told in posted.newly_aside:
            self._aside.add(told, self._passing.at(told["index"]))
        self._passing.answered(posted.sent)
        self._posted = posted
        self._watch.posted(posted)

    def _place(self, pointer: str) -> str:
        """`line 7, `at`` for `#/6/at`."""
        found = _INDEX.match(pointer)
        if found is None or not self._passing.knows(int(found[1])):
            return pointer
        line = self._passing.at(int(found[1])).place
        return f"{line}, `{found[2]}`" if found[2] else line

    def _so_far(self) -> str:
        from fieldworthy.cli.looking_on import counted, many

        if self._posted is None:
            return "no reading was answered"
        return f"answered so far, to line {self._passing.last:,}: {many(self._posted.sent)}, {counted(self._posted)}"

    def _left(self) -> str:
        """Another line, that says how far it came."""
        return "" if self._posted is None else f"\n  {self._so_far()}; {AGAIN}"
