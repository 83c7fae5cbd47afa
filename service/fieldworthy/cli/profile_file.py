"""Profiles: services by name, in a TOML file in the user's config folder. It never holds a key, only where the key is."""

import json
import os
import re
import tempfile
import tomllib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal, cast, get_args

from fieldworthy.cli.unanswerable import Unanswerable
from fieldworthy.settings import config_folder

KeyPlace = Literal["keyring", "environment", "none"]
"""Where a profile's key is: in the user's keyring, in FIELDWORTHY_KEY, or there is none."""

_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,39}\Z")
_HEAD = "# Services by name, for `fieldworthy --profile`. Written by `fieldworthy profile`; keys have no place here.\n"


@dataclass(frozen=True, slots=True)
class Profile:
    """One service. name: lower-case letters, digits, hyphens; url: its address; key: where its key is."""

    name: str
    url: str
    key: KeyPlace


@dataclass(frozen=True, slots=True)
class Profiles:
    """All of them, by name; default: the one that is meant where nothing else says which."""

    items: tuple[Profile, ...] = ()
    default: str | None = None

    def named(self, name: str) -> Profile:
        """Raises Unanswerable where there is none."""
        for profile in self.items:
            if profile.name == name:
                return profile
        known = ", ".join(f"`{p.name}`" for p in self.items)
        way = f"there is {known}" if known else "`fieldworthy profile add` makes one"
        raise Unanswerable(f"no profile is called `{name[:80]}`; {way}")

    def put(self, profile: Profile, as_default: bool) -> "Profiles":
        items = sorted([*(p for p in self.items if p.name != profile.name), profile], key=lambda p: p.name)
        return Profiles(tuple(items), profile.name if as_default else self.default)

    def without(self, name: str) -> "Profiles":
        left = tuple(p for p in self.items if p.name != name)
        return replace(self, items=left, default=None if self.default == name else self.default)


def profile_file() -> Path:
    """Where they are; the file need not be there yet."""
    return config_folder(os.environ) / "profiles.toml"


def check_name(name: str) -> str:
    """Raises Unanswerable for what can't be a profile's name."""
    if not _NAME.match(name):
        raise Unanswerable(f"`{name[:80]}` can't be the name of a profile; use lower-case letters, digits and hyphens, at most 40")
    return name


def read_profiles() -> Profiles:
    """Raises Unanswerable where the file can't be read, without showing what it holds: somebody may have put a key there."""
    file = profile_file()
    try:
        text = file.read_text("utf-8")
    except FileNotFoundError:
        return Profiles()
    except UnicodeDecodeError:
        raise _broken(file, "it is not UTF-8") from None
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as trouble:
        raise _broken(file, f"it is no TOML: {trouble}") from None
    told = data.get("profile", {})
    if not isinstance(told, dict):
        raise _broken(file, "`profile` is no table")
    items = tuple(_profile(file, name, table) for name, table in sorted(told.items()))
    default = data.get("default")
    if default is not None and default not in told:
        raise _broken(file, "`default` names no profile of it")
    return Profiles(items, default)


def _profile(file: Path, name: str, table: Any) -> Profile:
    if not _NAME.match(name) or not isinstance(table, dict) or not isinstance(table.get("url"), str):
        raise _broken(file, "a profile is a table `[profile.NAME]` with `url`")
    if table.get("key", "none") not in get_args(KeyPlace):
        raise _broken(file, f"`key` of `{name}` says where the key is (`keyring`, `environment` or `none`) and never holds it")
    return Profile(name, table["url"], cast(KeyPlace, table.get("key", "none")))


def _broken(file: Path, why: str) -> Unanswerable:
    return Unanswerable(f"`{file}` can't be used: {why}; mend it, or delete it and make its profiles anew with `fieldworthy profile add`")


def write_profiles(profiles: Profiles) -> None:
    """Writes them all, or nothing; the file is its owner's alone."""
    file = profile_file()
    file.parent.mkdir(parents=True, exist_ok=True)
    lines = [_HEAD]
    if profiles.default is not None:
        lines.append(f"default = {json.dumps(profiles.default)}\n")
    lines += [f"\n[profile.{p.name}]\nurl = {json.dumps(p.url)}\nkey = {json.dumps(p.key)}\n" for p in profiles.items]
    with tempfile.NamedTemporaryFile("w", dir=file.parent, prefix=".profiles-", delete=False, encoding="utf-8") as new:  # of mode 0600
        new.write("".join(lines))
    try:
        os.replace(new.name, file)
    except OSError:
        os.unlink(new.name)
        raise
