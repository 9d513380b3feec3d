"""The generated files belong to the definition, and the check notices when they do not."""

import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def copy(tmp_path):
    """A copy of what generate.py reads and writes."""
    shutil.copytree(ROOT / "protocol", tmp_path / "protocol")
    (tmp_path / "firmware" / "steadyram_fw").mkdir(parents=True)
    shutil.copy(ROOT / "firmware" / "steadyram_fw" / "tables.py", tmp_path / "firmware" / "steadyram_fw")
    return tmp_path


def generate(root, *arguments):
    return subprocess.run(
        [sys.executable, str(root / "protocol" / "generate.py"), *arguments], capture_output=True, text=True
    )


def test_generated_files_are_current():
    done = generate(ROOT, "--check")
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize("name", ["protocol/REFERENCE.md", "firmware/steadyram_fw/tables.py"])
def test_check_names_a_stale_file_and_leaves_it(copy, name):
    stale = copy / name
    stale.write_text(stale.read_text() + "\n")
    before = stale.read_text()
    done = generate(copy, "--check")
    assert done.returncode == 1
    assert done.stdout.startswith(stale.name)
    assert stale.read_text() == before
    assert generate(copy).returncode == 0
    assert generate(copy, "--check").returncode == 0


def test_a_changed_bound_makes_the_tables_stale(copy):
    definition = copy / "protocol" / "definition.toml"
    definition.write_text(definition.read_text().replace("max = 5000000", "max = 5000001", 1))
    done = generate(copy, "--check")
    assert done.returncode == 1
    assert "tables.py" in done.stdout


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("default = 178000", "default = 99", "outside its bounds"),
        ("max = 5000000", "max = 5000000000", "small int"),
        ('text = "constant"', 'text = "constant"\nwide = true', "wide calibration fields"),
        ("id = 24\nname", "id = 23\nname", "used twice"),
    ],
)
def test_a_definition_that_contradicts_itself_is_refused(copy, old, new, said):
    definition = copy / "protocol" / "definition.toml"
    text = definition.read_text()
    assert old in text
    definition.write_text(text.replace(old, new, 1))
    done = generate(copy)
    assert done.returncode == 1
    assert said in done.stderr


def test_page_has_every_name_and_an_example_of_every_verb():
    page = (ROOT / "protocol" / "REFERENCE.md").read_text()
    definition = tomllib.loads((ROOT / "protocol" / "definition.toml").read_text())
    for table in ("setting", "job", "calibration", "record", "error", "fault", "state", "stop", "event"):
        for row in definition[table]:
            assert f"`{row['name']}`" in page, row["name"]
    for verb in definition["verb"]:
        section = page.split(f"### `{verb['name']}`")[1].split("### ")[0]
        assert "```\n> " in section, verb["name"]
