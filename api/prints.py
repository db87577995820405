"""Prints and what came of them: plates, parts, outcomes, failure modes and phases. Pure.

The *print* (one plate) is the unit of every count; its parts fail together and are never
counted as independent (method: one row per print).
"""

from __future__ import annotations

import enum
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, model_validator


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


#: The record keeps whole milliseconds from here ...
EARLIEST = datetime(1970, 1, 1, tzinfo=UTC)

#: ... to here; anything outside is a slip of the pen.
LATEST = datetime(2200, 1, 1, tzinfo=UTC)

#: The largest id that the record's file can hold.
MOST_ID = 2**63 - 1


class Frozen(BaseModel):
    """A model that is checked where it is built, knows all its fields and never changes."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Settings(Frozen):
    """Printer settings in trade terms; whatever was not logged is None."""

    layer_height_mm: float | None = Field(None, gt=0, le=1)
    layer_count: int | None = Field(None, ge=1, le=1_000_000)
    normal_exposure_s: float | None = Field(None, gt=0, le=600)
    bottom_exposure_s: float | None = Field(None, gt=0, le=3_600)
    bottom_layer_count: int | None = Field(None, ge=0, le=1_000)
    transition_layer_count: int | None = Field(None, ge=0, le=1_000)
    lift_distance_mm: float | None = Field(None, ge=0, le=100)
    lift_speed_mm_min: float | None = Field(None, gt=0, le=10_000)
    retract_speed_mm_min: float | None = Field(None, gt=0, le=10_000)
    light_off_delay_s: float | None = Field(None, ge=0, le=600)


class Part(Frozen):
    """One part on the plate and what came of it; ``outcome`` is None until it was looked at."""

    name: str = Field(min_length=1, max_length=80)
    outcome: Outcome | None = None
    modes: tuple[FailureMode, ...] = ()
    note: str = Field("", max_length=2_000)

    @model_validator(mode="after")
    def _modes_go_with_an_outcome(self) -> Part:
        if self.modes and self.outcome in (None, Outcome.GOOD):
            raise ValueError("failure modes belong to a flawed or failed part")
        return self


class Print(Frozen):
    """One plate: window [start, end), resin, machine, settings and parts.

    ``end`` is None while the print runs, and for a past print whose end nobody noted.
    ``order_only`` says that ``start`` was never noted and only keeps the print in its place
    among others. ``logged_vat_c`` is a resin temperature noted by hand at the start [°C]: a
    note, not a measurement, and used only where no sensor belonged to the machine.
    """

    start: AwareDatetime
    end: AwareDatetime | None = None
    resin: int = Field(ge=1, le=MOST_ID)
    machine: int = Field(ge=1, le=MOST_ID)
    settings: Settings = Settings()
    parts: tuple[Part, ...] = Field((), max_length=500)
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


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of time [start, end), aware UTC."""

    start: datetime
    end: datetime

    @property
    def length_s(self) -> float:
        """Length [s]."""
        return (self.end - self.start).total_seconds()


#: Length of the first-layers window when the settings do not tell it (common practice, no
#: source: bottom layers with their long exposures take about this long).
FIRST_LAYERS_DEFAULT = timedelta(minutes=30)

#: Seconds of lifting and retracting per layer when the settings do not tell them
#: (common practice, no source).
MOVE_DEFAULT_S = 8.0


def move_s(settings: Settings) -> float:
    """Seconds between two exposures: light-off delay, lift and retract [s].

    Lift and retract are taken at constant speed over the lift distance. Where one of the
    three numbers was not logged, :data:`MOVE_DEFAULT_S` stands for the movement.
    """
    delay = settings.light_off_delay_s or 0.0
    distance, up, down = (
        settings.lift_distance_mm,
        settings.lift_speed_mm_min,
        settings.retract_speed_mm_min,
    )
    if distance is None or up is None or down is None:
        return delay + MOVE_DEFAULT_S
    return delay + 60.0 * distance / up + 60.0 * distance / down


def first_layers(window: Window, settings: Settings) -> Window:
    """The first-layers window: from the start until the last bottom layer is exposed.

    Bottom layer count times (bottom exposure + movement), never longer than the print;
    :data:`FIRST_LAYERS_DEFAULT` where count or exposure was not logged.
    """
    count, exposure = settings.bottom_layer_count, settings.bottom_exposure_s
    if not count or exposure is None:
        length = FIRST_LAYERS_DEFAULT
    else:
        length = timedelta(seconds=count * (exposure + move_s(settings)))
    return Window(window.start, min(window.end, window.start + length))


def window_of(plate: Print, now: datetime) -> Window:
    """The window of a print; one still running reaches up to ``now`` (aware)."""
    end = plate.end or max(now, plate.start)
    return Window(plate.start.astimezone(UTC), end.astimezone(UTC))
