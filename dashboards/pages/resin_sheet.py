"""The resin sheet: all resins side by side, sorted, narrowed down, printed and taken along."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse

from api.resin_sheet import FIGURES, WORKED, ResinLine, SheetFigure, Worked, resin_sheet
from dashboards import words
from dashboards.pages.workshop import WorkshopHere
from dashboards.sheet import Now, SheetsHere

router = APIRouter(include_in_schema=False)

WORKED_HEADS = {
    "normal_exposure_s": ("Normal exposure", "s"),
    "bottom_exposure_s": ("Bottom exposure", "s"),
    "temperature_c": ("Vat in the first layers", "°C"),
}
#: Every column that can be chosen, by its name in the address.
COLUMNS = {
    **{name: heading for name, (heading, _) in FIGURES.items()},
    **{name: f"{heading}: printed, and worked here" for name, (heading, _) in WORKED_HEADS.items()},
    "by_temperature": "Failures by vat temperature",
    "by_settings": "Failures by settings",
}


@router.get("/resins")
def sheet(
    workshop: WorkshopHere,
    sheets: SheetsHere,
    now: Now,
    sort: str = "name",
    down: bool = False,
    column: Annotated[list[str] | None, Query()] = None,
) -> HTMLResponse:
    """The sheet; what is sorted and shown lives in the address. Unknown names are passed over."""
    found = resin_sheet(workshop, now)
    shown = [name for name in COLUMNS if not column or name in column] or list(COLUMNS)
    return sheets.page(
        "resin_sheet.html",
        "/resins",
        now,
        lines=sorted_lines(found.lines, sort, down=down),
        fixture=found.fixture,
        cautions=found.cautions if "cost" in shown else (),
        as_of=f"{words.local(now):%Y-%m-%d %H:%M}",
        columns=COLUMNS,
        shown=shown,
        chosen=column or [],
        sort=sort,
        down=down,
        cell=cell,
        figures=FIGURES,
        worked=WORKED,
    )


def sorted_lines(lines: tuple[ResinLine, ...], by: str, *, down: bool) -> list[ResinLine]:
    """By name, or by a figure's value; resins whose figure is blank come last either way."""
    named = sorted(lines, key=lambda line: line.name.casefold(), reverse=down and by == "name")
    if by not in FIGURES:
        return named
    known = [line for line in named if _value(line, by) is not None]
    blank = [line for line in named if _value(line, by) is None]
    return sorted(known, key=lambda line: _value(line, by) or 0.0, reverse=down) + blank


def _value(line: ResinLine, by: str) -> float | None:
    one: SheetFigure = getattr(line, by)
    return one.value


def cell(line: ResinLine, name: str) -> list[str]:
    """What stands in a cell, line by line; nothing where the record does not give it."""
    if name == "by_temperature":
        return [
            f"{band.from_c:g} to {band.to_c:g} °C: {_n(band.failures)} of {band.prints_n}"
            for band in line.by_temperature
            if band.prints_n
        ]
    if name == "by_settings":
        return [
            f"{_or_blank(tried.layer_height_mm, 'mm')}, {_or_blank(tried.normal_exposure_s, 's')}: "
            f"{_n(tried.failures)} of {tried.prints_n}"
            for tried in line.by_settings
        ]
    if name in WORKED:
        return _worked_words(getattr(line, name), WORKED_HEADS[name][1])
    return _figure_words(getattr(line, name), name)


def _figure_words(one: SheetFigure, name: str) -> list[str]:
    unit = FIGURES[name][1]
    noun = "piece" if name in ("heat_held_c", "heat_median_c", "load_n") else "print"
    behind = _behind(one, noun)
    said = []
    if one.value is not None:
        said.append(f"{_in_unit(one.value, name)} {unit}".rstrip())
    ends = (one.low, one.high)
    if ends != (None, None):
        low, high = (None if end is None else _in_unit(end, name) for end in ends)
        if low is None:
            said.append(f"at most {high} {unit}".rstrip())
        elif high is None:
            said.append(f"at least {low} {unit}".rstrip())
        else:
            said.append(f"{low} to {high}")
    if one.value is None and ends == (None, None):
        return [f"{one.why_not} ({behind})"] if one.tests_n else []
    left_out = [f"left out {n}: {reason}" for reason, n in one.left_out.items()]
    return [*said, *filter(None, [one.remark]), f"from {behind}", *left_out]


def _behind(one: SheetFigure, noun: str) -> str:
    """What a figure rests on: ``9 of 14 prints`` where some are left out."""
    left_out = sum(one.left_out.values())
    all_of_them = words.count(one.tests_n + left_out, noun)
    return f"{one.tests_n} of {all_of_them}" if left_out else all_of_them


def _worked_words(one: Worked, unit: str) -> list[str]:
    said = []
    if one.printed is not None:
        said.append(f"printed {one.printed.low:g} to {one.printed.high:g} {unit}")
    if one.low is not None and one.high is not None:
        within = f"{one.low:.3g}" if one.low == one.high else f"{one.low:.3g} to {one.high:.3g}"
        said.append(f"worked {within} {unit}, {words.count(one.prints_n, 'print')}")
    return said


def _in_unit(value: float, name: str) -> str:
    if name == "failed_share":
        return f"{100 * value:.0f}"
    if name == "cost":
        return f"{value:.2f}"
    if name in ("load_n",):
        return f"{value:.3g}" if value < 1_000 else f"{value:.0f}"
    return words.number(value, 0 if name == "heat_held_c" else 1)


def _n(failures: float) -> str:
    return f"{failures:.1f}".removesuffix(".0")


def _or_blank(value: float | None, unit: str) -> str:
    return "not noted" if value is None else f"{value:g} {unit}"
