"""The shapes of the charts: what is drawn from which dataset, and that none holds a value."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from api.break_groups import GroupBy, compare
from dashboards import chart_rows, charts
from dashboards.chart_rows import Panel, Threshold

SHAPES = sorted(charts.SHAPES)


def layers(spec: charts.Spec, dataset: str, mark: str) -> list[charts.Spec]:
    """The layers of a spec that draw ``dataset`` with ``mark``."""
    return [
        layer
        for layer in spec["layer"]
        if layer["data"]["name"] == dataset and layer["mark"]["type"] == mark
    ]


def strings(node: object) -> Iterator[str]:
    if isinstance(node, dict):
        for value in node.values():
            yield from strings(value)
    elif isinstance(node, list):
        for value in node:
            yield from strings(value)
    elif isinstance(node, str):
        yield node


@pytest.mark.parametrize("name", SHAPES)
def test_a_shape_draws_named_datasets_and_holds_no_values(name: str) -> None:
    spec = charts.SHAPES[name]()
    assert "datasets" not in spec
    assert all(set(layer["data"]) == {"name"} for layer in spec["layer"])
    assert spec["width"] == "container"


@pytest.mark.parametrize("name", SHAPES)
def test_the_rows_that_are_sent_are_the_rows_that_are_drawn(name: str) -> None:
    sent = {
        "risk": chart_rows.risk_datasets([], {}, Threshold(1.0, 2.0, 3.0), 0.2),
        "soak": chart_rows.soak_datasets([], [], [], 0, 1, 0),
        "chamber": chart_rows.chamber_datasets([]),
        "breaks": chart_rows.break_datasets(compare([], GroupBy.RESIN)),
    }.get(name) or chart_rows.panel_datasets(Panel("°C", ()), 0, 1, 0)
    spec = charts.SHAPES[name]()
    assert {layer["data"]["name"] for layer in spec["layer"]} == set(sent)
    for layer in spec["layer"]:
        columns = sent[layer["data"]["name"]]
        for channel, encoding in layer["encoding"].items():
            for field in encoding if isinstance(encoding, list) else [encoding]:
                if "field" in field:
                    assert field["field"] in columns, f"{name}: {channel}"


@pytest.mark.parametrize("name", SHAPES)
def test_colours_are_the_pages_own_so_that_dark_pages_get_dark_charts(name: str) -> None:
    spec = charts.SHAPES[name]()
    fixed = [word for word in strings(spec) if word.startswith(("#", "rgb"))]
    assert not fixed


@pytest.mark.parametrize("name", ["panel-temperature", "panel-humidity", "panel-power", "soak"])
def test_lines_are_drawn_by_segment_so_that_none_crosses_a_gap(name: str) -> None:
    spec = charts.SHAPES[name]()
    (line,) = layers(spec, "readings", "line")
    (area,) = layers(spec, "readings", "area")
    for drawn in (line, area):
        assert [field["field"] for field in drawn["encoding"]["detail"]] == ["segment"]
    assert layers(spec, "lone", "circle")


def test_traces_differ_by_dash_and_not_by_colour_alone() -> None:
    (line,) = layers(charts.panel("Temperature [°C]"), "readings", "line")
    dashes = line["encoding"]["strokeDash"]["scale"]["range"]
    assert len({tuple(dash) for dash in dashes}) == chart_rows.TRACE_STYLES_N
    assert len(charts.TRACE_COLOURS) == chart_rows.TRACE_STYLES_N


def test_each_unit_has_a_panel_that_names_it() -> None:
    for unit, name in charts.PANEL_SHAPES.items():
        assert f"[{unit}]" in str(charts.SHAPES[name]())


def test_the_risk_chart_has_points_curve_band_and_threshold() -> None:
    spec = charts.risk()
    assert layers(spec, "points", "point")
    assert layers(spec, "curve", "line")
    assert layers(spec, "curve", "area")
    assert layers(spec, "band", "rect")
    assert layers(spec, "limits", "rule")
    shape = layers(spec, "points", "point")[0]["encoding"]["shape"]["scale"]
    assert shape["domain"] == ["none failed", "some failed", "all failed"]


def test_the_soak_chart_has_bands_setpoints_readings_and_looks() -> None:
    spec = charts.soak()
    assert layers(spec, "bands", "rect")
    assert layers(spec, "bands", "rule")
    assert layers(spec, "readings", "line")
    assert layers(spec, "looks", "rule")


@pytest.mark.parametrize("name", SHAPES)
def test_a_shape_compiles_and_draws(name: str, tmp_path: Path) -> None:
    """vl-convert (Vega-Lite's own compiler) takes every shape without a warning."""
    import vl_convert

    svg = vl_convert.vegalite_to_svg(charts.SHAPES[name]())
    assert svg.startswith("<svg")
