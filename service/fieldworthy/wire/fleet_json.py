"""What is due across the fleet, as it is answered."""

from typing import Any

import orjson

from fieldworthy.core.base.micros import micros_text
from fieldworthy.usecases.kept import Machine
from fieldworthy.usecases.kept_standings import FITNESS, URGENCY, Computed
from fieldworthy.usecases.standings import Fleet, Standing
from fieldworthy.wire.cursor import write_cursor
from fieldworthy.wire.kept_json import Embed


def fleet_json(fleet: Fleet, embed: Embed = orjson.Fragment) -> dict[str, Any]:
    """A page of the fleet's standings. embed: of texts that are JSON already."""
    oldest = fleet.summary.computed_at
    return {
        "items": [embed(_item(item)) for item in fleet.items],
        "next": None if fleet.next is None else write_cursor(fleet.next),
        "computed_at": None if oldest is None else micros_text(oldest),
        "stale": fleet.summary.stale,
        "counts": {word: fleet.counts.get(i, 0) for i, word in enumerate(URGENCY)},
        "machines": dict(zip(FITNESS, fleet.summary.fits, strict=True)),
        "not_fit": [_not_fit(machine, made, embed) for machine, made in fleet.not_fit],
        "problems": [{"machine": id_, "problem": embed(made.problem or "null")} for id_, made in fleet.problems],
        "thinned_before": None if fleet.thinned is None else micros_text(fleet.thinned),
    }


def _item(item: Standing) -> str:
    """A task's standing as it was answered, with whose it is and when it was computed written before it."""
    made = item.computed
    head = {
        "machine": item.machine.id,
        "site": item.machine.site,
        "rulebook": _provenance(made),
        "computed_at": micros_text(made.at),
        "as_of": micros_text(made.as_of),
        "fit": made.fit,
    }
    return f"{orjson.dumps(head).decode()[:-1]},{item.row.body[1:]}"


def _not_fit(machine: Machine, made: Computed, embed: Embed) -> dict[str, Any]:
    head = {"machine": machine.id, "site": machine.site, "computed_at": micros_text(made.at), "as_of": micros_text(made.as_of)}
    return {**head, "fit": made.fit, "because": embed(made.fit_because or "[]")}


def _provenance(made: Computed) -> dict[str, Any]:
    return {"name": made.rulebook, "version": made.version, "digest": made.digest}
