"""No property is failed for the time it takes: a busy machine is no fault of the code."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("without a deadline", deadline=None)
settings.load_profile("without a deadline")
