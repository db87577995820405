"""The shapes of vatside's charts: Altair specs with named datasets, without a single value. Pure.

Each shape is compiled once (``dashboards/chart_bundle.py``); a page sends the rows of its
datasets beside it (``dashboards/chart_rows.py``). Colours are the page's own custom
properties, so a chart follows light and dark; every difference in colour is one of dash or
shape as well. Altair takes a second to import and is imported where a shape is built.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, TypeAlias

if TYPE_CHECKING:
    import altair as alt

#: A chart spec as Vega-Lite JSON.
Spec: TypeAlias = dict[str, Any]

TRACE_COLOURS = tuple(f"var(--trace-{number})" for number in range(6))
#: Dashes [px] that go with the colours; the same in app.css for the legends.
TRACE_DASHES = ([1, 0], [7, 3], [2, 3], [9, 3, 2, 3], [4, 2], [1, 5])

#: Ticks of a time axis: the 24-hour clock, and the day where one begins.
TIME_FORMAT = {
    "seconds": "%H:%M:%S",
    "minutes": "%H:%M",
    "hours": "%H:%M",
    "day": "%a %-d %b",
    "date": "%a %-d %b",
    "week": "%-d %b",
    "month": "%b %Y",
    "year": "%Y",
}

PANEL_HEIGHT_PX = 200
#: Shape of a panel for each unit that readings are kept in.
PANEL_SHAPES = {"°C": "panel-temperature", "%RH": "panel-humidity", "W": "panel-power"}


def panel(unit_title: str) -> Spec:
    """Readings of one unit over time: line of means, band of minima to maxima, shaded spans.

    Datasets: ``frame`` (at, value), ``spans`` (start, end, words), ``readings`` (at, mean, low,
    high, segment, trace), ``lone`` (at, mean, trace), ``marked`` (at, value, trace, words).
    """
    return _finished(
        _layers(
            _frame("at", "value", unit_title, time=True),
            _spans("spans"),
            *_readings(),
            _marked(),
        ),
        PANEL_HEIGHT_PX,
    )


def risk() -> Spec:
    """Failed share of each print against vat temperature, the risk curve, its band, the threshold.

    Datasets: ``frame`` (temperature, risk), ``points`` (temperature, risk, outcome, words),
    ``curve`` (temperature, low, mid, high), ``band`` (low, high), ``limits`` (temperature),
    ``level`` (risk).
    """
    import altair as alt

    across = alt.X("temperature:Q", scale=alt.Scale(zero=False, nice=False))
    curve = _of("curve").encode(x=across)
    shapes = alt.Scale(
        domain=["none failed", "some failed", "all failed"], range=["circle", "diamond", "cross"]
    )
    return _finished(
        _layers(
            _frame("temperature", "risk", "Share of parts that failed", time=False),
            _of("band")
            .mark_rect(color="var(--band)", opacity=0.35)
            .encode(x=alt.X("low:Q"), x2="high:Q"),
            curve.mark_area(color="var(--trace-0)", opacity=0.18).encode(
                y=alt.Y("low:Q"), y2="high:Q"
            ),
            curve.mark_line(color="var(--trace-0)", strokeWidth=2.5).encode(y=alt.Y("mid:Q")),
            _of("level").mark_rule(color="var(--ink)", strokeDash=[2, 4]).encode(y=alt.Y("risk:Q")),
            _of("limits")
            .mark_rule(color="var(--ink)", strokeWidth=1.5, strokeDash=[7, 3])
            .encode(x=alt.X("temperature:Q")),
            _of("points")
            .mark_point(size=70, strokeWidth=1.6, color="var(--ink)", opacity=0.85)
            .encode(
                x=across,
                y=alt.Y("risk:Q"),
                shape=alt.Shape("outcome:N", scale=shapes, legend=None),
                tooltip=alt.Tooltip("words:N"),
            ),
        ),
        320,
    )


def soak() -> Spec:
    """A soak's measured profile in the bands of its steps, with its looks.

    Datasets: ``frame`` (at, value), ``bands`` (start, end, low, high, setpoint, words),
    ``readings``, ``lone`` and ``marked`` as in :func:`panel`, ``looks`` (at, words).
    """
    import altair as alt

    bands = _of("bands").encode(x=alt.X("start:T"), x2="end:T")
    return _finished(
        _layers(
            _frame("at", "value", "Chamber [°C]", time=True),
            bands.mark_rect(color="var(--band)", opacity=0.4).encode(
                y=alt.Y("low:Q"), y2="high:Q", tooltip=alt.Tooltip("words:N")
            ),
            bands.mark_rule(color="var(--ink)", strokeDash=[2, 4]).encode(y=alt.Y("setpoint:Q")),
            *_readings(),
            _marked(),
            _of("looks")
            .mark_rule(color="var(--ink)", strokeWidth=1)
            .encode(x=alt.X("at:T"), tooltip=alt.Tooltip("words:N")),
            _of("looks")
            .mark_point(shape="triangle-down", filled=True, color="var(--ink)", size=90)
            .encode(x=alt.X("at:T"), y=alt.value(4), tooltip=alt.Tooltip("words:N")),
        ),
        300,
    )


def chamber() -> Spec:
    """How far a chamber's measured means lay from its setpoints, with their spread.

    Datasets: ``frame`` (off: the least height), ``setpoints`` (setpoint, off, low, high, words),
    ``none`` (off: the line at 0).
    """
    import altair as alt

    across = alt.X(
        "setpoint:Q",
        title="Setpoint [°C]",
        scale=alt.Scale(zero=False, nice=False, padding=20),
        axis=alt.Axis(tickCount={"expr": "ceil(width/90)"}),
    )
    lines = _of("setpoints").encode(x=across, tooltip=alt.Tooltip("words:N"))
    up = alt.Y("off:Q", title="Measured less setpoint [K]", scale=alt.Scale(nice=True))
    return _finished(
        _layers(
            _of("frame").mark_point(opacity=0, size=1, tooltip=False).encode(y=up),
            _of("none").mark_rule(color="var(--ink)", strokeDash=[2, 4]).encode(y=up),
            lines.mark_rule(color="var(--trace-0)", strokeWidth=3, opacity=0.55).encode(
                y=alt.Y("low:Q"), y2="high:Q"
            ),
            lines.mark_point(filled=True, size=80, color="var(--trace-0)", opacity=1).encode(y=up),
        ),
        220,
    )


def breaks() -> Spec:
    """Every piece of each group by what it bore, and the medians with their intervals.

    Datasets: ``pieces`` (group, borne, outcome, words), ``medians`` (group, low, mid, high).
    """
    import altair as alt

    axis = alt.Axis(tickCount=8, labelOverlap="greedy")
    across = alt.X("borne:Q", title=None, scale=alt.Scale(zero=False, nice=True), axis=axis)
    up = alt.Y("group:N", title=None, sort=None, axis=alt.Axis(labelLimit=170))
    outcomes = ["broke", "held"]
    pieces = _of("pieces").encode(x=across, y=up, tooltip=alt.Tooltip("words:N"))
    medians = _of("medians").encode(y=up)
    return _finished(
        _layers(
            medians.mark_rule(color="var(--trace-0)", strokeWidth=3, opacity=0.55).encode(
                x=alt.X("low:Q"), x2="high:Q"
            ),
            medians.mark_tick(color="var(--trace-0)", thickness=3, size=26).encode(
                x=alt.X("mid:Q")
            ),
            pieces.mark_point(size=90, strokeWidth=1.8, color="var(--ink)", opacity=0.85).encode(
                fill=alt.Fill(
                    "outcome:N",
                    scale=alt.Scale(domain=outcomes, range=["var(--ink)", "transparent"]),
                    legend=None,
                ),
            ),
        ),
        240,
    )


#: Every shape by the name under which a page asks for it.
SHAPES: Mapping[str, Callable[[], Spec]] = {
    "panel-temperature": lambda: panel("Temperature [°C]"),
    "panel-humidity": lambda: panel("Relative humidity [%RH]"),
    "panel-power": lambda: panel("Power [W]"),
    "risk": risk,
    "soak": soak,
    "breaks": breaks,
    "chamber": chamber,
}


def _of(dataset: str) -> alt.Chart:
    """A chart of a dataset whose rows come with the page."""
    import altair as alt

    return alt.Chart(alt.NamedData(name=dataset))


def _layers(*charts: alt.Chart) -> alt.LayerChart | alt.FacetChart:
    import altair as alt

    return alt.layer(*charts)


def _frame(across: str, up: str, up_title: str, *, time: bool) -> alt.Chart:
    """Unseen corners that fix both axes, so that an empty chart still has them."""
    import altair as alt

    if time:
        x = alt.X(
            f"{across}:T",
            title=None,
            scale=alt.Scale(type="utc", nice=False),
            axis=alt.Axis(format=TIME_FORMAT, tickCount={"expr": "ceil(width/90)"}),
        )
        y = alt.Y(f"{up}:Q", title=up_title, scale=alt.Scale(zero=False, nice=True))
    else:
        x = alt.X(
            f"{across}:Q",
            title="Vat temperature in the first layers [°C]",
            scale=alt.Scale(zero=False, nice=False),
            axis=alt.Axis(tickCount={"expr": "ceil(width/60)"}),
        )
        y = alt.Y(
            f"{up}:Q",
            title=up_title,
            scale=alt.Scale(domain=[-0.05, 1.05], nice=False),
            axis=alt.Axis(format=".0%", values=[0, 0.2, 0.4, 0.6, 0.8, 1]),
        )
    corners: alt.Chart = _of("frame").mark_point(opacity=0, size=1, tooltip=False).encode(x=x, y=y)
    return corners


def _spans(dataset: str) -> alt.Chart:
    import altair as alt

    stretches: alt.Chart = (
        _of(dataset)
        .mark_rect(color="var(--band)", opacity=0.22)
        .encode(x=alt.X("start:T"), x2="end:T", tooltip=alt.Tooltip("words:N"))
    )
    return stretches


def _readings() -> tuple[alt.Chart, alt.Chart, alt.Chart]:
    """Band of minima to maxima, line of means, dots for readings between two gaps.

    Lines are drawn per trace and segment, so none crosses a gap.
    """
    import altair as alt

    numbers = list(range(len(TRACE_COLOURS)))
    colour = alt.Color(
        "trace:N", scale=alt.Scale(domain=numbers, range=list(TRACE_COLOURS)), legend=None
    )
    dash = alt.StrokeDash(
        "trace:N", scale=alt.Scale(domain=numbers, range=list(TRACE_DASHES)), legend=None
    )
    base = _of("readings").encode(x=alt.X("at:T"), color=colour, detail=["segment:N"])
    return (
        base.mark_area(opacity=0.18).encode(y=alt.Y("low:Q"), y2="high:Q"),
        base.mark_line(strokeWidth=2).encode(y=alt.Y("mean:Q"), strokeDash=dash),
        _of("lone")
        .mark_circle(size=22, opacity=1)
        .encode(x=alt.X("at:T"), y=alt.Y("mean:Q"), color=colour),
    )


def _marked() -> alt.Chart:
    """Doubtful readings as hollow diamonds, apart from the line."""
    import altair as alt

    doubtful: alt.Chart = (
        _of("marked")
        .mark_point(shape="diamond", size=70, strokeWidth=1.8, color="var(--alarm)", opacity=1)
        .encode(x=alt.X("at:T"), y=alt.Y("value:Q"), tooltip=alt.Tooltip("words:N"))
    )
    return doubtful


def _finished(chart: alt.LayerChart | alt.FacetChart, height_px: int) -> Spec:
    """The chart's size and the page's own colours and letters on it."""
    spec: Spec = (
        chart.properties(width="container", height=height_px, background="transparent", padding=2)
        .configure(font="system-ui, sans-serif")
        .configure_view(stroke=None)
        .configure_axis(
            labelColor="var(--ink)",
            titleColor="var(--ink)",
            domainColor="var(--rule)",
            tickColor="var(--rule)",
            gridColor="var(--rule)",
            gridOpacity=0.5,
            labelFontSize=13,
            titleFontSize=13,
            titleFontWeight="normal",
        )
        .configure_axisY(titleAngle=0, titleAlign="left", titleAnchor="end", titleY=-10, titleX=-30)
        .configure_axisX(grid=False)
        .to_dict()
    )
    return spec
