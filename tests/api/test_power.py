"""Prints found in power traces: simulated nights with known truth."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pytest

from api.power import PowerPrints, learn, prints_in
from collector.readings import Mark, Series

MIN = 60_000
GAP_LIMIT_MS = 120_000
Floats = npt.NDArray[np.float64]


@dataclass
class Night:
    """A trace [W] with what was put into it: prints and gaps as (start, end) in seconds."""

    series: Series
    prints: list[tuple[int, int]]
    gaps: list[tuple[int, int]]
    pauses: list[tuple[int, int]] = field(default_factory=list)
    cut_short: bool = False


def night(seed: int) -> Night:
    """14 hours read every 10 s: none, one or two prints, and most of what can go wrong."""
    rng = np.random.default_rng(seed)
    length = 14 * 3_600
    t = np.arange(length)
    standby = rng.uniform(5, 11)
    power = np.full(length, standby)
    for _ in range(rng.integers(0, 4)):  # a display that lights up
        at = int(rng.integers(0, length - 900))
        power[at : at + int(rng.integers(60, 900))] += rng.uniform(1, 4)
    prints, pauses = [], []
    start = int(rng.integers(1_200, 9_000))
    for _ in range(rng.integers(0, 3)):
        end = start + int(rng.integers(2_400, 15_000))
        if end > length - 1_500:
            break
        bottom = start + 400
        power[start:end] = rng.uniform(36, 60)
        power[start:bottom] *= rng.uniform(1.2, 1.6)
        for _ in range(rng.integers(0, 3)):
            at = int(rng.integers(start + 900, end - 1_400))
            pause = at + int(rng.integers(120, 480))
            power[at:pause] = standby
            pauses.append((at, pause))
        prints.append((start, end))
        start = end + int(rng.integers(1_500, 3_600))
    cut_short = bool(prints) and bool(rng.random() < 0.15)
    if cut_short:
        power[prints[-1][1] :] = 0.3
    for _ in range(rng.integers(0, 3)):  # brown-outs
        at = int(rng.integers(0, length - 60))
        power[at : at + int(rng.integers(5, 40))] = 0.0
    read = power.reshape(-1, 10).mean(axis=1)
    read = np.maximum(
        read + rng.normal(0, 0.8, len(read)) + 0.02 * read * rng.normal(size=len(read)), 0
    )
    times = t[5::10]
    gaps = []
    edges = [moment for pair in prints for moment in pair]
    for _ in range(rng.integers(0, 3)):
        around = rng.choice(edges) if edges and rng.random() < 0.5 else rng.integers(0, length)
        at = int(around) - int(rng.integers(0, 900))
        gaps.append((at, at + int(rng.integers(200, 1_000))))
    keep = np.ones(len(times), bool)
    for begin, end in gaps:
        keep &= (times < begin) | (times >= end)
    rows = zip(
        (times[keep] * 1_000).tolist(), read[keep].tolist(), [0] * int(keep.sum()), strict=True
    )
    return Night(Series.of("power-north", rows), prints, gaps, pauses, cut_short)


def found_in(a_night: Night) -> PowerPrints:
    return prints_in(a_night.series, gap_limit_ms=GAP_LIMIT_MS)


def in_gap(moment: int, gaps: list[tuple[int, int]]) -> bool:
    return any(begin - 10 <= moment <= end + 10 for begin, end in gaps)


def test_five_hundred_nights() -> None:
    edges = right = unsure = invented = missed = 0
    for seed in range(500):
        a_night = night(seed)
        found = found_in(a_night).prints
        truth = list(a_night.prints)
        invented += sum(
            all(p.end_ms / 1_000 < start or p.start_ms / 1_000 > end for start, end in truth)
            for p in found
        )
        for start, end in truth:
            match = [p for p in found if p.start_ms / 1_000 < end and p.end_ms / 1_000 > start]
            if len(match) != 1:
                missed += 1
                continue
            (p,) = match
            for moment, best, between in (
                (start, p.start_ms, p.started_between),
                (end, p.end_ms, p.ended_between),
            ):
                if in_gap(moment, a_night.gaps):
                    low, high = between
                    unsure += 1
                    assert low is None or low / 1_000 - 10 <= moment
                    assert high is None or moment <= high / 1_000 + 10
                    continue
                edges += 1
                right += abs(best / 1_000 - moment) <= 60
    assert invented == 0
    assert edges > 600
    assert unsure > 50
    assert right / edges >= 0.99
    assert missed <= 0.01 * edges / 2


def test_a_night_without_a_print_has_none_however_torn() -> None:
    quiet = [a_night for a_night in map(night, range(300)) if not a_night.prints]
    assert len(quiet) > 30
    assert any(a_night.gaps for a_night in quiet)
    for a_night in quiet:
        answer = found_in(a_night)
        assert answer.prints == ()
        assert answer.refusal == "printing and rest do not stand apart in this trace"


def trace(*pieces: tuple[float, float], every_s: int = 10) -> Series:
    """Pieces of (minutes, watts), read evenly; NaN watts are a gap."""
    rows, at = [], 0.0
    for minutes, watts in pieces:
        stop = at + minutes * 60
        moments = np.arange(np.ceil(at / every_s) * every_s, stop, every_s)
        rows += [(int(m * 1_000), watts, 0) for m in moments if not np.isnan(watts)]
        at = stop
    return Series.of("power-north", rows)


NAN = float("nan")


def found(*pieces: tuple[float, float]) -> PowerPrints:
    return prints_in(trace(*pieces), gap_limit_ms=GAP_LIMIT_MS)


def test_levels_are_learned_from_off_standby_and_printing() -> None:
    levels = learn(trace((300, 0.6), (30, 9), (10, 80), (200, 48), (30, 9)))
    assert levels is not None
    assert levels.standby_w == 9
    assert levels.rest_w == 0.6
    assert levels.printing_w == 48
    assert 9 < levels.lower_w < levels.upper_w < 48


def test_one_print_with_a_pause() -> None:
    (only,) = found((60, 9), (90, 50), (8, 9), (60, 50), (60, 9)).prints
    assert only.start_ms == pytest.approx(60 * MIN, abs=10_000)
    assert only.end_ms == pytest.approx(218 * MIN, abs=10_000)
    (pause,) = only.pauses
    assert (pause.end_ms - pause.start_ms) / MIN == pytest.approx(8, abs=0.2)
    assert not only.cut_short
    assert not only.running


def test_two_prints_back_to_back() -> None:
    first, second = found((60, 9), (90, 50), (25, 9), (60, 50), (60, 9)).prints
    assert second.start_ms - first.end_ms == pytest.approx(25 * MIN, abs=20_000)


def test_a_brown_out_is_no_end() -> None:
    (only,) = found((60, 9), (60, 50), (0.5, 0), (60, 50), (60, 9)).prints
    assert only.pauses == ()


def test_power_lost_for_good_is_cut_short() -> None:
    (only,) = found((60, 9), (60, 50), (120, 0)).prints
    assert only.cut_short
    (whole,) = found((60, 9), (60, 50), (30, 9), (120, 0)).prints
    assert not whole.cut_short


def test_gaps_across_start_and_end_are_told_and_not_filled() -> None:
    (only,) = found((60, 9), (40, NAN), (60, 50), (30, NAN), (60, 9)).prints
    assert only.started_between == (3_590_000, 100 * MIN)
    assert only.start_ms == 100 * MIN
    assert only.ended_between == (160 * MIN - 10_000, 190 * MIN)
    assert only.end_ms == 160 * MIN - 10_000


def test_a_short_gap_within_is_listed_and_a_long_one_parts() -> None:
    (only,) = found((60, 9), (60, 50), (15, NAN), (60, 50), (60, 9)).prints
    assert len(only.gaps) == 1
    assert len(found((60, 9), (60, 50), (45, NAN), (60, 50), (60, 9)).prints) == 2


def test_one_still_running_and_one_begun_before_the_trace() -> None:
    begun, running = found((60, 50), (60, 9), (60, 50)).prints
    assert begun.started_between == (None, 0)
    assert running.running
    assert running.ended_between[1] is None


def test_a_test_exposure_is_no_print() -> None:
    assert found((60, 9), (3, 50), (60, 9), (60, 50), (60, 9)).prints[0].start_ms > 120 * MIN


def test_a_doubtful_spike_is_no_print() -> None:
    rows = [(i * 10_000, 9.0, 0) for i in range(500)]
    rows[100:200] = [(t, 60.0, int(Mark.IMPLAUSIBLE)) for t, _, _ in rows[100:200]]
    answer = prints_in(Series.of("power-north", rows), gap_limit_ms=GAP_LIMIT_MS)
    assert answer.prints == ()
    assert prints_in(Series.of("x", []), gap_limit_ms=1).refusal is not None


def test_a_meter_that_reads_below_nothing_tells_prints_all_the_same() -> None:
    (one,) = found((60, -8.0), (120, 45.0), (60, -8.0)).prints
    assert (one.start_ms, one.end_ms) == pytest.approx((60 * MIN, 180 * MIN), abs=MIN)


def flickering(seed: int, *, every_s: int, warm_up: bool) -> tuple[Series, list[tuple[int, int]]]:
    """A day read now and then: the lamp is on for a fifth of each layer, and seldom met."""
    rng = np.random.default_rng(seed)
    t = np.arange(24 * 3_600)
    rest, working, lamp = rng.uniform(2, 30), rng.uniform(6, 14), rng.uniform(20, 60)
    power = np.full(len(t), rest)
    prints, start = [], int(rng.integers(2_000, 9_000))
    while (end := start + int(rng.integers(3_000, 25_000))) < len(t) - 2_000:
        layers = start + np.cumsum(rng.normal(rng.uniform(8.2, 13.7), 0.3, 3_100))
        in_layer = t[start:end] - layers[np.searchsorted(layers, t[start:end]) - 1]
        power[start:end] = rest + working + np.where(in_layer < 2.2, lamp, 0.0)
        power[start : start + 300] = rest + working + lamp  # the first layers take long exposures
        if warm_up:
            power[start : start + 400] = rest + 110.0
        prints.append((start, end))
        start = end + int(rng.integers(2_000, 12_000))
    read = power[every_s // 2 :: every_s]
    read = np.maximum(
        read + rng.normal(0, 0.4, len(read)) + 0.01 * read * rng.normal(size=len(read)), 0
    )
    times = t[every_s // 2 :: every_s] * 1_000
    return Series("power-north", times, read, np.zeros(len(times), np.uint8)), prints


@pytest.mark.parametrize("every_s", [2, 10, 30])
@pytest.mark.parametrize("warm_up", [False, True], ids=["cold", "warmed"])
def test_a_meter_that_seldom_meets_the_lamp_still_tells_start_and_end(
    every_s: int, warm_up: bool
) -> None:
    seen = 0
    for seed in range(12):
        series, prints = flickering(seed, every_s=every_s, warm_up=warm_up)
        found = prints_in(series, gap_limit_ms=GAP_LIMIT_MS).prints
        edges = [(p.start_ms / 1_000, p.end_ms / 1_000) for p in found]
        assert np.array(edges).shape == np.array(prints).shape, seed
        assert np.abs(np.array(edges) - np.array(prints)).max() <= 60, seed
        seen += len(prints)
    assert seen > 40
