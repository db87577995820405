"""Real Chromium at a real server over the filled workshop."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import pytest
import uvicorn
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright

from api.answers import Workshop
from api.routes import asking
from dashboards import sheet
from dashboards.app import create_app
from dashboards.chart_bundle import ChartBundle
from tests.brokers import free_port
from tests.dashboards import workshops
from tests.recordings import program

ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]

#: How long anything on a page may take before a test gives up [ms]; never a claim about speed.
PATIENCE_MS = 30_000
expect.set_options(timeout=PATIENCE_MS)


@dataclass
class Server:
    """The web application on a port of its own; ``clock`` moves its time by hand."""

    workshop: Workshop
    charts: ChartBundle
    port: int
    clock: Callable[[], datetime] | None = None
    running: uvicorn.Server | None = None
    thread: threading.Thread | None = None

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        app = create_app(self.workshop, charts=self.charts)
        if self.clock is not None:
            app.dependency_overrides |= {sheet.clock: self.clock, asking._now: self.clock}
        self.running = uvicorn.Server(
            uvicorn.Config(
                app,
                host="127.0.0.1",
                port=self.port,
                log_level="warning",
                timeout_graceful_shutdown=1,
                ws="none",
            )
        )
        self.thread = threading.Thread(target=self.running.run, daemon=True)
        self.thread.start()
        deadline = time.monotonic() + 30
        while not self.running.started and time.monotonic() < deadline:
            time.sleep(0.02)
        assert self.running.started

    def stop(self) -> None:
        if self.running is not None and self.thread is not None:
            self.running.should_exit = True
            self.thread.join(timeout=30)
            self.running = None


@contextmanager
def serving(
    workshop: Workshop, charts: ChartBundle, clock: Callable[[], datetime] | None = None
) -> Iterator[Server]:
    """A server for as long as this is open."""
    server = Server(workshop, charts, free_port(), clock)
    server.start()
    try:
        yield server
    finally:
        server.stop()
        workshops.close(workshop)


@pytest.fixture(scope="session")
def chart_files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the chart files are kept once they are made."""
    return tmp_path_factory.mktemp("charts")


@pytest.fixture
def server(tmp_path: Path, chart_files: Path) -> Iterator[Server]:
    """The filled workshop as of now."""
    workshop = workshops.filled_workshop(tmp_path, datetime.now(UTC).replace(microsecond=0))
    with serving(workshop, ChartBundle(chart_files)) as one:
        yield one


@pytest.fixture(scope="session")
def looked_at(tmp_path_factory: pytest.TempPathFactory, chart_files: Path) -> Iterator[Server]:
    """The filled workshop at one moment that stands still, for tests that change nothing."""
    now = datetime.now(UTC).replace(microsecond=0)
    workshop = workshops.filled_workshop(tmp_path_factory.mktemp("looked-at"), now)
    with serving(workshop, ChartBundle(chart_files), clock=lambda: now) as one:
        yield one


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    """The browser that is installed; none is ever downloaded."""
    path = program("chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield browser
        browser.close()


@dataclass
class Watched:
    """A page with everything it said on the console and every request it made."""

    page: Page
    complaints: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)


Open = Callable[..., Watched]


@pytest.fixture
def open_page(chromium: Browser) -> Iterator[Open]:
    """Opens pages of a given width and colour scheme, watched; keywords go to the context."""
    contexts: list[BrowserContext] = []

    def opened(width: int = 1280, height: int = 844, **keywords: object) -> Watched:
        context = chromium.new_context(viewport={"width": width, "height": height}, **keywords)  # type: ignore[arg-type]
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        watched = Watched(page)
        page.on("pageerror", lambda error: watched.complaints.append(str(error)))
        page.on("console", lambda said: watched.complaints.append(f"{said.type}: {said.text}"))
        page.on("request", lambda request: watched.requests.append(request.url))
        return watched

    yield opened
    for context in contexts:
        context.close()


def drawn(page: Page) -> None:
    """Wait until every chart of a page is drawn."""
    page.wait_for_function(
        "() => [...document.querySelectorAll('figure[data-chart]')].every(f => f.dataset.drawn)"
    )
