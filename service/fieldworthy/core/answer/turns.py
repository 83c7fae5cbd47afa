"""When what readings tell of a machine changes by itself, though nothing more is told of it."""

from collections.abc import Iterator
from datetime import datetime

from fieldworthy.core.forecast.outlook import STALE
from fieldworthy.core.interval.evaluate.context import History


def turns(history: History) -> Iterator[datetime]:
    """
    Moments, past ones among them, at which or one microsecond after which the answer drawn from a history may be another: a meter's newest
    reading is no longer good, its meter may have run as far as a due point since, or it tells nothing of the days ahead any more.

    Call it when all tasks are judged. What is not of readings is not told here: days, and what was told for later.
    """
    for meter, series in history.series.items():
        good_for = history.vocabulary.meters[meter].good_for
        if good_for is not None and series.current_at is not None:
            yield series.current_at + good_for
        if series.times:
            yield series.times[-1] + STALE
    yield from history.turns
