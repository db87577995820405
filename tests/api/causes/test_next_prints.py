"""Question 3: the next six prints, and what accepted plans show once printed."""

from __future__ import annotations

import dataclasses
import math
import random
from collections import Counter
from collections.abc import Sequence

import numpy as np
import pytest

from api.causes.next_prints import Plan, best_pair, plan, rounds_until_known
from api.causes.planned import Arm, PlannedPrint, compare
from api.causes.posterior import RiskModel, draw, weighted_quantiles
from api.causes.rows import log_of
from collector.errors import InvalidError
from tests.api.causes.logs import rows_of, winter


def test_six_prints_half_cold_half_warm_in_random_order() -> None:
    found = plan(winter(30, seed=5))
    assert found.answered
    assert found.cold_c is not None
    assert found.warm_c is not None
    assert found.warm_c >= found.cold_c + 3.0
    assert 14.0 <= found.cold_c < found.warm_c <= 28.0
    assert Counter(found.order_c) == {found.cold_c: 3, found.warm_c: 3}
    assert found.width_now_c is not None
    assert found.width_after_c is not None
    assert found.width_after_c < found.width_now_c
    assert found.failures_expected is not None
    assert 0.0 < found.failures_expected <= 3.0
    assert "same resin and settings throughout" in found.sentences[0]
    assert "safety data sheet" in found.sentences[-1]


def test_each_round_has_an_order_of_its_own_and_repeats_when_asked_again() -> None:
    rows = winter(30, seed=5)
    mixed = rows[:]
    random.Random(2).shuffle(mixed)
    assert plan(rows) == plan(mixed)
    orders = {plan(rows, round_n=n).order_c for n in range(1, 9)}
    assert len(orders) > 3


def test_the_reach_of_the_owner_is_kept() -> None:
    found = plan(winter(30, seed=5), reach_c=(18.0, 23.0))
    assert found.cold_c is not None
    assert found.warm_c is not None
    assert found.cold_c >= 18.0
    assert found.warm_c <= 23.0


def test_no_temperature_that_is_expected_to_fail_more_than_half() -> None:
    rows = rows_of([14.0 + i % 12 for i in range(40)], [1.0] * 38 + [0.0] * 2)
    found = plan(rows)
    assert not found.answered
    assert "expected to fail less than half" in found.sentences[0]
    assert found.order_c == ()


@pytest.mark.parametrize(
    "rows",
    [
        [],
        winter(1, seed=1),
        rows_of([20.0] * 10, [0.0] * 10),
        rows_of([20.0] * 10, [1.0] * 10),
        rows_of([math.nan] * 10, [1.0] * 10),
        winter(300, seed=2),
    ],
)
def test_a_log_that_is_hardly_one_is_answered_in_words(rows: list[object]) -> None:
    found = plan(rows)  # type: ignore[arg-type]
    assert isinstance(found, Plan)
    assert found.sentences


@pytest.mark.parametrize("reach_c", [(20.0, 22.0), (28.0, 14.0), (math.nan, 20.0), (14.0, 200.0)])
def test_a_reach_that_leaves_nothing_to_compare_is_refused(reach_c: tuple[float, float]) -> None:
    with pytest.raises(InvalidError) as refused:
        plan(winter(30, seed=5), reach_c=reach_c)
    assert refused.value.where == "reach_c"


def test_the_expected_width_is_what_enumerating_the_outcomes_gives() -> None:
    """The method's formula written out for one pair, with binomial weights from scipy."""
    from scipy.stats import binom

    draws = draw(RiskModel.of(log_of(winter(30, seed=5))), 1)
    assert draws is not None
    width_now, pair = best_pair(draws, 0.2, (14.0, 28.0))
    assert pair is not None
    limit = np.clip(draws.threshold_c(0.2), 8.0, 34.0)
    risk = draws.risk(np.array([pair.cold_c, pair.warm_c]))
    ends = np.array([0.025, 0.975])
    expected = 0.0
    for i in range(4):
        for j in range(4):
            w = draws.weights * binom.pmf(i, 3, risk[:, 0]) * binom.pmf(j, 3, risk[:, 1])
            lo, hi = weighted_quantiles(limit, w / w.sum(), ends)
            expected += float(w.sum() * (hi - lo))
    assert pair.width_c == pytest.approx(expected, rel=1e-6)
    lo, hi = weighted_quantiles(limit, draws.weights, ends)
    assert width_now == pytest.approx(hi - lo)
    assert pair.failures == pytest.approx(3.0 * float((draws.weights @ risk).sum()))


@pytest.mark.parametrize(
    ("now", "after", "rounds"),
    [(2.9, 2.5, 0), (6.0, 6.0, None), (6.0, 3.0, 1), (6.0, 4.0, 3), (20.0, 19.0, None)],
)
def test_rounds_until_the_limit_is_known(now: float, after: float, rounds: int | None) -> None:
    """1/width² grows evenly: 6 -> 4 °C gains 5/144 a round, and 3 °C needs 12/144."""
    assert rounds_until_known(now, after) == rounds


def planned(cold: Sequence[float | None], warm: Sequence[float | None]) -> list[PlannedPrint]:
    """Three cold and three warm a round."""
    return [
        PlannedPrint(f"{arm}-{i}", i // 3 + 1, arm, share)
        for arm, shares in ((Arm.COLD, cold), (Arm.WARM, warm))
        for i, share in enumerate(shares)
    ]


def test_two_rounds_may_say_that_cold_made_prints_fail() -> None:
    """Fisher's exact test of 5 of 6 against 0 of 6: two-sided p = 14/924 = 0.0152, by hand."""
    found = compare(planned([1.0] * 5 + [0.0], [0.0] * 6))
    assert found.p == pytest.approx(14 / 924)
    assert found.shown
    assert "Colder resin made prints fail more often" in " ".join(found.sentences)
    assert "5 of 6 failed cold and 0 of 6 warm" in found.sentences[0]


def test_two_rounds_that_differ_little_say_so() -> None:
    found = compare(planned([1.0, 0.0, 0.0, 1.0, 0.0, 0.0], [0.0] * 6))
    assert not found.shown
    assert "not clear enough to tell from chance" in found.sentences[1]
    assert "made" not in " ".join(found.sentences)


def test_one_round_is_not_enough_and_open_prints_do_not_count() -> None:
    found = compare(planned([1.0, 1.0, 1.0, None, None, None], [0.0, 0.0, 0.0, None, None, None]))
    assert found.p is None
    assert found.rounds_n == 1
    assert found.open_n == 6
    assert "Needs 2" in found.sentences[0]
    assert compare([]).rounds_n == 0


def test_warm_may_be_worse_too() -> None:
    found = compare(planned([0.0] * 6, [1.0] * 6))
    assert "Warmer resin made prints fail more often" in found.sentences[1]


def test_the_plan_is_a_value_that_does_not_change() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        plan([]).level = 0.3  # type: ignore[misc]


def test_a_limit_that_the_log_does_not_show_is_not_said_to_be_known() -> None:
    cold = " ".join(plan(winter(60, seed=11)).sentences)
    assert "The limit is" in cold
    assert "if cold resin" not in cold.lower()
    flat = " ".join(plan(winter(60, seed=5, slope_per_c=0.0)).sentences)
    assert "If cold resin fails more often at all, where 1 in 5 fails is now known to" in flat
    upside_down = [
        dataclasses.replace(row, temperature_c=38.0 - row.temperature_c)
        for row in winter(90, seed=3)
    ]
    assert "So far failures go with warm resin" in " ".join(plan(upside_down).sentences)
