"""`fieldworthy machines`: machines of a running service, from a table."""

from typing import TYPE_CHECKING, Annotated

import typer

from fieldworthy.cli.services import WHICH, ProfileName, Url
from fieldworthy.cli.unanswerable import NOT_PLAIN, STOPPED, Unanswerable

if TYPE_CHECKING:
    from fieldworthy.cli.machine_rows import Done

WITHIN = 60.0
"""s that a request is tried again."""

app = typer.Typer(help="Machines: which there are, and whose rules they are kept by.", no_args_is_help=True, rich_markup_mode=None)


def add_to(top: typer.Typer) -> None:
    """Gives the program these commands."""
    top.add_typer(app, name="machines", epilog="Example:  fieldworthy machines import machines.csv")


@app.callback()
def _group() -> None:
    """Keeps `import` a command of its own while it is the only one."""


@app.command(
    "import",
    epilog="Example:  fieldworthy machines import machines.csv --dry-run\n\n"
    "Columns: id, rulebook, model, serial, options (with `;` between them), site, timezone, day_starts, in_service.on, in_service.as, "
    "in_service.meters.NAME, notice.share, notice.days. A machine keeps what the file has no column for, and what an empty cell stands "
    f"for.\n\n{WHICH} Its key needs the scopes `read` and `administer`.\n\nExit code 1 where a row was refused; the others are done.",
)
def import_(
    file: Annotated[str, typer.Argument(metavar="FILE", help="CSV, a machine a row; or `-`")],
    url: Url = None,
    profile: ProfileName = None,
    rulebook: Annotated[str | None, typer.Option("--rulebook", "-r", metavar="NAME", help="of new machines whose row names none")] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="change nothing; tell what would be done, as far as that is known before")
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="what came of each row as JSON")] = False,
) -> None:
    """Create the machines of a table, or change them. It may be run again: what is so already stays the same."""
    from fieldworthy.cli.machine_rows import Import, machine_rows
    from fieldworthy.cli.services import opened, place
    from fieldworthy.cli.text_lines import opened_file
    from fieldworthy.cli.trouble import exit_code, told_by_service
    from fieldworthy.client import FieldworthyError

    there = place(url, profile)
    rows: list[Done] = []
    with opened_file(file) as opened_, opened(there, WITHIN) as service:
        work = Import(service, rulebook, dry_run)
        try:
            for row in machine_rows(opened_.bytes):
                rows.append(work.do(row))
                if not json:
                    typer.echo(rows[-1].words(dry_run))
        except KeyboardInterrupt:
            raise Unanswerable(f"stopped after {_rows(len(rows))}; {_AGAIN}", STOPPED) from None
        except Unanswerable as trouble:
            raise Unanswerable(f"{opened_.name}: {trouble}; {_rows(len(rows))} before it done: {_AGAIN}", trouble.code) from None
        except FieldworthyError as trouble:
            told = "\n".join(told_by_service(trouble)).removeprefix("fieldworthy: ")
            raise Unanswerable(f"{told}\n  after {_rows(len(rows))}; {_AGAIN}", exit_code(trouble)) from None
    counts = {outcome: sum(r.outcome == outcome for r in rows) for outcome in ("created", "changed", "same", "refused")}
    if json:
        from fieldworthy.cli.tables import write_json

        write_json({**counts, "dry_run": dry_run, "rows": [row.to_json() for row in rows]})
    else:
        typer.echo(f"{opened_.name}: {', '.join(f'{n:,} {word}' for word, n in counts.items())}{' (dry run)' if dry_run else ''}")
    raise typer.Exit(NOT_PLAIN if counts["refused"] else 0)


_AGAIN = "run the same command again: what is so already stays the same"


def _rows(count: int) -> str:
    return "1 row" if count == 1 else f"{count:,} rows"
