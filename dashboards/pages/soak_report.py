"""A soak run on paper: the printable report, its chart as a file, and the evidence bundle."""

from __future__ import annotations

import re
from typing import Annotated

from fastapi import APIRouter, Path
from fastapi.responses import HTMLResponse, Response

from api.answers import soak_state
from dashboards import chart_paper
from dashboards.pages.soak import SoakId, profile_figure
from dashboards.pages.workshop import WorkshopHere
from dashboards.sheet import HEADERS, Now, SheetsHere
from dashboards.soak_report import bundle_of, report_of

router = APIRouter(include_in_schema=False)

#: A report loads nothing at all: its style, chart and photographs are in it.
REPORT_HEADERS = HEADERS | {
    "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; img-src data:; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
}
_MEDIA_TYPES = {"svg": "image/svg+xml", "png": "image/png", "pdf": "application/pdf"}
Form = Annotated[str, Path(pattern="^(svg|png|pdf)$")]


@router.get("/soak/{soak_id}/report")
def report(workshop: WorkshopHere, sheets: SheetsHere, now: Now, soak_id: SoakId) -> HTMLResponse:
    """The report of a run, to be printed."""
    found = soak_state(workshop, soak_id, now)
    figure = profile_figure(workshop, found, now)
    svg = chart_paper.drawn(figure.shape, figure.datasets, ["svg"])["svg"].decode()
    text = report_of(workshop, sheets, found, figure, svg, now)
    return HTMLResponse(text, headers=REPORT_HEADERS)


@router.get("/soak/{soak_id}/profile.{form}")
def profile(workshop: WorkshopHere, now: Now, soak_id: SoakId, form: Form) -> Response:
    """The chart of a run as a file: ``svg``, ``png`` or ``pdf``."""
    figure = profile_figure(workshop, soak_state(workshop, soak_id, now), now)
    content = chart_paper.drawn(figure.shape, figure.datasets, [form])[form]
    return Response(
        content,
        media_type=_MEDIA_TYPES[form],
        headers=HEADERS | _saved_as(f"soak-{soak_id}-profile.{form}"),
    )


@router.get("/soak/{soak_id}/evidence.zip")
def evidence(workshop: WorkshopHere, sheets: SheetsHere, now: Now, soak_id: SoakId) -> Response:
    """Everything on record of a run in one archive that ``vatside verify`` checks."""
    bundle = bundle_of(workshop, sheets, soak_id, now)
    headers = HEADERS | _saved_as(bundle.name) | {"X-Seal": bundle.seal}
    return Response(bundle.archive, media_type="application/zip", headers=headers)


def _saved_as(name: str) -> dict[str, str]:
    assert re.fullmatch(r"[a-z0-9.-]+", name)
    return {"Content-Disposition": f'attachment; filename="{name}"'}
