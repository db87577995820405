"""Corrections: valid from their date, monotone, and never a change to what was received."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.calibration import Chain, Correction, apply
from collector.errors import InvalidError
from collector.signals import Platinum

DAY_MS = 86_400_000


def corrected(correction: Correction, *values: float) -> list[float]:
    found: list[float] = correction.apply(np.array(values)).tolist()
    return found


def test_an_offset_moves_every_reading_alike() -> None:
    assert corrected(Correction.offset(0, -0.7), 21.4, -5.0) == [20.7, -5.7]
    assert corrected(Correction(0, ((0.3, 0.0),)), 21.4) == [21.1]


def test_two_points_make_a_straight_line_without_end() -> None:
    # Ice water read 0.3, boiling water (at 99.6 °C) read 98.8.
    line = Correction(0, ((0.3, 0.0), (98.8, 99.6)))
    assert corrected(line, 0.3, 98.8, 49.55) == [0.0, 99.6, 49.8]
    slope = 99.6 / 98.5
    assert corrected(line, -20.0, 150.0) == pytest.approx([-20.3 * slope, 149.7 * slope], abs=1e-9)
    assert line.covers(50.0)
    assert not line.covers(150.0)


def test_several_points_are_joined_and_go_straight_on_beyond_the_ends() -> None:
    bent = Correction(0, ((0.0, 0.0), (50.0, 51.0), (100.0, 100.0)))
    assert corrected(bent, 0.0, 25.0, 50.0, 75.0, 100.0) == [0.0, 25.5, 51.0, 75.5, 100.0]
    assert corrected(bent, -10.0, 150.0) == pytest.approx([-10.2, 149.0], abs=1e-9)
    assert not bent.affine


@pytest.mark.parametrize(
    "points",
    [
        (),
        ((math.nan, 0.0),),
        ((0.0, 0.0), (0.0, 1.0)),  # one reading for two temperatures
        ((0.0, 1.0), (100.0, 1.0)),  # flat
        ((0.0, 100.0), (100.0, 0.0)),  # taken down crosswise
        ((0.0, 0.0), (50.0, 60.0), (100.0, 55.0)),  # turns back
        ((100.0, 100.0), (0.0, 0.0)),  # out of order
    ],
)
def test_a_correction_that_does_not_rise_is_refused(
    points: tuple[tuple[float, float], ...],
) -> None:
    with pytest.raises(InvalidError) as caught:
        Correction(0, points)
    assert caught.value.where == "points"


def test_the_latest_correction_not_after_the_reading_counts() -> None:
    corrections = [Correction.offset(3 * DAY_MS, 3.0), Correction.offset(1 * DAY_MS, 1.0)]
    times = np.array([0, DAY_MS - 1, DAY_MS, 3 * DAY_MS - 1, 3 * DAY_MS, 9 * DAY_MS])
    found = apply(np.full(6, 20.0), times, None, corrections)
    assert found.tolist() == [20.0, 20.0, 21.0, 21.0, 23.0, 23.0]


def test_a_correction_dated_back_takes_effect_on_old_readings() -> None:
    times = np.array([DAY_MS, 2 * DAY_MS])
    first = [Correction.offset(2 * DAY_MS, 1.0)]
    assert apply(np.full(2, 20.0), times, None, first).tolist() == [20.0, 21.0]
    late = [*first, Correction.offset(0, -1.0)]
    assert apply(np.full(2, 20.0), times, None, late).tolist() == [19.0, 21.0]


def test_of_two_from_the_same_moment_the_one_given_last_counts() -> None:
    chain = Chain(None, (Correction.offset(0, 1.0), Correction.offset(0, 2.0)))
    assert chain.apply(np.array([20.0]), np.array([0])).tolist() == [22.0]
    assert chain.apply_one(20.0, 0) == 22.0


def test_ohms_are_converted_and_then_corrected() -> None:
    ohms = np.array([Platinum().at(50.0), Platinum().at(50.0)])
    chain = Chain(Platinum(), (Correction.offset(10, 0.25),))
    assert chain.apply(ohms, np.array([0, 10])).tolist() == [50.0, 50.25]


def test_a_chain_without_anything_leaves_every_digit() -> None:
    values = np.array([0.1 + 0.2, 5e-324, 1.7976931348623157e308, -0.0])
    assert Chain().changes_nothing
    assert Chain().apply(values, np.arange(4)) is values
    assert not Chain().outside(values).any()
    early = Chain(None, (Correction.offset(100, 1.0),))
    assert early.apply(values, np.arange(4)).tolist() == values.tolist()


def test_what_is_received_is_not_changed_in_place() -> None:
    ohms = np.array([80.0, 119.4])
    Chain(Platinum(), (Correction.offset(0, 1.0),)).apply(ohms, np.array([0, 1]))
    assert ohms.tolist() == [80.0, 119.4]


rising = st.lists(
    st.tuples(st.floats(0.1, 50.0), st.floats(0.1, 50.0)), min_size=1, max_size=6
).map(lambda steps: tuple(map(tuple, np.cumsum(steps, axis=0).tolist())))


@given(points=rising, values=st.lists(st.floats(-300.0, 2_000.0), min_size=2, max_size=40))
def test_corrections_keep_the_order_of_readings(
    points: tuple[tuple[float, float], ...], values: list[float]
) -> None:
    correction = Correction(0, points)
    near = [end for read, _ in points for end in (np.nextafter(read, -np.inf), read)]
    ordered = np.sort(np.array([*values, *near]))
    found = correction.apply(ordered)
    assert (np.diff(found) >= 0).all()
    for value, together in zip(ordered.tolist(), found.tolist(), strict=True):
        assert correction.apply_one(value) == pytest.approx(together, abs=2e-9, rel=1e-12)
    # At the pairs themselves it gives what was true.
    for read, true in points:
        assert correction.apply_one(read) == pytest.approx(true, abs=1e-8)


@given(points=rising, value=st.floats(0.0, 300.0))
def test_the_correction_turned_round_leads_back(
    points: tuple[tuple[float, float], ...], value: float
) -> None:
    back = Correction(0, tuple((true, read) for read, true in points))
    there = Correction(0, points).apply_one(value)
    # Rounding to nine decimals is all that is lost, times the steepest slope on the way back.
    assert back.apply_one(there) == pytest.approx(value, abs=1e-6)
