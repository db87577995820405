"""Prints and what came of them: parts, outcomes, failure modes, afterwork. Pure.

The *print* (one plate) is the unit of every count; its parts fail together and are never
counted as independent (method: one row per print).
"""

from __future__ import annotations

import enum
import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Annotated

from pydantic import (
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    field_validator,
    model_validator,
)


class Outcome(enum.StrEnum):
    """What came of one part."""

    GOOD = "good"
    FLAWED = "flawed"
    FAILED = "failed"


class FailureMode(enum.StrEnum):
    """How a part failed or was flawed, in the trade's words."""

    NOT_STUCK = "not_stuck_to_plate"
    OFF_SUPPORTS = "came_off_supports"
    LAYERS_PARTED = "layers_parted"
    WARPED = "warped"
    DETAIL_LOST = "detail_lost"
    HOLES_CLOSED = "holes_closed"
    WHITE_HAZE = "white_haze_after_cure"
    CRACKED = "cracked"
    OTHER = "other"


class Spot(enum.StrEnum):
    """Where a part stands on the plate, seen from the front of the machine."""

    BACK_LEFT = "back_left"
    BACK = "back"
    BACK_RIGHT = "back_right"
    LEFT = "left"
    MIDDLE = "middle"
    RIGHT = "right"
    FRONT_LEFT = "front_left"
    FRONT = "front"
    FRONT_RIGHT = "front_right"


#: The record keeps whole milliseconds from here ...
EARLIEST = datetime(1970, 1, 1, tzinfo=UTC)

#: ... to here; anything outside is a slip of the pen.
LATEST = datetime(2200, 1, 1, tzinfo=UTC)

#: The largest id that the record's file can hold.
MOST_ID = 2**63 - 1


_NUMBER = re.compile(r"\s*[-+]?[0-9.]+\s*")


def _written_out(value: object) -> object:
    """Refuse a bare number, which nobody can tell seconds or milliseconds of."""
    if isinstance(value, int | float) or (isinstance(value, str) and _NUMBER.fullmatch(value)):
        raise ValueError("a time is written as 2026-01-14T19:30:00Z, not as a number")
    return value


#: A moment with its zone, written as RFC 3339 wherever it comes in.
Instant = Annotated[AwareDatetime, BeforeValidator(_written_out)]


class Frozen(BaseModel):
    """A model that is checked where it is built, knows all its fields and never changes."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of time [start, end), aware UTC."""

    start: datetime
    end: datetime

    @property
    def length_s(self) -> float:
        """Length [s]."""
        return (self.end - self.start).total_seconds()


class Settings(Frozen):
    """Printer settings in trade terms; whatever was not logged is None."""

    layer_height_mm: float | None = Field(None, gt=0, le=1)
    layer_count: int | None = Field(None, ge=1, le=1_000_000)
    normal_exposure_s: float | None = Field(None, gt=0, le=600)
    bottom_exposure_s: float | None = Field(None, gt=0, le=3_600)
    bottom_layer_count: int | None = Field(None, ge=0, le=1_000)
    transition_layer_count: int | None = Field(None, ge=0, le=1_000)
    lift_distance_mm: float | None = Field(None, ge=0, le=100)
    lift_speed_mm_min: float | None = Field(None, ge=0.1, le=10_000)
    retract_speed_mm_min: float | None = Field(None, ge=0.1, le=10_000)
    light_off_delay_s: float | None = Field(None, ge=0, le=600)


class Part(Frozen):
    """One part on the plate and what came of it; ``outcome`` is None until it was looked at.

    ``place`` is where it stands on the plate. The failure mode ``other`` needs a note.
    """

    name: str = Field(min_length=1, max_length=80)
    outcome: Outcome | None = None
    modes: tuple[FailureMode, ...] = ()
    place: Spot | None = None
    note: str = Field("", max_length=2_000)

    @model_validator(mode="after")
    def _modes_go_with_an_outcome(self) -> Part:
        if self.modes and self.outcome in (None, Outcome.GOOD):
            raise ValueError("failure modes belong to a flawed or failed part")
        return self


class Stage(Frozen):
    """A stage of the afterwork; its conditions can be computed where start and length are given."""

    start: Instant | None = None
    minutes: float | None = Field(None, gt=0, le=10_080)

    @property
    def window(self) -> Window | None:
        """The stretch of time it took; None where start or length was not noted."""
        if self.start is None or self.minutes is None:
            return None
        start = self.start.astimezone(UTC)
        return Window(start, start + timedelta(minutes=self.minutes))


class Wash(Stage):
    """Washing: the fluid, the machine's power level as its dial has it, fluid used up [ml]."""

    fluid: str = Field("", max_length=80)
    power_level: float | None = Field(None, ge=0, le=100)
    fluid_used_ml: float | None = Field(None, ge=0, le=1e6)
    fluid_price_per_l: float | None = Field(None, ge=0, le=1e6)


class Drying(Stage):
    """Drying after the wash."""


class Cure(Stage):
    """Curing: wavelength of the lamp [nm] and temperature in the curing box [°C]."""

    wavelength_nm: float | None = Field(None, ge=200, le=800)
    temperature_c: float | None = Field(None, ge=-20, le=150)


class Afterwork(Frozen):
    """What was done with a plate after its print. A stage of which nothing was noted is None."""

    wash: Wash | None = None
    drying: Drying | None = None
    cure: Cure | None = None

    @field_validator("wash", "drying", "cure")
    @classmethod
    def _nothing_noted_is_none(cls, stage: Stage | None) -> Stage | None:
        return None if stage is None or stage == type(stage)() else stage


class Print(Frozen):
    """One plate: window [start, end), resin, machine, settings and parts.

    ``end`` is None while the print runs, and for a past print whose end nobody noted.
    ``bottle`` and ``plate`` are ids on record: the bottle its resin came from and the named set
    of parts it is. ``resin_poured_ml`` went into the vat, ``resin_used_ml`` became parts.
    ``cut_short`` says that it ended before its last layer. ``order_only`` says that ``start``
    was never noted and only keeps the print in its place among others. ``logged_vat_c`` is a
    resin temperature noted by hand at the start [°C]: a note, not a measurement, and used only
    where no sensor belonged to the machine.
    """

    start: Instant
    end: Instant | None = None
    resin: int = Field(ge=1, le=MOST_ID)
    machine: int = Field(ge=1, le=MOST_ID)
    bottle: int | None = Field(None, ge=1, le=MOST_ID)
    plate: int | None = Field(None, ge=1, le=MOST_ID)
    settings: Settings = Settings()
    parts: tuple[Part, ...] = Field((), max_length=500)
    resin_poured_ml: float | None = Field(None, ge=0, le=100_000)
    resin_used_ml: float | None = Field(None, ge=0, le=100_000)
    cut_short: bool = False
    afterwork: Afterwork = Afterwork()
    order_only: bool = False
    logged_vat_c: float | None = Field(None, ge=-20, le=100)
    note: str = Field("", max_length=10_000)

    @model_validator(mode="after")
    def _ends_after_it_starts(self) -> Print:
        if self.end is not None and self.end <= self.start:
            raise ValueError("a print ends after it starts; check both times and their zone")
        names = [part.name for part in self.parts]
        if len(set(names)) != len(names):
            raise ValueError("two parts of a plate have the same name; give each its own")
        for name, stage in self.afterwork:
            if stage is not None and stage.start is not None and stage.start < self.start:
                raise ValueError(f"the {name} starts before the print; check both times")
        return self

    @property
    def failed_share(self) -> float | None:
        """Failed parts over parts looked at, 0 to 1; None before any was looked at."""
        looked = [part for part in self.parts if part.outcome is not None]
        if not looked:
            return None
        return sum(part.outcome is Outcome.FAILED for part in looked) / len(looked)

    @property
    def outcome(self) -> Outcome | None:
        """The worst outcome among its parts; None before any was looked at."""
        found = {part.outcome for part in self.parts}
        return next((o for o in (Outcome.FAILED, Outcome.FLAWED, Outcome.GOOD) if o in found), None)

    @property
    def running(self) -> bool:
        """Whether it still runs: no end noted and no part looked at."""
        return self.end is None and self.outcome is None


def window_of(plate: Print, now: datetime) -> Window:
    """The window of a print; one still running reaches up to ``now`` (aware)."""
    end = plate.end or max(now, plate.start)
    return Window(plate.start.astimezone(UTC), end.astimezone(UTC))
