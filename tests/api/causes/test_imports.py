"""The causes load without scipy: it costs a second, and only some answers need it."""

from __future__ import annotations

import subprocess
import sys


def test_importing_the_causes_does_not_import_scipy() -> None:
    script = (
        "import sys, api.causes, api.causes.ranking, api.causes.next_prints, api.causes.planned,"
        " api.causes.two_groups; print('scipy' in sys.modules)"
    )
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "False"
