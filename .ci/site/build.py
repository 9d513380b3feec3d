"""Build the documentation site from the repository's own Markdown, strictly: a dead link or anchor is an error.

python .ci/site/build.py            builds .ci/site/build/site
python .ci/site/build.py --serve    builds and serves it on 127.0.0.1:8000

Needs the `docs` extra. Every tracked Markdown file keeps its place; what it links to is copied beside it, and a linked
folder gets a page that lists its files.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
DOCS = HERE / "build" / "docs"
_LINK = re.compile(r"(!?\[[^\]]*\]\()([^)\s#]+)(#[^)\s]*)?(\))")
_CODE = re.compile(r"(```.*?```|`[^`\n]*`)", re.S)

API = (
    ("A device behind its link", "steadyram.device"),
    ("Press file", "steadyram.press.pressfile"),
    ("Limits of a press", "steadyram.press.limits"),
    ("Simulated press", "steadyram.virtual.press"),
    ("Operator at the simulated press", "steadyram.virtual.operator"),
    ("Press with everything a test needs", "steadyram.virtual.tester_press"),
    ("pytest plug-in", "steadyram.virtual.pytest_plugin"),
    ("Calibration record", "steadyram.metrology.record"),
    ("Store of cycles", "steadyram.cycles.store"),
    ("Errors", "steadyram.errors"),
)


def github_slug(text: str, separator: str) -> str:
    """Return the anchor of a heading as code hosting sites make it, so that one link works in both places."""
    return re.sub(r"[^\w\- ]", "", text.strip().lower()).replace(" ", "-")


def tracked(*patterns: str) -> list[Path]:
    """Return the repository's own files that match."""
    names = subprocess.run(
        ["git", "-C", str(ROOT), "ls-files", "--cached", "--others", "--exclude-standard", *patterns],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split("\n")
    return [Path(name) for name in names if name and (ROOT / name).is_file()]


def bring(source: Path) -> None:
    """Copy one file of the repository to its place in the site."""
    target = DOCS / source
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(ROOT / source, target)


def folder_page(folder: Path) -> Path:
    """Write a page that lists a folder's files; return it. Each file is shown by its own page's text."""
    files = [each for each in tracked(str(folder)) if each.parent == folder]
    page = folder / "index.md"
    rows = "\n".join(f"- [{each.name}]({each.name})" for each in files)
    for each in files:
        bring(each)
    (DOCS / folder).mkdir(parents=True, exist_ok=True)
    (DOCS / page).write_text(f"# Files in {folder}\n\n{rows}\n", encoding="utf-8")
    return page


def settle_links(source: Path, text: str) -> str:
    """Copy what a page links to and return its text with links to folders led to their pages."""

    def settled(found: re.Match[str]) -> str:
        before, link, anchor, after = found[1], found[2], found[3] or "", found[4]
        if re.match(r"[a-z]+:", link):
            return found[0]
        target = (ROOT / source.parent / link).resolve()
        if not target.is_relative_to(ROOT):
            return found[0]
        inside = target.relative_to(ROOT)
        if target.is_dir():
            readme = inside / "README.md"
            page = readme if (ROOT / readme).is_file() else folder_page(inside)
            return f"{before}{link.rstrip('/')}/{page.name}{anchor}{after}"
        if target.is_file() and target.suffix != ".md":
            bring(inside)
        return found[0]

    # A bracket in code is no link.
    parts = _CODE.split(text)
    return "".join(part if i % 2 else _LINK.sub(settled, part) for i, part in enumerate(parts))


def gather() -> None:
    """Fill the folder that the site is made of."""
    shutil.rmtree(HERE / "build", ignore_errors=True)
    DOCS.mkdir(parents=True)
    for source in tracked("*.md"):
        if source.parts[0].startswith(".") or source.name == "reference_head.md":
            continue
        text = (ROOT / source).read_text(encoding="utf-8")
        (DOCS / source).parent.mkdir(parents=True, exist_ok=True)
        (DOCS / source).write_text(settle_links(source, text), encoding="utf-8")
    made = DOCS / "reference"
    made.mkdir()
    (made / "commands.md").write_text(
        "# Commands\n\n::: mkdocs-click\n    :module: steadyram.cli\n    :command: cli\n    :prog_name: steadyram\n"
        "    :depth: 1\n    :style: plain\n",
        encoding="utf-8",
    )
    parts = [f"## {title}\n\n::: {module}\n" for title, module in API]
    (made / "api.md").write_text("# Python API\n\n" + "\n".join(parts), encoding="utf-8")


def check_pages() -> None:
    """Raise SystemExit where a gathered page stands in no menu; pages of folders and records need none."""
    menu = (HERE / "mkdocs.yml").read_text(encoding="utf-8").partition("\nnav:")[2]
    named = {line.rpartition(": ")[2].strip() for line in menu.splitlines() if line.strip().endswith(".md")}
    there = {str(each.relative_to(DOCS)) for each in DOCS.rglob("*.md") if each.name != "index.md"}
    aside = {name for name in there if name.startswith(("tests/", "host/steadyram/install/"))}
    missing = sorted(there - named - aside)
    if missing:
        raise SystemExit(f"In no menu of .ci/site/mkdocs.yml: {', '.join(missing)}")


def main() -> int:
    """Build; return the exit code."""
    gather()
    check_pages()
    verb = ["serve"] if "--serve" in sys.argv[1:] else ["build", "--quiet"]
    return subprocess.run(
        [sys.executable, "-m", "mkdocs", *verb, "--strict", "-f", str(HERE / "mkdocs.yml")],
        env={**os.environ, "PYTHONPATH": str(HERE)},
    ).returncode


if __name__ == "__main__":
    sys.exit(main())
