"""First-order lag: textbook examples in closed form, and a real body that is not one."""

from __future__ import annotations

import csv
import math

import numpy as np
import pytest

from api.warmup import Lag, fit, forecast, ramp_lag_k
from collector.readings import Series
from tests.recordings import recording

MIN = 60_000


def warming(
    minutes: int,
    *,
    start_c: float = 14.0,
    final_c: float = 26.0,
    tau_min: float = 40.0,
    noise_k: float = 0.0,
    seed: int = 1,
) -> Series:
    """A vat that warms, read once a minute."""
    t = np.arange(minutes)
    noise = noise_k * np.random.default_rng(seed).standard_normal(minutes)
    values = final_c + (start_c - final_c) * np.exp(-t / tau_min) + noise
    return Series.of("vat-north", [(i * MIN, v, 0) for i, v in enumerate(values.tolist())])


def mug(first: int, last: int) -> Series:
    """mosaicData CoolingWater: a mug of water cooling, one reading a minute, 0.1 °C steps."""
    with recording("cooling_water.csv").open(newline="") as file:
        rows = [(int(row["time"]), float(row["temp"])) for row in csv.DictReader(file)]
    return Series.of("mug", [(t * MIN, v, 0) for t, v in rows if first <= t <= last])


def test_share_of_the_way_after_whole_time_constants() -> None:
    # Closed form; "within 95 % in three time constants": Lienhard, A Heat Transfer Textbook.
    lag = Lag(0, 1.0, -1.0, tau_s=60.0)
    shares = [100 * lag.at_c(n * MIN) for n in (1, 2, 3, 4, 5)]
    assert shares == pytest.approx([63.212, 86.466, 95.021, 98.168, 99.326], abs=1e-3)


def test_thermocouple_bead() -> None:
    # Çengel, Heat Transfer, example 4-1: b = 0.46324 1/s, 99 % after 9.94 s ("10 s").
    lag = Lag(0, 1.0, -1.0, tau_s=1 / 0.46324)
    assert lag.tau_s == pytest.approx(2.15873, rel=1e-4)
    assert lag.within_s(0.01) == pytest.approx(9.9413, rel=1e-4)


def test_junction_in_a_gas_stream() -> None:
    # Incropera, example 5.1 (from memory): 25 °C into 200 °C, tau 1 s, 199 °C after 5.2 s.
    lag = Lag(0, 200.0, -175.0, tau_s=1.0)
    assert lag.reaches_s(199.0) == pytest.approx(math.log(175), rel=1e-9)


def test_times_to_come_near_in_closed_form() -> None:
    # t = tau ln(distance/delta): 23 -> 60 °C with tau 480 s.
    lag = Lag(0, 60.0, -37.0, tau_s=480.0)
    assert lag.within_s(3) == pytest.approx(1205.91, abs=0.01)
    assert lag.within_s(2) == pytest.approx(1400.53, abs=0.01)
    assert lag.at_c(480_000) == pytest.approx(46.38846, abs=1e-5)
    assert lag.slower_than_s(2) == pytest.approx(2367.68, abs=0.01)


def test_lag_behind_a_ramp() -> None:
    assert ramp_lag_k(1.0, 300.0) == 5.0


def test_an_exact_curve_is_found_again() -> None:
    lag = fit(warming(120))
    assert lag.refusal is None
    assert (lag.final_c, lag.amplitude_k) == pytest.approx((26, -12), rel=1e-6)
    assert lag.tau_s == pytest.approx(2_400, rel=1e-6)
    answer = forecast(lag, 24.0)
    assert answer.at_ms == pytest.approx(40 * math.log(6) * MIN, abs=5)
    assert answer.refusal is None


def test_the_forecast_range_covers_the_truth() -> None:
    truth = 40 * math.log(6) * MIN
    covered = 0
    for seed in range(200):
        lag = fit(warming(60, noise_k=0.05, seed=seed))
        answer = forecast(lag, 24.0)
        assert answer.at_ms is not None
        assert answer.earliest_ms is not None
        assert answer.latest_ms is not None
        covered += answer.earliest_ms <= truth <= answer.latest_ms
    assert covered >= 0.9 * 200


@pytest.mark.recordings
def test_the_range_is_wider_where_the_vat_is_more_than_one_body() -> None:
    """A tenth of the way goes eight times as fast: within the allowed residual, yet bent."""
    covered = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        tau, target = float(rng.uniform(15, 60)), 24.0
        t = np.arange(0, 1.6 * tau, 0.5)

        def vat(t: np.ndarray, tau: float = tau) -> np.ndarray:
            away = 0.9 * np.exp(-t / tau) + 0.1 * np.exp(-8 * t / tau)
            return np.asarray(26.0 - 11.0 * away)

        ahead = np.linspace(0, 5 * tau, 50_000)
        truth = float(ahead[np.argmax(vat(ahead) >= target)])
        values = vat(t) + rng.normal(0, 0.03, len(t))
        rows = [(round(m * 60_000), float(v), 0) for m, v in zip(t, values, strict=True)]
        found = forecast(fit(Series.of("vat-north", rows)), target)
        if found.earliest_ms is not None and found.latest_ms is not None:
            covered.append(found.earliest_ms <= truth * 60_000 <= found.latest_ms)
    assert len(covered) >= 5
    assert np.mean(covered) >= 0.7


def test_one_exponential_does_not_fit_a_cooling_mug_and_says_so() -> None:
    # "Is cooling exponential?", Project MOSAIC notes: A 27.00446, B 62.13545, k 0.0209644.
    whole = fit(mug(0, 221))
    assert whole.count == 222
    assert whole.final_c == pytest.approx(27.0044582, rel=1e-4)
    assert whole.amplitude_k == pytest.approx(62.1354543, rel=1e-4)
    assert 60 / whole.tau_s == pytest.approx(0.0209644103, rel=1e-4)
    assert whole.residual_k == pytest.approx(1.4775, rel=1e-4)
    assert whole.refusal is not None
    assert "one exponential does not fit" in whole.refusal
    assert forecast(whole, 40.0).at_ms is None
    assert forecast(whole, 40.0).residual_k == whole.residual_k


@pytest.mark.recordings
def test_the_time_constant_of_the_mug_depends_on_the_stretch() -> None:
    # Computed with scipy beside the row of the whole recording.
    later = fit(mug(20, 221))
    assert later.final_c == pytest.approx(24.7483, rel=1e-3)
    assert later.tau_s / 60 == pytest.approx(63.477, rel=1e-3)
    assert later.residual_k == pytest.approx(0.3879, rel=1e-3)
    assert later.refusal is not None
    last = fit(mug(100, 221))
    assert last.final_c == pytest.approx(22.5228, rel=1e-3)
    assert last.tau_s / 60 == pytest.approx(86.038, rel=1e-3)
    assert last.residual_k == pytest.approx(0.0412, rel=1e-2)
    first_hour = fit(mug(0, 59))
    assert first_hour.final_c == pytest.approx(41.48, rel=1e-3)
    assert first_hour.refusal is not None


def test_a_record_that_is_too_short_is_refused() -> None:
    assert "it takes 12" in (fit(warming(11)).refusal or "")
    short = fit(warming(15, noise_k=0.02))
    assert short.refusal is not None
    assert forecast(short, 24.0).at_ms is None


def test_an_end_beyond_anything_on_the_bench_is_refused() -> None:
    runaway = fit(warming(120, final_c=90.0), hottest_c=60.0)
    assert runaway.refusal == "the curve ends at 90 °C, beyond anything here"


def test_a_target_that_is_never_reached_is_refused() -> None:
    answer = forecast(fit(warming(120)), 30.0)
    assert answer.at_ms is None
    assert answer.refusal == "on its way to 26.0 °C it does not pass 30.0 °C"


def test_a_flat_record_has_nothing_to_forecast() -> None:
    flat = fit(warming(60, start_c=26.0))
    assert flat.residual_k == pytest.approx(0, abs=1e-9)
    assert forecast(flat, 28.0).at_ms is None
