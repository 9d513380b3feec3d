"""What holds for every test: no deadline by the wall clock, and no preferences of whoever runs the tests.

A machine that does something else for a moment would fail a test of arithmetic; a developer who chose psi would fail
what expects bar.
"""

from __future__ import annotations

from collections.abc import Iterator

# Loaded before any test: some tests run another pytest in this process, which then forgets what was loaded in it, and
# numpy cannot be loaded twice.
import numpy  # noqa: F401
import pytest
from hypothesis import HealthCheck, settings

settings.register_profile(
    "unhurried", settings.get_profile(settings.get_current_profile_name()), deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)  # fmt: skip
settings.load_profile("unhurried")


@pytest.fixture(scope="session", autouse=True)
def _no_preferences(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("STEADYRAM_CONFIG_DIR", str(tmp_path_factory.mktemp("config")))
        yield
