"""How hard Hypothesis tries here: ``VATSIDE_FUZZ_EXAMPLES`` cases for each property.

A hundred by default, for a run of all tests; more before a release. There is no deadline: a
busy machine is no fault of the code.
"""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings

settings.register_profile(
    "vatside",
    max_examples=int(os.environ.get("VATSIDE_FUZZ_EXAMPLES", "100")),
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("vatside")
