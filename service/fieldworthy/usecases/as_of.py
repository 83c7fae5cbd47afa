"""Moments that a request names, beside the store's own: what can be known of them."""

from fieldworthy.core.base.finding import Finding
from fieldworthy.core.base.micros import SECOND, micros_text
from fieldworthy.usecases.refusals import QuestionDoesNotFit


def refuse_ahead(as_of: int | None, moment: int) -> None:
    """
    moment: the store's now; what lies less than a second after it the store has let pass (`KeepStore.look`).

    Raises QuestionDoesNotFit where nobody can know yet what will be known at `as_of`.
    """
    if as_of is not None and as_of > moment + SECOND:
        message = "`as_of` lies ahead: what will be known then is not known"
        raise QuestionDoesNotFit([Finding("question.as_of", message, f"it is {to_the_second(moment)}", path="/as_of")])


def to_the_second(moment: int) -> str:
    """The moment in a sentence."""
    return micros_text(moment - moment % SECOND)
