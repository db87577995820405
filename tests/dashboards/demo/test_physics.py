"""The cellar's physics against closed forms, an independent integration and tables."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import psychrolib  # type: ignore[import-untyped]
import pytest

from dashboards.demo.physics import (
    DAY_S,
    HOUR_S,
    OPERATOR_SLACK_S,
    TRUTH,
    Floats,
    PowerDraw,
    Pulse,
    Step,
    Swing,
    behind,
    chance,
    mean_power_w,
    pulse_behind,
    quantised,
    run_chamber,
    saturation_pressure_hpa,
    scatter,
    swing,
    toward,
)
from dashboards.demo.winter import winter

NOW_S = 1_790_000_000.0


def stepped(drive_c: Floats, start_c: float, lag_s: float, every_s: float) -> Floats:
    """An independent integration: the drive held at the middle of each short step."""
    track = [start_c]
    for before, after in pairwise(drive_c.tolist()):
        track.append(toward(track[-1], (before + after) / 2.0, every_s, lag_s))
    return np.array(track)


@pytest.mark.parametrize(
    ("seconds", "expected_c"),
    [(480.0, 46.38846), (1_205.91, 57.0), (1_400.53, 58.0)],
)
def test_a_lag_of_480_s_from_23_to_60_degrees(seconds: float, expected_c: float) -> None:
    # Analytic: t = tau ln((T_inf - T_0) / difference).
    assert toward(23.0, 60.0, seconds, 480.0) == pytest.approx(expected_c, abs=2e-4)


@pytest.mark.parametrize(
    ("constants", "percent"), [(1, 63.212), (2, 86.466), (3, 95.021), (4, 98.168), (5, 99.326)]
)
def test_response_after_n_time_constants(constants: int, percent: float) -> None:
    # Analytic; "within 95 % in three time constants" (Lienhard, A Heat Transfer Textbook).
    assert 100.0 * toward(0.0, 1.0, constants * 300.0, 300.0) == pytest.approx(percent, abs=5e-4)
    pulse = pulse_behind(Pulse(0.0, 1e9, 1.0), np.array([constants * 300.0]), 300.0)
    assert 100.0 * pulse[0] == pytest.approx(percent, abs=5e-4)


def test_behind_a_ramp_the_lag_is_rate_times_time_constant() -> None:
    # Analytic: 1 K/min behind 300 s stays 5 K behind.
    drive = np.arange(0.0, 6_000.0) / 60.0
    assert drive[-1] - stepped(drive, 0.0, 300.0, 1.0)[-1] == pytest.approx(5.0, abs=1e-4)


def test_a_swing_behind_a_lag_obeys_the_lag() -> None:
    form, lag_s = Swing(0.7, DAY_S, 57_600.0), 4_500.0
    times = np.arange(0.0, DAY_S)
    late = swing(behind(form, lag_s), times)
    balance = lag_s * np.gradient(late, times)[1:-1] + late[1:-1]
    assert np.abs(balance - swing(form, times)[1:-1]).max() < 1e-6


@pytest.mark.parametrize("lags_s", [(2_400.0,), (2_400.0, 4_500.0), (4_500.0, 2_400.0)])
def test_a_pulse_behind_lags_is_what_stepping_gives(lags_s: tuple[float, ...]) -> None:
    form = Pulse(1_000.0, 9_000.0, 4.5)
    times = np.arange(0.0, 40_000.0, 2.0)
    track = np.where((times >= form.start_s) & (times < form.end_s), form.height_k, 0.0)
    for lag_s in lags_s:
        track = stepped(track, 0.0, lag_s, 2.0)
    assert np.abs(pulse_behind(form, times, *lags_s) - track).max() < 4e-3


def test_the_vat_follows_the_room_and_its_lamp_as_an_integration_does() -> None:
    cellar = winter(NOW_S).cellar
    truth, vat = cellar.truth, cellar.vats["South"]
    times = np.arange(NOW_S - 9 * DAY_S, NOW_S, 10.0)
    drive = cellar.room_c(times) + vat.offset_k
    for lamp in vat.lamps:
        drive[(times >= lamp.start_s) & (times < lamp.end_s)] += truth.lamp_rise_k
    start_c = float(cellar.vat_c("South", times[:1])[0])
    track = stepped(drive, start_c, truth.vat_lag_s, 10.0)
    assert np.abs(cellar.vat_c("South", times) - track).max() < 0.01
    assert sum(lamp.end_s > times[0] for lamp in vat.lamps) >= 2


def test_saturation_pressure_agrees_with_the_reference_library() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    for celsius in (1.0, 10.0, 20.0, 30.0, 40.0):
        expected_hpa = psychrolib.GetSatVapPres(celsius) / 100.0  # ASHRAE Fundamentals 2017
        assert saturation_pressure_hpa(np.array([celsius]))[0] == pytest.approx(
            expected_hpa, rel=3e-3
        )


def test_humidity_falls_when_the_radiator_warms_the_room() -> None:
    cellar = winter(NOW_S).cellar
    radiator = cellar.radiators[0]
    before, warm = np.array([radiator.start_s]), np.array([radiator.start_s + 5_000.0])
    assert cellar.room_c(warm)[0] > cellar.room_c(before)[0] + 2.0
    assert cellar.humidity_pct(warm)[0] < cellar.humidity_pct(before)[0] - 4.0


def test_the_chamber_runs_over_settles_below_the_dial_and_dwells_long_enough() -> None:
    steps = (Step(50.0, 3.0, HOUR_S), Step(60.0, 3.0, HOUR_S), Step(55.0, 3.0, 1_800.0))
    run = run_chamber(steps, 1_000.0, 18.0)
    start_s = run.start_s
    for step, end_s in zip(steps, run.ends_s, strict=True):
        track = run.at(np.arange(start_s, end_s, 1.0))
        within = np.abs(track - step.setpoint_c) <= step.tolerance_k
        assert step.dwell_s <= within.sum() <= step.dwell_s + 2 * OPERATOR_SLACK_S + 600
        # The thermostat reads offset_k high, so the chamber settles that much low.
        assert track[-1] == pytest.approx(step.setpoint_c - TRUTH.chamber.offset_k, abs=0.15)
        start_s = end_s
    first = run.at(np.arange(run.start_s, run.ends_s[0]))
    assert 53.0 < first.max() < 60.0, "the first step overshoots its band, not the next setpoint"
    assert run.at(np.array([run.ends_s[-1] + 2 * HOUR_S]))[0] == pytest.approx(18.0, abs=0.1)


def test_a_setpoint_out_of_reach_is_said_so() -> None:
    with pytest.raises(ValueError, match="never holds 300"):
        run_chamber((Step(300.0, 3.0, HOUR_S),), 0.0, 18.0)


def test_risk_and_limit_are_each_other_s_inverse() -> None:
    for level in (0.10, 0.20, 0.50, 0.90):
        assert TRUTH.risk(TRUTH.limit_c(level)) == pytest.approx(level, abs=1e-12)
    # By hand: (0.20 - 0.06) / 0.94 = 7/47; 19 + ln(40/7) / 0.8.
    assert TRUTH.limit_c(0.20) == pytest.approx(19.0 + math.log(40.0 / 7.0) / 0.8)
    assert TRUTH.risk(19.0) == pytest.approx(0.06 + 0.94 / 2)
    assert TRUTH.risk(-1e6) == pytest.approx(1.0)
    assert TRUTH.risk(1e6) == pytest.approx(0.06)


def test_power_is_the_energy_of_a_layer_over_its_length() -> None:
    draw = PowerDraw(moving_w=36.0, lamp_w=54.0)
    energy_j = 36.0 * 12.0 + 54.0 * 3.0
    assert mean_power_w(draw, exposure_s=3.0, layer_s=12.0) == pytest.approx(energy_j / 12.0)


def test_noise_is_normal_independent_and_belongs_to_its_moment() -> None:
    times = NOW_S + np.arange(200_000.0)
    noise = scatter(7, 3, times)
    assert abs(noise.mean()) < 4.0 / math.sqrt(len(times))
    assert noise.std() == pytest.approx(1.0, abs=0.01)
    assert (np.abs(noise) < 1.0).mean() == pytest.approx(0.6827, abs=0.005)
    for other in (scatter(7, 4, times), scatter(8, 3, times), np.roll(noise, 1)):
        assert abs(np.corrcoef(noise, other)[0, 1]) < 0.012
    picked = np.array([5, 99_999, 17])
    assert np.array_equal(scatter(7, 3, times[picked]), noise[picked])


def test_chance_is_uniform_and_never_zero() -> None:
    draws = chance(1, 2, NOW_S + np.arange(100_000.0))
    counts, _ = np.histogram(draws, bins=10, range=(0.0, 1.0))
    assert draws.min() > 0.0
    assert draws.max() <= 1.0
    assert ((counts - 10_000) ** 2 / 10_000).sum() < 27.9  # chi-square, 9 df, 0.1 %


def test_a_sensor_sends_multiples_of_its_resolution() -> None:
    assert quantised(np.array([20.03, 20.04, -0.02]), 0.0625).tolist() == [20.0, 20.0625, 0.0]
