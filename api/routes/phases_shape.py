"""The shapes in which the phases of a print and the plan of one are sent."""

from __future__ import annotations

from datetime import datetime

from pydantic import ConfigDict, Field
from pydantic.config import JsonDict

from api.phases import BetweenFrom, Fit
from api.prints import MOST_ID, Frozen, Instant, Settings

PLAN: JsonDict = {
    "machine": 1,
    "start": "2026-01-14T19:30:00Z",
    "settings": {
        "layer_count": 1000,
        "normal_exposure_s": 2.5,
        "bottom_exposure_s": 32,
        "bottom_layer_count": 6,
        "lift_distance_mm": 8,
        "lift_speed_mm_min": 60,
        "retract_speed_mm_min": 120,
        "light_off_delay_s": 1,
    },
}


class SpanShape(Frozen):
    """A stretch of time [start, end)."""

    model_config = ConfigDict(from_attributes=True)

    start: datetime
    end: datetime
    length_s: float


class PhasesShape(Frozen):
    """The phases of a print, and what its duration says of each layer."""

    print: int
    first_layers: SpanShape
    transition: SpanShape | None
    body: SpanShape | None = Field(description="Up to the end of the print.")
    between_s: float = Field(description="Time between two exposures.", examples=[13.5])
    between_from: BetweenFrom
    overhead_s: float | None = Field(
        description="What the real duration implies on each layer beyond the settings.",
        examples=[0.46],
    )
    planned_s: float | None = Field(description="Duration by the settings alone.")
    fit: Fit
    sentence: str | None = Field(
        description="In words, where settings and duration cannot both be true."
    )


class PlanAsked(Frozen):
    """What is to be printed; ``start`` is now when left out."""

    machine: int = Field(ge=1, le=MOST_ID)
    settings: Settings
    start: Instant | None = None


class PlanShape(Frozen):
    """How long a print will take and when it is done."""

    start: datetime
    finish: datetime
    planned_s: float = Field(description="By the settings alone.", examples=[15736])
    corrected_s: float = Field(description="By the machine's history too.", examples=[16100])
    low_s: float | None = Field(description="Lower quartile of its history.")
    high_s: float | None = Field(description="Upper quartile of its history.")
    ratio: float = Field(description="Median of real over planned.", examples=[1.02])
    history_n: int
    sentence: str
