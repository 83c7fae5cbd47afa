"""Which machines something is for: serial numbers, options, models, and what is not known."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldworthy.core.base.fit import Fit, Fitting, Identity, Serials, compare_serials, judge_fit
from fieldworthy.core.base.truth import Truth

NET, KNIFE = "net wrap", "crop cutter"


@pytest.mark.parametrize(
    ("a", "b", "compared"),
    [
        ("R5-0100", "R5-0417", -1),
        ("R5-0417", "R5-0417", 0),
        ("R5-1000", "R5-0999", 1),
        ("R5-99", "R5-100", -1),  # by number, not by letters
        ("R5-007", "R5-7", 0),
        ("r5-0417", "R5-0417", 0),
        (" R5-0417 ", "R5-0417", 0),
        ("417", "0500", -1),
        ("R5-0417", "R6-0417", None),  # another series
        ("R5-0417", "0417", None),
        ("R5-0417", "R5-041A", None),  # no trailing number
        ("ABC", "ABC", 0),
        ("ABC", "ABD", None),
        ("", "", 0),
        ("", "1", None),
    ],
)
def test_serials(a: str, b: str, compared: int | None) -> None:
    assert compare_serials(a, b) == compared
    assert compare_serials(b, a) == (None if compared is None else -compared)


@given(st.text("RXrx-/ ", max_size=5), st.integers(0, 10**12), st.integers(0, 10**12))
def test_serials_of_one_series_are_in_the_order_of_their_numbers(series: str, a: int, b: int) -> None:
    assert compare_serials(f"{series}{a}", f"{series}{b:015d}") == (a > b) - (a < b)


@given(st.text(max_size=20), st.text(max_size=20))
def test_no_text_makes_comparing_raise(a: str, b: str) -> None:
    assert compare_serials(a, b) in (-1, 0, 1, None)
    assert compare_serials(a, a) == 0


def fitting(fit: Fit | None, machine: Identity) -> tuple[Truth, tuple[str, ...]]:
    found = judge_fit(fit, machine)
    return found.fits, found.supply


YES, NO, UNKNOWN = (Truth.YES, ()), (Truth.NO, ()), Truth.UNKNOWN
RANGE = Serials("R5-0100", "R5-0999")


@pytest.mark.parametrize(
    ("fit", "machine", "wanted"),
    [
        (None, Identity(), YES),
        (Fit(), Identity(), YES),
        (Fit(options=frozenset({NET})), Identity(options=frozenset({NET, KNIFE})), YES),
        (Fit(options=frozenset({NET})), Identity(options=frozenset()), NO),  # none is none
        (Fit(options=frozenset({NET})), Identity(options=None), (UNKNOWN, ("options",))),  # not said is not none
        (Fit(options=frozenset({NET, KNIFE})), Identity(options=frozenset({NET})), NO),  # all of them
        (Fit(not_options=frozenset({NET})), Identity(options=frozenset({KNIFE})), YES),
        (Fit(not_options=frozenset({NET})), Identity(options=frozenset({NET})), NO),
        (Fit(not_options=frozenset({NET})), Identity(), (UNKNOWN, ("options",))),
        (Fit(models=frozenset({"r5", "r5 wrap"})), Identity(model="R5  Wrap"), YES),  # any of them, by names.key
        (Fit(models=frozenset({"r5"})), Identity(model="R7"), NO),
        (Fit(models=frozenset({"r5"})), Identity(), (UNKNOWN, ("model",))),
        (Fit(serials=RANGE), Identity(serial="R5-0100"), YES),  # both ends belong to it
        (Fit(serials=RANGE), Identity(serial="R5-0999"), YES),
        (Fit(serials=RANGE), Identity(serial="R5-0099"), NO),
        (Fit(serials=RANGE), Identity(serial="R5-1000"), NO),
        (Fit(serials=RANGE), Identity(serial="Q-500"), (UNKNOWN, ("serial",))),
        (Fit(serials=RANGE), Identity(), (UNKNOWN, ("serial",))),
        (Fit(serials=Serials("R5-0100", None)), Identity(serial="R5-9999"), YES),
        (Fit(serials=Serials(None, "R5-0100")), Identity(serial="R5-9999"), NO),
        # a NO decides, whatever else is not known; then nothing has to be supplied
        (Fit(options=frozenset({NET}), models=frozenset({"r5"})), Identity(model="R7"), NO),
        (Fit(options=frozenset({NET}), models=frozenset({"r5"}), serials=RANGE), Identity(), (UNKNOWN, ("options", "model", "serial"))),
        (Fit(options=frozenset({NET}), models=frozenset({"r5"})), Identity(model="R5"), (UNKNOWN, ("options",))),
    ],
)
def test_fits(fit: Fit | None, machine: Identity, wanted: tuple[Truth, tuple[str, ...]]) -> None:
    assert fitting(fit, machine) == wanted


options = st.frozensets(st.sampled_from(["a", "b", "c"]))
fits = st.builds(
    Fit, options, options, st.frozensets(st.sampled_from(["m", "n"])), st.none() | st.builds(Serials, st.just("S1"), st.just("S5"))
)
machines = st.builds(
    Identity,
    model=st.none() | st.sampled_from(["M", "n", "o"]),
    serial=st.none() | st.sampled_from(["S0", "S3", "T3"]),
    options=st.none() | options,
)


@given(fits, machines, st.sampled_from(["M", "n", "o"]), st.sampled_from(["S0", "S3"]), options)
def test_learning_more_never_turns_an_answer(fit: Fit, machine: Identity, model: str, serial: str, fitted: frozenset[str]) -> None:
    before = judge_fit(fit, machine)
    known_serial = serial if machine.serial is None else machine.serial
    learned = Identity(None, machine.model or model, known_serial, fitted if machine.options is None else machine.options)
    after = judge_fit(fit, learned)
    if before.fits is not Truth.UNKNOWN:
        assert after == Fitting(before.fits)
    else:
        assert before.supply
