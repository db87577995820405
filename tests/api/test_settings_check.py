"""Unusual settings get a warning in words, a resin's own printed ranges first."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from api.costs import cost_of
from api.prints import Afterwork, Print, Settings, Wash
from api.settings_check import Guidance, Limits, WarningKind, WarningSource, warnings_of

EVENING = datetime(2026, 1, 14, 19, 30, tzinfo=UTC)


def run(vat_c: float | None = None, **settings: float) -> Print:
    return Print(
        start=EVENING,
        resin=1,
        machine=1,
        settings=Settings.model_validate(settings),
        logged_vat_c=vat_c,
    )


# The ranges are common practice, no source; both ends are still usual.
@pytest.mark.parametrize(
    ("name", "usual", "below", "above"),
    [
        ("layer_height_mm", (0.01, 0.05, 0.2), 0.005, 0.3),
        ("normal_exposure_s", (1, 2.5, 10), 0.8, 14),
        ("bottom_exposure_s", (10, 30, 90), 8, 120),
        ("bottom_layer_count", (3, 6, 12), 2, 20),
        ("light_off_delay_s", (0, 1, 10), None, 12),
    ],
)
def test_each_setting_has_its_usual_range(
    name: str, usual: tuple[float, ...], below: float | None, above: float
) -> None:
    for fine in usual:
        assert warnings_of(run(**{name: fine})) == ()
    for value, kind in ((below, WarningKind.BELOW), (above, WarningKind.ABOVE)):
        if value is not None:
            (warning,) = warnings_of(run(**{name: value}))
            assert (warning.field, warning.kind) == (f"settings.{name}", kind)
            assert warning.source is WarningSource.COMMON_PRACTICE


def test_a_warning_reads_as_a_sentence() -> None:
    (high,) = warnings_of(run(normal_exposure_s=14))
    assert high.sentence == "A normal exposure of 14 s is above the usual 1 to 10 s."
    (cold,) = warnings_of(run(vat_c=16.5))
    assert cold.sentence == "Resin noted at 16.5 °C is below the usual 18 to 35 °C."
    (few,) = warnings_of(run(bottom_layer_count=1))
    assert few.sentence == "A bottom layer count of 1 is below the usual 3 to 12."


def test_the_resins_own_ranges_go_first() -> None:
    printed = Guidance(
        normal_exposure_s=Limits(low=12, high=16),
        bottom_exposure_s=Limits(low=20, high=40),
        temperature_c=Limits(low=25, high=30),
    )
    assert warnings_of(run(normal_exposure_s=14, bottom_exposure_s=35), printed) == ()
    exposed, cold = warnings_of(run(vat_c=22, normal_exposure_s=5), printed)
    assert exposed.sentence == "A normal exposure of 5 s is below the resin's printed 12 to 16 s."
    assert {exposed.source, cold.source} == {WarningSource.RESIN}
    assert cold.low == 25


def test_a_bottom_exposure_is_several_times_the_normal_one() -> None:
    (warning,) = warnings_of(run(normal_exposure_s=8, bottom_exposure_s=12))
    assert warning.kind is WarningKind.BOTTOM_NOT_LONGER
    assert warning.sentence.startswith("A bottom exposure of 12 s is 1.5 times the normal one")
    (few,) = warnings_of(run(normal_exposure_s=8, bottom_exposure_s=12, bottom_layer_count=0))
    assert few.field == "settings.bottom_layer_count"


def test_settings_and_duration_that_disagree_are_a_warning() -> None:
    plate = Print(
        start=EVENING,
        end=EVENING + timedelta(hours=1),
        resin=1,
        machine=1,
        settings=Settings(
            layer_count=2_000, normal_exposure_s=3, bottom_exposure_s=30, bottom_layer_count=5
        ),
    )
    (warning,) = warnings_of(plate)
    assert (warning.field, warning.kind) == ("end", WarningKind.TOO_SHORT)
    assert warning.source is WarningSource.SETTINGS


def test_a_range_the_wrong_way_round_is_refused() -> None:
    with pytest.raises(ValueError, match="swap them"):
        Limits(low=3, high=2)


def test_cost_is_volume_density_and_price() -> None:
    # 42 ml x 1.12 g/cm³ = 47.04 g at 32.5 per kg is 1.5288; 30 ml of fluid at 6 per l is 0.18.
    plate = Print(
        start=EVENING,
        resin=1,
        machine=1,
        resin_used_ml=42,
        afterwork=Afterwork(wash=Wash(fluid_used_ml=30, fluid_price_per_l=6)),
    )
    cost = cost_of(plate, density_g_cm3=1.12, price_per_kg=32.5)
    assert cost.resin == pytest.approx(1.5288)
    assert cost.fluid == pytest.approx(0.18)
    assert cost.total == pytest.approx(1.7088)
    assert cost.missing == ()
    unknown = cost_of(run(), density_g_cm3=None, price_per_kg=32.5)
    assert (unknown.resin, unknown.fluid, unknown.total) == (None, None, None)
    fluid = ("afterwork.wash.fluid_used_ml", "afterwork.wash.fluid_price_per_l")
    assert unknown.missing == ("resin_used_ml", "resin.density_g_cm3", *fluid)


def test_a_cost_of_which_a_part_was_not_noted_has_no_total() -> None:
    """What is not noted is not free: half a cost is no cost. An amount of 0 is."""
    resin = {"start": EVENING, "resin": 1, "machine": 1, "resin_used_ml": 42}
    half = cost_of(Print.model_validate(resin), density_g_cm3=1.12, price_per_kg=32.5)
    assert half.resin == pytest.approx(1.5288)
    assert (half.fluid, half.total) == (None, None)
    none_used = Print.model_validate({**resin, "afterwork": {"wash": {"fluid_used_ml": 0}}})
    whole = cost_of(none_used, density_g_cm3=1.12, price_per_kg=32.5)
    assert whole.total == pytest.approx(1.5288)
    assert whole.missing == ()
