"""Coverage-guided fuzzing of every parser, by atheris.

    pip install atheris
    python tests/campaign/fuzz_parsers.py --seconds 120 --out tests/campaign/out/fuzz_parsers.json

Each target of fuzz_targets.py runs in a process of its own for so many seconds, from its seeds, with the seed given.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]


def child(name: str, arguments: list[str]) -> None:
    """The fuzzer itself; does not return."""
    import atheris  # type: ignore[import-not-found]

    with atheris.instrument_imports(include=["steadyram", "steadyram_fw", "tomllib", "csv"]):
        from tests.campaign import fuzz_targets

    def one(data: bytes) -> None:
        fuzz_targets.run(name, data)

    atheris.Setup([name, *arguments], one)
    atheris.Fuzz()


def fuzz(name: str, seeds: list[bytes], seconds: int, seed: int) -> dict[str, Any]:
    """Run one target; figures from the fuzzer's own last words."""
    with tempfile.TemporaryDirectory() as folder:
        corpus = Path(folder) / "corpus"
        corpus.mkdir()
        for n, data in enumerate(seeds):
            (corpus / f"seed{n}").write_bytes(data)
        options = [
            str(corpus), f"-max_total_time={seconds}", f"-seed={seed}", "-max_len=4096", "-timeout=20",
            f"-artifact_prefix={folder}/", "-print_final_stats=1", "-rss_limit_mb=1024",
        ]  # fmt: skip
        done = subprocess.run(
            [sys.executable, __file__, "--child", name, "--", *options],
            capture_output=True,
            text=True,
            errors="replace",
            env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONMALLOC": "malloc"},
        )
        said = done.stdout + done.stderr
        covered = [(int(a), int(b)) for a, b in re.findall(r"cov: (\d+) ft: (\d+)", said)]
        runs = re.search(r"number_of_executed_units: (\d+)", said)
        found: dict[str, Any] = {
            "executions": int(runs[1]) if runs else 0,
            "coverage_at_start": covered[0][0] if covered else 0,
            "coverage": covered[-1][0] if covered else 0,
            "features": covered[-1][1] if covered else 0,
            "corpus": len(list(corpus.iterdir())),
            "crashes": 0 if done.returncode == 0 else 1,
        }
        if done.returncode != 0:
            crash = next(Path(folder).glob("crash-*"), None)
            found["input"] = "" if crash is None else crash.read_bytes()[:2000].hex()
            found["said"] = said[-3000:]
        return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--child")
    parser.add_argument("--seconds", type=int, default=120)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", action="append", default=None)
    parser.add_argument("--out", type=Path)
    parser.add_argument("rest", nargs="*")
    options = parser.parse_args()
    if importlib.util.find_spec("atheris") is None:
        raise SystemExit("atheris is not installed here; install it (pip install atheris) and repeat.")
    if options.child is not None:
        child(options.child, options.rest)
        return
    if options.out is None:
        parser.error("--out is missing: where the result goes")
    sys.path.insert(0, str(ROOT))
    from tests.campaign.fuzz_targets import TARGETS
    from tests.campaign.provenance import provenance

    told: dict[str, Any] = {
        **provenance(),
        "seconds_a_target": options.seconds,
        "seed": options.seed,
        "targets": {},
    }
    for name, (_, seeds) in TARGETS.items():
        if options.only and name not in options.only:
            continue
        told["targets"][name] = fuzz(name, seeds, options.seconds, options.seed)
        print(name, json.dumps(told["targets"][name])[:2500], flush=True)
    told["executions"] = sum(target["executions"] for target in told["targets"].values())
    told["crashes"] = sum(target["crashes"] for target in told["targets"].values())
    options.out.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
