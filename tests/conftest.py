"""What holds for every test: no example of Hypothesis has a deadline by the wall clock.

A machine that does something else for a moment would fail a test of arithmetic.
"""

from __future__ import annotations

# Loaded before any test: some tests run another pytest in this process, which then forgets what was loaded in it, and
# numpy cannot be loaded twice.
import numpy  # noqa: F401
from hypothesis import HealthCheck, settings

settings.register_profile(
    "unhurried", settings.get_profile(settings.get_current_profile_name()), deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)  # fmt: skip
settings.load_profile("unhurried")
