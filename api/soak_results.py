"""What all soak runs together say: of the chambers they ran in, and of the resins."""

from __future__ import annotations

import math
import statistics
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from api.conditions import DOUBTFUL
from api.record import Kept
from api.soak.chamber import AtSetpoint, chamber_check, error_sd_k
from api.soak.finishing import STILL_K_PER_MIN, pace_k_per_min
from api.soak.program import SoakRun, Step
from api.soak.replicates import (
    CHAMBER_SD_K,
    Bracket,
    Difference,
    MedianFailure,
    bracket_of,
    differences,
    median_failure,
)
from api.soak.state import Phase, RunState
from api.soak_answers import SoakNow, soak_state
from api.warmup import Forecast, Lag, fit, forecast
from api.window_answers import Snapshot, Span
from api.workshop import Workshop
from collector.readings import Series, ms_of


def all_runs(workshop: Workshop, now: datetime) -> list[SoakNow]:
    """Every run as it stands, by start."""
    return [soak_state(workshop, kept.id, now) for kept in workshop.record.soaks.all()]


#: Most readings of an approach that a curve is fitted to.
FITTED_MOST_N = 400

# ---- the chamber -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Approach:
    """One approach of a chamber to a step, with its lag as fitted to the mean of the probes."""

    soak: int
    step: int
    setpoint_c: float
    from_c: float
    minutes: float
    lag: Lag


@dataclass(frozen=True, slots=True)
class ChamberReport:
    """How far one chamber can be trusted, from all runs that were measured by these probes.

    ``error_sd_k`` is None before any setpoint was held twice. ``tau_s`` is the median time
    constant of the approaches that a single exponential fits, None where there is none;
    ``residual_k`` the median distance of their readings from their curves.
    """

    channels: tuple[str, ...]
    runs: int
    lines: tuple[AtSetpoint, ...]
    error_sd_k: float | None
    approaches: tuple[Approach, ...]
    tau_s: float | None
    residual_k: float | None

    @property
    def fitted_n(self) -> int:
        """How many approaches a single exponential fits."""
        return sum(approach.lag.refusal is None for approach in self.approaches)


def chambers(workshop: Workshop, now: datetime) -> tuple[ChamberReport, ...]:
    """A report on every chamber, told apart by its probes, in the order of their first runs."""
    runs = workshop.record.soaks.all()
    each = dict.fromkeys(_probes(kept.entry) for kept in runs)
    return tuple(_report(workshop, probes, runs, now) for probes in each)


def chamber_of(workshop: Workshop, channels: Sequence[str], now: datetime) -> ChamberReport | None:
    """The report on the chamber with these probes; None before it has had a run."""
    probes, runs = tuple(sorted(channels)), workshop.record.soaks.all()
    known = any(_probes(kept.entry) == probes for kept in runs)
    return _report(workshop, probes, runs, now) if known else None


def _probes(run: SoakRun) -> tuple[str, ...]:
    """What tells the chamber of a run from others."""
    return tuple(sorted(run.chamber_channels))


def _report(
    workshop: Workshop, probes: tuple[str, ...], all_kept: Sequence[Kept[SoakRun]], now: datetime
) -> ChamberReport:
    mine = [kept.id for kept in all_kept if _probes(kept.entry) == probes]
    runs = [soak_state(workshop, soak_id, now) for soak_id in mine]
    lines = chamber_check(found.state for found in runs)
    snapshot = workshop.windows.snapshot()
    approaches = tuple(
        approach for found in runs for approach in _approaches(workshop, found, snapshot)
    )
    fitted = [approach.lag for approach in approaches if approach.lag.refusal is None]
    return ChamberReport(
        channels=probes,
        runs=len(runs),
        lines=lines,
        error_sd_k=error_sd_k(lines),
        approaches=approaches,
        tau_s=statistics.median(lag.tau_s for lag in fitted) if fitted else None,
        residual_k=statistics.median(lag.residual_k for lag in fitted) if fitted else None,
    )


def _approaches(workshop: Workshop, found: SoakNow, snapshot: Snapshot) -> list[Approach]:
    """The approaches of a run that came to their end."""
    approaches = []
    for log in found.state.steps:
        if log.settled_ms is None:
            continue
        channels = found.run.entry.chamber_channels
        way = _way(workshop, channels, int(log.began_ms), int(log.settled_ms), snapshot)
        if way is not None:
            from_c, lag = way
            minutes = (log.settled_ms - log.began_ms) / 60_000
            approaches.append(
                Approach(found.run.id, log.number, log.step.setpoint_c, from_c, minutes, lag)
            )
    return approaches


def _way(
    workshop: Workshop, channels: Sequence[str], begin_ms: int, end_ms: int, snapshot: Snapshot
) -> tuple[float, Lag] | None:
    """Where an approach began [°C] and its lag; None without a reading. Kept while that holds."""

    def fitted() -> tuple[float, Lag] | None:
        mean = mean_of_probes(workshop, channels, begin_ms, end_ms)
        return (float(mean.values[0]), fit(mean)) if len(mean) else None

    spans = [Span(channel, begin_ms, end_ms + 1) for channel in channels]
    return snapshot.answer(spans, "approach", fitted)


def mean_of_probes(
    workshop: Workshop, channels: Sequence[str], begin_ms: int, end_ms: int
) -> Series:
    """The mean of a chamber's probes over [begin, end], at readings of its first one.

    At most :data:`FITTED_MOST_N` of them, at even steps: enough for a curve of three numbers.
    """
    found = [
        workshop.store.between(channel, begin_ms, end_ms + 1).without(DOUBTFUL)
        for channel in channels
    ]
    first, others = found[0], [series for series in found[1:] if len(series)]
    step = -(-len(first) // FITTED_MOST_N) or 1
    times_ms = first.times_ms[::step]
    columns = [first.values[::step]]
    columns += [np.interp(times_ms, other.times_ms, other.values) for other in others]
    return Series(first.channel, times_ms, np.mean(columns, axis=0), first.marks[::step])


@dataclass(frozen=True, slots=True)
class ApproachNow:
    """When the chamber will be in the band of the step it is on its way to.

    ``forecast`` is from the lag fitted to this very approach; where that is refused,
    ``from_before_ms`` is what its earlier approaches (``before``) make likely, None without.
    ``pace_k_per_min`` is how fast it has changed in the last minutes, None where that is not
    known; ``at_pace_ms`` when it would be there if it went on so, None where it never would.
    """

    step: Step
    lag: Lag
    forecast: Forecast
    before: ChamberReport | None
    from_before_ms: int | None
    pace_k_per_min: float | None
    at_pace_ms: int | None

    @property
    def on_its_way(self) -> bool:
        """Whether it moves towards the band, as far as is known."""
        return self.pace_k_per_min is None or self.at_pace_ms is not None

    @property
    def arrives_ms(self) -> int | None:
        """When it will be there, by the best that is known; None where nothing tells."""
        if not self.on_its_way:
            return None
        ways = (self.forecast.at_ms, self.from_before_ms, self.at_pace_ms)
        return next((at_ms for at_ms in ways if at_ms is not None), None)


def approach_now(workshop: Workshop, found: SoakNow, now: datetime) -> ApproachNow | None:
    """When the chamber will be in the band of the step that it is on its way to.

    None where it is on its way to none, or there already, or nothing was read since.
    """
    state, log = found.state, found.state.log
    if state.phase is not Phase.APPROACH or log is None or state.last_reading_ms is None:
        return None
    if state.in_band:
        return None
    channels = found.run.entry.chamber_channels
    mean = mean_of_probes(workshop, channels, int(log.began_ms), ms_of(now))
    if not len(mean):
        return None
    last_c, step = float(mean.values[-1]), log.step
    lag = fit(mean)
    ahead = forecast(lag, step.low_c if last_c < step.low_c else step.high_c)
    before = chamber_of(workshop, channels, now) if ahead.refusal else None
    pace = pace_k_per_min(mean.times_ms, mean.values)
    missing_k = step.low_c - last_c if last_c < step.low_c else step.high_c - last_c
    at_pace_ms = None
    if pace is not None and pace * math.copysign(1, missing_k) >= STILL_K_PER_MIN:
        at_pace_ms = int(mean.times_ms[-1]) + round(max(missing_k / pace, 0.0) * 60_000)
    likely_ms = _likely_ms(before, step, last_c, mean)
    return ApproachNow(step, lag, ahead, before, likely_ms, pace, at_pace_ms)


def _likely_ms(before: ChamberReport | None, step: Step, last_c: float, mean: Series) -> int | None:
    if before is None or before.tau_s is None:
        return None
    away = abs(step.setpoint_c - last_c)
    if away <= step.tolerance_k:
        return None
    return int(mean.times_ms[-1]) + round(1_000 * before.tau_s * math.log(away / step.tolerance_k))


# ---- the resins ------------------------------------------------------------------------------


NO_RESIN = "no resin was named for it"
ON_A_RAMP = "it was on a ramp, which tells of temperatures reached, not of steps held"
NOT_SEEN = "its looks say nothing, or contradict the heat it had"


@dataclass(frozen=True, slots=True)
class Tested:
    """One specimen with the bracket in which it gave way, the run and the step it held last."""

    soak: int
    run: str
    specimen: str
    bracket: Bracket
    highest_setpoint_held_c: float | None


@dataclass(frozen=True, slots=True)
class HeatOfResin:
    """What heat one resin stood over all runs: its specimens and what they come to.

    ``highest_setpoint_c`` is the hottest setpoint that every one of its specimens held.
    """

    resin: int
    name: str
    tested: tuple[Tested, ...]
    median: MedianFailure
    highest_setpoint_c: float | None


@dataclass(frozen=True, slots=True)
class HeatResults:
    """Every resin that was soaked, the differences between them, and what could not be used.

    ``chamber_sd_k`` is the chamber's own error from run to run that was reckoned with;
    ``chamber_sd_measured`` tells whether it was measured here or is the usual assumption.
    ``left_out`` counts specimens by the reason they are in no resin's figures.
    """

    resins: tuple[HeatOfResin, ...]
    differences: tuple[Difference, ...]
    chamber_sd_k: float
    chamber_sd_measured: bool
    left_out: Mapping[str, int]


def heat_results(workshop: Workshop, now: datetime) -> HeatResults:
    """What all runs together say of each resin, and of the differences between resins."""
    runs = all_runs(workshop, now)
    names = {kept.id: kept.entry.name for kept in workshop.record.resins.all()}
    by_resin: dict[int, list[Tested]] = defaultdict(list)
    left_out: Counter[str] = Counter()
    for found in runs:
        for resin, tested in _tested(found, left_out):
            by_resin[resin].append(tested)
    measured = error_sd_k(chamber_check(found.state for found in runs))
    sd_k = CHAMBER_SD_K if measured is None else measured
    brackets = {
        names[resin]: [tested.bracket for tested in by_resin[resin]]
        for resin in sorted(by_resin, key=lambda resin: names[resin])
    }
    ids = {name: resin for resin, name in names.items()}
    return HeatResults(
        resins=tuple(
            HeatOfResin(
                ids[name],
                name,
                tuple(by_resin[ids[name]]),
                median_failure(parts, chamber_sd_k=sd_k),
                _held_by_all(by_resin[ids[name]]),
            )
            for name, parts in brackets.items()
        ),
        differences=differences(brackets, chamber_sd_k=sd_k),
        chamber_sd_k=sd_k,
        chamber_sd_measured=measured is not None,
        left_out=dict(left_out),
    )


def _tested(found: SoakNow, left_out: Counter[str]) -> list[tuple[int, Tested]]:
    """The specimens of a run that say something of their resin; others are counted."""
    kept: Kept[SoakRun] = found.run
    resins = {piece.name: piece.resin for piece in kept.entry.specimens}
    told: list[tuple[int, Tested]] = []
    for judged in found.verdicts:
        resin = resins[judged.specimen]
        bracket = bracket_of(judged, str(kept.id))
        if resin is None:
            left_out[NO_RESIN] += 1
        elif found.state.program.look_every_k is not None:
            left_out[ON_A_RAMP] += 1
        elif bracket is None:
            left_out[NOT_SEEN] += 1
        else:
            held = _setpoint_held(found.state, judged.highest_step_held)
            told.append((resin, Tested(kept.id, kept.entry.name, judged.specimen, bracket, held)))
    return told


def _setpoint_held(state: RunState, step: int | None) -> float | None:
    """The hottest setpoint up to the last step that was held."""
    if step is None:
        return None
    return max(log.step.setpoint_c for log in state.steps[:step])


def _held_by_all(tested: Sequence[Tested]) -> float | None:
    held = [one.highest_setpoint_held_c for one in tested]
    known = [setpoint for setpoint in held if setpoint is not None]
    return min(known) if len(known) == len(held) and known else None
