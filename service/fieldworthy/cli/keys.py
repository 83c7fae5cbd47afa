"""`fieldworthy key`: makes, lists and revokes keys, on the database itself. Whoever may read and write that needs no key."""

from collections.abc import Awaitable, Callable, Sequence
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer

if TYPE_CHECKING:
    from fieldworthy.usecases.keep_keys import Held
    from fieldworthy.usecases.keys import Key, KeyStore, Organisation

T = TypeVar("T")

_SCOPES = "read, post-readings, record-work, write-rulebooks or administer; may be given several times"
_AsJson = Annotated[bool, typer.Option("--json", help="as JSON")]

app = typer.Typer(
    help="Keys: who may ask the service, and for which organisation. Works on the database that FIELDWORTHY_DATABASE_URL names.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


def add_to(top: typer.Typer) -> None:
    """Gives the program these commands."""
    top.add_typer(
        app, name="key", epilog='Example:  fieldworthy key create "telematics bridge" --organisation "Nine Oxen" -s post-readings'
    )


@app.command(
    epilog='Example:  fieldworthy key create "telematics bridge" --organisation "Nine Oxen" --scope post-readings\n\n'
    "The first organisation of a database owns what was kept there without keys."
)
def create(
    name: Annotated[str, typer.Argument(metavar="NAME", help="what the key is for")],
    organisation: Annotated[str, typer.Option("--organisation", "-o", metavar="NAME", help="whose it is; made where it is new")],
    scope: Annotated[list[str], typer.Option("--scope", "-s", metavar="SCOPE", help=_SCOPES)],
    days: Annotated[int, typer.Option(min=1, max=3650, help="it works for so many days")] = 365,
    json: _AsJson = False,
) -> None:
    """Make a key, and show it once: it is kept nowhere. Its text goes to standard output, all else to standard error."""
    from fieldworthy.usecases.keep_keys import create_key

    scopes = frozenset(map(_scope, scope))
    made = _with_store(lambda store: create_key(store, organisation, name, scopes, days))
    if json:
        _write({**_shown(made.key, made.organisation), "key": made.text, "organisation_is_new": made.is_first})
        return
    told = _shown(made.key, made.organisation)
    if made.is_first:
        owns = "; what was kept without keys is its own" if made.organisation.id == 1 else ""
        typer.echo(f"the organisation `{made.organisation.name}` is new{owns}", err=True)
    typer.echo(f"key {told['id']} of `{told['organisation']}`: {', '.join(told['scopes'])}, until {told['expires']}", err=True)
    typer.echo("this is shown once; keep it where secrets are kept:", err=True)
    typer.echo(made.text)


@app.command("list", epilog="Example:  fieldworthy key list")
def list_(
    organisation: Annotated[str | None, typer.Option("--organisation", "-o", metavar="NAME", help="only those of this one")] = None,
    json: _AsJson = False,
) -> None:
    """All keys: whose, what for, what they may do, until when, and when each was last used. Never a secret."""
    from fieldworthy.usecases.keep_keys import list_keys

    held = _with_store(lambda store: list_keys(store, organisation))
    if json:
        _write({"items": [{**_shown(each.key, each.organisation), "works": each.works} for each in held]})
    elif held:
        _show(held)
    else:
        typer.echo("there is no key; `fieldworthy key create` makes one", err=True)


@app.command(epilog="Example:  fieldworthy key revoke 3k7q2xmzt5ab")
def revoke(id: Annotated[str, typer.Argument(metavar="ID", help="the key's id, as `key list` shows it")], json: _AsJson = False) -> None:
    """End a key. Running services believe it for five seconds more at most; what is under way then is answered."""
    from fieldworthy.usecases.keep_keys import revoke_key

    held = _with_store(lambda store: revoke_key(store, id))
    told = _shown(held.key, held.organisation)
    if json:
        _write({**told, "works": held.works})
    else:
        typer.echo(f"key {told['id']} of `{told['organisation']}` ({told['name']}) is revoked since {told['revoked']}")


def _scope(word: str) -> Any:
    from fieldworthy.cli.unanswerable import Unanswerable
    from fieldworthy.core.base.finding import nearest, or_list
    from fieldworthy.usecases.keys import KeyScope

    known = [scope.value for scope in KeyScope]
    if word not in known:
        near = nearest(word, known, 1)
        way = f"did you mean {or_list(near)}?" if near else f"choose of {or_list(known)}"
        raise Unanswerable(f"`{word[:80]}` is no scope; {way}")
    return KeyScope(word)


def _with_store(work: "Callable[[KeyStore], Awaitable[T]]") -> T:
    import asyncio

    from fieldworthy.settings import read_settings
    from fieldworthy.storage.engine import SqlStore, open_engine, prepare

    settings = read_settings()

    async def done() -> T:
        store = SqlStore(open_engine(settings.database_url, settings.database), wait=settings.database.lock)
        try:
            await prepare(store, settings.database_url)
            return await work(store)
        finally:
            await store.close()

    return asyncio.run(done())


def _shown(key: "Key", organisation: "Organisation") -> dict[str, Any]:
    from fieldworthy.core.base.micros import SECOND, micros_text
    from fieldworthy.usecases.keys import KeyScope

    def at(moment: int | None) -> str | None:
        return None if moment is None else micros_text(moment // SECOND * SECOND)

    return {
        "id": key.id,
        "organisation": organisation.name,
        "name": key.name,
        "scopes": [scope.value for scope in KeyScope if scope in key.scopes],
        "created": at(key.created),
        "expires": at(key.expires),
        "revoked": at(key.revoked),
        "last_used": at(key.last_used),
    }


def _show(held: "Sequence[Held]") -> None:
    """Two lines a key, so that names of any length find room in 80 columns."""
    for each in held:
        told = _shown(each.key, each.organisation)
        state = "works until" if each.works else "was revoked" if told["revoked"] else "expired"
        when = told["revoked"] or told["expires"]
        typer.echo(f"{told['id']}  {told['organisation']}: {told['name']}")
        typer.echo(f"    {' '.join(told['scopes'])}")
        typer.echo(f"    {state} {when}; last used {told['last_used'] or 'never'}")


def _write(data: object) -> None:
    from fieldworthy.cli.tables import write_json

    write_json(data)
