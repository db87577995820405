"""What the demo's sensors send: the truth, their noise, their losses and their built-in faults."""

from __future__ import annotations

import numpy as np
import pytest

from dashboards.demo.physics import DAY_S, HOUR_S, Floats
from dashboards.demo.sensors import (
    CHANNELS,
    chamber_c,
    faults,
    first_layers_times,
    history_times,
    live_times,
    machine_of,
    power_w,
    readings,
)
from dashboards.demo.settings import GAP_LIMIT_DEFAULT_S, GAP_LIMIT_S
from dashboards.demo.winter import MACHINES, Winter, first_layers_s, winter

NOW_S = 1_790_000_000.0


@pytest.fixture(scope="module")
def played() -> Winter:
    return winter(NOW_S)


def history(played: Winter, channel: str) -> tuple[Floats, Floats]:
    return readings(played, channel, history_times(played, channel, played.now_s))


def true_value(played: Winter, channel: str, times_s: Floats) -> Floats:
    if channel == "room-temp":
        return played.cellar.room_c(times_s)
    if channel == "room-humidity":
        return played.cellar.humidity_pct(times_s)
    if channel == "chamber":
        return chamber_c(played, times_s)
    machine = machine_of(channel)
    if channel.startswith("power"):
        return power_w(played, machine, times_s)
    return played.cellar.vat_c(machine, times_s)


@pytest.mark.parametrize("channel", CHANNELS)
def test_no_reading_lies_in_the_future_or_before_the_winter(played: Winter, channel: str) -> None:
    for until_s in (played.now_s, played.now_s - 3 * HOUR_S, played.now_s - 40 * DAY_S):
        times, values = readings(played, channel, history_times(played, channel, until_s))
        assert times[0] >= played.start_s
        assert times[-1] < until_s
        assert (np.diff(times) > 0).all()
        assert (times == np.round(times)).all(), "whole seconds"
        assert np.isfinite(values).all()


@pytest.mark.parametrize("channel", CHANNELS)
def test_readings_are_the_truth_within_noise_and_resolution(played: Winter, channel: str) -> None:
    times, values = history(played, channel)
    sound = np.ones(len(times), dtype=np.bool_)
    for fault in faults(played):
        if fault.channel == channel:
            sound &= (times < fault.start_s) | (times >= fault.end_s)
    error = values[sound] - true_value(played, channel, times[sound])
    truth = played.truth
    noise, step = {
        "vat": (truth.noise_vat_k, 0.0625),
        "room-temp": (truth.noise_room_k, 0.1),
        "room-humidity": (truth.noise_humidity_pct, 0.1),
        "chamber": (truth.noise_chamber_k, 0.25),
        "power": (truth.noise_power_w, 0.1),
    }[channel if channel.startswith(("room", "chamber")) else channel.partition("-")[0]]
    if channel.startswith("power"):  # below zero nothing is drawn: an idle meter is cut at 0 W
        error = error[true_value(played, channel, times[sound]) > 5.0]
    # Sheppard: rounding to a step adds a variance of step²/12.
    assert error.std() == pytest.approx(np.hypot(noise, step / np.sqrt(12.0)), rel=0.05)
    assert abs(error.mean()) < 5.0 * error.std() / np.sqrt(len(error))


@pytest.mark.parametrize("channel", CHANNELS)
def test_the_share_of_lost_readings_is_the_stated_one(played: Winter, channel: str) -> None:
    moments = live_times(channel, played.now_s - 1.5 * HOUR_S - 200_000, played.now_s)
    if channel == "chamber":
        moments = moments[moments > played.soaks[-1].run.start_s]
    for fault in faults(played):
        if fault.channel == channel:
            moments = moments[(moments < fault.start_s) | (moments >= fault.end_s)]
    times, _ = readings(played, channel, moments)
    lost, share = len(moments) - len(times), played.truth.lost_share
    expected, spread = share * len(moments), np.sqrt(share * (1 - share) * len(moments))
    assert abs(lost - expected) < 4.0 * spread
    assert lost > 0


def test_any_stretch_read_at_any_time_says_the_same(played: Winter) -> None:
    for channel in CHANNELS:
        times = history_times(played, channel, played.now_s)
        whole = dict(
            zip(*(part.tolist() for part in readings(played, channel, times)), strict=True)
        )
        for pick in (times[-500:], times[1_000:1_400], times[::37]):
            some = readings(played, channel, pick)
            assert all(whole[t] == v for t, v in zip(*(p.tolist() for p in some), strict=True))


@pytest.mark.parametrize("channel", [channel for channel in CHANNELS if channel != "chamber"])
def test_the_only_long_gap_is_the_one_built_in(played: Winter, channel: str) -> None:
    times, _ = history(played, channel)
    limit_s = GAP_LIMIT_S.get(channel, GAP_LIMIT_DEFAULT_S)
    holes = np.flatnonzero(np.diff(times) > limit_s)
    off = [fault for fault in faults(played) if fault.channel == channel and fault.value is None]
    assert len(holes) == len(off) == (channel == "vat-north")
    for hole, fault in zip(holes, off, strict=True):
        assert times[hole] < fault.start_s <= fault.end_s <= times[hole + 1]
        assert fault.end_s - fault.start_s > 5 * HOUR_S


def test_the_faults_can_be_seen_in_the_readings(played: Winter) -> None:
    times, values = history(played, "room-humidity")
    stuck = next(fault for fault in faults(played) if fault.channel == "room-humidity")
    within = (times >= stuck.start_s) & (times < stuck.end_s)
    assert within.sum() > 100
    assert len(set(values[within].tolist())) == 1
    assert (history(played, "vat-south")[1] == 85.0).sum() == 2
    assert (history(played, "vat-north")[1] == -127.0).sum() == 1


def test_every_print_but_the_one_under_the_fault_has_first_layers_to_compute_from(
    played: Winter,
) -> None:
    off = next(fault for fault in faults(played) if fault.value is None)
    without = []
    for machine in MACHINES:
        times, _ = history(played, f"vat-{machine.lower()}")
        for plate in played.prints_on(machine):
            end_s = plate.start_s + first_layers_s(plate.settings)
            count = ((times >= plate.start_s) & (times < end_s)).sum()
            if count < 5:
                without.append(plate)
    assert without, "the fault hides at least one print"
    assert all(
        plate.machine == "North" and off.start_s < plate.start_s < off.end_s for plate in without
    )


def test_the_chamber_speaks_only_around_its_runs(played: Winter) -> None:
    times, values = history(played, "chamber")
    windows = [(soak.run.start_s - 601, soak.end_s + HOUR_S) for soak in played.soaks]
    inside = np.zeros(len(times), dtype=np.bool_)
    for start_s, end_s in windows:
        inside |= (times > start_s) & (times <= end_s)
        assert ((times > start_s) & (times <= end_s)).sum() > 400
    assert inside.all()
    assert values.max() > 105.0
    idle = live_times("chamber", played.now_s - 5 * DAY_S, played.now_s - 4 * DAY_S)
    assert len(readings(played, "chamber", idle)[0]) == 0


def test_each_print_stands_out_of_the_power_trace(played: Winter) -> None:
    for machine in MACHINES:
        times, values = history(played, f"power-{machine.lower()}")
        busy = np.zeros(len(times), dtype=np.bool_)
        for plate in played.prints_on(machine):
            busy |= (times >= plate.start_s) & (times < plate.end_s)
        assert values[busy].min() > 35.0
        assert values[~busy].max() < 15.0


def test_the_history_stays_small_enough_for_a_quick_start(played: Winter) -> None:
    total = sum(len(history_times(played, channel, played.now_s)) for channel in CHANNELS)
    assert 200_000 < total <= 400_000


@pytest.mark.parametrize("machine", MACHINES)
def test_first_layers_come_out_of_the_same_history(played: Winter, machine: str) -> None:
    urgent = first_layers_times(played, machine, played.now_s)
    whole = history_times(played, f"vat-{machine.lower()}", played.now_s)
    assert np.isin(urgent, whole).all()
