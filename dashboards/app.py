"""The whole web application: the api, the pages over it, and the files they load.

Nothing here computes: a page asks ``api.answers`` and says what it got. A form sent from
another site's page is refused, and no page loads anything from another host.
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.responses import Response
from starlette.middleware.gzip import GZipMiddleware
from starlette.types import ASGIApp, Receive, Scope, Send

from api.answers import Workshop
from api.app import create_app as create_api
from api.problems import Problem
from collector.errors import NotFoundError
from dashboards.chart_bundle import ChartBundle
from dashboards.pages import (
    breaks,
    causes,
    found,
    health,
    one_break,
    one_print,
    photographs,
    print_changes,
    print_start,
    prints,
    readiness,
    refused_prints,
    resin_sheet,
    room,
    sensors,
    shelf,
    soak,
    soak_done,
    soak_looks,
    soak_report,
    tables,
)
from dashboards.sheet import FOREVER, HEADERS, PAGES, Sheets, clock

PAGE_ROUTERS = (
    room.router,
    readiness.router,
    refused_prints.router,
    tables.router,
    prints.router,
    print_start.router,
    found.router,
    one_print.router,
    print_changes.router,
    photographs.router,
    shelf.router,
    causes.router,
    soak.router,
    breaks.router,
    one_break.router,
    resin_sheet.router,
    soak_done.router,
    soak_looks.router,
    soak_report.router,
    health.router,
    sensors.router,
)

#: Where the chart files are kept beside the readings.
CHARTS_FOLDER = "charts"

#: A page that only has to wait (for the collector's first readings) asks again after this [s].
AGAIN_S = 5

#: Pages that are reached from others, with what a way back to them is called.
BELOW = (("/shelf", "The shelf"), ("/sensors", "Sensors"))

CHART_STATES = {
    "ready": "The charts are ready.",
    "preparing": "The charts are being prepared; this happens once and takes some seconds.",
    "failed": "the chart files could not be made, the reason is in vatside's log",
}


def create_app(workshop: Workshop, *, charts: ChartBundle | None = None) -> FastAPI:
    """The api and the pages over a workshop.

    ``charts`` are the chart files; left out, they are kept in the store's folder. Those that
    are not there yet are made in the background once the app has started.
    """
    bundle = charts or ChartBundle(workshop.settings.store.folder / CHARTS_FOLDER)
    sheets = Sheets()

    def shown(request: Request, problem: Problem) -> Response | None:
        return problem_page(sheets, request, problem)

    app = create_api(workshop, shown=shown)
    app.state.sheets = sheets
    app.state.charts = bundle
    start_with(app, bundle)
    for router in PAGE_ROUTERS:
        app.include_router(router)
    _serve_files(app, sheets, bundle)
    app.add_middleware(GZipMiddleware, minimum_size=1_000)
    app.add_middleware(OwnFormsOnly)
    return app


def start_with(app: FastAPI, bundle: ChartBundle) -> None:
    """Make the chart files while the app runs, beside whatever else it starts."""
    inner = app.router.lifespan_context

    @asynccontextmanager
    async def lifespan(started: Any) -> AsyncIterator[Any]:
        bundle.start()
        try:
            async with inner(started) as state:
                yield state
        finally:
            bundle.close()

    app.router.lifespan_context = lifespan


def _serve_files(app: FastAPI, sheets: Sheets, bundle: ChartBundle) -> None:
    @app.get("/static/{mark}/{name}", include_in_schema=False)
    def static_file(mark: str, name: str) -> Response:
        file = sheets.files.get(name)
        if file is None:
            raise NotFoundError("there is no such file", where=name, remedy="Reload the page.")
        # An old address still gets the file, but is not kept: the page was from before.
        kept = {"Cache-Control": FOREVER if mark == file.mark else "no-cache"}
        return Response(file.content, media_type=file.media_type, headers=kept)

    @app.get("/reach", include_in_schema=False)
    def reach() -> Response:
        """A form asks this before it is sent: whether it would arrive."""
        return Response(status_code=HTTPStatus.NO_CONTENT, headers={"Cache-Control": "no-store"})

    @app.get("/charts/state", include_in_schema=False)
    def chart_state() -> dict[str, str]:
        state = bundle.state
        return {"state": state, "words": CHART_STATES[state], "folder": f"/charts/{bundle.key}"}

    @app.get("/charts/{key}/{name}", include_in_schema=False)
    def chart_file(key: str, name: str) -> Response:
        path = bundle.file(name) if key == bundle.key else None
        if path is None:
            raise NotFoundError(
                "there is no such chart file, or not yet",
                where=name,
                remedy="Reload the page; the first charts take some seconds to prepare.",
            )
        kind = "text/javascript" if name.endswith(".js") else "application/json"
        headers = {"Cache-Control": FOREVER, "Content-Encoding": "gzip", "Vary": "Accept-Encoding"}
        return Response(path.read_bytes(), media_type=kind, headers=headers)


def problem_page(sheets: Sheets, request: Request, problem: Problem) -> Response | None:
    """A problem as a page for a person; None for a program that asked for JSON."""
    if "text/html" not in request.headers.get("accept", ""):
        return None
    passing = problem.status == HTTPStatus.SERVICE_UNAVAILABLE
    back, page = next(
        (one for one in (*PAGES[1:], *BELOW) if f"{request.url.path}/".startswith(f"{one[0]}/")),
        PAGES[0],
    )
    return sheets.page(
        "error.html",
        back,
        clock(),
        status=problem.status,
        title=problem.title,
        what=problem.detail,
        where=None if problem.status == HTTPStatus.NOT_FOUND else problem.where,
        remedy=problem.remedy,
        back=back,
        page=page,
        again_s=AGAIN_S if passing and request.method == "GET" else None,
    )


class OwnFormsOnly:
    """Refuses what another site's page makes a browser send to us.

    Browsers say where a request comes from (``Sec-Fetch-Site``, or ``Origin``); other
    programs say nothing and pass.
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and scope["method"] not in ("GET", "HEAD", "OPTIONS"):
            request = Request(scope)
            if not from_here(request):
                refusal = Response(
                    "This was sent by a page of another site. Nothing was changed; use "
                    "vatside's own pages.\n",
                    status_code=403,
                    media_type="text/plain",
                    headers=HEADERS,
                )
                await refusal(scope, receive, send)
                return
        await self._app(scope, receive, send)


def from_here(request: Request) -> bool:
    """Whether a request comes from our own pages, or from no page at all."""
    site = request.headers.get("sec-fetch-site")
    if site is not None:
        return site in ("same-origin", "none")
    origin = request.headers.get("origin")
    return origin is None or origin.partition("://")[2] == request.headers.get("host", "")
