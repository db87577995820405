"""/api/resin-sheet: all resins side by side, as JSON and CSV."""

from __future__ import annotations

from fastapi import APIRouter, Response
from pydantic import Field

from api.prints import Frozen
from api.problems import problems
from api.resin_sheet import FIGURES, WORKED, ResinLine, SheetFigure, Worked, resin_sheet
from api.resin_sheet import sheet_as_table as table
from api.routes.asking import Now, TheWorkshop
from api.settings_check import Limits

router = APIRouter(prefix="/api/resin-sheet", tags=["Resin sheet"])


class FigureShape(Frozen):
    """One figure; null where the record does not give it, and why not."""

    value: float | None
    low: float | None
    high: float | None
    tests_n: int = Field(description="Prints or pieces behind it.")
    why_not: str
    left_out: dict[str, int] = Field(description="Tests not taken in, by the reason.")
    remark: str = Field(description="How far the figure reaches.")


class WorkedShape(Frozen):
    """A maker's printed range, and the range of plates without a failed part."""

    printed: Limits | None
    low: float | None
    high: float | None
    prints_n: int


class BandShape(Frozen):
    """Prints that started between two vat temperatures [°C], and how many failed."""

    from_c: float
    to_c: float
    prints_n: int
    failures: float


class TriedShape(Frozen):
    """Prints with one layer height and normal exposure, and how many failed."""

    layer_height_mm: float | None
    normal_exposure_s: float | None
    prints_n: int
    failures: float


class ResinLineShape(Frozen):
    """One resin: figures by name, the maker's ranges, failures by temperature and settings."""

    resin: int
    name: str
    category: str
    figures: dict[str, FigureShape]
    worked: dict[str, WorkedShape]
    by_temperature: tuple[BandShape, ...]
    by_settings: tuple[TriedShape, ...]


class ResinSheetShape(Frozen):
    """Every resin on record; loads are of pieces never soaked, in ``fixture``."""

    units: dict[str, str]
    fixture: str | None
    cautions: tuple[str, ...] = Field(description="What does not compare between resins.")
    resins: tuple[ResinLineShape, ...]


@router.get("", summary="All resins side by side", responses=problems())
def get_sheet(workshop: TheWorkshop, now: Now) -> ResinSheetShape:
    """Each figure with its 95 % interval (time and cost: quartiles) and what it rests on."""
    sheet = resin_sheet(workshop, now)
    return ResinSheetShape(
        units={name: unit for name, (_, unit) in FIGURES.items()},
        fixture=sheet.fixture,
        cautions=sheet.cautions,
        resins=tuple(map(_line, sheet.lines)),
    )


@router.get(
    ".csv",
    summary="All resins side by side as CSV",
    response_class=Response,
    responses={**problems(), 200: {"content": {"text/csv": {"schema": {"type": "string"}}}}},
)
def get_sheet_as_table(workshop: TheWorkshop, now: Now) -> Response:
    """A line for each resin; of each figure value, low, high, tests and how many are left out."""
    return Response(
        table(resin_sheet(workshop, now)),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": 'attachment; filename="resin-sheet.csv"'},
    )


def _line(line: ResinLine) -> ResinLineShape:
    return ResinLineShape(
        resin=line.resin,
        name=line.name,
        category=line.category,
        figures={name: _figure(getattr(line, name)) for name in FIGURES},
        worked={name: _worked(getattr(line, name)) for name in WORKED},
        by_temperature=tuple(
            BandShape(
                from_c=band.from_c, to_c=band.to_c, prints_n=band.prints_n, failures=band.failures
            )
            for band in line.by_temperature
        ),
        by_settings=tuple(
            TriedShape.model_validate(tried, from_attributes=True) for tried in line.by_settings
        ),
    )


def _figure(one: SheetFigure) -> FigureShape:
    return FigureShape.model_validate(one, from_attributes=True)


def _worked(one: Worked) -> WorkedShape:
    return WorkedShape.model_validate(one, from_attributes=True)
