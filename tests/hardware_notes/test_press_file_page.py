"""The reference page of the press file belongs to the model, and the check notices when it does not."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "hardware_notes"))

import press_file_page as page  # noqa: E402

from steadyram.press.pressfile import PressFile  # noqa: E402


def test_the_page_is_current():
    done = subprocess.run(
        [sys.executable, str(ROOT / "hardware_notes" / "press_file_page.py"), "--check"],
        capture_output=True,
        text=True,
    )
    assert (done.returncode, done.stdout) == (0, "")


def test_a_stale_page_is_told(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(page, "PAGE", tmp_path / "press_file.md")
    page.PAGE.write_text("old")
    assert page.main(["--check"]) == 1
    assert "not current" in capsys.readouterr().out
    assert page.main([]) == 0
    assert page.main(["--check"]) == 0


def test_a_key_without_a_meaning_ends_it():
    meanings = {"stiffness": ["", "", ""], "colour": ["", "", ""]}
    with pytest.raises(SystemExit, match="colour"):
        page.rows("frame", PressFile.model_fields["frame"].annotation, meanings)


def test_every_key_has_its_row_with_the_range_that_is_accepted():
    text = page.page()
    for table, field in PressFile.model_fields.items():
        for name, key in getattr(field.annotation, "model_fields", {}).items():
            assert f"| `{key.alias or name}`" in text.split(f"## [{table}]")[1].split("\n## ")[0]
    assert "| `slew` **unkind** | time, e.g. `8 ms` | 0 to 200 ms | 0 ms |" in text
