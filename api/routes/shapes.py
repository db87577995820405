"""The shapes in which things on record are sent: the entry with id, revision and time."""

from __future__ import annotations

from datetime import datetime
from typing import TypeVar

from pydantic import BaseModel, ConfigDict, Field, computed_field
from pydantic.config import JsonDict

from api.prints import Frozen, Outcome, Print
from api.record import Bottle, BreakTest, Dismissal, Fixture, Gauge, Photograph, Plate
from api.record.entries import LoggedLook, Machine, Resin
from api.record.interventions import LoggedIntervention
from api.settings_check import SettingWarning
from api.soak.program import SoakRun

S = TypeVar("S", bound=BaseModel)

EVENING = "2026-01-14T19:30:00Z"
MORNING = "2026-01-15T03:10:00Z"

RESIN: JsonDict = {
    "name": "Harbour Grey",
    "category": "general purpose",
    "density_g_cm3": 1.12,
    "price_per_kg": 32.5,
    "guidance": {
        "normal_exposure_s": {"low": 2, "high": 3.5},
        "bottom_exposure_s": {"low": 25, "high": 40},
        "temperature_c": {"low": 20, "high": 30},
    },
}
BOTTLE: JsonDict = {
    "resin": 1,
    "lot": "HG-0417",
    "opened": "2026-01-10T08:00:00Z",
    "mixed": "2026-01-14T18:50:00Z",
    "price_per_kg": 31,
}
PLATE: JsonDict = {
    "name": "Two lamp collars",
    "parts": [
        {"name": "lamp collar 1", "place": "left"},
        {"name": "lamp collar 2", "place": "right"},
    ],
    "resin_ml": 42,
}
MACHINE: JsonDict = {
    "name": "North",
    "channels": [
        {"channel": "vat-north", "role": "vat_temperature", "since": "2025-11-01T00:00:00Z"}
    ],
}
PRINT: JsonDict = {
    "start": EVENING,
    "end": MORNING,
    "resin": 1,
    "machine": 1,
    "settings": {"layer_height_mm": 0.05, "bottom_exposure_s": 30, "bottom_layer_count": 6},
    "parts": [
        {"name": "lamp collar 1", "outcome": "good", "place": "left"},
        {
            "name": "lamp collar 2",
            "outcome": "failed",
            "modes": ["not_stuck_to_plate"],
            "place": "right",
        },
    ],
    "resin_poured_ml": 220,
    "resin_used_ml": 41.5,
    "afterwork": {
        "wash": {"start": "2026-01-15T07:00:00Z", "minutes": 4, "fluid": "wash alcohol"},
        "drying": {"minutes": 30},
        "cure": {"start": "2026-01-15T07:40:00Z", "minutes": 6, "wavelength_nm": 405},
    },
    "note": "draught from the stairs",
}
SOAK: JsonDict = {
    "name": "Lamp collars, January",
    "program": {
        "name": "Two steps",
        "steps": [
            {"setpoint_c": 50, "tolerance_k": 2, "dwell_min": 60},
            {"setpoint_c": 60, "tolerance_k": 2, "dwell_min": 60},
        ],
        "look_every_min": 30,
    },
    "chamber_channels": ["chamber"],
    "specimens": [{"name": "A", "resin": 1}, {"name": "B", "resin": 1}],
    "started": EVENING,
}
FIXTURE: JsonDict = {
    "name": "Flat bars, 64 mm",
    "holding": "three_point",
    "span_mm": 64,
    "width_mm": 10,
    "thickness_mm": 4,
}
GAUGE: JsonDict = {"name": "Hand gauge", "limit": {"value": 50, "unit": "kgf"}}
BREAK: JsonDict = {
    "piece": "bar 3",
    "resin": 1,
    "fixture": 1,
    "gauge": 1,
    "outcome": "broke",
    "load": {"value": 12.4, "unit": "kgf"},
    "tested": "2026-01-20T17:05:00Z",
    "cured": MORNING,
}
LOOK: JsonDict = {"specimen": "A", "time": "2026-01-14T21:00:00Z", "finding": "sound"}

INTERVENTION: JsonDict = {
    "kind": "taken_out",
    "specimen": "B",
    "time": "2026-01-14T21:05:00Z",
    "note": "sagged, the others go on",
}

ON_RECORD: JsonDict = {"id": 1, "revision": 3, "changed": MORNING}


def sent(shape: type[S], source: object, **given: object) -> S:
    """A shape filled from the fields of the same name, with those ``given`` put first."""
    names = shape.model_fields.keys() - given.keys()
    return shape.model_validate({**{name: getattr(source, name) for name in names}, **given})


def _like(example: JsonDict) -> ConfigDict:
    return ConfigDict(json_schema_extra={"example": {**example, **ON_RECORD}})


class OnRecord(Frozen):
    """What everything on record carries: id, revision (1 when new) and when that was made."""

    id: int
    revision: int
    changed: datetime


class ResinOnRecord(Resin, OnRecord):
    """A resin on record."""

    model_config = _like(RESIN)


class BottleOnRecord(Bottle, OnRecord):
    """A bottle on record."""

    model_config = _like(BOTTLE)


class PlateOnRecord(Plate, OnRecord):
    """A plate on record."""

    model_config = _like(PLATE)


class PhotographOnRecord(Photograph, OnRecord):
    """A photograph on record."""

    model_config = _like(
        {
            "print": 1,
            "part": "lamp collar 2",
            "sha256": "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
            "media_type": "image/jpeg",
            "width_px": 3024,
            "height_px": 4032,
            "bytes_n": 1_204_311,
            "note": "corner lifted",
        }
    )


class PhotographPage(Frozen):
    """A page of photographs, oldest first."""

    photographs: tuple[PhotographOnRecord, ...]
    next: int | None = Field(None, description="`after` of the next page; null on the last.")


class DismissalOnRecord(Dismissal, OnRecord):
    """A dismissed run on record."""

    model_config = _like(
        {"machine": 1, "start": EVENING, "end": MORNING, "note": "levelled the plate"}
    )


class MachineOnRecord(Machine, OnRecord):
    """A machine on record."""

    model_config = _like(MACHINE)


class CostShape(Frozen):
    """Cost of resin and wash fluid in the currency of their prices; null where not known.

    The total is null unless both are known.
    """

    resin: float | None
    fluid: float | None
    total: float | None
    missing: tuple[str, ...] = Field(description="What would have to be noted.")


class PrintOnRecord(Print, OnRecord):
    """A print on record, with what its parts come to, what is unusual and what it cost."""

    model_config = _like(
        {
            **PRINT,
            "failed_share": 0.5,
            "worst_outcome": "failed",
            "warnings": [],
            "cost": {"resin": 1.51, "fluid": None, "total": 1.51, "missing": []},
        }
    )

    warnings: tuple[SettingWarning, ...] = Field(
        (), description="Settings far from the resin's printed ranges or from common practice."
    )
    cost: CostShape

    @computed_field(alias="failed_share", description="Failed parts over parts looked at, 0 to 1.")
    def share(self) -> float | None:
        """Failed parts over parts looked at."""
        return self.failed_share

    @computed_field(description="The worst outcome among its parts.")
    def worst_outcome(self) -> Outcome | None:
        """The worst outcome among its parts."""
        return self.outcome


class PrintPage(Frozen):
    """A page of prints, newest start first, and the cursor of the next page."""

    prints: tuple[PrintOnRecord, ...]
    count: int = Field(description="How many prints the filters let through, on all pages.")
    next: str | None = Field(None, description="Cursor of the next page; null on the last.")


class FixtureOnRecord(Fixture, OnRecord):
    """A fixture on record."""

    model_config = _like(FIXTURE)


class GaugeOnRecord(Gauge, OnRecord):
    """A gauge on record."""

    model_config = _like(GAUGE)


class SoakingShape(Frozen):
    """A soak run that a piece went through, and the hottest step whose whole dwell it had."""

    soak: int
    run: str
    specimen: str
    step: int | None
    setpoint_c: float | None
    mean_c: float | None = Field(description="Measured mean of that dwell [°C].")


class BreakOnRecord(BreakTest, OnRecord):
    """A break test on record, with the stress, age and soak history of its piece."""

    model_config = _like(
        {
            **BREAK,
            "load_n": 121.60246,
            "limit_n": 490.3325,
            "said": "broke at 122 N",
            "stress_mpa": 72.96,
            "stress_note": "",
            "age_days": 5.58,
            "soakings": [],
        }
    )

    load_n: float | None = Field(description="Load at which it broke [N]; null when it held.")
    limit_n: float = Field(description="Highest load that its gauge can read [N].")
    said: str = Field(description="What it bore, in words.")
    stress_mpa: float | None = Field(
        description="Nominal stress at which it broke [MPa]; null when it held or not known."
    )
    stress_note: str = Field(description="What that stress must not be read as.")
    age_days: float | None = Field(description="Days from the end of the cure to the test.")
    soakings: tuple[SoakingShape, ...]


class BreakPage(Frozen):
    """A page of break tests, newest first."""

    breaks: tuple[BreakOnRecord, ...]
    next: str | None = Field(None, description="Cursor of the next page; null on the last.")


class SoakOnRecord(SoakRun, OnRecord):
    """A heat-soak run on record."""

    model_config = _like(SOAK)


class LookOnRecord(LoggedLook, OnRecord):
    """A look on record."""

    model_config = _like({**LOOK, "soak": 1})


class InterventionOnRecord(LoggedIntervention, OnRecord):
    """An intervention on record."""

    model_config = _like({**INTERVENTION, "soak": 1})
