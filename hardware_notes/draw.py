"""Draw every diagram of the hardware notes from the pin maps and the press files.

python hardware_notes/draw.py           writes them
python hardware_notes/draw.py --check   exits 1 if a committed one differs
"""

from __future__ import annotations

import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
OUT = HERE / "diagrams"
sys.path[:0] = [str(HERE / "drawing"), str(HERE.parent / "firmware")]

CIRCUITS = (
    "two-stage",
    "two-stage-slow",
    "open-centre",
    "shared-12v",
    "hand-pump",
    "hand-pump-70mpa",
    "air-over-oil",
)


def drawings() -> dict[str, str]:
    """File name -> SVG text of every diagram."""
    import air_bend
    import board_side
    import electrics
    import strip_board
    import whole_system
    from circuits import circuit

    from steadyram.press.pressfile import read_press

    out = {}
    for name in CIRCUITS:
        out[f"hydraulic-{name}.svg"] = circuit(read_press(HERE / "presses" / f"{name}.toml")).svg()
    out.update(electrics.drawings())
    out["air-bend.svg"] = air_bend.drawing()
    out["whole-system.svg"] = whole_system.drawing()
    out["board-side.svg"] = board_side.drawing()
    out["strip-board.svg"] = strip_board.drawing()
    return out


def main() -> int:
    wanted = drawings()
    if "--check" in sys.argv[1:]:
        stale = [
            name
            for name, text in wanted.items()
            if not (OUT / name).exists() or (OUT / name).read_text(encoding="utf-8") != text
        ]
        stale += sorted({p.name for p in OUT.glob("*.svg")} - set(wanted))
        if stale:
            print("Out of date, run python hardware_notes/draw.py: " + ", ".join(stale), file=sys.stderr)
        return 1 if stale else 0
    OUT.mkdir(exist_ok=True)
    for name, text in wanted.items():
        (OUT / name).write_text(text, encoding="utf-8")
    print(f"{len(wanted)} diagrams in {OUT.name}/", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
