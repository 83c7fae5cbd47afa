"""Moments that a request names, beside the store's own: what can be known of them."""

from fieldworthy.core.base.finding import Finding
from fieldworthy.core.base.micros import SECOND, micros_text
from fieldworthy.usecases.refusals import QuestionDoesNotFit


def refuse_ahead(as_of: int | None, moment: int, known: int = 0) -> None:
    """
    moment: the store's now; what lies less than a second after it the store has let pass (`KeepStore.look`).

    known: since when what is asked about is known. Where the store's clock was set back that lies ahead of it, and is told as the `as_of`
    of answers: it can be asked for, since whatever is kept from now on is known since later than that (`kept.next_known`).

    Raises QuestionDoesNotFit where nobody can know yet what will be known at `as_of`.
    """
    if as_of is not None and as_of > max(moment + SECOND, known):
        message = "`as_of` lies ahead: what will be known then is not known"
        raise QuestionDoesNotFit([Finding("question.as_of", message, f"it is {to_the_second(moment)}", path="/as_of")])


def to_the_second(moment: int) -> str:
    """The moment in a sentence."""
    return micros_text(moment - moment % SECOND)
