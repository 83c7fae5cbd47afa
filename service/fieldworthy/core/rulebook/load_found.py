"""What may come of a task beside that it is done: its points, and what follows where something is found."""

from collections.abc import Mapping

from fieldworthy.core.base import names
from fieldworthy.core.base.quantity import read_amount
from fieldworthy.core.base.vocabulary import Vocabulary
from fieldworthy.core.interval.within import Within, make_within
from fieldworthy.core.rulebook.fields import Fields, check_known, check_name, wrong_type
from fieldworthy.core.rulebook.model import FollowUp
from fieldworthy.core.rulebook.shapes import FOLLOW_UP, LEAST_POINTS, MOST_POINTS, MOST_WORDS


def load_points(fields: Fields) -> Mapping[str, str]:
    """The member `points`: `names.key` -> as declared, in order."""
    found: dict[str, str] = {}
    given = fields.texts("points")
    for path, raw in given:
        tidy = check_name(fields.report, path, raw, "a point", free=True)
        if names.key(tidy) in found:
            message = f"`{tidy}` and `{found[names.key(tidy)]}` are the same point"
            fields.report.error("duplicate_name", path, message, "take one of them out: case and blanks don't count")
        found.setdefault(names.key(tidy), tidy)
    value = fields.get("points")
    if isinstance(value, list) and not LEAST_POINTS <= len(value) <= MOST_POINTS:
        mend = (
            "name all of them, or leave `points` out: then the task is done as a whole" if len(value) < LEAST_POINTS else "split the task"
        )
        message = f"a task has {LEAST_POINTS} to {MOST_POINTS} points, not {len(value):,}"
        fields.report.error("points", fields.at("points"), message, mend)
    return found


def load_if_found(fields: Fields, tasks: Mapping[str, str], known: Vocabulary) -> Mapping[str, FollowUp]:
    """The member `if_found`: `names.key` of each word -> what follows. tasks: all declared, by `names.key`."""
    found: dict[str, FollowUp] = {}
    for word, key, value, path in fields.declared("if_found", "what is found", free=True):
        if not isinstance(value, dict):
            wrong_type(fields.report, path, word, "a mapping of `then`, `within` and `unfit`", value)
            continue
        inner = Fields(fields.report, value, path, f"`{word}`", FOLLOW_UP)
        found[key] = _follow_up(inner, word, tasks, known)
    if len(found) > MOST_WORDS:
        message = f"`if_found` has {len(found):,} words, more than {MOST_WORDS}"
        fields.report.error("too_many_words", fields.at("if_found"), message, "keep those that people are to look for", at_key=True)
    return found


def _follow_up(inner: Fields, word: str, tasks: Mapping[str, str], known: Vocabulary) -> FollowUp:
    report, unfit = inner.report, inner.flag("unfit")
    then = inner.text("then")
    task = None if then is None else check_known(report, inner.at("then"), then, tasks, "task", "tasks")
    if not inner.has("then") and inner.data.get("unfit", False) is False:
        message, mend = f"nothing follows where `{word}` is found", "name a task in `then`, or write `unfit: true`"
        report.error("nothing_follows", inner.path, message, mend, at_key=True)
    elif inner.has("within") and not inner.has("then"):
        message, mend = "`within` says how soon, and nothing says what", "name the task in `then`"
        report.error("within", inner.at("within"), message, mend, at_key=True)
    return FollowUp(word, task, _within(inner, known), unfit)


def _within(inner: Fields, known: Vocabulary) -> Within | None:
    text, path = inner.text("within"), inner.at("within")
    if text is None:
        return None
    amount = read_amount(text)
    if amount is None:
        mend = "write a number and a unit, as in `10 h` or `3 days`"
        inner.report.error("within", path, f"`{text[:60]}` is no amount", mend)
        return None
    made = make_within(amount, known)
    if isinstance(made, Within):
        return made
    if not (made.of_meters and inner.report.unclear_meters):  # the declaration that it leans on has a finding of its own
        inner.report.error("within", path, made.message, made.mend)
    return None
