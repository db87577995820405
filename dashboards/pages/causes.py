"""The Causes page: was it the cold? The answer in words first, then what it rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fastapi import APIRouter
from fastapi.responses import HTMLResponse

from api.answers import ColdReport, cold_answer
from collector.errors import InvalidError
from dashboards import chart_rows, words
from dashboards.figure import Figure, KeyEntry, Table
from dashboards.pages.workshop import WorkshopHere
from dashboards.sheet import Now, SheetsHere, number_of

if TYPE_CHECKING:
    from api.causes import ColdAnswer

router = APIRouter(include_in_schema=False)

DEFAULT_LEVEL = 0.20

#: Levels that the page offers; any other from 0.05 to 0.50 may stand in the address.
LEVELS = (0.05, 0.10, 0.20, 0.30, 0.50)

#: The curve's table gives the risk at every whole degree only.
_KEY = (
    KeyEntry("circle", "print, no part failed"),
    KeyEntry("diamond", "some parts failed"),
    KeyEntry("cross", "all parts failed"),
    KeyEntry("line", "risk, with its 95 % band"),
    KeyEntry("band", "where the limit lies (95 %)"),
    KeyEntry("rule", "ends and best guess of the limit"),
)


@router.get("/causes")
def causes(workshop: WorkshopHere, sheets: SheetsHere, now: Now, level: str = "") -> HTMLResponse:
    """The whole page at a level of risk; a level out of range is said and the usual one shown."""
    fault = None
    asked = DEFAULT_LEVEL
    try:
        asked = number_of(level, "level") or DEFAULT_LEVEL
        report = cold_answer(workshop, asked, now)
    except InvalidError as error:
        fault, asked = error, DEFAULT_LEVEL
        report = cold_answer(workshop, asked, now)
    found = report.answer
    return sheets.page(
        "causes.html",
        "/causes",
        now,
        status=fault.status if fault else 200,
        fault=fault,
        level=asked,
        levels=LEVELS,
        report=report,
        answer=found,
        figure=risk_figure(report, asked) if found.points else None,
        fit=found.classical,
        separated=hasattr(found.classical, "sentence"),
    )


def risk_figure(report: ColdReport, level: float) -> Figure:
    """Points, curve, band and limit of an answer as a chart, and the same as a table."""
    found = report.answer
    points = [
        chart_rows.Point(
            point.temperature_c,
            point.failed_share,
            f"print {point.id}, {point.resin}, {words.number(point.temperature_c)} °C: "
            f"{words.share(point.failed_share)} failed",
        )
        for point in found.points
    ]
    limit = found.threshold
    threshold = chart_rows.Threshold(limit.lo_c, limit.mid_c, limit.hi_c) if limit else None
    return Figure(
        id="risk",
        shape="risk",
        words="Each print by its vat temperature in the first layers and the share of its parts "
        "that failed. Prints at one temperature are stacked. The dotted line across is "
        f"{words.one_in(level)}.",
        datasets=chart_rows.risk_datasets(points, curve_columns(found), threshold, level),
        table=risk_table(found),
        key=_KEY if found.curve and limit else _KEY[: 4 if found.curve else 3],
    )


def curve_columns(found: ColdAnswer) -> chart_rows.Columns:
    """The risk curve as columns; empty where none was fitted."""
    if found.curve is None:
        return {}
    return {
        "temperature": chart_rows.rounded(found.curve.temperature_c),
        "low": chart_rows.rounded(found.curve.lo, 4),
        "mid": chart_rows.rounded(found.curve.mid, 4),
        "high": chart_rows.rounded(found.curve.hi, 4),
    }


def risk_table(found: ColdAnswer) -> Table:
    """Prints, failures and the curve's risk by whole degrees."""
    degrees = sorted({int(point.temperature_c // 1) for point in found.points})
    rows = []
    for degree in degrees:
        inside = [p for p in found.points if int(p.temperature_c // 1) == degree]
        failed = sum(point.failed_share for point in inside)
        rows.append(
            (
                f"{words.number(degree, 0)} to {words.number(degree + 1, 0)} °C",
                str(len(inside)),
                words.number(failed, 0 if failed == round(failed) else 1),
                risk_within(found, degree),
            )
        )
    return Table(
        caption="Prints and failed plates by vat temperature, and the curve's risk in between",
        heads=("Vat temperature", "Prints", "Failed", "Risk (95 % interval)"),
        rows=tuple(rows),
    )


def risk_within(found: ColdAnswer, degree: int) -> str:
    """The curve at the middle of a whole degree, with its interval."""
    curve = found.curve
    if curve is None:
        return "no curve"
    nearest = min(
        range(len(curve.temperature_c)), key=lambda i: abs(curve.temperature_c[i] - degree - 0.5)
    )
    low, mid, high = (words.share(side[nearest]) for side in (curve.lo, curve.mid, curve.hi))
    return f"{mid} ({low} to {high})"
