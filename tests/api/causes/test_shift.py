"""The circular-shift test and the link test, against loops written out."""

from __future__ import annotations

import numpy as np
import pytest

from api.causes.link import link_test, matches
from api.causes.rows import Adjusters, Floats, usual_step
from api.causes.shift import shift_test

EMPTY = Adjusters.of(np.empty((40, 0)))


def by_loops(x: Floats, y: Floats, adjusters: Floats) -> list[float]:
    design = np.column_stack([np.ones(len(x)), adjusters])
    ex, ey = (c - design @ np.linalg.lstsq(design, c, rcond=None)[0] for c in (x, y))
    turned = [np.roll(e, -k) for e in (ey, ey[::-1]) for k in range(len(x))]
    return [abs(float(np.corrcoef(ex, e)[0, 1])) for e in turned]


@pytest.mark.parametrize("n", [15, 40, 41])
def test_the_transform_does_what_turning_by_hand_does(n: int) -> None:
    rng = np.random.default_rng(n)
    x, y, adjusters = rng.normal(size=n), rng.random(n), rng.normal(size=(n, 2))
    found = shift_test(x, y, Adjusters.of(adjusters))
    by_hand = by_loops(x, y, adjusters)
    assert found.matches[0] == pytest.approx(by_hand[0], abs=1e-12)
    assert sorted(found.matches) == pytest.approx(sorted(by_hand), abs=1e-12)
    assert found.p == pytest.approx(np.mean(np.array(by_hand) >= by_hand[0] - 1e-9))


def test_a_season_that_repeats_is_matched_by_its_other_turns() -> None:
    """Two equal years: turned by one year the log matches as well, so p is at least 2 of 2n."""
    x = np.tile(np.arange(20.0), 2)
    found = shift_test(x, (x < 5).astype(float), EMPTY)
    assert found.p >= 2 / 80


def test_a_condition_that_the_adjusters_explain_is_no_link() -> None:
    x = np.arange(40.0)
    line = Adjusters.of(x[:, None] * 2.0 + 1.0)
    found = link_test(x, (x < 9).astype(float), line, line)
    assert not found.linked
    assert found.p_firth == 1.0
    assert found.p_shift == 1.0


def test_the_unit_of_the_condition_does_not_matter() -> None:
    rng = np.random.default_rng(2)
    x, y = rng.normal(20, 3, 40), (rng.random(40) < 0.3).astype(float)
    one, other = matches([(x, EMPTY), (x * 1.8 + 32.0, EMPTY)], y)
    assert one.ratio.p == pytest.approx(other.ratio.p, rel=1e-9)
    assert one.ratio.coefficient == pytest.approx(other.ratio.coefficient * 1.8, rel=1e-9)
    assert one.shift.p == other.shift.p


def test_columns_that_repeat_others_are_left_out() -> None:
    a, b = np.arange(10.0), np.arange(10.0) ** 2
    columns = np.column_stack([a, np.full(10, 3.0), 2.0 * a - 1.0, b, a + b])
    assert Adjusters.of(columns).columns.tolist() == np.column_stack([a, b]).tolist()


def test_the_usual_step_is_the_median_change_that_was_made() -> None:
    assert usual_step(np.array([2.0, 2.0, 2.5, 2.5, 3.5, 3.0])) == pytest.approx(0.5)
    assert usual_step(np.array([2.0, 2.0])) == 1.0
