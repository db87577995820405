"""Warnings for settings far from what is usual; never refusals. Pure.

A resin's own printed ranges go first. Where it has none the ranges below stand: common
practice, no source.
"""

from __future__ import annotations

import enum

from pydantic import Field, model_validator

from api.phases import Fit, phases_of
from api.prints import Frozen, Print, Settings, window_of

__all__ = ["Guidance", "Limits", "SettingWarning", "WarningKind", "WarningSource", "warnings_of"]


class Limits(Frozen):
    """A range, both ends included."""

    low: float = Field(ge=-100, le=100_000)
    high: float = Field(ge=-100, le=100_000)

    @model_validator(mode="after")
    def _low_comes_first(self) -> Limits:
        if self.high < self.low:
            raise ValueError("the range's high end is below its low end; swap them")
        return self


class Guidance(Frozen):
    """What a resin's maker prints on it: exposures [s] and resin temperature [°C]."""

    normal_exposure_s: Limits | None = None
    bottom_exposure_s: Limits | None = None
    temperature_c: Limits | None = None


class WarningKind(enum.StrEnum):
    """What is unusual."""

    BELOW = "below"
    ABOVE = "above"
    BOTTOM_NOT_LONGER = "bottom_not_longer"
    TOO_SHORT = "too_short_for_its_settings"
    TOO_LONG = "too_long_for_its_settings"


class WarningSource(enum.StrEnum):
    """What it is measured against."""

    RESIN = "printed_on_the_resin"
    COMMON_PRACTICE = "common_practice"
    SETTINGS = "settings_and_duration"


class SettingWarning(Frozen):
    """One warning: the field it is about, its value and the range it lies out of, in words."""

    field: str = Field(examples=["settings.normal_exposure_s"])
    kind: WarningKind
    source: WarningSource
    value: float
    low: float | None = None
    high: float | None = None
    sentence: str = Field(examples=["A normal exposure of 14 s is above the usual 1 to 10 s."])


#: Common practice, no source.
COMMON = {
    "layer_height_mm": Limits(low=0.01, high=0.2),
    "normal_exposure_s": Limits(low=1, high=10),
    "bottom_exposure_s": Limits(low=10, high=90),
    "bottom_layer_count": Limits(low=3, high=12),
    "light_off_delay_s": Limits(low=0, high=10),
}

#: A vat's usual temperatures [°C] (common practice, no source).
COMMON_VAT_C = Limits(low=18, high=35)

#: Bottom exposure is usually several times the normal one (common practice, no source).
BOTTOM_TIMES = 3.0

_WORDS = {
    "layer_height_mm": ("A layer height", "mm"),
    "normal_exposure_s": ("A normal exposure", "s"),
    "bottom_exposure_s": ("A bottom exposure", "s"),
    "bottom_layer_count": ("A bottom layer count", ""),
    "light_off_delay_s": ("A light-off delay", "s"),
    "logged_vat_c": ("Resin noted", "°C"),
}


def vat_limits(guidance: Guidance | None) -> tuple[Limits, WarningSource]:
    """The temperatures [°C] a vat should have: the resin's own, else the usual ones."""
    if guidance is not None and guidance.temperature_c is not None:
        return guidance.temperature_c, WarningSource.RESIN
    return COMMON_VAT_C, WarningSource.COMMON_PRACTICE


def warnings_of(plate: Print, guidance: Guidance | None = None) -> tuple[SettingWarning, ...]:
    """Everything about a print that is unusual, and settings and times that disagree."""
    found = list(_of_settings(plate.settings, guidance))
    if plate.logged_vat_c is not None:
        limits, source = vat_limits(guidance)
        found += _out_of("logged_vat_c", plate.logged_vat_c, limits, source, "logged_vat_c")
    found += _of_duration(plate)
    return tuple(found)


def _of_settings(settings: Settings, guidance: Guidance | None) -> list[SettingWarning]:
    found: list[SettingWarning] = []
    for name, usual in COMMON.items():
        value = getattr(settings, name)
        if value is None or (name == "bottom_exposure_s" and settings.bottom_layer_count == 0):
            continue
        printed = getattr(guidance, name, None)
        limits = printed or usual
        source = WarningSource.RESIN if printed else WarningSource.COMMON_PRACTICE
        found += _out_of(name, value, limits, source, f"settings.{name}")
    printed_bottom = guidance is not None and guidance.bottom_exposure_s is not None
    normal, bottom = settings.normal_exposure_s, settings.bottom_exposure_s
    if (
        not printed_bottom
        and normal is not None
        and bottom is not None
        and settings.bottom_layer_count != 0
        and bottom < BOTTOM_TIMES * normal
    ):
        found.append(
            SettingWarning(
                field="settings.bottom_exposure_s",
                kind=WarningKind.BOTTOM_NOT_LONGER,
                source=WarningSource.COMMON_PRACTICE,
                value=bottom,
                low=BOTTOM_TIMES * normal,
                sentence=f"A bottom exposure of {bottom:g} s is {bottom / normal:.1f} times the "
                f"normal one; usual is {BOTTOM_TIMES:g} times or more.",
            )
        )
    return found


def _out_of(
    name: str, value: float, limits: Limits, source: WarningSource, field: str
) -> list[SettingWarning]:
    if limits.low <= value <= limits.high:
        return []
    kind = WarningKind.BELOW if value < limits.low else WarningKind.ABOVE
    label, unit = _WORDS[name]
    whose = "the resin's printed" if source is WarningSource.RESIN else "the usual"
    words = ("at" if name == "logged_vat_c" else "of", f"{value:g} {unit}".strip(), f"is {kind}")
    span = f"{limits.low:g} to {limits.high:g} {unit}".strip()
    return [
        SettingWarning(
            field=field,
            kind=kind,
            source=source,
            value=value,
            low=limits.low,
            high=limits.high,
            sentence=f"{label} {' '.join(words)} {whose} {span}.",
        )
    ]


def _of_duration(plate: Print) -> list[SettingWarning]:
    if plate.end is None:
        return []
    phases = phases_of(plate, plate.end)
    if phases.sentence is None:
        return []
    short = phases.fit is Fit.TOO_SHORT
    return [
        SettingWarning(
            field="end",
            kind=WarningKind.TOO_SHORT if short else WarningKind.TOO_LONG,
            source=WarningSource.SETTINGS,
            value=window_of(plate, plate.end).length_s,
            low=phases.planned_s if short else None,
            high=None if short else phases.planned_s,
            sentence=phases.sentence,
        )
    ]
