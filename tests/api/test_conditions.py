"""What really happened in a window: published examples, real recordings, hard cases."""

from __future__ import annotations

import math
from collections.abc import Sequence
from importlib.resources import as_file, files

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.conditions import (
    Summary,
    first_layers_value,
    summarise,
    together,
    whole_print_value,
)
from api.psychrometrics import dew_point_c
from collector.errors import InvalidError
from collector.readings import Mark, Series
from collector.store.contract import Gap
from tests.recordings import recording

MIN = 60_000
HOUR = 3_600_000


def series(times_ms: Sequence[float], values: Sequence[float]) -> Series:
    return Series.of("vat-north", [(int(t), v, 0) for t, v in zip(times_ms, values, strict=True)])


def seconds(times_s: Sequence[float], values: Sequence[float]) -> Series:
    return series([t * 1_000 for t in times_s], values)


# --- published examples --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("values", "integral"), [([-2, 10, 7, 17, 15, 4], 50), ([19, 4, -3, 19, 13, 1], 43)]
)
def test_area_as_in_the_flux_documentation(values: list[float], integral: float) -> None:
    # Flux integral() documentation: unit 10 s, readings every 10 s from 0 to 50 s.
    summary = summarise(seconds(range(0, 60, 10), values), 0, 50_000, gap_limit_ms=10_000)
    assert summary.coverage == 1
    assert summary.mean is not None
    assert summary.mean * 5 == pytest.approx(integral, abs=1e-9)


def test_time_weighted_mean_as_in_the_flux_documentation() -> None:
    # Flux integral() and timeWeightedAvg() documentation: readings at 0, 20 and 50 s, window
    # 0 to 60 s. Those functions extend the last line to 60 s by themselves, to 3; here that
    # value has to have been read.
    points = seconds([0, 20, 50], [-2, 7, 4])
    extended = seconds([0, 20, 50, 60], [-2, 7, 4, 3])
    summary = summarise(extended, 0, 60_000, gap_limit_ms=30_000)
    assert summary.mean is not None
    assert summary.mean * 6 == pytest.approx(25, abs=1e-9)
    assert summary.mean == pytest.approx(4.1666667, abs=1e-6)
    unextended = summarise(points, 0, 60_000, gap_limit_ms=30_000)
    assert unextended.coverage == pytest.approx(50 / 60)
    assert unextended.mean == pytest.approx(21.5 / 5)


def test_unevenly_spaced_readings_count_for_the_time_they_stand_for() -> None:
    # By the definition of the trapezoid; the plain mean is 24.0, holding the last value 25.0667.
    uneven = seconds([0, 10, 12, 30, 60], [20, 22, 30, 24, 24])
    summary = summarise(uneven, 0, 60_000, gap_limit_ms=30_000)
    assert summary.mean == pytest.approx(24.466667, abs=1e-6)


def test_degree_hours_split_the_stretch_that_crosses_the_limit() -> None:
    # By definition: 22 -> 18 gives 2, 18 -> 20 gives 3, 20 -> 26 a third of 2/2: 5.3333.
    hourly = series([h * HOUR for h in range(5)], [24, 22, 18, 20, 26])
    summary = summarise(hourly, 0, 4 * HOUR, gap_limit_ms=HOUR, below=22, above=22)
    assert summary.degree_hours_below == pytest.approx(5.333333, abs=1e-6)
    assert summary.minutes_below == pytest.approx(60 + 60 + 20)
    assert summary.minutes_above == pytest.approx(60 + 40)
    assert summary.degree_hours_above == pytest.approx(1 + 2 / 3 * 4 / 2)


# --- an independent calculation with pandas ------------------------------------------------


def by_pandas(
    values: pd.Series[float], start: float, end: float, gap: float, limit: float
) -> dict[str, float]:
    """The same figures from a table of pieces; ``values`` is indexed by seconds.

    The table gets a row at either edge and at each crossing of the limit by ``interpolate``;
    a piece counts when the readings round it, found by ``ffill`` and ``bfill``, are near.
    """
    times, read = values.index.to_numpy(float), values.to_numpy(float)
    off = read - limit
    crossed = np.flatnonzero(off[:-1] * off[1:] < 0)
    crossings = times[crossed] - off[crossed] * np.diff(times)[crossed] / np.diff(off)[crossed]
    knots = values.index.union(pd.Index([start, end])).union(pd.Index(crossings))
    joined = values.reindex(knots).interpolate(method="index")
    before = pd.Series(times, index=values.index).reindex(knots).ffill()
    after = pd.Series(times, index=values.index).reindex(knots).bfill()
    table = pd.DataFrame(
        {
            "t0": knots[:-1],
            "length": np.diff(knots.to_numpy(float)),
            "middle": (joined.to_numpy()[:-1] + joined.to_numpy()[1:]) / 2,
            "round": after.to_numpy()[1:] - before.to_numpy()[:-1],
        }
    )
    table = table[(table["round"] <= gap) & (table["t0"] >= start) & (table["t0"] < end)]
    cold = table[table["middle"] < limit]
    inside = values[(values.index >= start) & (values.index < end)]
    return {
        "count": float(len(inside)),
        "coverage": table["length"].sum() / (end - start),
        "mean": (table["length"] * table["middle"]).sum() / table["length"].sum(),
        "minimum": inside.min(),
        "maximum": inside.max(),
        "minutes_below": cold["length"].sum() / 60,
        "degree_hours_below": (cold["length"] * (limit - cold["middle"])).sum() / 3_600,
    }


def by_second(times: pd.Series[pd.Timestamp], values: pd.Series[float]) -> pd.Series[float]:
    """A recording indexed by whole seconds since 1970, its first reading of each kept."""
    index = ((times - pd.Timestamp(0)) // pd.Timedelta("1s")).to_numpy(float)
    column = pd.Series(values.to_numpy(float), index=index)
    return column[~column.index.duplicated()]


def check_against_pandas(
    values: pd.Series[float], start: float, end: float, gap: int, limit: float
) -> Summary:
    summary = summarise(
        seconds(values.index.to_list(), values.to_list()),
        round(start * 1_000),
        round(end * 1_000),
        gap_limit_ms=gap * 1_000,
        below=limit,
        least_coverage=0.01,
    )
    for name, expected in by_pandas(values, start, end, gap, limit).items():
        assert getattr(summary, name) == pytest.approx(expected, rel=1e-9, abs=1e-9), name
    return summary


@pytest.mark.recordings
@pytest.mark.parametrize(
    ("start", "end"),
    [
        ("2015-02-02 14:19:00", "2015-02-02 16:00:00"),
        ("2015-02-02 18:00:30", "2015-02-03 07:00:00"),
        ("2015-02-03 07:15:10", "2015-02-03 07:43:20"),
        ("2015-02-03 09:00:00", "2015-02-04 09:00:00"),
        ("2015-02-03 23:59:59", "2015-02-04 00:03:01"),
    ],
)
@pytest.mark.parametrize(("column", "limit"), [("Temperature", 21.5), ("Humidity", 25.0)])
def test_office_recording_agrees_with_pandas(
    start: str, end: str, column: str, limit: float
) -> None:
    table = pd.read_csv(recording("room_climate_office_1min.csv"), parse_dates=["date"])
    values = by_second(table["date"], table[column])
    window = pd.Timestamp(start).timestamp(), pd.Timestamp(end).timestamp()
    summary = check_against_pandas(values, *window, 90, limit)
    assert summary.coverage == pytest.approx(1)
    assert summary.gaps == ()


def test_buoy_recording_agrees_with_pandas_across_its_real_gaps() -> None:
    # Read from the package's file: its own module is deprecated code to a new pandas.
    packed = files("bokeh_sampledata") / "_data" / "sea_surface_temperature.csv.gz"
    with as_file(packed) as path:
        buoy = pd.read_csv(path)
    assert len(buoy) == 19_226
    moments = pd.to_datetime(buoy["time (UTC)"], utc=True).dt.tz_convert(None)
    values = by_second(moments, buoy["temperature (celsius)"])
    times = values.index.to_numpy(float)
    holes = [(times[i], times[i + 1]) for i in np.flatnonzero(np.diff(times) > 45 * 60)]
    assert [after - before for before, after in holes] == [3_600, 12 * 3_600]
    windows = [(times[0], times[-1])]
    windows += [(before - 40_000, after + 25_000) for before, after in holes]
    windows += [(before - 7_000, before + 1_000) for before, _ in holes]
    windows += [(after - 1_000, after + 7_000) for _, after in holes]
    for start, end in windows:
        summary = check_against_pandas(values, start, end, 45 * 60, 10.0)
        assert summary.gaps == tuple(
            Gap(round(max(b, start) * 1_000), round(min(a, end) * 1_000))
            for b, a in holes
            if b < end and a > start
        )


@pytest.mark.recordings
def test_ambient_recording_has_ten_gaps_and_none_is_bridged() -> None:
    table = pd.read_csv(recording("ambient_temperature_hourly.csv"), parse_dates=["timestamp"])
    values = by_second(table["timestamp"], table["value"])
    times = values.index.to_list()
    whole = check_against_pandas(values, times[0], times[-1] + 1, 90 * 60, 70.0)
    hours = [(gap.end_ms - gap.start_ms) / HOUR for gap in whole.gaps]
    # The ten lengths stand beside the recording (Numenta Anomaly Benchmark).
    assert hours == [2, 32, 48, 160, 96, 71, 30, 3, 15, 174]
    assert whole.longest_gap_ms == 174 * HOUR
    readings = seconds(times, values.to_list())
    for hole in whole.gaps:
        within = summarise(
            readings, hole.start_ms + 1, hole.end_ms, gap_limit_ms=90 * MIN, below=200
        )
        assert within.coverage == 0
        assert within.mean is within.minutes_below is within.maximum is None
        assert within.withheld


# --- gaps, edges and doubtful readings -----------------------------------------------------


def test_the_edges_are_cut_from_neighbours_outside() -> None:
    line = series([-5 * MIN, 5 * MIN, 15 * MIN], [20, 30, 40])
    summary = summarise(line, 0, 10 * MIN, gap_limit_ms=10 * MIN)
    assert (summary.coverage, summary.mean, summary.count) == (1, 30, 1)
    assert (summary.minimum, summary.maximum) == (30, 30)
    alone = summarise(line, 5 * MIN, 6 * MIN, gap_limit_ms=9 * MIN)
    assert (alone.coverage, alone.mean) == (0, None)
    assert alone.gaps == (Gap(5 * MIN, 6 * MIN),)


def test_a_gap_is_told_and_nothing_is_computed_across_it() -> None:
    holed = series([0, MIN, 2 * MIN, 10 * MIN, 11 * MIN], [20, 20, 20, 80, 80])
    summary = summarise(holed, 0, 11 * MIN, gap_limit_ms=MIN, below=50, least_coverage=0.1)
    assert summary.gaps == (Gap(2 * MIN, 10 * MIN),)
    assert summary.longest_gap_ms == 8 * MIN
    assert summary.coverage == pytest.approx(3 / 11)
    assert summary.mean == pytest.approx(40)
    assert summary.minutes_below == pytest.approx(2)


def test_too_little_record_withholds_every_figure_with_the_reason() -> None:
    short = series([0, MIN], [20, 20])
    summary = summarise(short, 0, 10 * MIN, gap_limit_ms=MIN, below=22, least_coverage=0.5)
    assert summary.withheld == "only 10% of this window was recorded; it takes 50%"
    assert summary.mean is summary.minimum is summary.minutes_below is summary.slope_per_h is None
    assert summary.count == 2
    empty = summarise(series([], []), 0, MIN, gap_limit_ms=MIN)
    assert (empty.withheld, empty.gaps) == ("no record in this window", (Gap(0, MIN),))


def test_doubtful_readings_are_left_out_and_counted() -> None:
    rows = [(0, 20.0, 0), (MIN, 85.0, int(Mark.IMPLAUSIBLE)), (2 * MIN, 20.0, int(Mark.LATE))]
    marked = Series.of("vat-north", rows)
    summary = summarise(marked, 0, 2 * MIN, gap_limit_ms=2 * MIN)
    assert (summary.mean, summary.maximum, summary.marked_out, summary.count) == (20, 20, 1, 1)
    torn = summarise(marked, 0, 2 * MIN, gap_limit_ms=MIN)
    assert torn.coverage == 0
    assert torn.gaps == (Gap(0, 2 * MIN),)
    kept = summarise(marked, 0, 2 * MIN, gap_limit_ms=MIN, left_out=Mark.NONE)
    assert (kept.maximum, kept.marked_out) == (85, 0)


def test_deviation_and_slope_of_a_straight_rise() -> None:
    rise = series(
        [m * MIN for m in range(0, 61, 7)] + [60 * MIN], [m / 20 for m in range(0, 61, 7)] + [3.0]
    )
    summary = summarise(rise, 0, HOUR, gap_limit_ms=10 * MIN)
    assert summary.slope_per_h == pytest.approx(3)
    # A uniform spread over 3 K has the standard deviation 3/sqrt(12).
    assert summary.deviation == pytest.approx(3 / math.sqrt(12))


@pytest.mark.parametrize(("end", "gap"), [(0, MIN), (-1, MIN), (MIN, 0), (MIN, -1)])
def test_senseless_windows_are_refused(end: int, gap: int) -> None:
    with pytest.raises(InvalidError):
        summarise(series([0], [20]), 0, end, gap_limit_ms=gap)


@given(
    steps=st.lists(st.integers(1, 20), min_size=1, max_size=30),
    values=st.lists(st.floats(-40, 140), min_size=31, max_size=31),
    window=st.tuples(st.integers(-30, 200), st.integers(1, 300)),
    limit=st.integers(1, 20),
)
def test_minutes_on_both_sides_of_a_limit_are_the_covered_minutes(
    steps: list[int], values: list[float], window: tuple[int, int], limit: int
) -> None:
    times = [0, *np.cumsum(steps).tolist()]
    start, length = window
    figure = summarise(
        series([t * MIN for t in times], values[: len(times)]),
        start * MIN,
        (start + length) * MIN,
        gap_limit_ms=limit * MIN,
        below=37.5,
        above=37.5,
        least_coverage=0.0,
    )
    holes = sum(g.end_ms - g.start_ms for g in figure.gaps)
    assert figure.coverage + holes / (length * MIN) <= 1 + 1e-9
    if figure.mean is None:
        assert figure.coverage == 0
        return
    assert figure.minutes_below is not None
    assert figure.minutes_above is not None
    assert figure.degree_hours_below is not None
    assert figure.degree_hours_above is not None
    covered = figure.coverage * length
    assert figure.minutes_below + figure.minutes_above <= covered + 1e-6
    net = (figure.degree_hours_above - figure.degree_hours_below) * 60
    assert net == pytest.approx((figure.mean - 37.5) * covered, abs=1e-6)


# --- quantities made of two channels ------------------------------------------------------


def test_vat_minus_room_is_exact_and_has_the_holes_of_both() -> None:
    vat = series([m * MIN for m in (0, 10, 20, 30, 60, 70)], [20, 22, 24, 26, 30, 30])
    room = series([m * MIN for m in (5, 25, 45, 65)], [18, 18, 20, 20])
    apart = together(
        vat,
        room,
        lambda a, b: a - b,
        channel="vat minus room",
        gap_limits_ms=(10 * MIN, 20 * MIN),
    )
    assert (apart.times_ms / MIN).tolist() == [5, 10, 20, 25, 30, 60, 65]
    assert apart.values.tolist() == [3, 4, 6, 7, 7.5, 10, 10]
    summary = summarise(apart, 5 * MIN, 65 * MIN, gap_limit_ms=20 * MIN)
    assert summary.gaps == (Gap(30 * MIN, 60 * MIN),)


def test_dew_point_of_a_room_from_two_channels() -> None:
    warm = series([0, 10 * MIN, 20 * MIN], [20, 20, 20])
    damp = seconds([30, 630, 1_170], [40, 40, 40])
    dew = together(warm, damp, dew_point_c, channel="dew point", gap_limits_ms=(10 * MIN, 10 * MIN))
    # 20 °C and 40 %RH: 5.980 °C by the Magnus form of WMO No. 8.
    assert dew.values == pytest.approx([5.980] * len(dew), abs=6e-4)
    assert len(dew) == 4
    nothing = together(
        warm, series([], []), dew_point_c, channel="dew point", gap_limits_ms=(MIN, MIN)
    )
    assert len(nothing) == 0


def test_a_doubtful_reading_of_either_is_left_out_of_both() -> None:
    doubtful = Series.of("vat-north", [(0, 20, 0), (MIN, 85, int(Mark.JUMP)), (2 * MIN, 20, 0)])
    room = series([0, MIN, 2 * MIN], [18, 18, 18])
    apart = together(doubtful, room, lambda a, b: a - b, channel="x", gap_limits_ms=(2 * MIN, MIN))
    assert apart.values.tolist() == [2, 2, 2]


# --- the figures that enter the analysis ---------------------------------------------------


def cooling(minutes: Sequence[int]) -> Series:
    """A vat that cools by 0.1 K a minute from 25 °C, read at these minutes."""
    return series([m * MIN for m in minutes], [25 - 0.1 * m for m in minutes])


def test_lost_first_layer_minutes_are_taken_from_the_line() -> None:
    whole = first_layers_value(cooling(range(25)), 0, 24 * MIN, gap_limit_ms=2 * MIN)
    assert whole.value == pytest.approx(25 - 1.2)
    late = first_layers_value(cooling(range(9, 25)), 0, 24 * MIN, gap_limit_ms=2 * MIN)
    assert late.coverage == pytest.approx(15 / 24)
    # The plain mean of what is there would be 23.35: 0.45 K off.
    assert late.value == pytest.approx(25 - 1.2)


def test_readings_that_are_there_are_kept_as_they_are() -> None:
    minutes = list(range(11)) + list(range(14, 21))
    values = [20.0] * 11 + [22.0] * 7
    given_ = series([m * MIN for m in minutes], values)
    answer = first_layers_value(given_, 0, 20 * MIN, gap_limit_ms=MIN)
    inside = np.array(minutes[:-1]), np.array(values[:-1])
    slope, level = np.polyfit(*inside, 1)
    lost = 4 * (level + slope * 12)
    assert answer.value == pytest.approx((10 * 20 + 6 * 22 + lost) / 20)


def test_first_layers_need_sixty_percent_and_five_readings() -> None:
    missing = first_layers_value(cooling(range(10, 25)), 0, 24 * MIN, gap_limit_ms=2 * MIN)
    assert missing.value is None
    assert missing.reason == "only 58% of this window was recorded; it takes 60%"
    sparse = first_layers_value(cooling([0, 6, 12, 18, 24]), 0, 24 * MIN, gap_limit_ms=6 * MIN)
    assert (sparse.value, sparse.count, sparse.coverage) == (None, 4, 1)
    assert sparse.reason == "4 readings in this window; it takes 5"


def test_a_whole_print_joins_its_readings_by_straight_lines() -> None:
    minutes = [m for m in range(241) if not 100 <= m <= 140]
    answer = whole_print_value(cooling(minutes), 0, 240 * MIN, gap_limit_ms=5 * MIN)
    assert answer.value == pytest.approx(25 - 12)
    assert answer.coverage == pytest.approx((240 - 42) / 240)
    values = [25 - 0.1 * m for m in minutes if m < 235]
    cut = whole_print_value(
        cooling([m for m in minutes if m < 235]), 0, 240 * MIN, gap_limit_ms=5 * MIN
    )
    grid = np.linspace(0, 240, 240_001)
    joined = np.interp(grid, [m for m in minutes if m < 235], values)
    assert cut.value == pytest.approx(float(np.trapezoid(joined, grid)) / 240, abs=1e-6)


def test_a_whole_print_refuses_holes_that_are_too_large() -> None:
    late = whole_print_value(cooling(range(30, 241)), 0, 240 * MIN, gap_limit_ms=5 * MIN)
    assert (late.value, late.reason) == (None, "no reading over 12% of the window at its start")
    early = whole_print_value(cooling(range(211)), 0, 240 * MIN, gap_limit_ms=5 * MIN)
    assert (early.value, early.reason) == (None, "no reading over 12% of the window at its end")
    torn = [m for m in range(241) if not 60 < m < 120]
    holed = whole_print_value(cooling(torn), 0, 240 * MIN, gap_limit_ms=5 * MIN)
    assert holed.reason == "only 75% of this window was recorded; it takes 80%"
    assert whole_print_value(series([], []), 0, MIN, gap_limit_ms=MIN).value is None
