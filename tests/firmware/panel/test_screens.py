"""Every screen as the firmware draws it on MicroPython, equal to the picture in the documents."""

import importlib.util
import os
from pathlib import Path

import pytest

NOTES = Path(__file__).parents[3] / "hardware_notes"


@pytest.fixture(scope="module")
def module():
    pytest.importorskip("PIL")
    from steadyram.virtual.runtime import find_micropython

    if find_micropython() is None:
        if os.environ.get("STEADYRAM_REQUIRE_RUNTIMES"):
            pytest.fail("no MicroPython")
        pytest.skip("no MicroPython for this computer")
    spec = importlib.util.spec_from_file_location("hardware_notes_screens", NOTES / "draw_screens.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def screens(module):
    return module.screens()


def test_documents_show_what_the_display_shows(module, screens):
    assert {path.stem for path in module.OUT.glob("*.png")} == set(screens)
    for name, image in screens.items():
        assert module.same(module.OUT / f"{name}.png", image), (
            f"{name}: run python hardware_notes/draw_screens.py"
        )


def test_every_screen_is_in_the_document(screens):
    text = (NOTES / "panel.md").read_text(encoding="utf-8")
    assert [name for name in screens if f"screens/{name}.png" not in text] == []


def lit(module, image):
    step = module.SCALE
    return [
        [image.getpixel((4 + x * step, 4 + y * step)) == module.LIT for x in range(128)] for y in range(64)
    ]


def test_cutoff_off_cannot_be_taken_for_anything_else(module, screens):
    """More than half of the glass is lit, in both halves of the blink; less than half in every other state."""
    for name, image in screens.items():
        share = sum(map(sum, lit(module, image))) / (128 * 64)
        if name in ("cutoff-off-words", "cutoff-off-force", "calibration-seal"):
            assert share > 0.55, name
        else:
            assert share < 0.5, name
    assert screens["cutoff-off-words"].tobytes() != screens["cutoff-off-force"].tobytes()


def test_handling_cannot_be_taken_for_pressing(module, screens):
    """Its bar is lit across the whole glass, above everything else, in every state."""
    for name, image in screens.items():
        bar = lit(module, image)[:18]
        full = all(bar[0]) and all(bar[17]) and all(row[0] or row[1] for row in bar)
        if name.startswith("handling-"):
            assert full, name
        elif name.startswith(("home-", "depth-")):
            assert not full, name


def test_force_is_thirty_rows_tall_and_whole(module, screens):
    for name in ("home-ready", "home-done", "home-large-force"):
        pixels = lit(module, screens[name])
        rows = [y for y in range(31) if any(pixels[y][:110])]
        assert (min(rows), max(rows)) == (0, 29), name
