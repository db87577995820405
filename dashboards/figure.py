"""A chart as a page shows it: rows for the script, words, a key, and a table of the same. Pure."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from collector.readings import moment_of
from dashboards import chart_rows, words
from dashboards.chart_rows import Datasets, Panel, Span, Trace
from dashboards.charts import PANEL_SHAPES

#: Rows of a chart's table; a longer window is told in this many stretches.
TABLE_ROWS_N = 12
#: What a panel shows, by its unit.
QUANTITIES = {"°C": "Temperature", "%RH": "Relative humidity", "W": "Power"}


@dataclass(frozen=True, slots=True)
class KeyEntry:
    """One line of a chart's key: ``shape`` as macros.html draws it, ``number`` of the trace."""

    shape: str
    words: str
    number: int = 0


@dataclass(frozen=True, slots=True)
class Table:
    """A chart's figures as text."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Figure:
    """Everything macros.html needs for one chart."""

    id: str
    shape: str
    words: str
    datasets: Datasets
    table: Table
    key: tuple[KeyEntry, ...] = ()


def trace_keys(traces: Sequence[Trace]) -> tuple[KeyEntry, ...]:
    """The key of a panel's traces, numbered as the chart styles them."""
    return tuple(
        KeyEntry("line", trace.name, number % chart_rows.TRACE_STYLES_N)
        for number, trace in enumerate(traces)
    )


def marked_key(traces: Sequence[Trace]) -> tuple[KeyEntry, ...]:
    """The key of the doubtful readings, where a chart has any."""
    drawn = any(len(trace.marked) for trace in traces)
    said = "doubtful reading; at the edge where it lies beyond"
    return (KeyEntry("doubt", said),) if drawn else ()


def panel_figure(
    panel: Panel, start_ms: int, end_ms: int, id: str, spans: Sequence[Span] = ()
) -> Figure:
    """One unit's readings over the window [start, end) [ms since 1970] as a figure."""
    zone_at = moment_of(end_ms)
    shaded = f" Shaded: {'; '.join(span.words for span in spans)}." if spans else ""
    length = words.length((end_ms - start_ms) / 1_000)
    quantity = QUANTITIES[panel.unit]
    return Figure(
        id=id,
        shape=PANEL_SHAPES[panel.unit],
        words=f"{quantity} over {length}, times in {words.zone(zone_at)}. "
        f"Where nothing was recorded there is no line.{shaded}"
        f" {chart_rows.marked_words(panel.traces)}".rstrip(),
        datasets=chart_rows.panel_datasets(
            panel, start_ms, end_ms, words.offset_ms(zone_at), spans
        ),
        table=trace_table(panel.traces, panel.unit, start_ms, end_ms),
        key=(*trace_keys(panel.traces), *marked_key(panel.traces)),
    )


def trace_table(traces: Sequence[Trace], unit: str, start_ms: int, end_ms: int) -> Table:
    """Lowest to highest of each trace in equal stretches of the window."""
    edges = np.linspace(start_ms, end_ms, TABLE_ROWS_N + 1).astype(np.int64)
    rows = [
        (_time(int(left)), *(_extent(trace, int(left), int(right), unit) for trace in traces))
        for left, right in itertools.pairwise(edges)
    ]
    return Table(
        caption=f"Lowest to highest {unit} in each stretch from the time named",
        heads=("From", *(trace.name for trace in traces)),
        rows=tuple(rows) if traces else (),
    )


def _time(time_ms: int) -> str:
    return f"{words.local(moment_of(time_ms)):%d %b %H:%M}"


def _extent(trace: Trace, left_ms: int, right_ms: int, unit: str) -> str:
    inside = (trace.times_ms >= left_ms) & (trace.times_ms < right_ms)
    if not inside.any():
        return "not recorded"
    return words.extent(float(trace.lows[inside].min()), float(trace.highs[inside].max()), unit)
