"""Say which code a result belongs to: commit, date, and digests of the parts of the code that it judges.

A digest leaves out what cannot change a result: comments, docstrings, blank lines, and the sentences that a panel
shows (`*_TEXTS` of the firmware's tables). So a reworded message leaves evidence as it is, and a fault detector that
was switched off does not.
"""

from __future__ import annotations

import ast
import hashlib
import io
import subprocess
import tokenize
from collections.abc import Iterable
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]

CODE: dict[str, tuple[str, ...]] = {
    "core": ("firmware/steadyram_fw/core", "firmware/steadyram_fw/tables.py"),
    "services": ("firmware/steadyram_fw/services", "firmware/steadyram_fw/app.py"),
    "plant": (
        "host/steadyram/virtual/plant.py",
        "host/steadyram/virtual/solenoid.py",
        "host/steadyram/virtual/feed.py",
        "host/steadyram/virtual/sensing.py",
        "host/steadyram/virtual/noise.py",
        "host/steadyram/virtual/drawn_press.py",
        "host/steadyram/virtual/work.py",
        "host/steadyram/virtual/press.py",
        "host/steadyram/virtual/faults.py",
        "host/steadyram/press",
        "tests/presses",
        "tests/campaign/presses",
    ),
    "board": ("firmware/steadyram_fw/boards", "firmware/main.py", "host/steadyram/install"),
    "bending": ("host/steadyram/bending", "host/steadyram/virtual/bend.py"),
    "commissioning": ("host/steadyram/commission",),
    "link": ("host/steadyram/link",),
    "metrology": ("host/steadyram/metrology",),
    "page": ("host/steadyram/page",),
    "records": ("host/steadyram/cycles",),
}
ALWAYS = ("core", "services", "plant")


def bare(source: str) -> str:
    """Return Python source without comments, docstrings, blank lines and assignments to names in `_TEXTS`."""
    lines = source.splitlines(keepends=True)
    cut: list[tuple[int, int, int, int]] = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            first = node.body[0] if node.body else None
            if isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant):
                cut.append(_place(first))
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "").endswith("_TEXTS"):
            cut.append(_place(node))
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type == tokenize.COMMENT:
            (row, start), (_, end) = token.start, token.end
            width = len(lines[row - 1][:start].encode())
            cut.append((row, width, row, width + len(lines[row - 1][start:end].encode())))
    for top, left, bottom, right in sorted(cut, reverse=True):
        head, tail = lines[top - 1].encode()[:left], lines[bottom - 1].encode()[right:]
        lines[top - 1 : bottom] = [(head + tail).decode(), *[""] * (bottom - top)]
    return "\n".join(line.rstrip() for line in lines if line.strip())


def _place(node: ast.stmt) -> tuple[int, int, int, int]:
    return node.lineno, node.col_offset, node.end_lineno or node.lineno, node.end_col_offset or 0


def digest(files: Iterable[tuple[str, bytes]]) -> str:
    """Return SHA-256 over names and contents of files, first 16 hex digits; Python files by `bare`."""
    total = hashlib.sha256()
    for name, content in sorted(files):
        text = bare(content.decode()).encode() if name.endswith(".py") else content
        total.update(name.encode() + b"\0" + text + b"\0")
    return total.hexdigest()[:16]


@cache
def digest_of(*places: str) -> str:
    """Return the digest of the Python and TOML files of folders or files as they are now."""
    found: list[tuple[str, bytes]] = []
    for place in places:
        start = ROOT / place
        for path in [start] if start.is_file() else sorted(start.rglob("*")):
            if path.suffix in (".py", ".toml"):
                found.append((path.relative_to(ROOT).as_posix(), path.read_bytes()))
    return digest(found)


def code_digests(parts: Iterable[str] = tuple(CODE)) -> dict[str, str]:
    """Return the digest of each part of the code as it is now."""
    return {part: digest_of(*CODE[part]) for part in parts}


def git(*words: str) -> str:
    """Return what git printed, "" where it failed or is missing."""
    try:
        done = subprocess.run(["git", *words], cwd=ROOT, capture_output=True, text=True)
    except OSError:
        return ""
    return done.stdout.strip() if done.returncode == 0 else ""


def provenance() -> dict[str, Any]:
    """Return date (UTC), commit, whether files that belong to it had changes that were not committed, and digests."""
    watched = [place for places in CODE.values() for place in places]
    return {
        "date": datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "commit": git("rev-parse", "HEAD") or "unknown",
        "uncommitted": git("status", "--porcelain", "--", *watched) != "",
        "code": code_digests(),
    }
