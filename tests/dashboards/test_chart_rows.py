"""What a chart draws: gaps stay gaps, units keep apart, hidden points come out."""

from __future__ import annotations

import csv
import itertools
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.soak.chamber import AtSetpoint
from collector.readings import Series, ms_of
from collector.store.contract import Buckets, Gap
from dashboards import chart_rows
from dashboards.chart_rows import Point, Threshold, Trace
from tests.recordings import recording

HOUR_MS = 3_600_000


def series(times_ms: list[int], values: list[float] | None = None) -> Series:
    values = values or [20.0] * len(times_ms)
    return Series.of("vat-north", [(t, v, 0) for t, v in zip(times_ms, values, strict=True)])


def trace(times_ms: list[int], *, unit: str = "°C", gap_limit_ms: int = 1_000) -> Trace:
    return chart_rows.trace_of_series(
        series(times_ms), "North vat", unit, gap_limit_ms=gap_limit_ms
    )


def drawn_stretches(of: Trace) -> list[tuple[int, int]]:
    """Every stretch that a line is drawn over: neighbours within one segment."""
    return [
        (int(of.times_ms[i]), int(of.times_ms[i + 1]))
        for i in range(len(of) - 1)
        if of.segments[i] == of.segments[i + 1]
    ]


def test_a_stretch_longer_than_the_limit_is_not_drawn_and_one_as_long_is() -> None:
    assert drawn_stretches(trace([0, 1_000, 2_001, 3_000])) == [(0, 1_000), (2_001, 3_000)]


@given(
    st.lists(st.integers(0, 100_000), unique=True, max_size=60).map(sorted),
    st.integers(1, 20_000),
)
def test_no_line_ever_crosses_a_gap_and_every_other_stretch_is_drawn(
    times_ms: list[int], gap_limit_ms: int
) -> None:
    stretches = set(drawn_stretches(trace(times_ms, gap_limit_ms=gap_limit_ms)))
    for start, end in itertools.pairwise(times_ms):
        assert ((start, end) in stretches) == (end - start <= gap_limit_ms)


@given(
    st.lists(st.integers(0, 10_000), unique=True, min_size=2, max_size=30).map(sorted),
    st.lists(st.tuples(st.integers(0, 10_000), st.integers(1, 3_000)), max_size=6),
)
def test_points_of_buckets_are_parted_exactly_where_a_gap_overlaps(
    times_ms: list[int], holes: list[tuple[int, int]]
) -> None:
    gaps = [Gap(start, start + length) for start, length in holes]
    segments = chart_rows.segments_of(np.array(times_ms, dtype=np.int64), gaps)
    for i, (start, end) in enumerate(itertools.pairwise(times_ms)):
        overlapped = any(gap.start_ms < end and gap.end_ms > start for gap in gaps)
        assert bool(segments[i] != segments[i + 1]) == overlapped


def test_a_gap_inside_one_bucket_leaves_that_bucket_alone() -> None:
    values = np.array([20.0, 21.0, 22.0])
    buckets = Buckets(
        "vat-north",
        np.array([0, 100, 200], dtype=np.int64),
        100.0,
        values,
        values,
        values,
        np.array([5, 2, 5], dtype=np.int64),
        np.array([1.0, 0.4, 1.0]),
    )
    made = chart_rows.trace_of_buckets(buckets, [Gap(120, 180)], "North vat", "°C")
    assert made.times_ms.tolist() == [50, 150, 250]
    assert drawn_stretches(made) == []
    _, lone = chart_rows.reading_columns([made], 0)
    assert lone["mean"] == [20.0, 21.0, 22.0]


def test_the_hourly_recording_is_parted_at_its_ten_gaps() -> None:
    """ambient_temperature_hourly.csv: ten gaps of 2 to 174 h at a 90-minute limit (issue 2)."""
    with recording("ambient_temperature_hourly.csv").open() as file:
        times_ms = [
            ms_of(datetime.fromisoformat(row["timestamp"]).replace(tzinfo=UTC))
            for row in csv.DictReader(file)
        ]
    made = trace(times_ms, gap_limit_ms=90 * 60_000)
    assert len(set(made.segments.tolist())) == 11
    assert max(end - start for start, end in drawn_stretches(made)) <= 90 * 60_000


def test_temperature_and_humidity_never_share_a_panel() -> None:
    traces = [trace([0], unit="°C"), trace([0], unit="%RH"), trace([0], unit="°C")]
    panels = chart_rows.panels_of(traces)
    assert [(panel.unit, len(panel.traces)) for panel in panels] == [("°C", 2), ("%RH", 1)]
    assert all(made.unit == panel.unit for panel in panels for made in panel.traces)


def test_columns_of_a_panel_are_of_equal_length_and_on_the_wall_clock() -> None:
    (panel,) = chart_rows.panels_of([trace([0, 500, 5_000]), trace([250])])
    datasets = chart_rows.panel_datasets(panel, 0, 10_000, HOUR_MS)
    assert datasets["readings"]["at"] == [
        HOUR_MS,
        HOUR_MS + 500,
        HOUR_MS + 5_000,
        HOUR_MS + 250,
    ]
    assert datasets["readings"]["trace"] == [0, 0, 0, 1]
    assert datasets["lone"]["at"] == [HOUR_MS + 5_000, HOUR_MS + 250]
    assert datasets["frame"]["at"] == [HOUR_MS, HOUR_MS + 10_000]
    for columns in datasets.values():
        assert len({len(column) for column in columns.values()}) <= 1


def test_an_empty_panel_still_has_its_axes() -> None:
    datasets = chart_rows.panel_datasets(chart_rows.Panel("°C", ()), 0, 10_000, 0)
    assert datasets["readings"]["at"] == []
    assert len(datasets["frame"]["value"]) == 2


def test_a_steady_trace_is_not_blown_up_to_noise() -> None:
    datasets = chart_rows.panel_datasets(chart_rows.Panel("°C", (trace([0, 500]),)), 0, 1_000, 0)
    low, high = datasets["frame"]["value"]
    assert float(high) - float(low) == pytest.approx(2.0)


@pytest.mark.parametrize("unit", ["°C", "%RH", "W"])
def test_noise_stays_near_the_middle_of_a_trend_line(unit: str) -> None:
    noisy = chart_rows.trace_of_series(
        series([0, 500, 1_000], [20.0, 20.05, 20.0]), "North vat", unit, gap_limit_ms=1_000
    )
    heights = [
        float(spot.split(",")[1])
        for spot in chart_rows.trend_path(noisy, 0, 1_000, 100.0, 40.0)[1:].split("L")
    ]
    assert len(heights) == 3
    assert all(19 <= height <= 21 for height in heights)


@pytest.mark.parametrize(
    ("offs", "expected"),
    [([0.02, -0.03], (-1.005, 0.995)), ([1.9, 2.0], (-0.1, 2.1)), ([-3.0], (-3.15, 0.15))],
)
def test_a_chamber_that_is_hardly_off_looks_so(
    offs: list[float], expected: tuple[float, float]
) -> None:
    lines = [
        AtSetpoint(50.0 + n, 1, off, None, overshoot_k=0.0, settle_min=9.0, spread_k=None)
        for n, off in enumerate(offs)
    ]
    frame = chart_rows.chamber_datasets(lines)["frame"]["off"]
    assert frame == pytest.approx(list(expected))


def test_points_at_one_temperature_stand_beside_each_other() -> None:
    points = [Point(21.0, 0.0, "a"), Point(21.05, 0.0, "b"), Point(25.0, 1.0, "c")]
    points.append(Point(25.0, 1.0, "d"))
    assert chart_rows.stacked(points) == [0.0, 0.035, 1.0, 0.965]


def test_the_band_is_drawn_only_between_two_known_ends() -> None:
    points = [Point(21.0, 0.5, "a")]
    both = chart_rows.risk_datasets(points, {}, Threshold(19.0, 20.0, 21.5), 0.2)
    assert (both["band"], both["limits"]["temperature"]) == (
        {"low": [19.0], "high": [21.5]},
        [19.0, 20.0, 21.5],
    )
    upper = chart_rows.risk_datasets(points, {}, Threshold(None, None, 21.5), 0.2)
    assert (upper["band"], upper["limits"]["temperature"]) == ({"low": [], "high": []}, [21.5])
    assert chart_rows.risk_datasets([], {}, None, 0.2)["limits"]["temperature"] == []


@pytest.mark.parametrize(
    ("share", "words"), [(0.0, "none failed"), (0.25, "some failed"), (1.0, "all failed")]
)
def test_the_shape_of_a_point_says_what_its_height_says(share: float, words: str) -> None:
    assert Point(20.0, share, "").outcome == words


def test_the_bands_of_a_soak_lie_around_its_setpoints() -> None:
    steps = [chart_rows.Step(0, HOUR_MS, 60.0, 2.0, "step 1")]
    half, over = HOUR_MS // 2, HOUR_MS
    looks = [
        chart_rows.Look(half, "ring 1: sound"),
        chart_rows.Look(half + 40_000, "ring 2: softened"),
        chart_rows.Look(over, "ring 1: sound"),
    ]
    datasets = chart_rows.soak_datasets([trace([0])], steps, looks, 0, HOUR_MS, 0)
    assert (datasets["bands"]["low"], datasets["bands"]["high"]) == ([58.0], [62.0])
    assert datasets["looks"] == {
        "at": [half, over],  # what was seen in one round shares a rule
        "words": ["ring 1: sound; ring 2: softened", "ring 1: sound"],
    }
    low, high = datasets["frame"]["value"]
    assert float(low) < 20.0
    assert float(high) > 62.0


def test_a_trend_line_is_lifted_at_a_gap() -> None:
    made = chart_rows.trace_of_series(
        series([0, 500, 5_000, 5_500, 9_000], [20.0, 21.0, 22.0, 22.0, 20.0]),
        "North vat",
        "°C",
        gap_limit_ms=1_000,
    )
    path = chart_rows.trend_path(made, 0, 10_000, 100.0, 10.0)
    assert path == "M0.0,10.0L5.0,5.0M50.0,0.0L55.0,0.0M90.0,10.0h0"
    assert chart_rows.trend_path(trace([]), 0, 10_000, 100.0, 10.0) == ""
