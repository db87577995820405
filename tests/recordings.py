"""Where the real recordings lie that are read in place and never committed.

``VATSIDE_RECORDINGS`` names the folder; without it ``../shared/data`` beside the project is
looked at. A test that needs one skips with the reason where it is absent, and fails instead
under ``VATSIDE_REQUIRE_SERVICES=1``.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


def required() -> bool:
    """Whether a missing service or recording is a failure rather than a skip."""
    return os.environ.get("VATSIDE_REQUIRE_SERVICES") == "1"


def _missing(reason: str) -> None:
    if required():
        pytest.fail(f"{reason} (VATSIDE_REQUIRE_SERVICES=1)")
    pytest.skip(reason)


def recording(name: str) -> Path:
    """Path of a real recording; skips, or fails where services are required, when absent."""
    folder = Path(os.environ.get("VATSIDE_RECORDINGS", ROOT.parent / "shared" / "data"))
    path = folder / name
    if not path.is_file():
        _missing(f"recording {name} is not here; set VATSIDE_RECORDINGS to its folder")
    return path


def program(*names: str) -> str:
    """Path of the first of these programs that is installed; skips or fails when none is."""
    for name in names:
        found = shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/local/sbin")
        if found:
            return found
    _missing(f"{' or '.join(names)} is not installed on this machine")
    raise AssertionError("unreachable")
