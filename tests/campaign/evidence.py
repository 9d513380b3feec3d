"""Run the campaigns, and say which of their summaries no longer belong to the code.

    python -m tests.campaign.evidence run short|night|week|all [--only NAME ...] [--again]
    python -m tests.campaign.evidence check [--release]

`run` leaves out what is fresh and goes on where it was stopped: results and half-finished work are in
tests/campaign/out (not in the repository), summaries of at most 60 lines in tests/campaign/summaries (committed).
What was half-way when the code changed begins anew. `check` says `stale` with what changed and ends with 0; for a
release (`--release`, or STEADYRAM_RELEASE=1 in the environment) it ends with 1 unless every summary is fresh.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import subprocess
import sys
from pathlib import Path

from tests.campaign import summary
from tests.campaign.campaigns import CAMPAIGNS, PARTS, Campaign
from tests.campaign.provenance import ROOT, code_digests, digest_of, provenance

OUT = Path(__file__).parent / "out"


def run_one(campaign: Campaign) -> str:
    """Run a campaign, going on where it was stopped; write its summary; return what came of it in one line."""
    if campaign.needs and importlib.util.find_spec(campaign.needs) is None:
        return f"skipped  {campaign.name}: needs {campaign.needs} (pip install {campaign.needs})"
    OUT.mkdir(exist_ok=True)
    out, part = OUT / f"{campaign.name}.json", OUT / f"{campaign.name}.part"
    began_with = OUT / f"{campaign.name}.began"
    origin = provenance()
    if began_with.exists() and part.exists():
        before = json.loads(began_with.read_text(encoding="utf-8"))
        if all(before["code"].get(each) == origin["code"][each] for each in campaign.judges):
            origin = before
        else:
            part.unlink()
    began_with.write_text(json.dumps(origin), encoding="utf-8")
    done = subprocess.run([sys.executable, *campaign.command(str(out), str(part))], cwd=ROOT)
    if done.returncode != 0:
        return f"failed   {campaign.name}: exit {done.returncode}"
    digest_of.cache_clear()
    after = code_digests()
    moved = [each for each in campaign.judges if after[each] != origin["code"][each]]
    if moved:
        return f"not kept {campaign.name}: {', '.join(moved)} changed while it ran"
    path = summary.write(campaign, json.loads(out.read_text(encoding="utf-8")), origin)
    for each in (began_with, part):
        each.unlink(missing_ok=True)
    return f"done     {campaign.name}: {path.relative_to(ROOT)}"


def run(part: str, only: list[str], *, again: bool = False) -> int:
    """Run the campaigns of a part that are not fresh; return the exit code."""
    said = []
    for campaign in CAMPAIGNS:
        if part not in (campaign.part, "all") or (only and campaign.name not in only):
            continue
        if not again and summary.standing(campaign, code_digests()).fresh:
            said.append(f"fresh    {campaign.name}")
        else:
            print(f"-- {campaign.shown()}", flush=True)
            said.append(run_one(campaign))
    print("\n".join(said))
    return int(any(line.startswith(("failed", "not kept")) for line in said))


def check(*, release: bool) -> int:
    """Print how each summary stands; return 1 for a release with one that is not fresh, otherwise 0."""
    now = code_digests()
    found = [summary.standing(campaign, now) for campaign in CAMPAIGNS]
    for each in found:
        print(each.said())
    old = [each for each in found if not each.fresh]
    print(
        f"{len(found) - len(old)} of {len(found)} campaigns are of this code"
        + (": the others are stale. Run `python -m tests.campaign.evidence run all`." if old else ".")
    )
    return int(release and bool(old))


def main() -> int:
    """Run from the command line and return the exit code."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    what = parser.add_subparsers(dest="what", required=True)
    running = what.add_parser("run", help="run the campaigns of a part that are not fresh")
    running.add_argument("part", choices=(*PARTS, "all"))
    running.add_argument("--only", nargs="*", default=[], choices=[each.name for each in CAMPAIGNS])
    running.add_argument("--again", action="store_true", help="those that are fresh, too")
    checking = what.add_parser("check", help="say which summaries are stale")
    checking.add_argument("--release", action="store_true", help="end with 1 unless all are fresh")
    told = parser.parse_args()
    if told.what == "run":
        return run(told.part, told.only, again=told.again)
    return check(release=told.release or os.environ.get("STEADYRAM_RELEASE", "") not in ("", "0"))


if __name__ == "__main__":
    sys.exit(main())
