"""The scatter of break loads against published Weibull fits."""

from __future__ import annotations

import math

import numpy as np
import pytest

from api.weibull import weibull
from collector.errors import InvalidError

BEARINGS = [
    17.88, 28.92, 33.00, 41.52, 42.12, 45.60, 48.48, 51.84, 51.96, 54.12, 55.56, 67.80,
    68.64, 68.64, 68.88, 84.12, 93.12, 98.64, 105.12, 105.84, 127.92, 128.04, 173.40,
]  # fmt: skip


def test_right_censored_hours_of_the_handbook() -> None:
    # NIST/SEMATECH e-Handbook 8.4.1.3: shape 1.7208, scale 606.5280, mean 540.737, sd 323.806;
    # further digits, -log L 75.1346 and the profile interval by closed-form root, lifelines and
    # scipy.
    fit = weibull([54, 187, 216, 240, 244, 335, 361, 373, 375, 386], [500] * 10)
    assert fit.shape == pytest.approx(1.72079726, rel=1e-6)
    assert fit.scale == pytest.approx(606.5275580, rel=1e-6)
    assert fit.log_likelihood == pytest.approx(-75.1346182, abs=1e-6)
    assert (fit.shape_low, fit.shape_high) == pytest.approx((0.905645, 2.885738), rel=1e-5)
    mean = fit.scale * math.gamma(1 + 1 / fit.shape)
    spread = fit.scale * math.sqrt(
        math.gamma(1 + 2 / fit.shape) - math.gamma(1 + 1 / fit.shape) ** 2
    )
    assert mean == pytest.approx(540.737, rel=1e-5)
    assert spread == pytest.approx(323.806, rel=1e-5)


def test_censored_lecture_example() -> None:
    # scipy stats/tests/test_continuous_fit_censored.py, test_weibull_censored1.
    broken = [3, 5, 8, 15, 22, 23, 29, 32, 35, 40, 26, 28, 21]
    fit = weibull(broken, [6, 10, 11, 20, 27, 33, 24])
    assert (fit.shape, fit.scale) == pytest.approx((2.149, 28.99), rel=1e-3)
    assert (fit.shape, fit.scale) == pytest.approx((2.14937498, 28.99635225), rel=1e-6)
    assert fit.log_likelihood == pytest.approx(-54.1118528, abs=1e-6)


def test_complete_ball_bearings() -> None:
    # Lieblein and Zelen (1956); 81.875 and 2.102 as a survival library's data set quotes them.
    fit = weibull(BEARINGS)
    assert (fit.shape, fit.scale) == pytest.approx((2.10205888, 81.87833405), rel=1e-6)
    assert fit.log_likelihood == pytest.approx(-113.6912909, abs=1e-6)
    assert (fit.shape_low, fit.shape_high) == pytest.approx((1.504146, 2.791533), rel=1e-5)


@pytest.mark.parametrize("factor", [1e-12, 0.1, 1e9])
def test_the_unit_does_not_matter(factor: float) -> None:
    fit, scaled = weibull(BEARINGS), weibull([load * factor for load in BEARINGS])
    assert scaled.shape == pytest.approx(fit.shape, rel=1e-9)
    assert scaled.scale == pytest.approx(fit.scale * factor, rel=1e-9)


def test_a_narrow_scatter_overflows_nothing_and_comes_back() -> None:
    rng = np.random.default_rng(4)
    loads = (120 * rng.weibull(400.0, 60)).tolist()
    fit = weibull([x for x in loads if x <= 120.2], [120.2 for x in loads if x > 120.2])
    assert fit.shape_low < 400 < fit.shape_high
    assert fit.scale == pytest.approx(120, rel=0.002)


@pytest.mark.parametrize("loads", [[], [50.0], [50.0, 50.0]])
def test_no_scatter_is_told_from_fewer_than_two_loads(loads: list[float]) -> None:
    with pytest.raises(InvalidError, match="two different loads"):
        weibull(loads, [60.0] * 5)
