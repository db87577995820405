"""Plain binomial fits against published tables: O-rings, beetles, menarche, poisons.

Where a number was only recalled from the publication it says "from memory"; such digits were
recomputed from the data. "Reference library" is statsmodels 0.15.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
import statsmodels.api as sm  # type: ignore[import-untyped]

from api.causes.classical import ClassicalFit, classical
from api.causes.glm import BinomialFit, LinkFunction, Runaway, fit_binomial, profile, runaways
from api.causes.rows import Floats
from tests.api.causes.logs import ORING_ANY, ORING_DAMAGED, ORING_F, ORING_OF_SIX, celsius


def column(values: Sequence[float]) -> Floats:
    return np.array(values, dtype=np.float64)


def fit_on(
    x: Sequence[float],
    failed: Sequence[float],
    of: Sequence[float],
    link: LinkFunction = LinkFunction.LOGIT,
) -> BinomialFit:
    design = np.column_stack([np.ones(len(x)), column(x)])
    return fit_binomial(design, column(failed) / column(of), column(of), link=link)


def classical_on(x: Sequence[float], failed: Sequence[float], of: Sequence[float]) -> ClassicalFit:
    """The classical fit with ``x`` taken as °C, whatever it is."""
    found = classical(column(x), column(failed) / column(of), column(of))
    assert isinstance(found, ClassicalFit)
    return found


def orings(failed: Sequence[int], of: int) -> ClassicalFit:
    """An O-ring table, °F converted on the way in."""
    return classical_on([celsius(t) for t in ORING_F], failed, [of] * len(ORING_F))


def ends(interval: object) -> list[float]:
    lo, hi = interval.lo, interval.hi  # type: ignore[attr-defined]
    assert lo is not None
    assert hi is not None
    return [lo, hi]


def test_orings_any_distress_in_fahrenheit() -> None:
    """Table A. BYU-Idaho Statistics Notebook, "Challenger Logistic Regression" (glm output)."""
    fit = orings(ORING_ANY, 1)
    f = fit.fahrenheit
    assert [f.intercept, f.slope] == pytest.approx([15.0429, -0.2322], abs=1e-4)
    assert [f.intercept_error, f.slope_error] == pytest.approx([7.3786, 0.1082], abs=1e-4)
    assert fit.wald_p == pytest.approx(0.0320, abs=1e-4)
    assert [f.intercept, f.slope] == pytest.approx([15.04290165, -0.23216274], rel=1e-6)
    assert [f.intercept_error, f.slope_error] == pytest.approx([7.37863638, 0.10823652], rel=1e-6)
    assert fit.null_deviance == pytest.approx(28.2671527, rel=1e-6)
    assert fit.deviance == pytest.approx(20.3151927, rel=1e-6)
    assert (fit.null_df, fit.df) == (22, 21)
    assert fit.aic == pytest.approx(24.315, abs=1e-3)


def test_orings_any_distress_likelihood_ratio() -> None:
    """Table A; 7.95 from memory of Agresti, Categorical Data Analysis; recomputed."""
    fit = orings(ORING_ANY, 1)
    assert fit.ratio_statistic == pytest.approx(7.9520, abs=1e-4)
    assert fit.ratio_p == pytest.approx(0.004804, abs=1e-6)


def test_orings_in_celsius_are_the_same_fit() -> None:
    """b1 times 1.8, T50 converted, deviance unchanged."""
    fit = orings(ORING_ANY, 1)
    c = fit.celsius
    assert c.slope == pytest.approx(-0.23216274 * 1.8, abs=1e-6)
    assert c.intercept == pytest.approx(7.6136940, abs=1e-6)
    assert c.t50 == pytest.approx(18.219245, abs=1e-5)
    in_f = classical_on(ORING_F, ORING_ANY, [1] * 23)
    assert in_f.deviance == pytest.approx(fit.deviance, abs=1e-9)
    assert in_f.celsius.slope == pytest.approx(fit.fahrenheit.slope, rel=1e-9)
    assert in_f.celsius.intercept_error == pytest.approx(fit.fahrenheit.intercept_error, rel=1e-9)
    assert ends(in_f.celsius.t50_profile) == pytest.approx(ends(fit.fahrenheit.t50_profile))


@pytest.mark.parametrize(
    ("temperature_f", "risk"), [(53, 0.939248), (65, 0.488083), (70, 0.229968), (75, 0.085544)]
)
def test_orings_risk_within_the_data(temperature_f: float, risk: float) -> None:
    """Table A; reference library."""
    at = orings(ORING_ANY, 1).risk_at(celsius(temperature_f))
    assert at.risk == pytest.approx(risk, abs=1e-5)
    assert not at.extrapolated
    assert at.note is None


def test_orings_at_31_fahrenheit_are_flagged_as_beyond_the_data() -> None:
    """0.9996 from memory of Agresti; interval by the reference library. 22 °F below the coldest."""
    at = orings(ORING_ANY, 1).risk_at(celsius(31))
    assert at.risk == pytest.approx(0.99961, abs=1e-4)
    assert [at.lo, at.hi] == pytest.approx([0.48157, 1.0], abs=1e-4)
    assert at.extrapolated
    assert at.note is not None
    assert "12.2 °C colder than the coldest print" in at.note


def test_orings_half_risk_by_three_methods() -> None:
    """Table A; the spread between the methods is the point. Reference: computed separately."""
    fit = orings(ORING_ANY, 1)
    f = fit.fahrenheit
    assert [f.t50, f.t50_error] == pytest.approx([64.7946, 2.8090], abs=1e-3)
    assert ends(f.t50_delta) == pytest.approx([59.289, 70.300], abs=1e-3)
    assert ends(f.t50_fieller) == pytest.approx([27.633, 69.737], abs=1e-3)
    assert fit.fieller_g == pytest.approx(0.8349, abs=1e-4)
    assert ends(f.t50_profile) == pytest.approx([52.4873, 69.2699], abs=1e-3)


def test_orings_profile_intervals_of_slope_and_intercept() -> None:
    """Table A; reference computed separately."""
    f = orings(ORING_ANY, 1).fahrenheit
    assert ends(f.slope_profile) == pytest.approx([-0.515433, -0.060786], abs=1e-4)
    design = np.column_stack([np.ones(23), column(ORING_F)])
    assert profile(design, column(ORING_ANY), 0) == pytest.approx((3.3287, 34.3396), abs=1e-3)


def test_orings_of_six_as_dalal_counted_them() -> None:
    """Table B: Dalal, Fowlkes and Hoadley (1989), p. 4, quoted in a stored reproduction."""
    fit = orings(ORING_OF_SIX, 6)
    f = fit.fahrenheit
    assert [f.intercept, f.slope] == pytest.approx([5.085, -0.1156], abs=5e-4)
    assert [f.intercept_error, f.slope_error] == pytest.approx([3.052, 0.047], abs=5e-4)
    assert fit.deviance == pytest.approx(18.086, abs=5e-4)
    assert [f.intercept, f.slope] == pytest.approx([5.08497723, -0.11560117], rel=1e-6)
    assert [fit.deviance, fit.null_deviance] == pytest.approx([18.0863267, 24.2303618], rel=1e-6)
    at = fit.risk_at(celsius(31))
    assert at.risk == pytest.approx(0.817774, abs=1e-5)
    # The printed limits were made with 1.96 in place of 1.959964.
    assert [at.lo, at.hi] == pytest.approx([0.15959, 0.99066], abs=2e-5)


def test_orings_of_six_as_faraway_lists_them() -> None:
    """Table C: Faraway, Extending the Linear Model with R (2006), 2.1-2.2, from memory."""
    fit = orings(ORING_DAMAGED, 6)
    f = fit.fahrenheit
    assert [f.intercept, f.slope] == pytest.approx([11.66299, -0.21623], abs=1e-4)
    assert [f.intercept_error, f.slope_error] == pytest.approx([3.29626, 0.05318], abs=1e-4)
    assert [fit.null_deviance, fit.deviance] == pytest.approx([38.89766, 16.91228], abs=1e-4)
    assert fit.aic == pytest.approx(33.67479, abs=1e-4)
    assert fit.risk_at(celsius(31)).risk == pytest.approx(0.9930342, abs=1e-6)
    assert ends(f.slope_profile) == pytest.approx([-0.33265, -0.12017], abs=1e-3)
    assert f.t50 == pytest.approx(53.9370, abs=1e-3)
    assert ends(f.t50_profile) == pytest.approx([45.6546, 57.6827], abs=1e-3)
    assert ends(f.t50_fieller) == pytest.approx([45.5241, 57.7012], abs=1e-3)
    design = np.column_stack([np.ones(23), column(ORING_F)])
    found = profile(design, column(ORING_DAMAGED) / 6.0, 0, np.full(23, 6.0))
    assert found == pytest.approx((5.57503, 18.73665), abs=1e-3)


def test_orings_with_sts_4_counted_as_undamaged() -> None:
    """Table A plus 80 °F: stored blog page "thoughtfulexaminations" (glm output)."""
    fit = fit_on([*ORING_F, 80], [*ORING_ANY, 0], [1] * 24)
    assert fit.coefficients == pytest.approx([15.2968, -0.2360], abs=1e-4)
    assert fit.errors == pytest.approx([7.3286, 0.1074], abs=1e-4)
    assert [fit.null_deviance, fit.deviance] == pytest.approx([28.975, 20.371], abs=1e-3)
    assert fit.aic == pytest.approx(24.371, abs=1e-3)


BEETLE_DOSE = (1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839)
BEETLE_N = (59, 60, 62, 56, 63, 59, 62, 60)
BEETLE_KILLED = (6, 13, 18, 28, 52, 53, 61, 60)


@pytest.mark.parametrize(
    ("link", "coefficients", "errors", "deviance"),
    [
        (LinkFunction.LOGIT, (-60.717, 34.270), (5.181, 2.912), 11.232),
        (LinkFunction.PROBIT, (-34.935, 19.728), (2.648, 1.487), 10.120),
        (LinkFunction.CLOGLOG, (-39.572, 22.041), (3.240, 1.799), 3.446),
    ],
)
def test_beetles(
    link: LinkFunction,
    coefficients: tuple[float, float],
    errors: tuple[float, float],
    deviance: float,
) -> None:
    """Bliss (1935); Dobson, An Introduction to Generalized Linear Models, ch. 7, from memory."""
    fit = fit_on(BEETLE_DOSE, BEETLE_KILLED, BEETLE_N, link)
    assert fit.coefficients == pytest.approx(coefficients, abs=1e-3)
    assert fit.errors == pytest.approx(errors, abs=1e-3)
    assert fit.deviance == pytest.approx(deviance, abs=1e-3)


def test_beetles_half_dose() -> None:
    """Intervals by reference computed separately; a rising curve."""
    c = classical_on(BEETLE_DOSE, BEETLE_KILLED, BEETLE_N).celsius
    assert [c.t50, c.t50_error] == pytest.approx([1.771721, 0.003858], abs=1e-6)
    assert ends(c.t50_fieller) == pytest.approx([1.763858, 1.779200], abs=1e-6)
    assert ends(c.t50_profile) == pytest.approx([1.763982, 1.779187], abs=1e-6)


def test_menarche() -> None:
    """Milicer and Szczotka (1966), MASS::menarche; Venables and Ripley, Modern Applied
    Statistics with S (-21.2264, 1.6320, 26.70), from memory; recomputed."""
    age = [9.21, 10.21, *(10.58 + 0.25 * i for i in range(22)), 17.58]
    total = (
        *(376, 200, 93, 120, 90, 88, 105, 111, 100, 93, 100, 108, 99),
        *(106, 105, 117, 98, 97, 120, 102, 122, 111, 94, 114, 1049),
    )
    reached = (
        *(0, 0, 0, 2, 2, 5, 10, 17, 16, 29, 39, 51, 47),
        *(67, 81, 88, 79, 90, 113, 95, 117, 107, 92, 112, 1049),
    )
    fit = classical_on(age, reached, total)
    c = fit.celsius
    assert [c.intercept, c.slope] == pytest.approx([-21.22639, 1.63197], abs=1e-4)
    assert [c.intercept_error, c.slope_error] == pytest.approx([0.77069, 0.05895], abs=1e-4)
    assert fit.deviance == pytest.approx(26.7035, abs=1e-4)
    assert fit.df == 23
    assert [c.t50, c.t50_error] == pytest.approx([13.00662, 0.03867], abs=1e-4)


def test_rotenone() -> None:
    """Finney (1971); table and LD50 = 4.85 quoted from Finney 1952, table 6.3."""
    dose = np.log10([10.2, 7.7, 5.1, 3.8, 2.6]).tolist()
    of, killed = (50, 49, 46, 48, 50), (44, 42, 24, 16, 6)
    fit = fit_on(dose, killed, of, LinkFunction.PROBIT)
    assert fit.coefficients == pytest.approx([-2.88746, 4.21320], abs=1e-3)
    assert 10 ** (-fit.coefficients[0] / fit.coefficients[1]) == pytest.approx(4.8455, abs=1e-3)
    logit = classical_on(dose, killed, of).celsius.t50
    assert logit is not None
    assert 10**logit == pytest.approx(4.8290, abs=1e-3)


def test_rotenone_fieller() -> None:
    """Limits 4.3645 to 5.3544 of the probit fit; reference computed separately."""
    from api.causes.classical import fieller

    dose = np.log10([10.2, 7.7, 5.1, 3.8, 2.6]).tolist()
    fit = fit_on(dose, (44, 42, 24, 16, 6), (50, 49, 46, 48, 50), LinkFunction.PROBIT)
    lo, hi = fieller(fit.coefficients[0], fit.coefficients[1], fit.covariance)
    assert [lo, hi] == pytest.approx([0.639934, 0.728710], abs=1e-5)


def test_pesticide() -> None:
    """Statistics Q&A "How to estimate confidence intervals for LC50"; survivors fall with dose."""
    dose = [100.0 * i for i in range(9)]
    fit = classical_on(dose, (20, 20, 20, 18, 13, 8, 3, 0, 0), [20] * 9)
    c = fit.celsius
    assert [c.intercept, c.intercept_error] == pytest.approx([6.992127, 1.121066], abs=1e-5)
    assert [c.slope, c.slope_error] == pytest.approx([-0.015196, 0.002366], abs=1e-6)
    assert [fit.null_deviance, fit.deviance] == pytest.approx([163.5934, 3.2464], abs=1e-3)
    assert fit.aic == pytest.approx(19.401, abs=1e-3)
    assert [c.t50, c.t50_error] == pytest.approx([460.1353, 18.16643], abs=1e-3)
    assert ends(c.t50_fieller) == pytest.approx([422.838, 497.616], abs=1e-3)
    assert ends(c.t50_profile) == pytest.approx([424.154, 496.229], abs=1e-3)


def test_an_unbounded_fieller_interval_is_said_to_be_unbounded() -> None:
    """g >= 1: half the flights of table A are too few; never swapped or clipped."""
    fit = classical_on(ORING_F[::2], ORING_ANY[::2], [1] * 12)
    assert fit.fieller_g is not None
    assert fit.fieller_g >= 1.0
    assert fit.celsius.t50_fieller.lo is None
    assert fit.celsius.t50_fieller.hi is None


@pytest.mark.parametrize("seed", range(8))
def test_random_logs_fit_as_the_reference_library_does(seed: int) -> None:
    """statsmodels GLM, with shares as plates have them."""
    rng = np.random.default_rng(seed)
    x = np.column_stack([np.ones(60), rng.normal(20.0, 3.0, 60), rng.normal(0.0, 1.0, 60)])
    risk = 1.0 / (1.0 + np.exp(0.4 * (x[:, 1] - 19.0) - 0.5 * x[:, 2]))
    y = rng.binomial(4, risk) / 4.0
    if any(state is not Runaway.FINITE for state in runaways(x, y)):
        pytest.fail("the seeds were chosen to overlap")
    fit = fit_binomial(x, y)
    reference = sm.GLM(y, x, family=sm.families.Binomial()).fit(tol=1e-12)
    assert fit.coefficients == pytest.approx(reference.params, rel=1e-6)
    assert fit.errors == pytest.approx(reference.bse, rel=1e-6)
    assert fit.deviance == pytest.approx(reference.deviance, rel=1e-8)


@pytest.mark.parametrize("tiny", [1e-2, 1e-3, 1e-5])
def test_a_profile_far_out_is_that_of_the_likelihood_itself(tiny: float) -> None:
    """Shares next to 0 make all weights vanish far out; the ends still lie where they should."""
    t = np.array([10.0, 12.0, 20.0, 22.0])
    y = np.array([0.0, tiny, tiny, 0.3])
    x = np.column_stack([np.ones(4), t - t.mean()])
    lo, hi = profile(x, y, 1)
    best = _lack_at(x, y, float(fit_binomial(x, y).coefficients[1]))
    for end in (end for end in (lo, hi) if np.isfinite(end)):
        assert _lack_at(x, y, end) - best == pytest.approx(3.841458820694124, abs=1e-4)


def _lack_at(x: Floats, y: Floats, slope: float) -> float:
    """Least deviance over the intercept at a slope, less what does not depend on either."""
    edge = slope * x[-1, 1]
    intercepts = -edge + np.linspace(-60.0, 60.0, 60_001)
    eta = intercepts[:, None] + slope * x[:, 1]
    return float((2.0 * (np.logaddexp(0.0, eta) - y * eta).sum(axis=1)).min())
