"""A table of machines, row by row: what a row says of its machine, and how the machine is made so."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import IO, TYPE_CHECKING, Any, Literal, cast

from fieldworthy.cli.csv_tables import csv_rows
from fieldworthy.cli.json_texts import Mistake, number_of
from fieldworthy.cli.reading_files import NUMBER

if TYPE_CHECKING:
    from fieldworthy.client import Client, FieldworthyError
    from fieldworthy.client.shapes import KeptMachineIn

Outcome = Literal["created", "changed", "same", "refused"]

TEXTS = ("rulebook", "model", "serial", "site", "timezone", "day_starts", "in_service.on", "in_service.as")
NUMBERS = ("notice.share", "notice.days")
METERS = "in_service.meters."
COLUMNS = ("id", *TEXTS, "options", *NUMBERS, f"{METERS}NAME")
_TRIES = 3


@dataclass(frozen=True, slots=True)
class Row:
    """id: of the machine; told: its document as far as the row says it; wrong: why the row can't be taken, and the way out."""

    line: int
    id: str
    told: dict[str, Any]
    wrong: str | None = None


@dataclass(frozen=True, slots=True)
class Done:
    """What came of a row. about: the members that changed, or why it was refused."""

    line: int
    id: str
    outcome: Outcome
    about: tuple[str, ...] = ()

    def words(self, dry_run: bool) -> str:
        """In a line."""
        would = "would be " if dry_run and self.outcome in ("created", "changed") else ""
        about = f" ({', '.join(self.about)})" if self.outcome == "changed" else "".join(f": {a}" for a in self.about)
        return f"line {self.line:,}: {self.id or '-'} {would}{self.outcome}{about}"

    def to_json(self) -> dict[str, Any]:
        return {"line": self.line, "id": self.id, "outcome": self.outcome, "about": list(self.about)}


def machine_rows(source: IO[bytes]) -> Iterator[Row]:
    """The rows. Raises Unanswerable where the table itself can't be read, or has another column."""
    lines: dict[str, int] = {}
    for line, cells in csv_rows(source, _check):
        id = cells["id"]
        if not id:
            yield Row(line, "", {}, "`id` is empty; give the machine one")
        elif id in lines:
            yield Row(line, id, {}, f"the machine stands in line {lines[id]:,} already; leave one of them out")
        else:
            lines[id] = line
            try:
                yield Row(line, id, _told(cells))
            except Mistake as mistake:
                yield Row(line, id, {}, str(mistake))


def _check(names: Sequence[str]) -> str | None:
    from fieldworthy.core.base.finding import nearest

    for name in names:
        if name not in COLUMNS and not (name.startswith(METERS) and len(name) > len(METERS)):
            near = nearest(name, COLUMNS, 1)
            return f"no column is called `{name[:60]}`; " + (f"did you mean `{near[0]}`?" if near else "leave the column out")
    return None if "id" in names else "the column `id` is missing; add it"


def _told(cells: Mapping[str, str]) -> dict[str, Any]:
    """A document, as far as the cells say it. Raises Mistake."""
    found: dict[str, Any] = {}
    for name, cell in cells.items():
        if name == "id" or not cell:
            continue
        value: Any = cell
        if name == "options":
            value = [option.strip() for option in cell.split(";") if option.strip()]
        elif name in NUMBERS or name.startswith(METERS):
            if NUMBER.match(cell):
                value = number_of(cell)
            elif name in NUMBERS:
                raise Mistake(f"`{cell[:60]}` in the column `{name}` is no number; write it as `0.1` or `7`")
        place = found
        # a meter's name may hold points
        *over, last = ["in_service", "meters", name.removeprefix(METERS)] if name.startswith(METERS) else name.split(".")
        for part in over:
            place = place.setdefault(part, {})
        place[last] = value
    return found


class Import:
    """Makes machines as rows say. rulebook: of new ones whose row names none; dry_run: nothing is changed."""

    def __init__(self, service: "Client", rulebook: str | None, dry_run: bool) -> None:
        self._service = service
        self._rulebook = rulebook
        self._dry_run = dry_run
        self._published: set[str] = set()

    def do(self, row: Row) -> Done:
        """Raises FieldworthyError where it is no fault of the row."""
        from fieldworthy.client import Conflict, NotFound, PreconditionFailed, Refused

        if row.wrong is not None:
            return Done(row.line, row.id, "refused", (row.wrong,))
        for n in range(_TRIES):
            try:
                return self._made(row)
            except PreconditionFailed as error:  # somebody changed it since it was read
                if n == _TRIES - 1:
                    return _refused(row, error)
            except (Conflict, NotFound, Refused) as error:
                return _refused(row, error)
        raise AssertionError("the last try returns")

    def _made(self, row: Row) -> Done:
        from fieldworthy.client import NotFound

        try:
            there = self._service.machine(row.id)
        except NotFound as missing:
            if missing.code != "machine.unknown":
                raise
            return self._created(row)
        old = there["document"]
        new = _merged(old, row.told)
        changed = tuple(sorted(name for name in new if new[name] != old.get(name)))
        if not changed:
            return Done(row.line, row.id, "same")
        if self._dry_run:
            self._look_up(new["rulebook"])
        else:
            self._service.put_machine(row.id, cast("KeptMachineIn", new), if_match=there["etag"])
        return Done(row.line, row.id, "changed", changed)

    def _created(self, row: Row) -> Done:
        document = row.told if "rulebook" in row.told or self._rulebook is None else {"rulebook": self._rulebook, **row.told}
        if "rulebook" not in document:
            return Done(row.line, row.id, "refused", ("it is new and names no rulebook; fill the column `rulebook`, or give --rulebook",))
        if self._dry_run:
            self._look_up(document["rulebook"])
        else:
            self._service.put_machine(row.id, cast("KeptMachineIn", document), if_new=True)
        return Done(row.line, row.id, "created")

    def _look_up(self, rulebook: str) -> None:
        """Raises NotFound where no rulebook of that name is published: more of what the service would refuse can't be told beforehand."""
        name = rulebook.partition("@")[0]
        if name not in self._published:
            next(self._service.versions(name), None)
            self._published.add(name)


def _merged(old: Mapping[str, Any], told: Mapping[str, Any]) -> dict[str, Any]:
    """The document with what is told in its place, member by member; nothing is taken out."""
    new = dict(old)
    for name, value in told.items():
        before = new.get(name)
        new[name] = _merged(before, value) if isinstance(value, dict) and isinstance(before, Mapping) else value
    return new


def _refused(row: Row, error: "FieldworthyError") -> Done:
    return Done(row.line, row.id, "refused", (str(error),))
