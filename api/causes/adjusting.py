"""Which printer settings an analysis looks at and adjusts for, by their spoken names. Pure.

The layer count is none of them: it says how tall the plate is, not how the machine was set. It
changes with nearly every plate, so adjusting for it would use up prints and take the plate for
a setting.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from api.prints import Settings

#: Spoken name and unit of each setting by its name on record, in the order of the record.
SETTINGS: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "layer_height_mm": ("layer height", "mm"),
        "normal_exposure_s": ("normal exposure", "s"),
        "bottom_exposure_s": ("bottom exposure", "s"),
        "bottom_layer_count": ("bottom layers", ""),
        "transition_layer_count": ("transition layers", ""),
        "lift_distance_mm": ("lift distance", "mm"),
        "lift_speed_mm_min": ("lift speed", "mm/min"),
        "retract_speed_mm_min": ("retract speed", "mm/min"),
        "light_off_delay_s": ("light-off delay", "s"),
    }
)

#: What belongs to the plate and not to the machine.
OF_THE_PLATE = frozenset({"layer_count"})


def adjustable(settings: Settings) -> dict[str, float]:
    """The logged settings of a print by spoken name, those of the plate left out."""
    logged = settings.model_dump(exclude_none=True, exclude=set(OF_THE_PLATE))
    return {SETTINGS[name][0]: float(value) for name, value in logged.items()}
