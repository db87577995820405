"""The share standing against published survival tables."""

from __future__ import annotations

import csv
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from api.standing import Fall, standing, survived
from collector.errors import InvalidError
from tests.recordings import recording

INF = math.inf


def test_kaplan_meier_of_the_six_mp_arm() -> None:
    # Freireich 6-MP arm; Klein and Moeschberger, table 4.1 (three digits, from memory).
    failed = [6, 6, 6, 7, 10, 13, 16, 22, 23]
    sound = [6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]
    curve = standing([(t, t) for t in failed] + [(t, INF) for t in sound])
    expected = {6: 0.8571, 7: 0.8067, 10: 0.7529, 13: 0.6902, 16: 0.6275, 22: 0.5378, 23: 0.4482}
    for week, share in expected.items():
        assert curve.after(week) == pytest.approx((share, share), abs=5e-5)
    assert curve.count == 21
    # The median is 23 weeks: the first at which no more than half stand.
    assert curve.after(22)[0] > 0.5 >= curve.after(23)[0]


def test_kaplan_meier_step_by_step_with_greenwoods_error() -> None:
    # The same arm; at risk, share and error by Greenwood's formula (recomputed with lifelines).
    failed = [6.0, 6, 6, 7, 10, 13, 16, 22, 23]
    sound = [6.0, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]
    steps = survived(failed, sound)
    assert [step.value for step in steps] == [6, 7, 10, 13, 16, 22, 23]
    assert [step.at_risk for step in steps] == [21, 17, 15, 12, 11, 7, 6]
    assert [step.share for step in steps] == pytest.approx(
        [0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482], abs=5e-5
    )
    assert [step.error for step in steps] == pytest.approx(
        [0.0764, 0.0869, 0.0963, 0.1068, 0.1141, 0.1282, 0.1346], abs=5e-5
    )
    # The step-by-step estimate and the interval-censored one agree where both apply.
    curve = standing([(t, t) for t in failed] + [(t, INF) for t in sound])
    for step in steps:
        assert curve.after(step.value)[0] == pytest.approx(step.share, abs=1e-5)
    assert survived([], sound) == ()
    (last,) = survived([3.0, 3.0], [])
    assert (last.share, last.error) == (0, 0)


@pytest.mark.recordings
def test_interval_censored_radiation_arm() -> None:
    # Fay and Shaw (2010), J. Stat. Softw. 36(2); data of Finkelstein and Wolfe (1985).
    with recording("bcos_radiation.csv").open(newline="") as file:
        rows = [
            (float(row["left"]), float(row["right"]))
            for row in csv.DictReader(file)
            if row["treatment"] == "Rad"
        ]
    assert len(rows) == 46
    curve = standing(rows)
    expected = [
        (4, 5, 0.0463),
        (6, 7, 0.0334),
        (7, 8, 0.0887),
        (11, 12, 0.0708),
        (24, 25, 0.0926),
        (33, 34, 0.0818),
        (38, 40, 0.1209),
        (46, 48, 0.4656),
    ]
    assert [(fall.low, fall.high) for fall in curve.falls] == [(a, b) for a, b, _ in expected]
    assert [fall.share for fall in curve.falls] == pytest.approx(
        [share for _, _, share in expected], abs=5e-5
    )
    after = [curve.after(high)[1] for _, high, _ in expected[:-1]]
    assert after == pytest.approx(
        [0.95365, 0.92029, 0.83162, 0.76087, 0.66822, 0.58644, 0.46556], abs=1.5e-5
    )
    likelihood = sum(
        math.log(sum(f.share for f in curve.falls if low <= f.low and f.high <= high))
        for low, high in rows
    )
    assert likelihood == pytest.approx(-58.0600220, abs=1e-5)


def test_within_a_fall_only_bounds_are_known() -> None:
    curve = standing([(60, 70), (60, 70), (80, 90), (90, INF)])
    assert curve.after(60) == (1, 1)
    assert curve.after(65) == pytest.approx((0.5, 1))
    assert curve.after(70) == pytest.approx((0.5, 0.5))
    assert curve.after(500) == pytest.approx((0, 0.25))


def test_failed_before_the_first_look_and_nothing_at_all() -> None:
    assert standing([(-INF, 50), (50, INF)]).falls == (Fall(-INF, 50, 0.5), Fall(50, INF, 0.5))
    assert standing([]).falls == ()
    with pytest.raises(InvalidError, match="ends before it begins"):
        standing([(70, 60)])


@settings(deadline=None, max_examples=60)
@given(
    st.lists(
        st.tuples(st.integers(0, 8), st.integers(1, 4), st.booleans()).map(
            lambda t: (float(t[0]), INF if t[2] else float(t[0] + t[1]))
        ),
        min_size=1,
        max_size=12,
    )
)
def test_no_other_shares_are_likelier(intervals: list[tuple[float, float]]) -> None:
    curve = standing(intervals)
    shares = np.array([fall.share for fall in curve.falls])
    assert shares.sum() == pytest.approx(1, abs=1e-3)
    within = np.array(
        [[low <= f.low and f.high <= high for f in curve.falls] for low, high in intervals]
    )
    best = np.log(within @ shares).sum()
    rng = np.random.default_rng(0)
    for _ in range(20):
        other = 0.9 * shares + 0.1 * rng.dirichlet(np.ones(len(shares)))
        assert np.log(within @ other).sum() <= best + 1e-3
