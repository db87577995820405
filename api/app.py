"""The application: every route under /api over one workshop, every error as a problem."""

from __future__ import annotations

from asyncio import to_thread
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.metadata import version
from typing import Any

from fastapi import FastAPI
from fastapi_offline import FastAPIOffline

from api.answers import Workshop
from api.live import Feed
from api.problems import Shown, answer_with_problems
from api.routes import (
    bottles,
    breaks,
    calibrations,
    causes,
    causes_further,
    fixtures,
    found_prints,
    health,
    interventions,
    live,
    machines,
    photographs,
    plans,
    plates,
    print_import,
    prints,
    readiness,
    readings,
    refused_prints,
    resin_sheet,
    resins,
    results,
    soak_results,
    soaks,
    sums,
    unusual,
    whole_record,
)
from collector.config import BrokerSettings

SUBJECTS = (
    resins,
    bottles,
    plates,
    machines,
    print_import,
    refused_prints,
    found_prints,
    prints,
    photographs,
    unusual,
    readiness,
    causes,
    causes_further,
    plans,
    results,
    sums,
    soak_results,
    soaks,
    fixtures,
    breaks,
    interventions,
    resin_sheet,
    readings,
    calibrations,
    health,
    whole_record,
    live,
)

DESCRIPTION = """\
The record of a resin print room and the sums on it. Times are RFC 3339 with a zone, windows
half-open. Every error is `application/problem+json` (RFC 9457) and says what to do.

What is on record carries a revision, sent as `ETag`. Send it back as `If-Match` with a
correction: when another came first you get 409 and nothing is overwritten. A `POST` may carry
an `Idempotency-Key`; the same key again makes nothing twice.

vatside only watches and records. It never switches anything and is no safety device.
"""


def create_app(workshop: Workshop, *, shown: Shown | None = None) -> FastAPI:
    """The api over a workshop; ``shown`` may turn problems outside /api into pages."""
    app = FastAPIOffline(
        title="vatside",
        version=version("vatside"),
        description=DESCRIPTION,
        docs_url="/api/docs",
        redoc_url=None,
        openapi_url="/api/openapi.json",
        static_url="/api/docs-files",
        swagger_ui_oauth2_redirect_url="/api/docs-redirect",
        separate_input_output_schemas=False,
    )
    put_over(app, workshop)
    for subject in SUBJECTS:
        app.include_router(subject.router)
    answer_with_problems(app, shown)
    if workshop.settings.broker is not None:
        _tell_and_listen(app, workshop, workshop.settings.broker)
    return app


def put_over(app: FastAPI, workshop: Workshop) -> None:
    """Let an app answer from this workshop, whatever it answered from before."""
    app.state.workshop = workshop
    app.state.feed = Feed(workshop.store, believed=workshop.believed)


def _tell_and_listen(app: FastAPI, workshop: Workshop, broker: BrokerSettings) -> None:
    """While the app runs, publish which machines may be started and take prints by message."""
    from api.print_messages import PrintMessages
    from api.ready_messages import ReadyMessages

    inner = app.router.lifespan_context

    @asynccontextmanager
    async def lifespan(started: Any) -> AsyncIterator[Any]:
        ready, prints = ReadyMessages(workshop, broker), PrintMessages(workshop.record, broker)
        app.state.print_messages = prints
        ready.start()
        prints.start()
        try:
            async with inner(started) as state:
                yield state
        finally:
            await to_thread(ready.stop)
            await to_thread(prints.stop)

    app.router.lifespan_context = lifespan
