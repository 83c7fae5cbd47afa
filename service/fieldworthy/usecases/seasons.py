"""Whether a machine is in season: its rulebook's seasons, and its own dates in their place, on its own local day."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from fieldworthy.core.base.calendar import Period, SeasonDates
from fieldworthy.core.base.names import key
from fieldworthy.core.rulebook.model import CheckedRulebook


@dataclass(frozen=True, slots=True)
class InSeason:
    """runs: whether there are no seasons, or one of them runs; since: the first day of that which began first; None: there are none."""

    runs: bool
    since: date | None = None


def in_season(seasons: Mapping[str, SeasonDates], today: date) -> InSeason:
    """Whether any of a machine's seasons runs on a day."""
    if not seasons:
        return InSeason(True)
    begun = [p.first for dates in seasons.values() for p in dates.periods(today.year - 1, today.year) if p.first <= today <= p.last]
    return InSeason(True, min(begun)) if begun else InSeason(False)


def seasons_of(document: Mapping[str, Any], book: CheckedRulebook) -> Mapping[str, SeasonDates]:
    """The seasons of a machine, by its document and its rulebook. Dates that can't be read are left out: the question refuses them."""
    given: dict[str, tuple[Period, ...]] = {}
    for name, periods in (document.get("seasons") or {}).items():
        try:
            given[key(name)] = tuple(Period(date.fromisoformat(p["from"]), date.fromisoformat(p["to"])) for p in periods)
        except ValueError:
            continue
    return {name: SeasonDates(s.start, s.end, given.get(name, ())) for name, s in book.vocabulary.seasons.items()}
