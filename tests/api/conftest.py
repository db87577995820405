"""A furnished workshop and a client of its api."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from api.answers import Workshop
from api.app import create_app
from tests.workshops import furnish, open_workshop


@pytest.fixture
def workshop(tmp_path: Path) -> Iterator[Workshop]:
    with open_workshop(tmp_path) as opened:
        furnish(opened)
        yield opened


@pytest.fixture
def client(workshop: Workshop) -> Iterator[TestClient]:
    with TestClient(create_app(workshop)) as opened:
        yield opened
