"""Summaries stand for their readings: whatever is computed from them is the same."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.store import pyramid
from collector.store.stretches import (
    DAY_MS,
    HOUR_MS,
    MINUTE_MS,
    Parts,
    buckets_from,
    buckets_of,
    coverage_from,
    coverage_of,
)

records = st.lists(
    st.tuples(st.integers(0, 10 * MINUTE_MS - 1), st.floats(-40, 120)),
    min_size=1,
    max_size=60,
    unique_by=lambda row: row[0],
).map(sorted)


def arrays(record: list[tuple[int, float]]) -> tuple[np.ndarray, np.ndarray]:
    return (
        np.array([t for t, _ in record], dtype=np.int64),
        np.array([v for _, v in record], dtype=np.float64),
    )


@given(records, st.sampled_from([MINUTE_MS, 5 * MINUTE_MS, HOUR_MS]))
def test_summaries_equal_a_plain_loop(record: list[tuple[int, float]], width_ms: int) -> None:
    times, values = arrays(record)
    found = pyramid.summarise(times, values, width_ms)
    groups = [list(rows) for _, rows in itertools.groupby(record, lambda row: row[0] // width_ms)]
    assert len(found) == len(groups)
    for summary, rows in zip(found, groups, strict=True):
        own = [v for _, v in rows]
        ways = [(t1 - t0, (v0 + v1) / 2) for (t0, v0), (t1, v1) in itertools.pairwise(rows)]
        assert (summary["first_ms"], summary["last_ms"]) == (rows[0][0], rows[-1][0])
        assert (summary["first"], summary["last"]) == (own[0], own[-1])
        assert (summary["low"], summary["high"], summary["count"]) == (min(own), max(own), len(own))
        assert summary["longest_ms"] == max((way for way, _ in ways), default=0)
        area = math.fsum(way * middle for way, middle in ways)
        assert summary["area"] == pytest.approx(area, abs=1e-6)


@given(records)
def test_folded_minutes_equal_the_hour(record: list[tuple[int, float]]) -> None:
    times, values = arrays(record)
    folded = pyramid.fold(pyramid.summarise(times, values, MINUTE_MS))
    (hour,) = pyramid.summarise(times, values, HOUR_MS)
    for name in pyramid.SUMMARY.names or ():
        if name != "area":
            assert folded[0][name] == hour[name]
    assert folded[0]["area"] == pytest.approx(hour["area"], abs=1e-5)


@given(records, st.integers(1, 5), st.integers(MINUTE_MS, 10 * MINUTE_MS))
def test_charts_from_minutes_equal_charts_from_readings(
    record: list[tuple[int, float]], n: int, limit_ms: int
) -> None:
    times, values = arrays(record)
    parts = pyramid.parts_of(pyramid.summarise(times, values, MINUTE_MS), np.zeros(1, np.int64))
    window = (0, 10 * MINUTE_MS)
    found = buckets_from("vat-north", parts, *window, n, gap_limit_ms=limit_ms)
    want = buckets_of("vat-north", times, values, *window, n, gap_limit_ms=limit_ms)
    for name in ("starts_ms", "minima", "maxima", "counts", "coverage"):
        np.testing.assert_array_equal(getattr(found, name), getattr(want, name))
    np.testing.assert_allclose(found.means, want.means, rtol=0, atol=1e-9)
    assert coverage_from(parts, *window, gap_limit_ms=limit_ms) == coverage_of(
        times, *window, gap_limit_ms=limit_ms
    )


def test_a_block_takes_summaries_in_and_out() -> None:
    times, values = arrays([(5 * HOUR_MS, 20.0), (7 * HOUR_MS, 21.0), (8 * HOUR_MS, 22.0)])
    hours = pyramid.summarise(times, values, HOUR_MS)
    stretch = (7 * HOUR_MS, 8 * HOUR_MS)
    without = pyramid.with_stretch(hours, *stretch, hours[:0])
    assert (without["first_ms"] // HOUR_MS).tolist() == [5, 8]
    again = pyramid.with_stretch(without, *stretch, hours[1:2])
    assert again.tobytes() == hours.tobytes()
    assert pyramid.with_stretch(again, *stretch, hours[1:2]).tobytes() == hours.tobytes()
    assert pyramid.of_bytes(hours.tobytes()).tobytes() == hours.tobytes()


def test_a_day_moves_into_its_block() -> None:
    times, values = arrays([(0, 20.0), (DAY_MS - 1, 21.0)])
    day = pyramid.summarise(times, values, DAY_MS)
    moved = pyramid.rebased(day, 40 * DAY_MS, 32 * DAY_MS)
    assert (moved["first_ms"][0], moved["last_ms"][0]) == (8 * DAY_MS, 9 * DAY_MS - 1)


def test_the_largest_doubles_do_not_stop_the_collector() -> None:
    times, values = arrays([(0, 1.7e308), (1_000, 1.7e308)])
    (one,) = pyramid.summarise(times, values, MINUTE_MS)
    assert (one["low"], one["high"]) == (1.7e308, 1.7e308)


def test_no_parts_are_no_record() -> None:
    assert len(Parts.joined([])) == 0
