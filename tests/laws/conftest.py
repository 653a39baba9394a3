"""How long the laws are tried: as part of the suite, or for hours.

`HYPOTHESIS_PROFILE=soak python -m pytest tests/laws` tries each law a hundred thousand times.
"""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings

# The same examples for everybody, so that a red suite is red for all; a soak looks for new ones.
settings.register_profile("suite", max_examples=200, deadline=None, derandomize=True)
settings.register_profile(
    "soak", max_examples=100_000, deadline=None, print_blob=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "suite"))
