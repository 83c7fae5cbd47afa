"""`fieldworthy profile`: names running services, and puts their keys into the user's keyring."""

import sys
from typing import Annotated

import typer

from fieldworthy.cli.unanswerable import Unanswerable

app = typer.Typer(
    help="Profiles: running services by name, each with its key. Keys are kept in the user's keyring, never in the profiles' file.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


def add_to(top: typer.Typer) -> None:
    """Gives the program these commands."""
    top.add_typer(app, name="profile", epilog="Example:  fieldworthy profile add farm https://fieldworthy.example")


@app.command(
    epilog="Examples:\n\n  fieldworthy profile add farm https://fieldworthy.example\n\n"
    "  cat key.txt | fieldworthy profile add farm https://fieldworthy.example\n\n"
    "The key is asked for, or read from standard input; it is no argument, for those can be seen by others."
)
def add(
    name: Annotated[str, typer.Argument(metavar="NAME", help="lower-case letters, digits, hyphens")],
    url: Annotated[str, typer.Argument(metavar="URL", help="where the service is")],
    from_environment: Annotated[
        bool, typer.Option("--key-from-environment", help="keep no key: FIELDWORTHY_KEY holds it whenever it is used")
    ] = False,
    no_key: Annotated[bool, typer.Option("--no-key", help="the service asks for none")] = False,
    default: Annotated[bool, typer.Option("--default", help="it is meant where nothing else says which service")] = False,
) -> None:
    """Add a profile, or change it."""
    from fieldworthy.cli.keyring_keys import keep_key
    from fieldworthy.cli.profile_file import KeyPlace, Profile, check_name, read_profiles, write_profiles
    from fieldworthy.cli.services import check_way

    if from_environment and no_key:
        raise Unanswerable("--key-from-environment and --no-key exclude each other; leave one of them out")
    kind: KeyPlace = "environment" if from_environment else "none" if no_key else "keyring"
    check_name(name)
    check_way(url, kind != "none")
    known = read_profiles()
    old = next((p for p in known.items if p.name == name), None)
    profile = Profile(name, url.rstrip("/"), kind)
    if kind == "keyring":
        keep_key(profile, _asked_key())
    if old is not None and old.key == "keyring" and old != profile:
        _forget(name)
    write_profiles(known.put(profile, default))
    typer.echo(f"{'added' if old is None else 'changed'} {name}: {profile.url}, {_WHERE[kind]}")


_WHERE = {"keyring": "its key is in the keyring", "environment": "its key is taken from FIELDWORTHY_KEY", "none": "no key"}


def _asked_key() -> str:
    """Raises Unanswerable for what can be no key, without showing it."""
    if sys.stdin.isatty():
        import getpass

        try:
            text = getpass.getpass("key (it is not shown): ")
        except EOFError:  # Ctrl-D
            typer.echo(err=True)  # behind the question
            raise Unanswerable(
                "no key was given, and nothing was changed; paste it behind the question, or send it by standard input; --no-key for none"
            ) from None
    else:
        text = sys.stdin.readline(_MOST + 2)
    from fieldworthy.client.calls import Key

    text = text.strip()
    try:
        Key(text)
    except ValueError as trouble:
        raise Unanswerable(str(trouble)) from None
    if len(text) > _MOST:
        raise Unanswerable("this is too long for a key; give it whole and alone, as it was shown when it was made")
    return text


_MOST = 8_000


@app.command("list", epilog="Example:  fieldworthy profile list")
def list_() -> None:
    """All profiles: name, address, where the key is. Never a key."""
    from fieldworthy.cli.profile_file import read_profiles

    known = read_profiles()
    for profile in known.items:
        mark = " (default)" if profile.name == known.default else ""
        typer.echo(f"{profile.name}{mark}: {profile.url}, {_WHERE[profile.key]}")
    if not known.items:
        typer.echo("there is no profile; `fieldworthy profile add` makes one", err=True)


@app.command(epilog="Example:  fieldworthy profile remove farm")
def remove(name: Annotated[str, typer.Argument(metavar="NAME", help="the profile's name")]) -> None:
    """Remove a profile, and its key from the keyring."""
    from fieldworthy.cli.profile_file import read_profiles, write_profiles

    known = read_profiles()
    if known.named(name).key == "keyring":
        _forget(name)
    write_profiles(known.without(name))
    typer.echo(f"removed {name}")


def _forget(name: str) -> None:
    """Drops its key. Where the keyring can't, that is told, and no reason to keep the profile."""
    from fieldworthy.cli.keyring_keys import drop_key
    from fieldworthy.cli.profile_file import read_profiles

    try:
        drop_key(read_profiles().named(name))
    except Unanswerable as trouble:
        typer.echo(f"fieldworthy: its key may still be in the keyring: {trouble}", err=True)
