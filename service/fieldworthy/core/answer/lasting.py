"""How long an answer stands: to the end of the evidence that carries it."""

from collections.abc import Mapping
from datetime import datetime

from fieldworthy.core.answer.evidence import FOREVER
from fieldworthy.core.base.names import key
from fieldworthy.core.base.truth import Truth, negate
from fieldworthy.core.condition.ast import Condition, IfThen, Joined, Not, NumberTest, StateTest
from fieldworthy.core.condition.walk import Value, judge


def stands_until(c: Condition, values: Mapping[str, Value], ends: Mapping[str, datetime]) -> tuple[Truth, datetime]:
    """
    The truth of `c`, and the last instant at which it is still so if nothing new is reported: the earliest end of the
    evidence that carries it. Where several parts carry it alone, the longest lasting counts. ends: per fact; absent is FOREVER.
    A truth that is not known carries nothing: FOREVER.
    """
    match c:
        case StateTest() | NumberTest():
            return judge(c, values.get(key(c.fact))), ends.get(key(c.fact), FOREVER)
        case Not(part):
            found, end = stands_until(part, values, ends)
            return negate(found), end
        case IfThen(given, then):
            return stands_until(Joined("or", (Not(given), then)), values, ends)
        case Joined(op, parts):
            sides = [stands_until(part, values, ends) for part in parts]
            alone = Truth.NO if op == "and" else Truth.YES  # one such part decides it
            deciding = [end for found, end in sides if found is alone]
            if deciding:
                return alone, max(deciding)
            if any(found is Truth.UNKNOWN for found, _ in sides):
                return Truth.UNKNOWN, FOREVER
            return negate(alone), min(end for _, end in sides)
