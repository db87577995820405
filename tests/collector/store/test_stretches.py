"""Coverage, gaps and time-weighted buckets, against published integrals and plain loops."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.errors import InvalidError
from collector.store import Buckets, Coverage, Gap
from collector.store.stretches import (
    DAY_MS,
    HOUR_MS,
    MINUTE_MS,
    TEN_MINUTES_MS,
    buckets_of,
    coverage_of,
    edges_of,
    grain_of,
)


def buckets(
    times_s: list[float], values: list[float], start_s: float, end_s: float, n: int, limit_s: float
) -> Buckets:
    return buckets_of(
        "vat-north",
        np.array([round(t * 1_000) for t in times_s], dtype=np.int64),
        np.array(values, dtype=np.float64),
        round(start_s * 1_000),
        round(end_s * 1_000),
        n,
        gap_limit_ms=round(limit_s * 1_000),
    )


def coverage(times_ms: list[int], start_ms: int, end_ms: int, limit_ms: int) -> Coverage:
    return coverage_of(np.array(times_ms, dtype=np.int64), start_ms, end_ms, gap_limit_ms=limit_ms)


@pytest.mark.parametrize(
    ("values", "integral"),
    [([-2.0, 10.0, 7.0, 17.0, 15.0, 4.0], 50.0), ([19.0, 4.0, -3.0, 19.0, 13.0, 1.0], 43.0)],
)
def test_mean_times_length_is_the_published_integral(values: list[float], integral: float) -> None:
    # Flux integral() documentation (checks.md 10.4): unit 10 s, readings at 0, 10 … 50 s.
    found = buckets([0, 10, 20, 30, 40, 50], values, 0, 50, 1, limit_s=10)
    assert found.means[0] * 50 / 10 == pytest.approx(integral, abs=1e-12)


def test_irregular_readings_weigh_by_the_time_they_stand_for() -> None:
    # Flux timeWeightedAvg() documentation (checks.md 10.6). Flux draws its last line on to
    # 60 s, where it stands at 3; we never run on past a reading, so that end is given as one.
    found = buckets([0, 20, 50, 60], [-2, 7, 4, 3], 0, 60, 1, limit_s=30)
    assert found.means[0] == pytest.approx(4.1666667, abs=1e-6)
    # checks.md 10.7, the linear convention ("trapezoid").
    found = buckets([0, 10, 12, 30, 60], [20, 22, 30, 24, 24], 0, 60, 1, limit_s=30)
    assert found.means[0] == pytest.approx(24.466667, abs=1e-6)


def test_no_mean_is_taken_across_a_gap() -> None:
    # 20 °C for a minute, an hour of nothing, 30 °C for a minute.
    found = buckets([0, 60, 3_660, 3_720], [20, 20, 30, 30], 0, 3_720, 1, limit_s=300)
    assert found.means[0] == pytest.approx(25.0, abs=1e-12)
    assert found.coverage[0] == pytest.approx(120 / 3_720, abs=1e-12)


def test_a_bucket_without_a_reading_is_empty_even_when_a_line_crosses_it() -> None:
    found = buckets([0, 30], [20, 23], 0, 30, 3, limit_s=60)
    assert found.counts.tolist() == [1, 0, 0]
    assert found.means[0] == pytest.approx(20.5, abs=1e-12)
    assert np.isnan(found.means[1:]).all()
    assert np.isnan(found.minima[1:]).all()
    assert found.coverage.tolist() == [1.0, 1.0, 1.0]


def test_a_reading_alone_between_gaps_is_its_own_mean() -> None:
    found = buckets([100], [21.5], 0, 200, 1, limit_s=10)
    assert (found.means[0], found.minima[0], found.maxima[0]) == (21.5, 21.5, 21.5)
    assert found.coverage[0] == 0.0


def test_no_readings_at_all() -> None:
    found = buckets([], [], 0, 60, 2, limit_s=10)
    assert np.isnan(found.means).all()
    assert found.counts.tolist() == [0, 0]
    assert found.coverage.tolist() == [0.0, 0.0]
    assert coverage([], 0, 60_000, 10_000) == Coverage(0.0, (Gap(0, 60_000),), 0)


def test_a_stretch_as_long_as_the_limit_is_covered_and_a_longer_one_is_a_gap() -> None:
    whole = coverage([0, 60_000, 120_000], 0, 120_000, 60_000)
    assert (whole.share, whole.gaps, whole.count) == (1.0, (), 2)
    holed = coverage([0, 60_001, 120_000], 0, 120_000, 60_000)
    assert holed.gaps == (Gap(0, 60_001),)
    assert holed.share == pytest.approx(59_999 / 120_000, abs=1e-15)


def test_neighbours_outside_the_window_carry_the_record_to_its_edges() -> None:
    near = coverage([-30_000, 10_000, 50_000, 80_000], 0, 60_000, 60_000)
    assert (near.share, near.gaps, near.count) == (1.0, (), 2)
    far = coverage([-90_000, 10_000, 50_000, 200_000], 0, 60_000, 60_000)
    assert far.gaps == (Gap(0, 10_000), Gap(50_000, 60_000))
    assert far.share == pytest.approx(40 / 60, abs=1e-15)
    assert far.longest_gap_ms == 10_000


def test_neighbours_alone_can_cover_a_window_between_two_readings() -> None:
    assert coverage([-10_000, 70_000], 0, 60_000, 90_000).share == 1.0
    assert coverage([-10_000, 90_000], 0, 60_000, 90_000).gaps == (Gap(0, 60_000),)


def test_the_end_of_the_record_is_not_covered_and_becomes_a_gap_past_the_limit() -> None:
    waiting = coverage([0, 40_000], 0, 60_000, 50_000)
    assert waiting.share == pytest.approx(40 / 60, abs=1e-15)
    assert waiting.gaps == ()
    silent = coverage([0, 40_000], 0, 100_000, 50_000)
    assert silent.gaps == (Gap(40_000, 100_000),)
    before_the_first = coverage([90_000], 0, 91_000, 50_000)
    assert before_the_first.gaps == (Gap(0, 90_000),)


@pytest.mark.parametrize("end_ms", [0, -1])
def test_an_empty_window_is_refused(end_ms: int) -> None:
    with pytest.raises(InvalidError, match="empty"):
        coverage([0], 0, end_ms, 1)
    with pytest.raises(InvalidError, match="empty"):
        buckets([0], [1.0], 0, end_ms / 1_000, 1, limit_s=1)


def test_no_buckets_are_refused() -> None:
    with pytest.raises(InvalidError, match="0 buckets"):
        buckets([0], [1.0], 0, 1, 0, limit_s=1)


records = st.lists(
    st.tuples(st.integers(-50, 150), st.floats(-40, 120)), max_size=25, unique_by=lambda row: row[0]
).map(sorted)


@given(records, st.integers(1, 40), st.integers(1, 130))
def test_buckets_equal_a_plain_loop(record: list[tuple[int, float]], n: int, limit_ms: int) -> None:
    """Every millisecond on its own: the line through it, and the readings in it."""
    start_ms, end_ms = 0, 120
    times, values = [t for t, _ in record], [v for _, v in record]
    found = buckets_of(
        "vat-north",
        np.array(times, dtype=np.int64),
        np.array(values, dtype=np.float64),
        start_ms,
        end_ms,
        n,
        gap_limit_ms=limit_ms,
    )
    edges = [start_ms + i * (end_ms - start_ms) // n for i in range(n + 1)]
    assert found.starts_ms.tolist() == edges[:-1]
    for i, (left, right) in enumerate(itertools.pairwise(edges)):
        own = [v for t, v in record if left <= t < right]
        area = length = 0.0
        for (t0, v0), (t1, v1) in itertools.pairwise(record):
            a, b = max(t0, left), min(t1, right)
            if t1 - t0 <= limit_ms and a < b:
                middle = v0 + (v1 - v0) * ((a + b) / 2 - t0) / (t1 - t0)
                area, length = area + middle * (b - a), length + b - a
        assert found.counts[i] == len(own)
        assert found.coverage[i] == pytest.approx(length / (right - left), abs=1e-9)
        if not own:
            assert math.isnan(found.means[i])
            continue
        assert (found.minima[i], found.maxima[i]) == (min(own), max(own))
        mean = area / length if length else math.fsum(own) / len(own)
        assert found.means[i] == pytest.approx(mean, abs=1e-7)


@given(records, st.integers(1, 130))
def test_coverage_equals_a_plain_loop(record: list[tuple[int, float]], limit_ms: int) -> None:
    times = [t for t, _ in record]
    found = coverage(times, 0, 120, limit_ms)
    covered = {
        ms
        for t0, t1 in itertools.pairwise(times)
        if t1 - t0 <= limit_ms
        for ms in range(max(t0, 0), min(t1, 120))
    }
    assert found.share == pytest.approx(len(covered) / 120, abs=1e-15)
    assert found.count == sum(0 <= t < 120 for t in times)
    for gap in found.gaps:
        assert covered.isdisjoint(range(gap.start_ms, gap.end_ms))
        assert 0 <= gap.start_ms < gap.end_ms <= 120


# -- edges of buckets --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("span_ms", "n", "grain_ms"),
    [
        (DAY_MS, 1_500, 1),
        (7 * DAY_MS, 1_500, MINUTE_MS),
        (30 * DAY_MS, 1_500, TEN_MINUTES_MS),
        (365 * DAY_MS, 1_500, HOUR_MS),
        (3_650 * DAY_MS, 1_500, DAY_MS),
        (2 * HOUR_MS, 1, HOUR_MS),
        (2 * HOUR_MS - 1, 1, TEN_MINUTES_MS),
        (2 * TEN_MINUTES_MS - 1, 1, MINUTE_MS),
    ],
)
def test_wide_buckets_begin_on_whole_minutes_hours_and_days(
    span_ms: int, n: int, grain_ms: int
) -> None:
    start_ms = 1_767_268_812_345
    assert grain_of(start_ms, start_ms + span_ms, n) == grain_ms
    edges = edges_of(start_ms, start_ms + span_ms, n)
    assert (edges[0], edges[-1], len(edges)) == (start_ms, start_ms + span_ms, n + 1)
    assert (edges[1:-1] % grain_ms == 0).all()
    widths = np.diff(edges)
    assert widths.min() >= span_ms / n - grain_ms - 1
    assert widths.max() <= span_ms / n + grain_ms + 1


@given(
    st.integers(-62_135_596_800_000, 253_402_300_800_000),
    st.integers(1, 10**15),
    st.integers(1, 5_000),
)
def test_edges_never_turn_back(start_ms: int, span_ms: int, n: int) -> None:
    edges = edges_of(start_ms, start_ms + span_ms, n)
    assert (edges[0], edges[-1]) == (start_ms, start_ms + span_ms)
    assert (np.diff(edges) >= (1 if span_ms >= n else 0)).all()
    equal = [start_ms + i * span_ms // n for i in range(n + 1)]
    grain = grain_of(start_ms, start_ms + span_ms, n)
    assert max(abs(e - f) for e, f in zip(edges.tolist(), equal, strict=True)) <= grain // 2
