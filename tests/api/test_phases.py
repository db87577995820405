"""The phases of a print: worked examples by hand, and plan and duration there and back."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from api.phases import (
    FIRST_LAYERS_DEFAULT,
    MOVE_DEFAULT_S,
    BetweenFrom,
    Fit,
    first_layers,
    fit_of,
    layers_of,
    missing_settings,
    move_s,
    overhead_s,
    phases_of,
    plan,
    planned_s,
    ratios_of,
)
from api.prints import Print, Settings, Window

EVENING = datetime(2026, 1, 14, 19, 30, tzinfo=UTC)
NIGHT = Window(EVENING, EVENING + timedelta(hours=7))

#: 1,000 layers: 6 bottom layers of 32 s, 4 transition layers, the rest 2.5 s; a delay of 1 s,
#: 8 mm up at 60 mm/min (8 s) and down at 120 mm/min (4 s): 13 s between two exposures.
COLLARS = Settings(
    layer_height_mm=0.05,
    layer_count=1_000,
    normal_exposure_s=2.5,
    bottom_exposure_s=32,
    bottom_layer_count=6,
    transition_layer_count=4,
    lift_distance_mm=8,
    lift_speed_mm_min=60,
    retract_speed_mm_min=120,
    light_off_delay_s=1,
)
#: By hand: 6 x 32 = 192; transition 26.1 + 20.2 + 14.3 + 8.4 = 69; body 990 x 2.5 = 2,475.
EXPOSED_S = 192 + 69 + 2_475
PLANNED_S = EXPOSED_S + 1_000 * 13


def plate(
    length_s: float | None, settings: Settings = COLLARS, *, cut_short: bool = False
) -> Print:
    end = None if length_s is None else EVENING + timedelta(seconds=length_s)
    return Print(start=EVENING, end=end, resin=1, machine=1, settings=settings, cut_short=cut_short)


def test_movement_is_lift_and_retract_and_the_delay() -> None:
    full = Settings(
        lift_distance_mm=8, lift_speed_mm_min=60, retract_speed_mm_min=120, light_off_delay_s=1.5
    )
    assert move_s(full) == pytest.approx(1.5 + 8 + 4)
    assert move_s(Settings(light_off_delay_s=2)) == 2 + MOVE_DEFAULT_S
    assert move_s(Settings(lift_distance_mm=8, lift_speed_mm_min=60)) == MOVE_DEFAULT_S


def test_the_first_layers_end_with_the_last_bottom_layer() -> None:
    settings = Settings(bottom_layer_count=6, bottom_exposure_s=32)
    window = first_layers(NIGHT, settings)
    assert (window.start, window.length_s) == (EVENING, 6 * (32 + MOVE_DEFAULT_S))
    for unknown in (
        Settings(),
        Settings(bottom_layer_count=6),
        Settings(bottom_layer_count=0, bottom_exposure_s=32),
    ):
        assert first_layers(NIGHT, unknown).length_s == FIRST_LAYERS_DEFAULT.total_seconds()
    short = Window(EVENING, EVENING + timedelta(minutes=2))
    assert first_layers(short, settings) == short


def test_layers_and_plan_by_hand() -> None:
    layers = layers_of(COLLARS)
    assert layers is not None
    assert (layers.first_n, layers.transition_n, layers.body_n) == (6, 4, 990)
    assert layers.first_s == 192
    assert layers.transition_s == pytest.approx(69, abs=1e-9)
    assert layers.exposed_s == pytest.approx(EXPOSED_S, abs=1e-9)
    assert planned_s(COLLARS) == pytest.approx(PLANNED_S, abs=1e-9)


def test_the_real_duration_tells_the_overhead_and_moves_the_phases() -> None:
    # 4 h 30 min: 16,200 s less 15,736 s over 1,000 layers is 0.464 s on each.
    phases = phases_of(plate(16_200), EVENING)
    assert phases.overhead_s == pytest.approx(0.464, abs=1e-9)
    assert phases.between_from is BetweenFrom.DURATION
    assert phases.between_s == pytest.approx(13.464, abs=1e-9)
    assert phases.first_layers.length_s == pytest.approx(192 + 6 * 13.464, abs=1e-5)
    assert phases.transition is not None
    assert phases.body is not None
    assert phases.transition.start == phases.first_layers.end
    assert phases.transition.length_s == pytest.approx(69 + 4 * 13.464, abs=1e-5)
    assert phases.body.length_s == pytest.approx(2_475 + 990 * 13.464, abs=1e-4)
    assert phases.body.end == EVENING + timedelta(seconds=16_200)
    assert (phases.fit, phases.sentence) == (Fit.FITS, None)


def test_a_print_without_logged_lifts_learns_them_from_its_duration() -> None:
    bare = COLLARS.model_copy(update={"lift_distance_mm": None, "transition_layer_count": None})
    # 192 + 994 x 2.5 = 2,677; 12,677 s leave 10 s between: 1 s delay, 9 s of movement.
    phases = phases_of(plate(12_677, bare), EVENING)
    assert phases.between_s == pytest.approx(10, abs=1e-9)
    assert phases.overhead_s == pytest.approx(10 - 1 - MOVE_DEFAULT_S, abs=1e-9)
    assert phases.transition is None
    assert phases_of(plate(None, bare), NIGHT.end).between_from is BetweenFrom.COMMON_PRACTICE


def test_settings_and_duration_that_cannot_both_be_true_are_said_so() -> None:
    short = phases_of(plate(3_600), EVENING)
    assert short.fit is Fit.TOO_SHORT
    assert short.sentence is not None
    assert "takes 4 h 22 min at the very least, and it took 1 h 00 min" in short.sentence
    assert short.between_from is BetweenFrom.SETTINGS
    long = phases_of(plate(60_000), EVENING)
    assert long.fit is Fit.TOO_LONG
    assert long.sentence is not None
    assert "its settings explain 4 h 22 min" in long.sentence
    assert phases_of(plate(3_600, cut_short=True), EVENING).fit is Fit.FITS
    # A minute lost in writing down the times is no contradiction.
    assert fit_of(COLLARS, PLANNED_S - 60) == (Fit.FITS, None)


def test_a_print_cut_short_or_running_goes_by_its_settings() -> None:
    for other in (plate(3_600, cut_short=True), plate(None)):
        phases = phases_of(other, EVENING + timedelta(seconds=3_600))
        assert phases.between_from is BetweenFrom.SETTINGS
        assert phases.overhead_s is None
        assert phases.first_layers.length_s == pytest.approx(6 * (32 + 13))
    early = phases_of(plate(None), EVENING + timedelta(seconds=200))
    assert early.first_layers.length_s == 200
    assert (early.transition, early.body) == (None, None)


def test_what_is_missing_for_a_plan_is_named() -> None:
    assert missing_settings(Settings()) == (
        *("layer_count", "normal_exposure_s", "bottom_layer_count", "bottom_exposure_s"),
    )
    none_at_all = Settings(layer_count=10, normal_exposure_s=2, bottom_layer_count=0)
    assert planned_s(none_at_all) == pytest.approx(10 * (2 + MOVE_DEFAULT_S))
    assert planned_s(Settings(layer_count=10)) is None
    assert plan(Settings(), EVENING) is None
    assert overhead_s(Settings(), 100.0) is None


def random_settings(rng: np.random.Generator) -> Settings:
    normal = float(rng.uniform(0.5, 15))
    count = int(rng.integers(1, 6_000))
    return Settings(
        layer_count=count,
        normal_exposure_s=normal,
        bottom_exposure_s=normal * float(rng.uniform(1, 20)),
        bottom_layer_count=int(rng.integers(0, 15)),
        transition_layer_count=[None, int(rng.integers(0, 12))][int(rng.integers(0, 2))],
        lift_distance_mm=[None, float(rng.uniform(2, 12))][int(rng.integers(0, 2))],
        lift_speed_mm_min=float(rng.uniform(20, 300)),
        retract_speed_mm_min=float(rng.uniform(20, 300)),
        light_off_delay_s=[None, float(rng.uniform(0, 10))][int(rng.integers(0, 2))],
    )


def by_layer(settings: Settings, overhead: float) -> float:
    """The same duration, layer by layer, as a printer would run it."""
    normal, bottom = settings.normal_exposure_s or 0, settings.bottom_exposure_s or 0
    bottoms = settings.bottom_layer_count or 0
    transitions = (settings.transition_layer_count or 0) if bottoms else 0
    total = 0.0
    for layer in range(settings.layer_count or 0):
        step = layer - bottoms + 1
        if layer < bottoms:
            total += bottom
        elif step <= transitions:
            total += bottom - step * (bottom - normal) / (transitions + 1)
        else:
            total += normal
        total += (settings.light_off_delay_s or 0) + overhead
        distance = settings.lift_distance_mm
        if distance is None:
            total += MOVE_DEFAULT_S
        else:
            total += 60 * distance / (settings.lift_speed_mm_min or 1)
            total += 60 * distance / (settings.retract_speed_mm_min or 1)
    return total


def test_two_thousand_settings_go_from_plan_to_duration_and_back() -> None:
    rng = np.random.default_rng(5)
    for _ in range(2_000):
        settings, overhead = random_settings(rng), float(rng.uniform(0, 5))
        duration = planned_s(settings, overhead_s=overhead)
        assert duration is not None
        assert duration == pytest.approx(by_layer(settings, overhead), rel=1e-9)
        assert overhead_s(settings, duration) == pytest.approx(overhead, abs=1e-6)
        end = EVENING + timedelta(seconds=duration)
        run = Print(start=EVENING, end=end, resin=1, machine=1, settings=settings)
        phases = phases_of(run, end)
        assert phases.fit is Fit.FITS
        windows = [w for w in (phases.first_layers, phases.transition, phases.body) if w]
        assert windows[-1].end == end or settings.bottom_layer_count == 0
        layers = layers_of(settings)
        assert layers is not None
        if phases.body is not None and layers.first_n:
            expected = layers.body_s + layers.body_n * (move_s(settings) + overhead)
            assert phases.body.length_s == pytest.approx(expected, abs=1e-4)


def test_a_plan_is_corrected_by_the_machines_own_history() -> None:
    history = [plate(PLANNED_S * ratio) for ratio in (1.01, 1.02, 1.03, 1.04, 1.10)]
    history += [plate(PLANNED_S * 0.5, cut_short=True), plate(None), plate(600), plate(90_000)]
    ratios = ratios_of(history)
    assert ratios == pytest.approx([1.01, 1.02, 1.03, 1.04, 1.10])
    planned = plan(COLLARS, EVENING, ratios)
    assert planned is not None
    assert planned.corrected_s == pytest.approx(PLANNED_S * 1.03)
    assert (planned.low_s, planned.high_s) == pytest.approx((PLANNED_S * 1.02, PLANNED_S * 1.04))
    assert planned.finish == EVENING + timedelta(seconds=planned.corrected_s)
    assert planned.sentence.endswith("the median of 5 earlier prints of this machine.")
    few = plan(COLLARS, EVENING, ratios[:1])
    assert few is not None
    assert few.low_s is None
    assert few.sentence.endswith(
        "1 earlier print of this machine; that is few, so take it as a hint."
    )
    alone = plan(COLLARS, EVENING)
    assert alone is not None
    assert alone.corrected_s == alone.planned_s
    assert alone.sentence.startswith("By the settings alone")
