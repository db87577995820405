"""Readings and answers turned into the rows that a chart draws. Pure.

A *trace* is one channel over a window, cut into segments: a line joins two neighbouring
points only when no gap lies between them. Rows are kept as columns (lists of equal length).
Times in rows are *clock* times: milliseconds since 1970 moved by the zone's offset, so that a
chart that thinks in UTC shows the wall clock of the print room.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from api.break_groups import BreakGroups
from api.soak.chamber import AtSetpoint
from collector.readings import Series
from collector.store.contract import Buckets, Gap
from dashboards import words

Column: TypeAlias = list[float] | list[int] | list[str]
Columns: TypeAlias = dict[str, Column]
Datasets: TypeAlias = dict[str, Columns]

#: Most marked readings of a trace that are drawn; of more, as many at even steps.
MARKED_MOST_N = 60

#: Most traces a panel tells apart by colour and dash; further ones start over.
TRACE_STYLES_N = 6

#: Looks of one round through a chamber: so long after its first one [ms].
ROUND_MS = 120_000

#: What the height of a chart spans at least, by unit, so that a sensor's noise looks small.
LEAST_SPANS = {"°C": 2.0, "%RH": 5.0, "W": 10.0}

#: What the height of a chamber's chart spans at least [K].
LEAST_OFF_K = 2.0


@dataclass(frozen=True, slots=True)
class Trace:
    """One channel of a chart: arrays of equal length, in time order.

    ``times_ms`` [ms since 1970]; ``means``, ``lows``, ``highs`` [``unit``]; ``segments``
    numbers the stretches without a gap. ``marked`` are its doubtful readings, drawn apart;
    ``left_out_n`` of them are not part of the line.
    """

    name: str
    unit: str
    times_ms: npt.NDArray[np.int64]
    means: npt.NDArray[np.float64]
    lows: npt.NDArray[np.float64]
    highs: npt.NDArray[np.float64]
    segments: npt.NDArray[np.int64]
    marked: Series = field(default_factory=lambda: Series.of("", ()))
    left_out_n: int = 0

    def __len__(self) -> int:
        return len(self.times_ms)


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of time [ms since 1970] that a chart shades, in words."""

    start_ms: int
    end_ms: int
    words: str


@dataclass(frozen=True, slots=True)
class Panel:
    """The traces of one unit: °C and %RH never share an axis."""

    unit: str
    traces: tuple[Trace, ...]


def segments_of(times_ms: npt.NDArray[np.int64], gaps: Iterable[Gap]) -> npt.NDArray[np.int64]:
    """Number the stretches of ``times_ms`` between which a gap lies.

    Two neighbouring points are parted when any gap overlaps the time between them, so a line
    inside one segment never crosses a gap, not even one inside a bucket.
    """
    if len(times_ms) == 0:
        return np.zeros(0, dtype=np.int64)
    parted = np.zeros(len(times_ms), dtype=np.int64)
    for gap in gaps:
        first = int(np.searchsorted(times_ms, gap.start_ms, side="right"))
        last = int(np.searchsorted(times_ms, gap.end_ms, side="left"))
        parted[max(first, 1) : last + 1] = 1
    return np.cumsum(parted)


def trace_of_series(series: Series, name: str, unit: str, *, gap_limit_ms: int) -> Trace:
    """A trace of every reading; a longer stretch than ``gap_limit_ms`` parts it."""
    parted = np.diff(series.times_ms, prepend=series.times_ms[:1]) > gap_limit_ms
    values = series.values
    return Trace(
        name, unit, series.times_ms, values, values, values, np.cumsum(parted, dtype=np.int64)
    )


def trace_of_buckets(buckets: Buckets, gaps: Iterable[Gap], name: str, unit: str) -> Trace:
    """A trace of the buckets that have readings, each at its middle; parted at every gap."""
    full = buckets.counts > 0
    middles = (buckets.starts_ms[full] + buckets.width_ms / 2).astype(np.int64)
    return Trace(
        name,
        unit,
        middles,
        buckets.means[full],
        buckets.minima[full],
        buckets.maxima[full],
        segments_of(middles, gaps),
    )


def panels_of(traces: Iterable[Trace]) -> list[Panel]:
    """One panel per unit, in the order in which the units first appear."""
    by_unit: dict[str, list[Trace]] = {}
    for trace in traces:
        by_unit.setdefault(trace.unit, []).append(trace)
    return [Panel(unit, tuple(group)) for unit, group in by_unit.items()]


def rounded(values: Iterable[float], places: int = 3) -> list[float]:
    """Plain floats of a fixed precision, so that the page stays small."""
    return [round(float(value), places) for value in values]


def clock(times_ms: Iterable[int], offset_ms: int) -> list[int]:
    """Clock times of ``times_ms`` in a zone ``offset_ms`` east of UTC."""
    return [int(time_ms) + offset_ms for time_ms in times_ms]


def reading_columns(traces: Sequence[Trace], offset_ms: int) -> tuple[Columns, Columns]:
    """Columns of all readings, and of those that stand alone in their segment (as dots)."""
    at: list[int] = []
    mean: list[float] = []
    low: list[float] = []
    high: list[float] = []
    segment: list[int] = []
    trace_number: list[int] = []
    alone: list[bool] = []
    for number, trace in enumerate(traces):
        at += clock(trace.times_ms, offset_ms)
        mean += rounded(trace.means)
        low += rounded(trace.lows)
        high += rounded(trace.highs)
        segment += [int(piece) for piece in trace.segments]
        trace_number += [number % TRACE_STYLES_N] * len(trace)
        _, place, size = np.unique(trace.segments, return_inverse=True, return_counts=True)
        alone += [bool(count == 1) for count in size[place]] if len(trace) else []
    lone = [index for index, single in enumerate(alone) if single]
    return (
        {
            "at": at,
            "mean": mean,
            "low": low,
            "high": high,
            "segment": segment,
            "trace": trace_number,
        },
        {
            "at": [at[index] for index in lone],
            "mean": [mean[index] for index in lone],
            "trace": [trace_number[index] for index in lone],
        },
    )


def marked_columns(traces: Sequence[Trace], offset_ms: int, frame: Columns) -> Columns:
    """Columns of the doubtful readings; one beyond the frame is drawn at its edge."""
    low, high = (float(edge) for edge in frame["value"])
    at: list[int] = []
    value: list[float] = []
    trace_number: list[int] = []
    said: list[str] = []
    for number, trace in enumerate(traces):
        step = -(-len(trace.marked) // MARKED_MOST_N) or 1
        for reading in list(trace.marked)[::step]:
            at += clock([reading.time_ms], offset_ms)
            value += rounded([min(max(reading.value, low), high)])
            trace_number.append(number % TRACE_STYLES_N)
            read = f"{words.value(reading.value, trace.unit)} {trace.unit}"
            said.append(f"{trace.name}: {read}, {words.marks(reading.marks)}")
    return {"at": at, "value": value, "trace": trace_number, "words": said}


def marked_words(traces: Iterable[Trace]) -> str:
    """How many doubtful readings a chart has, of what kinds, and how many its line leaves out."""
    kinds: dict[str, int] = {}
    total = left_out = 0
    for trace in traces:
        total += len(trace.marked)
        left_out += trace.left_out_n
        for mark, text in words.MARKS.items():
            carried = int(np.count_nonzero(trace.marked.marks & int(mark)))
            kinds[text] = kinds.get(text, 0) + carried
    out = f"{words.count(left_out, 'reading')} not part of the line" if left_out else ""
    if not total:
        return f"{out}." if out else ""
    listed = ", ".join(f"{count} {text}" for text, count in kinds.items() if count)
    said = f"{words.count(total, 'doubtful reading')} ({listed})"
    return f"{said}; {out}." if out else f"{said}."


def span_columns(spans: Sequence[Span], offset_ms: int) -> Columns:
    """Columns of shaded stretches."""
    return {
        "start": clock((span.start_ms for span in spans), offset_ms),
        "end": clock((span.end_ms for span in spans), offset_ms),
        "words": [span.words for span in spans],
    }


def frame_columns(
    traces: Sequence[Trace],
    start_ms: int,
    end_ms: int,
    offset_ms: int,
    *,
    least: float = 1.0,
    also: Iterable[float] = (),
) -> Columns:
    """Two corners that fix the axes: the window, and the values with ``least`` of height."""
    lows = [float(trace.lows.min()) for trace in traces if len(trace)] + list(also)
    highs = [float(trace.highs.max()) for trace in traces if len(trace)] + list(also)
    return {
        "at": clock((start_ms, end_ms), offset_ms),
        "value": span_of(lows + highs, least) if lows else rounded((0.0, least)),
    }


def span_of(values: Sequence[float], least: float) -> list[float]:
    """From where to where an axis goes for these values, with some air and ``least`` of height."""
    low, high = min(values), max(values)
    spare = max(0.05 * (high - low), (least - (high - low)) / 2)
    return rounded((low - spare, high + spare))


def panel_datasets(
    panel: Panel, start_ms: int, end_ms: int, offset_ms: int, spans: Sequence[Span] = ()
) -> Datasets:
    """The datasets of a panel chart over the window [start, end) [ms since 1970]."""
    readings, lone = reading_columns(panel.traces, offset_ms)
    frame = frame_columns(
        panel.traces, start_ms, end_ms, offset_ms, least=LEAST_SPANS.get(panel.unit, 1.0)
    )
    return {
        "frame": frame,
        "spans": span_columns(spans, offset_ms),
        "readings": readings,
        "lone": lone,
        "marked": marked_columns(panel.traces, offset_ms, frame),
    }


@dataclass(frozen=True, slots=True)
class Point:
    """One print on the risk chart: first-layers temperature [°C] and failed share, 0 to 1."""

    temperature_c: float
    failed_share: float
    words: str

    @property
    def outcome(self) -> str:
        """What the point's shape says."""
        if self.failed_share <= 0:
            return "none failed"
        return "all failed" if self.failed_share >= 1 else "some failed"


@dataclass(frozen=True, slots=True)
class Threshold:
    """Where the risk passes the level [°C]; an end that is not known is None."""

    low_c: float | None
    best_c: float | None
    high_c: float | None


#: How near two points must lie to be stacked [°C], and how far apart they are stacked.
STACK_WITHIN_C = 0.25
STACK_STEP = 0.035


def stacked(points: Sequence[Point]) -> list[float]:
    """Heights at which points of like temperature stand one above the other, not hidden.

    Points that failed altogether are stacked downwards, others upwards.
    """
    seen: dict[tuple[int, float], int] = {}
    heights: list[float] = []
    for point in points:
        key = (round(point.temperature_c / STACK_WITHIN_C), round(point.failed_share, 2))
        level = seen.get(key, 0)
        seen[key] = level + 1
        step = -STACK_STEP if point.failed_share > 0.5 else STACK_STEP
        heights.append(round(point.failed_share + step * level, 3))
    return heights


def risk_datasets(
    points: Sequence[Point],
    curve: Columns,
    threshold: Threshold | None,
    level: float,
) -> Datasets:
    """The datasets of the risk chart.

    ``curve`` has columns ``temperature`` [°C], ``low``, ``mid``, ``high`` (risk, 0 to 1). The
    threshold's band is drawn only where both its ends are known.
    """
    temperatures = [point.temperature_c for point in points]
    temperatures += [float(value) for value in curve.get("temperature", [])]
    low, high = (min(temperatures), max(temperatures)) if temperatures else (15.0, 30.0)
    spare = max(0.5, 0.03 * (high - low))
    ends = (threshold.low_c, threshold.best_c, threshold.high_c) if threshold else ()
    bounds = [end for end in ends[::2] if end is not None]
    both = len(bounds) == 2
    return {
        "frame": {"temperature": rounded((low - spare, high + spare)), "risk": [0.0, 1.0]},
        "points": {
            "temperature": rounded(point.temperature_c for point in points),
            "risk": stacked(points),
            "outcome": [point.outcome for point in points],
            "words": [point.words for point in points],
        },
        "curve": curve or {"temperature": [], "low": [], "mid": [], "high": []},
        "band": {
            "low": rounded(bounds[:1] if both else ()),
            "high": rounded(bounds[1:] if both else ()),
        },
        "limits": {"temperature": rounded(end for end in ends if end is not None)},
        "level": {"risk": [level]},
    }


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a soak as drawn: [start, end) [ms since 1970], setpoint ± tolerance [°C]."""

    start_ms: int
    end_ms: int
    setpoint_c: float
    tolerance_k: float
    words: str


@dataclass(frozen=True, slots=True)
class Look:
    """One inspection as drawn: when [ms since 1970] and what was found."""

    at_ms: int
    words: str


def soak_datasets(
    traces: Sequence[Trace],
    steps: Sequence[Step],
    looks: Sequence[Look],
    start_ms: int,
    end_ms: int,
    offset_ms: int,
) -> Datasets:
    """The datasets of a soak's profile: bands of the steps, readings, looks as rules.

    Pieces that were looked at in one round share a rule.
    """
    seen: dict[int, list[str]] = {}
    first = -math.inf
    for look in sorted(looks, key=lambda look: look.at_ms):
        if look.at_ms - first > ROUND_MS:
            first = look.at_ms
        seen.setdefault(int(first), []).append(look.words)
    readings, lone = reading_columns(traces, offset_ms)
    edges = [step.setpoint_c + sign * step.tolerance_k for step in steps for sign in (-1, 1)]
    frame = frame_columns(traces, start_ms, end_ms, offset_ms, least=10.0, also=edges)
    return {
        "frame": frame,
        "bands": {
            "start": clock((step.start_ms for step in steps), offset_ms),
            "end": clock((step.end_ms for step in steps), offset_ms),
            "low": rounded(step.setpoint_c - step.tolerance_k for step in steps),
            "high": rounded(step.setpoint_c + step.tolerance_k for step in steps),
            "setpoint": rounded(step.setpoint_c for step in steps),
            "words": [step.words for step in steps],
        },
        "readings": readings,
        "lone": lone,
        "marked": marked_columns(traces, offset_ms, frame),
        "looks": {
            "at": clock(seen, offset_ms),
            "words": ["; ".join(said) for said in seen.values()],
        },
    }


def break_datasets(found: BreakGroups) -> Datasets:
    """The datasets of the break chart: pieces by group, medians that have an interval.

    A piece that held is placed at the gauge's limit and says that it bears at least that much;
    an open end of an interval reaches to the outermost piece.
    """
    pieces: dict[str, Column] = {"group": [], "borne": [], "outcome": [], "words": []}
    rows: list[tuple[str, float, str, str]] = []
    for group in found.groups:
        for piece in group.pieces:
            measured = piece.measured(found.measure)
            if measured is not None:
                borne = f"{measured.load_n:.3g} {found.unit}"
                said = f"broke at {borne}" if measured.broke else f"at least {borne}"
                outcome = "broke" if measured.broke else "held"
                rows.append((group.name, measured.load_n, outcome, f"{piece.name}: {said}"))
    if rows:
        names, borne_all, outcomes, said_all = (list(column) for column in zip(*rows, strict=True))
        pieces = {
            "group": [str(name) for name in names],
            "borne": rounded(float(value) for value in borne_all),
            "outcome": [str(one) for one in outcomes],
            "words": [str(one) for one in said_all],
        }
    least, most = (min(row[1] for row in rows), max(row[1] for row in rows)) if rows else (0.0, 1.0)
    known = [
        (group.name, group.median.median_n, group.median.interval_n)
        for group in found.groups
        if group.median.median_n is not None and group.median.interval_n is not None
    ]
    return {
        "pieces": pieces,
        "medians": {
            "group": [name for name, _, _ in known],
            "low": rounded(least if of.low is None else of.low for _, _, of in known),
            "mid": rounded(median for _, median, _ in known),
            "high": rounded(most if of.high is None else of.high for _, _, of in known),
        },
    }


def chamber_datasets(lines: Sequence[AtSetpoint]) -> Datasets:
    """The datasets of the chamber chart; the spread is one standard deviation either way."""
    spread = [line.off_sd_k or 0.0 for line in lines]
    lows = rounded(line.off_k - sd for line, sd in zip(lines, spread, strict=True))
    highs = rounded(line.off_k + sd for line, sd in zip(lines, spread, strict=True))
    return {
        "frame": {"off": span_of([0.0, *lows, *highs], LEAST_OFF_K)},
        "none": {"off": [0.0]},
        "setpoints": {
            "setpoint": rounded(line.setpoint_c for line in lines),
            "off": rounded(line.off_k for line in lines),
            "low": [*lows],
            "high": [*highs],
            "words": [
                f"{line.setpoint_c:g} °C: {line.off_k:+.1f} K, {words.count(line.steps, 'step')}"
                for line in lines
            ],
        },
    }


def trend_path(trace: Trace, start_ms: int, end_ms: int, width: float, height: float) -> str:
    """An SVG path of a small trend line, lifted at every gap; a reading on its own is a dot.

    The line fills ``width`` [user units], and ``height`` unless the trace is steadier than
    :data:`LEAST_SPANS`: then it stays near the middle.
    """
    if len(trace) == 0:
        return ""
    low, high = float(trace.means.min()), float(trace.means.max())
    spread = max(high - low, LEAST_SPANS.get(trace.unit, 1.0))
    across = (trace.times_ms - start_ms) / max(end_ms - start_ms, 1) * width
    down = height * (0.5 - (trace.means - (low + high) / 2) / spread)
    pieces: list[str] = []
    for segment in np.unique(trace.segments):
        inside = np.flatnonzero(trace.segments == segment)
        spots = [f"{float(across[i]):.1f},{float(down[i]):.1f}" for i in inside]
        pieces.append("M" + "L".join(spots) + ("h0" if len(spots) == 1 else ""))
    return "".join(pieces)
