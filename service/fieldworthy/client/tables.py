"""Tables, as bytes that come piece by piece: for a file, or for a reader of CSV or Parquet."""

from typing import Literal, Unpack

import httpx

from fieldworthy.client.bound import Bound, D, many
from fieldworthy.client.calls import Ask, Moment, Query, path
from fieldworthy.client.errors import Unavailable
from fieldworthy.client.machines import FleetFilter
from fieldworthy.client.steps import Flow, Give, read

Form = Literal["text/csv", "application/vnd.apache.parquet"]

_CSV: Form = "text/csv"


class Tables(Bound[D]):
    """Whole tables. One that breaks off raises Unavailable: what came of it by then is not whole, so begin it anew."""

    @many
    def due_table(self, *, form: Form = _CSV, **wanted: Unpack[FleetFilter]) -> Flow[bytes, None]:
        """The tasks of all machines, the most urgent first. form: the media type."""
        return self._pieces("/v1/due.csv" if form == _CSV else "/v1/due", {**wanted}, form)

    @many
    def readings_table(
        self,
        machine: str | None = None,
        *,
        site: str | None = None,
        meter: str | None = None,
        first: Moment | None = None,
        until: Moment | None = None,
        form: Form = _CSV,
    ) -> Flow[bytes, None]:
        """Readings by machine and meter, the oldest first; of all machines where none is named. first: nothing earlier; until: nothing
        from then on."""
        query: Query = {"machine": machine, "site": site, "meter": meter, "from": first, "to": until}
        return self._pieces("/v1/readings", query, form)

    @many
    def readings_csv(
        self, *, machine: str | None = None, site: str | None = None, meter: str | None = None, first: Moment | None = None
    ) -> Flow[bytes, None]:
        """The same as CSV, by the address that says so."""
        return self._pieces("/v1/readings.csv", {"machine": machine, "site": site, "meter": meter, "from": first}, _CSV)

    @many
    def machine_readings_csv(
        self, machine: str, *, meter: str | None = None, first: Moment | None = None, until: Moment | None = None
    ) -> Flow[bytes, None]:
        """Those of one machine as CSV."""
        return self._pieces(path("/v1/machines/{}/readings.csv", machine), {"meter": meter, "from": first, "to": until}, _CSV)

    def _pieces(self, where: str, query: Query, form: str) -> Flow[bytes, None]:
        yield from self._caller.answered(Ask("GET", where, query, headers={"accept": form}), stream=True)
        while part := (yield from read()):
            if isinstance(part, httpx.RequestError):
                raise Unavailable(f"the table from {self._caller.address} broke off", "begin it anew") from part
            yield Give(part)
