"""What a machine can do by itself: whether some order of happenings leads from here to a hazard, and over which happenings."""

from dataclasses import dataclass

from fieldworthy.core.base.truth import Truth
from fieldworthy.core.procedure.bits import NOBODY, Danger, Move, Others


class TooFar(Exception):
    """The search met its bound."""


@dataclass(slots=True)
class Looks:
    """How many happenings and hazards may still be looked at, over several searches."""

    left: int


@dataclass(frozen=True, slots=True)
class Ahead:
    """found: whether the hazard is, or comes about; over: the fewest happenings that lead to it, () where it is there already."""

    found: Truth
    over: tuple[Move, ...] = ()


def look_ahead(danger: Danger, state: int, looks: Looks, others: Others = NOBODY) -> Ahead:
    """
    YES where it surely is, or surely can come about; NO where it surely can't, in whatever order things happen. Raises TooFar.

    others: by whom else something may come about. Breadth first, each state once; the happenings in the order of declaration.
    """
    perhaps = _search(danger, state, False, looks, others)
    if perhaps is None:
        return Ahead(Truth.NO)
    surely = _search(danger, state, True, looks, others)
    return Ahead(Truth.UNKNOWN, perhaps) if surely is None else Ahead(Truth.YES, surely)


def _search(danger: Danger, state: int, sure: bool, looks: Looks, others: Others) -> tuple[Move, ...] | None:
    came: dict[int, tuple[Move, ...]] = {state: ()}
    ahead = [state]
    for here in ahead:
        if danger.present(here) if sure else danger.perhaps(here):
            return came[here]
        looks.left -= 1 + len(danger.stirs)
        if looks.left < 0:
            raise TooFar
        for happening in danger.stirs:
            if others.bring(happening, here, sure):
                then = happening.after(here)
                if then not in came:
                    came[then] = (*came[here], happening)
                    ahead.append(then)
    return None
