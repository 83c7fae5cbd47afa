"""The commands, their options and exit codes."""

import os
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from fieldworthy import __version__
from fieldworthy.cli import done, keys, machines, profiles, readings, store
from fieldworthy.cli.services import WHICH, ProfileName, Url

EXIT_CODES = (
    "Exit codes: 0 answered; 1 answered, and the answer is not a plain yes (a rulebook has errors, a clearance is withheld, a procedure "
    "can't go on or leaves something changed, a parts list has undecided lines; with --strict a task is due, overdue or unknown, or "
    "the machine not fit; a reading was set aside); 2 refused, or it could not be read; 3 the service did not answer, or said: not now; "
    "130 stopped by whoever runs it."
)

app = typer.Typer(
    name="fieldworthy",
    help="Rulebooks for the upkeep of farm machinery: what is due, whether a step may start, what to take along.",
    epilog=EXIT_CODES,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)

_REQUEST = "the request as on the wire, a JSON file or `-`"
RequestFile = Annotated[str, typer.Argument(metavar="REQUEST", help=_REQUEST)]
RulebookFile = Annotated[Path | None, typer.Option("--rulebook", "-r", metavar="FILE", help="a rulebook, in place of the request's")]
Now = Annotated[str | None, typer.Option("--now", help="the moment asked about (RFC 3339), or `now`; in place of the request's")]
AsJson = Annotated[bool, typer.Option("--json", help="the answer as JSON, as on the wire")]


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"fieldworthy {__version__}")
        raise typer.Exit


@app.callback()
def top(
    version: Annotated[bool, typer.Option("--version", callback=_version, is_eager=True, help="show the version")] = False,
) -> None:
    """Advises people and controls no machine: the machine's handbook, local law and trained people come first."""


@app.command(epilog="Example:  fieldworthy demo")
def demo() -> None:
    """Load a small invented world into an embedded database, run the main job on it, and show it."""
    from fieldworthy.demo.show import show

    show()


@app.command(epilog="Examples:\n\n  fieldworthy serve --open\n\n  fieldworthy serve --host 0.0.0.0 --port 8000")
def serve(
    host: Annotated[str | None, typer.Option(help="the address to listen at (default: FIELDWORTHY_HOST, else 127.0.0.1)")] = None,
    port: Annotated[int | None, typer.Option(min=0, max=65535, help="0: any free one (default: FIELDWORTHY_PORT, else 8000)")] = None,
    open_: Annotated[bool, typer.Option("--open", help="without keys: whoever reaches it may do all; on this machine only")] = False,
) -> None:
    """Run the service. It asks for keys (`fieldworthy key`), but with --open for none."""
    from dataclasses import replace

    from fieldworthy.cli.serving import run
    from fieldworthy.settings import read_settings

    settings = read_settings()
    run(replace(settings, host=host or settings.host, port=settings.port if port is None else port), open_)


@app.command(epilog="Example:  FIELDWORTHY_DATABASE_URL=postgresql://farm@db/fieldworthy fieldworthy worker")
def worker() -> None:
    """Deliver events to listeners, beside services on PostgreSQL; any number may run. On SQLite `serve` does it by itself."""
    from fieldworthy.cli.working import run
    from fieldworthy.settings import read_settings

    run(read_settings())


@app.command(epilog="Example:  FIELDWORTHY_DATABASE_URL=postgresql://farm@db/fieldworthy fieldworthy migrate")
def migrate(
    grant: Annotated[
        str | None, typer.Option("--grant", metavar="ROLE", help="let this role of PostgreSQL do what the service does")
    ] = None,
) -> None:
    """Bring the database to this release's schema."""
    from fieldworthy.settings import read_settings
    from fieldworthy.storage.migrating import migrate, newest_revision

    address = read_settings().database_url
    migrate(address)
    typer.echo(f"the database is at revision {newest_revision()}")
    if grant is not None:
        from fieldworthy.cli.unanswerable import Unanswerable
        from fieldworthy.storage.roles import GrantRefused, let_in

        try:
            let_in(address, grant)
        except GrantRefused as refused:
            raise Unanswerable(str(refused)) from None
        typer.echo(f"the role `{grant}` may do what the service does")


store.add_to(app)
keys.add_to(app)
profiles.add_to(app)
readings.add_to(app)
machines.add_to(app)
done.add_to(app)


@app.command(epilog="Example:  fieldworthy check baler.yaml\n\nExit code 1 where there is an error, 0 where there are at most warnings.")
def check(
    file: Annotated[str, typer.Argument(metavar="FILE", help="a rulebook, YAML 1.2 or JSON; `-` for standard input")],
    json: AsJson = False,
    most_states: Annotated[
        int | None, typer.Option(min=1, max=1_000_000_000, help="explore procedures of at most so many states (default: 200,000)")
    ] = None,
) -> None:
    """Every finding of a rulebook, each with its place and how to mend it."""
    from fieldworthy.cli import tables
    from fieldworthy.cli.questions import read_file
    from fieldworthy.usecases.check_draft import check_text
    from fieldworthy.usecases.limits import MAX_STATES

    checked = check_text(read_file(file), most_states or MAX_STATES)
    if json:
        tables.write_json(tables.check_json(checked))
    else:
        tables.show_check(checked, "standard input" if file == "-" else file)
    raise typer.Exit(1 if checked.errors else 0)


@app.command(
    epilog="Examples:\n\n  fieldworthy due ask.json --rulebook baler.yaml\n\n  fieldworthy due - --url http://127.0.0.1:8000 < ask.json\n\n"
    "  fieldworthy due --machine r5-17\n\n  fieldworthy due --profile farm --site north --standing overdue,due\n\n"
    f"Without REQUEST a running service is asked of the machines that it keeps. {WHICH}"
)
def due(
    request: Annotated[str | None, typer.Argument(metavar="[REQUEST]", help=_REQUEST)] = None,
    rulebook: RulebookFile = None,
    url: Url = None,
    profile: ProfileName = None,
    now: Now = None,
    machine: Annotated[str | None, typer.Option("--machine", "-m", metavar="ID", help="a kept machine; alone: with the reasons")] = None,
    site: Annotated[str | None, typer.Option("--site", help="kept machines of this site")] = None,
    kind: Annotated[str | None, typer.Option("--kind", help="tasks of this kind: inspect, clean, lubricate, …")] = None,
    standing: Annotated[str | None, typer.Option("--standing", help="only these, as in `overdue,due`")] = None,
    before: Annotated[str | None, typer.Option("--before", metavar="DATE", help="due, or expected to be due, before that day")] = None,
    most: Annotated[int, typer.Option("--most", min=1, max=10_000, help="so many tasks of kept machines at most")] = 50,
    json: AsJson = False,
    strict: Annotated[bool, typer.Option("--strict", help="exit code 1 where a task is due or not known, or a machine not fit")] = False,
) -> None:
    """What is due, when, and why: on the machine of a request, or on machines that a running service keeps."""
    from fieldworthy.cli import fleet

    filters = {"machine": machine, "site": site, "kind": kind, "standing": standing, "before": before}
    wanted = {name: value for name, value in filters.items() if value is not None}
    if request is not None:
        fleet.check_alone(
            {f"--{name}": value for name, value in filters.items()}, "leave it out, or leave REQUEST out to ask of kept machines"
        )
        fleet.check_file(request)
        answer = _answer("due", request, rulebook, url, now, json, profile)
    elif rulebook is not None:
        fleet.check_alone({"--rulebook FILE": rulebook}, "give REQUEST too; kept machines have their own rulebooks")
    elif machine is not None and len(wanted) == 1:
        answer = _shown("due", fleet.kept_due(url, profile, machine, now), json)
    else:
        fleet.check_alone({"--now": now}, "leave it out, or ask of one --machine alone")
        answer = fleet.fleet_due(url, profile, wanted, most)
        if json:
            from fieldworthy.cli import tables

            tables.write_json(answer)
        else:
            fleet.show_fleet(answer)
    raise typer.Exit(1 if strict and fleet.presses(answer) else 0)


@app.command(epilog="Example:  fieldworthy clearance ask.json --rulebook baler.yaml\n\nExit code 1 where it is withheld.")
def clearance(
    request: RequestFile, rulebook: RulebookFile = None, url: Url = None, profile: ProfileName = None, now: Now = None, json: AsJson = False
) -> None:
    """Whether a task, a step or an action may start now, and why not."""
    answer = _answer("clearance", request, rulebook, url, now, json, profile)
    raise typer.Exit(0 if answer["clearance"] == "granted" else 1)


@app.command(
    epilog="Example:  fieldworthy procedure ask.json --rulebook baler.yaml\n\nExit code 1 where the next step is withheld, the work is "
    "interrupted, or something is left to put back after the last step."
)
def procedure(
    request: RequestFile, rulebook: RulebookFile = None, url: Url = None, profile: ProfileName = None, now: Now = None, json: AsJson = False
) -> None:
    """What comes after the steps of a task that are done, and whether it may start now."""
    answer = _answer("procedure", request, rulebook, url, now, json, profile)
    following = answer["next"]
    goes_on = not answer["left"] if following is None else following["clearance"] == "granted"
    raise typer.Exit(0 if goes_on and answer["interrupted"] is None else 1)


@app.command(epilog="Example:  fieldworthy parts ask.json --rulebook baler.yaml\n\nExit code 1 where a line is undecided.")
def parts(request: RequestFile, rulebook: RulebookFile = None, url: Url = None, profile: ProfileName = None, json: AsJson = False) -> None:
    """What to take along for these tasks on this machine."""
    answer = _answer("parts", request, rulebook, url, None, json, profile)
    raise typer.Exit(1 if answer["undecided"] else 0)


def _answer(
    kind: str, request: str, rulebook: Path | None, url: str | None, now: str | None, json: bool, profile: str | None
) -> dict[str, Any]:
    from fieldworthy.cli.questions import answer

    return _shown(kind, answer(kind, request, rulebook, url, now, profile), json)


def _shown(kind: str, found: dict[str, Any], json: bool) -> dict[str, Any]:
    from fieldworthy.cli import tables

    if json:
        tables.write_json(found)
    else:
        tables.SHOW[kind](found)
    return found


def main() -> None:
    """The entry point: what is refused becomes one line on standard error with a way out, and exit code 2."""
    try:
        app()
    except BrokenPipeError:  # the reader of our output has left, as `head` does
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    except Exception as trouble:
        from fieldworthy.cli.trouble import exit_code, told

        for line in told(trouble):
            typer.echo(line, err=True)
        sys.exit(exit_code(trouble))
