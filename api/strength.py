"""Break loads: stress from load, loads beyond the gauge, and groups compared. Pure.

A part that held the gauge's limit is *right-censored*: it is stronger than that, by how much
is not known. It is never dropped and never counted as broken at the limit. Groups are
compared on log load, as a ratio of medians: "B breaks at 1.3 times A's load (1.05 to 1.6)".

Breaking parts fly: wear eye protection and keep a guard round the fixture.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from api.likelihood import (
    LEVEL,
    Floats,
    Interval,
    Profile,
    at_least_share,
    compared,
    normal_profile,
)
from collector.errors import InvalidError


class LoadUnit(enum.StrEnum):
    """The units that a gauge may show a load in."""

    NEWTON = "N"
    KILOGRAM_FORCE = "kgf"
    POUND_FORCE = "lbf"


#: Newtons in one unit of load, exactly: the kilogram-force by definition (3rd CGPM, 1901), the
#: pound-force as 0.45359237 kg (international yard and pound, 1959) times the same.
NEWTONS = {"N": 1.0, "kgf": 9.80665, "lbf": 4.4482216152605}

#: Spreads of log load looked at: 0.03 is 3 %, 0.8 more than a factor of two.
SPREADS = np.geomspace(0.03, 0.8, 36)
#: Spacing of the log loads looked at, and how far beyond the loads they go.
GRID = 0.01
BEYOND = 1.5
#: What a group needs for an interval or a ratio.
FEWEST_PARTS = 3
FEWEST_BROKEN = 2


def newtons(value: float, unit: str) -> float:
    """A load in newtons from ``N``, ``kgf`` or ``lbf``; ``InvalidError`` for another unit."""
    if unit not in NEWTONS:
        raise InvalidError(
            f"There is no unit of load {unit}.",
            where="unit",
            remedy=f"Use one of {', '.join(NEWTONS)}.",
        )
    return value * NEWTONS[unit]


# --- stress --------------------------------------------------------------------------------


class Holding(enum.StrEnum):
    """How a fixture holds the part."""

    THREE_POINT = "three_point"
    CANTILEVER = "cantilever"
    COMPRESSION = "compression"


@dataclass(frozen=True, slots=True)
class Bar:
    """A test bar in its fixture [mm]: ``span_mm`` between supports, or from clamp to load.

    Compression has no span and takes none into account.
    """

    holding: Holding
    span_mm: float
    width_mm: float
    thickness_mm: float

    def __post_init__(self) -> None:
        for name in ("span_mm", "width_mm", "thickness_mm"):
            if name == "span_mm" and self.holding is Holding.COMPRESSION:
                continue
            if not 0 < getattr(self, name) < math.inf:
                raise InvalidError("A length has to be more than nothing.", where=name)


@dataclass(frozen=True, slots=True)
class Stress:
    """A stress [MPa], and what it must not be read as (``note``; empty when nothing)."""

    stress_mpa: float
    note: str


def stress(force_n: float, bar: Bar) -> Stress:
    """The nominal stress in a bar under a load [N].

    Three-point bending 3FL/(2bh²) (ISO 178, ASTM D790), cantilever 6FL/(bh²), compression
    F/(bh), all by linear beam theory: it holds for a straight bar of one cross-section that
    bends little; for any other part compare loads.
    """
    section = bar.width_mm * bar.thickness_mm
    if bar.holding is Holding.COMPRESSION:
        return Stress(force_n / section, "")
    factor = 1.5 if bar.holding is Holding.THREE_POINT else 6.0
    slender = bar.span_mm / bar.thickness_mm
    note = ""
    if slender < _SLENDER:
        note = (
            f"the span is only {slender:.1f} times the thickness; below {_SLENDER:g} shear "
            "makes this a rough figure"
        )
    return Stress(factor * force_n * bar.span_mm / (section * bar.thickness_mm), note)


#: Span over thickness below which the bending formula is only rough: ISO 178 takes 16 ± 1
#: (from memory); half of that is common practice, no source.
_SLENDER = 8.0


def force_for_stress_n(stress_mpa: float, bar: Bar) -> float:
    """The load [N] that puts a stress [MPa] into a bar; the inverse of :func:`stress`."""
    return stress_mpa / stress(1.0, bar).stress_mpa


def outer_strain(deflection_mm: float, bar: Bar) -> float:
    """Strain of the outer fibre in three-point bending, 6sh/L² (ISO 178)."""
    return 6 * deflection_mm * bar.thickness_mm / bar.span_mm**2


def standard_deflection_mm(bar: Bar, strain: float = 0.002) -> float:
    """Deflection at which heat deflection is read, L² strain / (6h) (ISO 75, from memory)."""
    return strain * bar.span_mm**2 / (6 * bar.thickness_mm)


# --- groups --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Break:
    """One part: it broke at ``load_n`` [N], or held it (the gauge's limit) unbroken."""

    part: str
    load_n: float
    broke: bool

    def __post_init__(self) -> None:
        if not 0 < self.load_n < math.inf:
            raise InvalidError("A load has to be more than nothing.", where="load_n")


@dataclass(frozen=True, slots=True)
class MedianLoad:
    """The load at which half of such parts break [N], with a 95 % interval.

    Median and interval are None when ``refusal`` says why. ``held`` parts held the gauge's
    limit; at least ``held_share`` of such parts would (95 % confidence).
    """

    parts: int
    broken: int
    held: int
    held_share: float
    median_n: float | None
    interval_n: Interval | None
    refusal: str | None


@dataclass(frozen=True, slots=True)
class Ratio:
    """``second`` breaks at ``ratio`` times the load of ``first``, with a 95 % interval.

    ``p_holm`` is adjusted over all pairs; ``note`` says why a ratio that is not flagged may
    still be real.
    """

    first: str
    second: str
    ratio: float
    interval: Interval
    p_holm: float
    flagged: bool
    note: str


def median_load(parts: Sequence[Break]) -> MedianLoad:
    """The median break load of one group, log-normal, held parts right-censored."""
    broken = sum(part.broke for part in parts)
    held = len(parts) - broken
    refusal = _refusal(len(parts), broken)
    median = interval = None
    if refusal is None:
        profile = _profile(parts, _grid(parts))
        median, interval = math.exp(profile.best), _as_loads(profile.interval())
    share = at_least_share(held, len(parts)) if parts else 0.0
    return MedianLoad(len(parts), broken, held, share, median, interval, refusal)


def ratios(groups: Mapping[str, Sequence[Break]]) -> tuple[Ratio, ...]:
    """Ratios of median loads for all pairs of groups that have enough parts and breaks.

    Spreads are never pooled; Holm's adjustment is over all pairs compared.
    """
    enough = {
        name: parts
        for name, parts in groups.items()
        if _refusal(len(parts), sum(part.broke for part in parts)) is None
    }
    if len(enough) < 2:
        return ()
    grid = _grid([part for parts in enough.values() for part in parts])
    profiles = {name: _profile(parts, grid) for name, parts in enough.items()}
    found = []
    for a, b, profile, p_holm in compared(profiles, list(combinations(enough, 2))):
        interval = profile.interval()
        flagged = p_holm <= 1 - LEVEL and not interval.holds(0.0)
        few = not flagged and min(len(enough[a]), len(enough[b])) <= FEWEST_PARTS
        note = _FEW_NOTE if few else ""
        loads = _as_loads(interval)
        found.append(Ratio(a, b, math.exp(profile.best), loads, p_holm, flagged, note))
    return tuple(found)


_FEW_NOTE = (
    "three parts against three show only large differences: at 15 % scatter a ratio of 1.3 is "
    "found in about a quarter of cases"
)


def _refusal(parts: int, broken: int) -> str | None:
    if parts >= FEWEST_PARTS and broken >= FEWEST_BROKEN:
        return None
    if broken < parts and broken < FEWEST_BROKEN:
        return (
            f"{parts - broken} of {parts} held the gauge's limit; "
            "take a stronger gauge or a thinner bar"
        )
    counted = "1 part" if parts == 1 else f"{parts} parts"
    return f"{counted}; it takes {FEWEST_PARTS}, {FEWEST_BROKEN} of them broken"


def _grid(parts: Sequence[Break]) -> Floats:
    """Log loads to look at: even, from well below the loads to well above."""
    logs = [math.log(part.load_n) for part in parts]
    first, last = math.floor((min(logs) - BEYOND) / GRID), math.ceil((max(logs) + BEYOND) / GRID)
    return np.arange(first, last + 1, dtype=np.float64) * GRID


def _profile(parts: Sequence[Break], grid: Floats) -> Profile:
    held = np.array([math.log(part.load_n) for part in parts if not part.broke])
    broken = np.array([math.log(part.load_n) for part in parts if part.broke])
    return normal_profile(grid, SPREADS, held, np.full(len(held), np.inf), broken)


def _as_loads(logs: Interval) -> Interval:
    return Interval(
        None if logs.low is None else math.exp(logs.low),
        None if logs.high is None else math.exp(logs.high),
    )
