"""Groups of broken pieces compared, in words that keep to what the pieces can tell. Pure.

Pieces that held the gauge's limit are right-censored throughout (``api.strength``). Groups are
compared on load, or on nominal stress where every piece has one; what else differs between
them is said beside.
"""

from __future__ import annotations

import enum
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from api.likelihood import Interval
from api.standing import Survived, survived
from api.strength import Break, MedianLoad, Ratio, median_load, ratios
from api.weibull import FEWEST_BROKEN, WeibullFit, weibull

METHOD = (
    "log-normal loads, pieces that held right-censored, profile likelihood with a t-calibrated "
    "cut-off; ratios of medians with Holm's adjustment over all pairs"
)


class GroupBy(enum.StrEnum):
    """What pieces are grouped by."""

    RESIN = "resin"
    HISTORY = "soak_history"
    AGE = "age"


class Measure(enum.StrEnum):
    """What is compared."""

    LOAD = "load"
    STRESS = "stress"


UNITS: Mapping[Measure, str] = {Measure.LOAD: "N", Measure.STRESS: "MPa"}

#: How a sentence says what groups differ in.
FACTORS: Mapping[GroupBy, str] = {
    GroupBy.RESIN: "resin",
    GroupBy.HISTORY: "soak history",
    GroupBy.AGE: "age since cure",
}

#: Ends of the bands of age since cure [days]: common practice, no source.
AGE_BANDS = (2.0, 7.0, 30.0)

NOT_SOAKED = "not soaked"
NO_CURE = "cure not noted"


@dataclass(frozen=True, slots=True)
class Piece:
    """One piece as a comparison takes it.

    ``load_n`` [N] and ``stress_mpa`` [MPa] are None for a piece that held: ``limit_n`` and
    ``limit_mpa`` are what it bore unbroken. The stresses are None too where no stress is known.
    ``soaked_to_c`` is the setpoint of the hottest step it went through [°C], ``age_days`` the
    time since its cure; None where there is none.
    """

    id: int
    name: str
    resin: str
    soaked: bool
    soaked_to_c: float | None
    age_days: float | None
    load_n: float | None
    limit_n: float
    stress_mpa: float | None
    limit_mpa: float | None

    @property
    def broke(self) -> bool:
        """Whether it broke."""
        return self.load_n is not None

    def group(self, by: GroupBy) -> str:
        """The group it belongs to."""
        if by is GroupBy.RESIN:
            return self.resin
        return self.history if by is GroupBy.HISTORY else age_band(self.age_days)

    @property
    def history(self) -> str:
        """Its soak history in words."""
        if not self.soaked:
            return NOT_SOAKED
        if self.soaked_to_c is None:
            return "in the chamber, through no step"
        return f"through {self.soaked_to_c:g} °C"

    def measured(self, measure: Measure) -> Break | None:
        """It as the sums take it; None where the measure is not known of it."""
        if measure is Measure.LOAD:
            return Break(
                str(self.id), self.limit_n if self.load_n is None else self.load_n, self.broke
            )
        if self.limit_mpa is None:
            return None
        borne = self.limit_mpa if self.stress_mpa is None else self.stress_mpa
        return Break(str(self.id), borne, self.broke)


def age_band(age_days: float | None) -> str:
    """The band of an age since cure [days] in words."""
    if age_days is None:
        return NO_CURE
    low = 0.0
    for high in AGE_BANDS:
        if age_days < high:
            return f"{low:g} to {high:g} days" if low else f"under {high:g} days"
        low = high
    return f"{low:g} days or more"


@dataclass(frozen=True, slots=True)
class BreakGroup:
    """One group: its pieces, its median, how it scatters, and what is left at each load.

    ``scatter`` is None with fewer than :data:`api.weibull.FEWEST_BROKEN` broken pieces.
    """

    name: str
    pieces: tuple[Piece, ...]
    median: MedianLoad
    scatter: WeibullFit | None
    survived: tuple[Survived, ...]


@dataclass(frozen=True, slots=True)
class BreakGroups:
    """Groups compared: figures in ``unit``, the answer in words, and what to be careful about."""

    by: GroupBy
    measure: Measure
    unit: str
    groups: tuple[BreakGroup, ...]
    ratios: tuple[Ratio, ...]
    sentences: tuple[str, ...]
    cautions: tuple[str, ...]
    left_out: Mapping[str, int]
    method: str = METHOD


NO_STRESS = "no stress, for want of a length"


def compare(
    pieces: Sequence[Piece],
    by: GroupBy,
    measure: Measure = Measure.LOAD,
    left_out: Mapping[str, int] | None = None,
) -> BreakGroups:
    """Compare pieces of one fixture by resin, soak history or age since cure."""
    usable = [piece for piece in pieces if piece.measured(measure) is not None]
    missing = Counter(left_out or {})
    if len(usable) < len(pieces):
        missing[NO_STRESS] += len(pieces) - len(usable)
    grouped: dict[str, list[Piece]] = {}
    for piece in sorted(usable, key=lambda piece: _order(piece, by)):
        grouped.setdefault(piece.group(by), []).append(piece)
    measured = {
        name: [one for piece in own if (one := piece.measured(measure)) is not None]
        for name, own in grouped.items()
    }
    groups = tuple(_group(name, own, measured[name]) for name, own in grouped.items())
    found = ratios(measured)
    unit = UNITS[measure]
    said = [group_sentence(group, unit) for group in groups]
    said += [ratio_sentence(ratio, measure) for ratio in found]
    return BreakGroups(
        by=by,
        measure=measure,
        unit=unit,
        groups=groups,
        ratios=found,
        sentences=tuple(said) or ("No piece has been tested like that yet.",),
        cautions=tuple(_differences(grouped, by)),
        left_out=dict(missing),
    )


def _order(piece: Piece, by: GroupBy) -> tuple[object, ...]:
    if by is GroupBy.RESIN:
        return (piece.resin.casefold(), piece.id)
    if by is GroupBy.HISTORY:
        to_c = float("-inf") if piece.soaked_to_c is None else piece.soaked_to_c
        return (piece.soaked, to_c, piece.id)
    return (piece.age_days is None, piece.age_days or 0.0, piece.id)


def _group(name: str, pieces: Sequence[Piece], measured: Sequence[Break]) -> BreakGroup:
    broken = [one.load_n for one in measured if one.broke]
    held = [one.load_n for one in measured if not one.broke]
    scatter = None
    if len(broken) >= FEWEST_BROKEN and len(set(broken)) > 1:
        scatter = weibull(broken, held)
    return BreakGroup(
        name=name,
        pieces=tuple(pieces),
        median=median_load(measured),
        scatter=scatter,
        survived=survived(broken, held),
    )


def _differences(grouped: Mapping[str, Sequence[Piece]], by: GroupBy) -> list[str]:
    """What the groups differ in beside what they are grouped by."""
    said = []
    for other, called in FACTORS.items():
        kinds = {name: sorted({p.group(other) for p in own}) for name, own in grouped.items()}
        if other is by or len({tuple(own) for own in kinds.values()}) < 2:
            continue
        parts = "; ".join(f"{name}: {', '.join(own)}" for name, own in kinds.items())
        said.append(
            f"The groups differ in {called} too ({parts}): what is seen may come from that."
        )
    return said


# ---- in words --------------------------------------------------------------------------------


def figure(value: float) -> str:
    """A load or ratio in three digits, never as a power of ten."""
    return f"{value:.3g}" if abs(value) < 1_000 else f"{value:.0f}"


def interval_words(interval: Interval, unit: str) -> str:
    """A 95 % interval in words; an open end is said as at least or at most."""
    tail = f" {unit}" if unit else ""
    if interval.low is not None and interval.high is not None:
        return f"{figure(interval.low)} to {figure(interval.high)}{tail}"
    if interval.low is not None:
        return f"at least {figure(interval.low)}{tail}"
    if interval.high is not None:
        return f"at most {figure(interval.high)}{tail}"
    return "no bound can be given"


def group_sentence(group: BreakGroup, unit: str) -> str:
    """What is known of one group's median."""
    median, name = group.median, group.name
    if median.median_n is not None and median.interval_n is not None:
        said = f"{name}: half of such pieces break below {figure(median.median_n)} {unit}"
        said += f" (95 % interval {interval_words(median.interval_n, unit)}),"
        return f"{said} from {_counted(median)}."
    said = f"{name}: cannot say; {median.refusal}."
    if median.held:
        share = 100 * median.held_share
        said += (
            f" With 95 % confidence at least {share:.0f} % of such pieces would hold it unbroken."
        )
    return said


def _counted(median: MedianLoad) -> str:
    pieces = "1 piece" if median.parts == 1 else f"{median.parts} pieces"
    held = f", {median.held} of them unbroken at the gauge's limit" if median.held else ""
    return f"{pieces}{held}"


def ratio_sentence(ratio: Ratio, measure: Measure) -> str:
    """How one group stands to another, or that it cannot be told."""
    what = "load" if measure is Measure.LOAD else "stress"
    within = interval_words(ratio.interval, "times").removesuffix(" times")
    times = f"{ratio.second} breaks at {figure(ratio.ratio)} times the {what} of {ratio.first}"
    if ratio.flagged:
        return f"{times} (95 % interval {within})."
    said = f"{ratio.first} and {ratio.second}: cannot be told apart; {times} "
    said += f"(95 % interval {within})"
    return f"{said}; {ratio.note}." if ratio.note else f"{said}."
