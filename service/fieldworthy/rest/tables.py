"""What writes the tables of an organisation, whichever address they are asked for at."""

from collections.abc import AsyncIterator, Mapping, Sequence

from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.rest.forms import spooled, streamed, writer_of
from fieldworthy.rest.keeping import organisation_of
from fieldworthy.usecases.compute_standings import Writing
from fieldworthy.usecases.export_due import ExportDue
from fieldworthy.usecases.export_readings import Chosen, ExportReadings
from fieldworthy.usecases.fleet_as_of import AskFleetAsOf
from fieldworthy.usecases.kept_standings import Wanted
from fieldworthy.usecases.once import Keeping
from fieldworthy.usecases.standings import Recompute, Standing
from fieldworthy.wire.moments import read_moment
from fieldworthy.wire.parameters import read_name
from fieldworthy.wire.tables import DUE, READINGS, Row, due_row


class Tables:
    """The fleet's standings, and its readings, each as one table."""

    def __init__(self, keeping: Keeping, recompute: Recompute, writing: Writing) -> None:
        self._due = ExportDue(keeping.store, recompute, AskFleetAsOf(keeping.store, keeping.find, writing))
        self._readings = ExportReadings(keeping.store, keeping.find)

    async def due(self, request: Request, form: str, wanted: Wanted, as_of: int | None) -> Response:
        """The fleet's standings, in that media type."""
        return await spooled(writer_of(form, DUE), _rows(self._due(organisation_of(request), wanted, as_of)))

    async def readings(self, request: Request, form: str, query: Mapping[str, str], machine: str | None) -> Response:
        """Readings of a machine, or of those that the query names. Raises Refused, MachineUnknown."""
        first, until = (read_moment(name, query[name]) if name in query else None for name in ("from", "to"))
        wanted = machine if machine is not None else read_name(query, "machine", 120)
        chosen = Chosen(wanted, read_name(query, "site", 120), read_name(query, "meter", 120), first, until)
        return await streamed(writer_of(form, READINGS), self._readings(organisation_of(request), chosen))


def refuse_pages(query: Mapping[str, str], names: Sequence[str]) -> None:
    """Raises Refused for what a table has no use for: it has all rows."""
    found = [Finding("request.parameter", f"a table has all rows, so it takes no `{n}`", f"leave `{n}` out") for n in names if n in query]
    if found:
        raise Refused(found)


async def _rows(found: AsyncIterator[Sequence[Standing]]) -> AsyncIterator[Sequence[Row]]:
    async for some in found:
        yield [due_row(item) for item in some]
