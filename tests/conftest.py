"""The whole suite sums as the command does: see ``dashboards.cli.SUMMING_THREADS``."""

from __future__ import annotations

import os

from dashboards.cli import SUMMING_THREADS

for name, value in SUMMING_THREADS.items():
    os.environ.setdefault(name, value)
