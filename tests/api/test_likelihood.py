"""The shared likelihood of small censored groups, against scipy and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from api.likelihood import Interval, at_least_share, compared, difference, normal_profile

GRID = np.arange(40, 140, 0.05)
SPREADS = np.geomspace(0.4, 20, 400)


def test_complete_results_give_the_t_interval() -> None:
    values = np.array([81.2, 84.9, 79.5, 88.1, 83.0])
    profile = normal_profile(GRID, SPREADS, np.empty(0), np.empty(0), values)
    expected = stats.t.interval(0.95, 4, values.mean(), stats.sem(values))
    interval = profile.interval()
    assert profile.best == pytest.approx(values.mean(), abs=0.05)
    assert (interval.low, interval.high) == pytest.approx(expected, abs=0.02)
    assert profile.p_value(78.0) == pytest.approx(stats.ttest_1samp(values, 78.0).pvalue, rel=0.02)


def test_interval_censored_maximum_agrees_with_scipy() -> None:
    # scipy.stats.CensoredData, fitted by its own optimiser.
    low = np.array([70.0, 75, 80, 80, 85, 90])
    high = np.array([75.0, 80, 85, 85, 90, np.inf])
    profile = normal_profile(GRID, SPREADS, low, high)
    censored: stats.CensoredData = stats.CensoredData(
        interval=np.column_stack((low[:-1], high[:-1])), right=np.array([90.0])
    )
    location, spread = stats.norm.fit(censored)
    assert profile.best == pytest.approx(location, abs=0.06)
    masses = stats.norm.cdf(high, location, spread) - stats.norm.cdf(low, location, spread)
    assert profile.values.max() == pytest.approx(float(np.log(masses).sum()), abs=1e-3)


def test_far_tails_stay_finite() -> None:
    profile = normal_profile(
        np.array([0.0, 100.0]), np.array([0.4]), np.array([99.0]), np.array([101.0])
    )
    # 247.5 spreads away: about -z²/2.
    assert profile.values[0] == pytest.approx(-0.5 * 247.5**2, rel=1e-3)
    assert profile.values[1] == pytest.approx(0, abs=0.02)


def test_an_interval_is_open_where_nothing_bounds_it() -> None:
    low, high = np.full(4, 90.0), np.full(4, np.inf)
    interval = normal_profile(GRID, SPREADS, low, high).interval()
    assert interval.high is None
    assert interval.low is not None
    assert interval.holds(1_000)
    assert not interval.holds(50)


def test_difference_of_complete_groups() -> None:
    first, second = np.array([80.0, 82, 84]), np.array([90.0, 91, 95])
    a, b = (normal_profile(GRID, SPREADS, np.empty(0), np.empty(0), x) for x in (first, second))
    between = difference(a, b)
    assert between.best == pytest.approx(10, abs=0.1)
    assert between.df == 4
    assert between.interval().holds(10)
    back = difference(b, a)
    assert back.best == pytest.approx(-between.best, abs=1e-9)
    assert back.p_value(0) == pytest.approx(between.p_value(0), rel=1e-9)


def test_pairs_share_the_level_by_holm() -> None:
    groups = {"a": [80.0, 82, 84], "b": [90.0, 91, 95], "c": [81.0, 83, 88]}
    empty = np.empty(0)
    profiles = {
        name: normal_profile(GRID, SPREADS, empty, empty, np.array(values))
        for name, values in groups.items()
    }
    pairs = [("a", "b"), ("a", "c"), ("b", "c")]
    single = [difference(profiles[x], profiles[y]).p_value(0) for x, y in pairs]
    adjusted = {(x, y): p for x, y, _, p in compared(profiles, pairs)}
    assert adjusted["a", "b"] == pytest.approx(3 * min(single))
    assert adjusted["a", "c"] == pytest.approx(max(single), rel=1e-9)


def test_all_of_n_passed() -> None:
    # 0.05^(1/n): 5 %, 37 %, 55 %, 74 % for 1, 3, 5 and 10 parts.
    shares = [at_least_share(n, n) for n in (1, 3, 5, 10)]
    assert shares == pytest.approx([0.05, 0.3684, 0.5493, 0.7411], abs=5e-5)
    assert at_least_share(0, 5) == 0
    # 0 of 30 failed: the upper bound 1 - 0.05^(1/30) = 0.0950339 for failures.
    assert 1 - at_least_share(30, 30) == pytest.approx(0.0950339, abs=1e-7)
    two_sided = stats.binomtest(4, 5).proportion_ci(0.90, "exact").low
    assert at_least_share(4, 5) == pytest.approx(two_sided)


def test_an_independent_error_widens_by_the_root_of_squares() -> None:
    assert Interval(70, None).widened(73, 4) == Interval(73 - math.hypot(3, 4), None)
