"""What a committed result belongs to: date, commit, and digests of the firmware, the protocol and the fault table."""

from __future__ import annotations

import hashlib
import json
import subprocess
import tomllib
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]


def digest_of(*folders: str) -> str:
    """SHA-256 over names and contents of the Python and TOML files of folders or files, first 16 hex digits."""
    total = hashlib.sha256()
    for folder in folders:
        start = ROOT / folder
        for path in [start] if start.is_file() else sorted(start.rglob("*")):
            if path.suffix in (".py", ".toml"):
                total.update(str(path.relative_to(ROOT)).encode() + b"\0" + path.read_bytes())
    return total.hexdigest()[:16]


def protocol_digest() -> str:
    """Digest of what storage and link depend on in the definition: names, numbers and bounds, no prose, no faults."""
    parts = ("protocol", "setting", "jobs", "job", "calibration", "record", "verb", "event", "error")
    tables = tomllib.loads((ROOT / "protocol" / "definition.toml").read_text(encoding="utf-8"))

    def bare(value: Any) -> Any:
        if isinstance(value, dict):
            return {key: bare(each) for key, each in value.items() if key not in ("text", "rows", "crc")}
        return [bare(each) for each in value] if isinstance(value, list) else value

    kept = json.dumps({part: bare(tables[part]) for part in parts}, sort_keys=True)
    return hashlib.sha256(kept.encode()).hexdigest()[:16]


def catalogue_digest() -> str:
    """Digest of the fault table, of the mishaps and of the protocol's version."""
    raw = tomllib.loads((ROOT / "protocol" / "definition.toml").read_text(encoding="utf-8"))
    kept = [raw["protocol"]["version"], raw["fault"], raw["mishap"]]
    return hashlib.sha256(json.dumps(kept, sort_keys=True).encode()).hexdigest()[:16]


def provenance() -> dict[str, Any]:
    """Date (UTC), commit, whether it had uncommitted changes in what matters, and digests."""

    def git(*words: str) -> str:
        done = subprocess.run(["git", *words], cwd=ROOT, capture_output=True, text=True)
        return done.stdout.strip()

    return {
        "date": datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "commit": git("rev-parse", "HEAD"),
        "uncommitted": git("status", "--porcelain", "--", "firmware", "protocol", "host/steadyram/link")
        != "",
        "services": digest_of("firmware/steadyram_fw/services", "firmware/steadyram_fw/app.py"),
        "protocol": protocol_digest(),
        "catalogue": catalogue_digest(),
    }
