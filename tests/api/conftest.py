"""A furnished workshop and a client of its api."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from api.answers import Workshop
from tests.workshops import APPS, furnish, open_workshop


@pytest.fixture(scope="session")
def pattern(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of the furnished workshop, furnished once and closed."""
    folder = tmp_path_factory.mktemp("furnished")
    with open_workshop(folder) as opened:
        furnish(opened)
    return folder


@pytest.fixture
def workshop(tmp_path: Path, pattern: Path) -> Iterator[Workshop]:
    shutil.copytree(pattern, tmp_path, dirs_exist_ok=True)
    with open_workshop(tmp_path) as opened:
        yield opened


@pytest.fixture
def client(workshop: Workshop) -> Iterator[TestClient]:
    with APPS.lent(workshop) as app, TestClient(app) as opened:
        yield opened
