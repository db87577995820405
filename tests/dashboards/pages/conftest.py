"""Workshops and clients for the page tests."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from fastapi import FastAPI
from starlette.testclient import TestClient

from api.answers import Workshop
from dashboards import sheet
from dashboards.app import create_app
from dashboards.chart_bundle import ChartBundle
from tests.dashboards import workshops
from tests.workshops import Apps

#: What a browser says it wants when a person follows a link.
BROWSER = {"accept": "text/html,application/xhtml+xml"}


class NoCharts(ChartBundle):
    """Chart files that are never made, so that page tests start no process."""

    def start(self) -> None:
        """Make nothing."""


def _pages_of(workshop: Workshop) -> FastAPI:
    return create_app(workshop, charts=NoCharts(Path("no folder is ever made")))


_APPS = Apps(_pages_of)


@contextmanager
def client_of(workshop: Workshop) -> Iterator[TestClient]:
    """A browser without script at the workshop's pages, at ``workshops.NOW``."""
    with _APPS.lent(workshop) as app:
        app.dependency_overrides[sheet.clock] = lambda: workshops.NOW
        with TestClient(app, headers=BROWSER, follow_redirects=True) as browser:
            yield browser


@pytest.fixture(scope="session")
def pattern(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of the cellar workshop, filled once and closed."""
    folder = tmp_path_factory.mktemp("cellar")
    workshops.close(workshops.filled_workshop(folder))
    return folder


@pytest.fixture
def filled(tmp_path: Path, pattern: Path) -> Iterator[Workshop]:
    """The cellar workshop of ``tests/dashboards/workshops.py``."""
    workshop = workshops.copied_workshop(tmp_path, pattern)
    yield workshop
    workshops.close(workshop)


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[Workshop]:
    """A workshop in which nothing has happened yet."""
    workshop = workshops.empty_workshop(tmp_path)
    yield workshop
    workshops.close(workshop)


@pytest.fixture
def client(filled: Workshop) -> Iterator[TestClient]:
    """A browser without script in the filled workshop."""
    with client_of(filled) as browser:
        yield browser


@pytest.fixture
def empty_client(empty: Workshop) -> Iterator[TestClient]:
    """A browser without script in the empty workshop."""
    with client_of(empty) as browser:
        yield browser
