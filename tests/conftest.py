"""The whole suite sums as the command does (``dashboards.cli.SUMMING_THREADS``), in its own time.

No property is failed for the time it takes: a busy machine is no fault of the code.
"""

from __future__ import annotations

import os

from hypothesis import settings

from dashboards.cli import SUMMING_THREADS

for name, value in SUMMING_THREADS.items():
    os.environ.setdefault(name, value)

settings.register_profile("without a deadline", deadline=None)
settings.load_profile("without a deadline")
