"""The shape in which the conditions of a print are sent."""

from __future__ import annotations

from datetime import datetime

from pydantic import ConfigDict, Field
from pydantic.config import JsonDict

from api.answers import Derived, Measured, PrintConditions, PrintWindow, WindowConditions
from api.prints import Frozen
from api.routes.shapes import sent
from collector.readings import Role, moment_of

_SUMMARY: JsonDict = {
    "channel": "vat-north",
    "unit": "°C",
    "count": 121,
    "marked_out": 0,
    "coverage": 1.0,
    "longest_gap_s": 0.0,
    "gaps": [],
    "withheld": None,
    "mean": 18.42,
    "minimum": 17.9,
    "maximum": 18.8,
    "deviation": 0.21,
    "slope_per_h": 0.6,
    "below": 18.0,
    "minutes_below": 3.5,
    "degree_hours_below": 0.002,
    "above": 35.0,
    "minutes_above": 0.0,
    "degree_hours_above": 0.0,
}


class GapShape(Frozen):
    """A hole in the record."""

    start: datetime
    end: datetime
    length_s: float


class SummaryShape(Frozen):
    """What one channel did in one window; figures are null when ``withheld`` says why.

    ``mean``, ``deviation`` (standard deviation) and ``slope_per_h`` are time-weighted over
    what was really recorded; ``coverage`` is its share of the window, 0 to 1.
    """

    model_config = ConfigDict(json_schema_extra={"example": _SUMMARY})

    channel: str
    unit: str
    count: int
    marked_out: int = Field(description="Readings that did not count for their marks.")
    coverage: float
    longest_gap_s: float
    gaps: tuple[GapShape, ...]
    withheld: str | None
    mean: float | None
    minimum: float | None
    maximum: float | None
    deviation: float | None
    slope_per_h: float | None
    below: float | None = Field(description="The limit below which minutes are counted.")
    minutes_below: float | None
    degree_hours_below: float | None
    above: float | None = Field(description="The limit above which minutes are counted.")
    minutes_above: float | None
    degree_hours_above: float | None


class WindowShape(Frozen):
    """A window of a print and what was measured in it, by role; ``missing`` says why not.

    ``derived`` are quantities made of two channels; ``not_derived`` says why not. Dew point
    (over water), frost point (over ice, below 0 °C only) and absolute humidity are those of
    the Magnus form, WMO Guide No. 8, Annex 4.B.
    """

    start: datetime
    end: datetime
    measured: dict[Role, SummaryShape]
    missing: dict[Role, str]
    derived: dict[Derived, SummaryShape]
    not_derived: dict[Derived, str]


class VatShape(Frozen):
    """The vat temperature by which the print enters the analyses, or why it has none."""

    value_c: float | None = Field(examples=[18.4])
    reason: str | None
    noted: bool = Field(description="Noted by hand, where no sensor belonged to the machine.")
    channel: str | None
    coverage: float


class ConditionsShape(Frozen):
    """The conditions of one print in each of its windows; null where it has no such window."""

    print: int
    before_start: WindowShape | None = Field(description="The two hours before.")
    first_layers: WindowShape | None
    body: WindowShape | None
    whole: WindowShape | None
    wash: WindowShape | None = Field(description="Where its start and minutes were noted.")
    drying: WindowShape | None
    cure: WindowShape | None
    why_not: str | None = Field(description="Why a window of the print is null.")
    vat: VatShape


def shape_of(conditions: PrintConditions) -> ConditionsShape:
    """Conditions as they are sent."""
    return ConditionsShape(
        print=conditions.plate.id,
        why_not=conditions.why_not,
        vat=sent(VatShape, conditions.vat),
        **{name.value: _window(conditions.windows.get(name)) for name in PrintWindow},
    )


def _window(found: WindowConditions | None) -> WindowShape | None:
    if found is None:
        return None
    return WindowShape(
        start=found.window.start,
        end=found.window.end,
        measured={role: _summary(role.unit, one) for role, one in found.measured.items()},
        missing=dict(found.missing),
        derived={made: _summary(made.unit, one) for made, one in found.derived.items()},
        not_derived=dict(found.not_derived),
    )


def _summary(unit: str, measured: Measured) -> SummaryShape:
    summary = measured.summary
    return sent(
        SummaryShape,
        summary,
        channel=measured.channel,
        unit=unit,
        longest_gap_s=summary.longest_gap_ms / 1_000,
        gaps=tuple(
            GapShape(
                start=moment_of(gap.start_ms),
                end=moment_of(gap.end_ms),
                length_s=(gap.end_ms - gap.start_ms) / 1_000,
            )
            for gap in summary.gaps
        ),
    )
