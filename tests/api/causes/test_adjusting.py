"""The settings of an analysis: all but those of the plate, by names that can be said."""

from __future__ import annotations

from api.causes.adjusting import OF_THE_PLATE, SETTINGS, adjustable
from api.prints import Settings


def test_every_setting_on_record_is_looked_at_or_belongs_to_the_plate() -> None:
    assert {*SETTINGS, *OF_THE_PLATE} == set(Settings.model_fields)


def test_the_layer_count_is_the_plates_and_not_a_setting() -> None:
    settings = Settings(layer_count=1_200, normal_exposure_s=2.6, bottom_layer_count=5)
    assert adjustable(settings) == {"normal exposure": 2.6, "bottom layers": 5.0}
