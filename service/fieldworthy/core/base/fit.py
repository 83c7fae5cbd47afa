"""Which machines a rulebook, a task, a line or a part is for."""

from dataclasses import dataclass

from fieldworthy.core.base.names import key
from fieldworthy.core.base.truth import Truth, all_of, negate, truth


@dataclass(frozen=True, slots=True)
class Identity:
    """What a request says of a machine. None: not said; an empty set of options: it has none."""

    id: str | None = None
    model: str | None = None
    serial: str | None = None
    options: frozenset[str] | None = None  # by names.key


@dataclass(frozen=True, slots=True)
class Serials:
    """A range of serial numbers, both ends included; None is an open end."""

    first: str | None = None
    last: str | None = None


@dataclass(frozen=True, slots=True)
class Fit:
    """All that is stated must hold. options: all of them fitted; not_options: none of them; models: one of them. Names by `names.key`."""

    options: frozenset[str] = frozenset()
    not_options: frozenset[str] = frozenset()
    models: frozenset[str] = frozenset()
    serials: Serials | None = None


@dataclass(frozen=True, slots=True)
class Fitting:
    """Whether it fits, and what to supply where that can't be decided ("model", "serial", "options")."""

    fits: Truth
    supply: tuple[str, ...] = ()


def compare_serials(a: str, b: str) -> int | None:
    """-1, 0 or 1 by the trailing number where the text before it is the same; None: they can't be compared."""
    (left, x), (right, y) = _split(a), _split(b)
    if not x or not y or left.casefold() != right.casefold():
        return 0 if a.strip() == b.strip() else None
    # digits compare by length and then as text: as exact as numbers, however long they are
    return ((len(x), x) > (len(y), y)) - ((len(x), x) < (len(y), y))


def _split(serial: str) -> tuple[str, str]:
    """The text before the trailing number, and that number without leading zeros (`0` for zero, empty for none)."""
    serial = serial.strip()
    before = serial.rstrip("0123456789")
    digits = serial[len(before) :]
    return before, digits.lstrip("0") or ("0" if digits else "")


def _in_range(serial: str | None, serials: Serials) -> Truth:
    if serial is None:
        return Truth.UNKNOWN
    above = Truth.YES if serials.first is None else _order(compare_serials(serial, serials.first), 1)
    below = Truth.YES if serials.last is None else _order(compare_serials(serial, serials.last), -1)
    return all_of((above, below))


def _order(compared: int | None, wanted: int) -> Truth:
    return truth(None if compared is None else compared in (0, wanted))


def judge_fit(fit: Fit | None, machine: Identity) -> Fitting:
    """Whether `machine` is one of those that `fit` is for; absent means always."""
    if fit is None:
        return Fitting(Truth.YES)
    judged: list[tuple[str, Truth]] = []
    for option in sorted(fit.options | fit.not_options):
        fitted = truth(None if machine.options is None else option in machine.options)
        if option in fit.options:
            judged.append(("options", fitted))
        if option in fit.not_options:
            judged.append(("options", negate(fitted)))
    if fit.models:
        judged.append(("model", truth(None if machine.model is None else key(machine.model) in fit.models)))
    if fit.serials is not None:
        judged.append(("serial", _in_range(machine.serial, fit.serials)))
    fits = all_of(t for _, t in judged)
    open_points = dict.fromkeys(what for what, t in judged if t is Truth.UNKNOWN) if fits is Truth.UNKNOWN else {}
    return Fitting(fits, tuple(open_points))
