"""Exact small tables and adjusted p against published values.

"From memory" marks numbers recalled from the publication; they were recomputed from the data.
"""

from __future__ import annotations

import math

import pytest

from api.causes.multiplicity import benjamini_hochberg, holm
from api.causes.proportions import clopper_pearson, newcombe, wilson, wilson_corrected
from api.causes.tables import (
    Table,
    bands,
    cochran_armitage,
    fisher,
    mantel_haenszel,
    success_run,
    zero_failures_bound,
)


def test_fisher_on_the_tea() -> None:
    """R fisher.test help example, from memory (0.4857, 6.408309); two-sided limits recomputed."""
    found = fisher(((3, 1), (1, 3)))
    assert found.p == pytest.approx(0.4857143, abs=1e-6)
    assert found.odds_ratio == pytest.approx(6.40832, abs=1e-4)
    assert [found.lo, found.hi] == pytest.approx([0.21174, 626.2435], rel=1e-4)


def test_fisher_on_the_twins() -> None:
    """R fisher.test help example, from memory; recomputed with scipy 1.17."""
    found = fisher(((2, 15), (10, 3)))
    assert found.p == pytest.approx(0.00053672, abs=1e-7)
    assert found.odds_ratio == pytest.approx(0.0469366, abs=1e-5)
    assert [found.lo, found.hi] == pytest.approx([0.0033172, 0.3631896], abs=1e-5)


@pytest.mark.parametrize("table", [((0, 0), (6, 5)), ((0, 5), (0, 6)), ((3, 0), (4, 0))])
def test_fisher_on_a_table_that_can_tell_nothing(table: Table) -> None:
    found = fisher(table)
    assert found.p == 1.0
    assert math.isnan(found.odds_ratio)


@pytest.mark.parametrize(
    ("failed", "of", "plain", "corrected", "exact"),
    [
        (81, 263, (0.2553, 0.3662), (0.2535, 0.3682), (0.2527, 0.3676)),
        (15, 148, (0.0624, 0.1605), (0.0598, 0.16445), (0.0578, 0.1617)),
        (0, 20, (0.0, 0.1611), (0.0, 0.2005), (0.0, 0.1684)),
        (1, 29, (0.0061, 0.1718), (0.0018, 0.1963), (0.0009, 0.1776)),
    ],
)
def test_one_share_by_three_methods(
    failed: int,
    of: int,
    plain: tuple[float, float],
    corrected: tuple[float, float],
    exact: tuple[float, float],
) -> None:
    """Newcombe (1998), Stat. Med. 17, 857-872, Table I, from memory; all recomputed."""
    for method, limits in (
        (wilson, plain),
        (wilson_corrected, corrected),
        (clopper_pearson, exact),
    ):
        found = method(failed, of)
        assert [found.lo, found.hi] == pytest.approx(limits, abs=6e-5)
        assert found.share == failed / of


def test_wilson_in_long_digits() -> None:
    """Recomputed to six digits."""
    found = wilson(81, 263)
    assert [found.lo, found.hi] == pytest.approx([0.255289, 0.366210], abs=1e-6)


@pytest.mark.parametrize("method", [wilson, wilson_corrected, clopper_pearson])
def test_all_failed_mirrors_none_failed(method: type) -> None:
    none, every = method(0, 20), method(20, 20)
    assert none.lo == 0.0
    assert every.hi == 1.0
    assert every.lo == pytest.approx(1.0 - none.hi)


@pytest.mark.parametrize(
    ("a", "of_a", "b", "of_b", "limits", "tolerance"),
    [
        (56, 70, 48, 80, (0.0524, 0.3339), 5e-5),
        (9, 10, 3, 10, (0.1705, 0.8090), 5e-5),
        (7, 34, 1, 34, (0.019, 0.34), 5e-3),
    ],
)
def test_difference_of_two_shares(
    a: int, of_a: int, b: int, of_b: int, limits: tuple[float, float], tolerance: float
) -> None:
    """Newcombe (1998) part II, Table II, from memory; the last one Fagerland et al. (2015),
    quoted in statsmodels stats/tests/test_proportion.py."""
    found = newcombe(a, of_a, b, of_b)
    assert [found.lo, found.hi] == pytest.approx(limits, abs=tolerance)


@pytest.mark.parametrize(("a", "b"), [(0, 0), (0, 10), (10, 10), (10, 0), (3, 0)])
def test_difference_with_empty_cells_stays_within_its_range(a: int, b: int) -> None:
    found = newcombe(a, 10, b, 10)
    assert -1.0 <= found.lo <= found.share <= found.hi <= 1.0


def test_no_failure_among_thirty() -> None:
    """Closed form 1 - 0.05^(1/30)."""
    assert zero_failures_bound(30) == pytest.approx(0.0950339, abs=1e-7)


@pytest.mark.parametrize(
    ("confidence", "reliability", "parts"), [(0.90, 0.90, 22), (0.95, 0.90, 29), (0.95, 0.95, 59)]
)
def test_success_run(confidence: float, reliability: float, parts: int) -> None:
    """Common reliability table, from memory; recomputed."""
    assert success_run(confidence, reliability) == parts


def test_mantel_haenszel_on_the_rabbits() -> None:
    """statsmodels stats/tests/test_contingency_tables.py (values of R mantelhaen.test)."""
    tables: list[Table] = [
        ((0, 0), (6, 5)),
        ((3, 0), (3, 6)),
        ((6, 2), (0, 4)),
        ((5, 6), (1, 0)),
        ((2, 5), (0, 0)),
    ]
    found = mantel_haenszel(tables)
    assert found.odds_ratio == pytest.approx(7.0, abs=1e-9)
    assert [found.lo, found.hi] == pytest.approx([1.026713, 47.725133], rel=1e-6)
    assert [found.chi2_corrected, found.p_corrected] == pytest.approx([3.9286, 0.04747], abs=1e-4)
    assert [found.chi2, found.p] == pytest.approx([5.6571, 0.01738], abs=1e-4)


BERKELEY: list[Table] = [
    ((512, 313), (89, 19)),
    ((353, 207), (17, 8)),
    ((120, 205), (202, 391)),
    ((138, 279), (131, 244)),
    ((53, 138), (94, 299)),
    ((22, 351), (24, 317)),
]


def test_berkeley_turns_round_within_its_departments() -> None:
    """R help of mantelhaen.test for the data; totals recomputed."""
    found = mantel_haenszel(BERKELEY)
    assert found.crude == pytest.approx(1.84108, abs=1e-5)
    assert found.odds_ratio == pytest.approx(0.9046968, abs=1e-6)
    assert [found.lo, found.hi] == pytest.approx([0.7719074, 1.0603298], abs=1e-6)
    assert [found.chi2_corrected, found.p_corrected] == pytest.approx([1.42695, 0.23226], abs=1e-5)
    assert [found.breslow_day, found.breslow_day_p] == pytest.approx([18.8255, 0.0020714], abs=1e-4)
    assert found.reversed


def test_two_schools_turn_round() -> None:
    """Course page "mantel.test" (Memorial University); recomputed."""
    found = mantel_haenszel([((480, 120), (180, 20)), ((10, 90), (100, 200))])
    assert found.crude == pytest.approx(1.8333, abs=1e-4)
    assert found.odds_ratio == pytest.approx(0.3434343, abs=1e-6)
    assert [found.lo, found.hi] == pytest.approx([0.228850, 0.515391], abs=1e-6)
    assert found.chi2_corrected == pytest.approx(27.9217, abs=1e-4)
    assert found.reversed


def test_five_strata_with_homogeneity() -> None:
    """statsmodels stats/tests/test_contingency_tables.py."""
    found = mantel_haenszel(
        [
            ((20, 14), (10, 24)),
            ((15, 12), (3, 15)),
            ((3, 2), (3, 2)),
            ((12, 3), (7, 5)),
            ((1, 0), (3, 2)),
        ]
    )
    assert found.odds_ratio == pytest.approx(3.5912, abs=1e-4)
    assert [found.lo, found.hi] == pytest.approx([1.781135, 7.240633], abs=1e-5)
    assert [found.chi2_corrected, found.p_corrected] == pytest.approx(
        [11.8852, 0.0005658], abs=1e-4
    )
    assert [found.breslow_day, found.breslow_day_p] == pytest.approx([1.8438, 0.7645], abs=1e-4)
    assert found.tarone == pytest.approx(1.8436, abs=1e-4)
    assert not found.reversed


@pytest.mark.parametrize(
    "tables",
    [[], [((0, 0), (0, 0))], [((0, 0), (3, 4))], [((3, 0), (4, 0))], [((0, 3), (4, 0))]],
)
def test_strata_that_can_tell_nothing_do_not_stop(tables: list[Table]) -> None:
    found = mantel_haenszel(tables)
    assert 0.0 <= found.p <= 1.0
    assert found.lo == 0.0
    assert found.hi == math.inf


BENJAMINI_HOCHBERG = (
    *(0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344),
    *(0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0000),
)


def test_fifteen_tests_adjusted() -> None:
    """Benjamini and Hochberg (1995), from memory; recomputed with statsmodels and scipy."""
    found = benjamini_hochberg(BENJAMINI_HOCHBERG)
    assert found == pytest.approx(
        [
            *(0.0015, 0.0030, 0.0095, 0.035625, 0.0603, 0.063857, 0.063857, 0.0645),
            *(0.0765, 0.486, 0.581182, 0.714875, 0.753231, 0.813214, 1.0),
        ],
        abs=1e-6,
    )
    assert sum(p <= 0.05 for p in found) == 4
    assert sum(p <= 0.05 for p in holm(BENJAMINI_HOCHBERG)) == 3


def test_adjusted_p_come_back_in_the_order_given() -> None:
    mixed = BENJAMINI_HOCHBERG[::-1]
    assert holm(mixed) == holm(BENJAMINI_HOCHBERG)[::-1]
    assert holm([0.01, 0.04, 0.03]) == pytest.approx([0.03, 0.06, 0.06])


def test_trend_among_smokers() -> None:
    """R-help page printing prop.trend.test."""
    found = cochran_armitage([83, 90, 129, 70], [86, 93, 136, 82], [1, 2, 3, 4])
    assert [found.chi2, found.p] == pytest.approx([8.2249, 0.004132], abs=1e-4)


def test_trend_needs_the_real_scores() -> None:
    """Alcohol and malformation: Agresti, from memory (M² = 6.57); recomputed."""
    cases, others = (48, 38, 5, 1, 1), (17066, 14464, 788, 126, 37)
    of = [c + o for c, o in zip(cases, others, strict=True)]
    found = cochran_armitage(cases, of, [0, 0.5, 1.5, 4, 7])
    assert [found.z, found.chi2, found.p] == pytest.approx([2.56323, 6.57013, 0.010370], abs=1e-4)
    numbered = cochran_armitage(cases, of, [1, 2, 3, 4, 5])
    assert [numbered.chi2, numbered.p] == pytest.approx([1.8278, 0.1764], abs=1e-4)


def test_no_trend_where_nothing_differs() -> None:
    assert cochran_armitage([0, 0], [5, 6], [1, 2]).p == 1.0
    assert cochran_armitage([1, 2], [5, 6], [3, 3]).p == 1.0


def test_failures_by_band_with_wilson_intervals() -> None:
    found = bands([15.9, 16.0, 17.99, 18.0, 22.5], [1.0, 1.0, 0.0, 0.5, 0.0])
    assert [(b.from_c, b.to_c, b.prints_n, b.failures) for b in found] == [
        (14.0, 16.0, 1, 1.0),
        (16.0, 18.0, 2, 1.0),
        (18.0, 20.0, 1, 0.5),
        (20.0, 22.0, 0, 0.0),
        (22.0, 24.0, 1, 0.0),
    ]
    assert found[1].share == wilson(1.0, 2)
    assert found[3].share is None
    assert bands([], []) == ()
