"""Fixtures of the page's tests: a shop with a cable, and a headless browser."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from tests.host.page.bench_shop import WAIT_S, Cable, Shop, chromium

# A slow machine's browser takes its time; only a failure waits to the end.
PATIENCE_MS = 1000 * WAIT_S

FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    made = Shop(tmp_path / "flash", parts=10, realtime=True)
    yield made
    made.close()


@pytest.fixture
def cable(shop: Shop) -> Iterator[Cable]:
    made = Cable(shop.url)
    yield made
    made.close()


@pytest.fixture
def browser(tmp_path: Path) -> Iterator[Any]:
    path = chromium()
    playwright = pytest.importorskip("playwright.sync_api")
    if path is None:
        if os.environ.get("CI"):
            pytest.fail("Chromium is missing, and the checks must have it: apt-get install chromium")
        pytest.skip("Chromium is not installed (apt-get install chromium)")
    with playwright.sync_playwright() as running:
        context = running.chromium.launch_persistent_context(
            tmp_path / "profile",
            executable_path=path,
            args=FLAGS,
            viewport={"width": 1280, "height": 800},
            has_touch=True,
            timeout=PATIENCE_MS,
        )
        context.set_default_timeout(PATIENCE_MS)
        playwright.expect.set_options(timeout=PATIENCE_MS)
        yield context
        context.close()
