"""A furnished workshop and a client of its api."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from api.answers import Workshop
from tests.workshops import APPS, furnish, open_workshop


@pytest.fixture
def workshop(tmp_path: Path) -> Iterator[Workshop]:
    with open_workshop(tmp_path) as opened:
        furnish(opened)
        yield opened


@pytest.fixture
def client(workshop: Workshop) -> Iterator[TestClient]:
    with APPS.lent(workshop) as app, TestClient(app) as opened:
        yield opened
