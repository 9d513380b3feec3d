"""Write and read the summary of a campaign: at most 60 lines, with the digest of the code that it judged."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.campaign.campaigns import Campaign
from tests.campaign.provenance import ALWAYS, CODE, git

FOLDER = Path(__file__).parent / "summaries"
LINES_MOST, WIDTH_MOST = 60, 400


def lines_of(campaign: Campaign, raw: dict[str, Any], origin: dict[str, Any]) -> str:
    """Return the text of a summary, one figure a line.

    `origin` is what `provenance()` said when the run began. Raises ValueError where it would be longer than allowed.
    """
    parts = dict.fromkeys((*ALWAYS, *campaign.judges))
    head = {
        "campaign": campaign.name,
        "part": campaign.part,
        "command": campaign.shown(),
        "seed": campaign.seed,
        "date": origin["date"],
        "commit": origin["commit"],
        "uncommitted": origin["uncommitted"],
        "judges": list(campaign.judges),
        "code": {part: origin["code"].get(part) for part in parts},
    }
    rows = [f" {json.dumps(key)}: {json.dumps(value)}," for key, value in head.items()]
    figures = [f"  {json.dumps(key)}: {json.dumps(value)}" for key, value in campaign.figures(raw).items()]
    text = "\n".join(["{", *rows, ' "figures": {', ",\n".join(figures), " }", "}"]) + "\n"
    broad = [line for line in text.splitlines() if len(line) > WIDTH_MOST]
    if text.count("\n") > LINES_MOST or broad:
        raise ValueError(
            f"{campaign.name}: {text.count(chr(10))} lines, too wide: {broad[:1]}; keep fewer figures"
        )
    return text


def write(campaign: Campaign, raw: dict[str, Any], origin: dict[str, Any]) -> Path:
    """Write the summary of a campaign and return where."""
    path = FOLDER / f"{campaign.name}.json"
    path.parent.mkdir(exist_ok=True)
    path.write_text(lines_of(campaign, raw, origin), encoding="utf-8")
    return path


def read(name: str) -> dict[str, Any] | None:
    """Return a summary, None where the campaign has none."""
    path = FOLDER / f"{name}.json"
    if not path.is_file():
        return None
    told: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return told


@dataclass(frozen=True)
class Standing:
    """How a campaign's summary stands to the code as it is."""

    campaign: Campaign
    missing: bool = False
    changed: tuple[str, ...] = ()  # parts of the code
    files: tuple[str, ...] = ()  # of them, those that git knows to have changed since
    command_differs: bool = False
    unsure: bool = False  # made of files that were not committed

    @property
    def fresh(self) -> bool:
        """Return whether the summary belongs to the present code, command and seed."""
        return not (self.missing or self.changed or self.command_differs or self.unsure)

    def said(self) -> str:
        """Return one line: fresh, missing, or stale with what changed."""
        if self.missing:
            return f"missing  {self.campaign.name}: never run"
        if self.fresh:
            return f"fresh    {self.campaign.name}"
        why = list(self.changed)
        if self.files:
            shown = ", ".join(self.files[:4]) + (
                f" and {len(self.files) - 4} more" if len(self.files) > 4 else ""
            )
            why.append(f"since then {shown}")
        if self.command_differs:
            why.append("its command or seed changed")
        if self.unsure:
            why.append("it was made of files that were not committed")
        return f"stale    {self.campaign.name}: {'; '.join(why)}"


def standing(campaign: Campaign, now: dict[str, str]) -> Standing:
    """Compare the summary of a campaign with the digests of the code `now`."""
    told = read(campaign.name)
    if told is None:
        return Standing(campaign, missing=True)
    changed = tuple(part for part in campaign.judges if told["code"].get(part) != now[part])
    return Standing(
        campaign,
        changed=changed,
        files=changed_files(told["commit"], changed) if changed else (),
        command_differs=(told["command"], told["seed"]) != (campaign.shown(), campaign.seed),
        unsure=bool(told["uncommitted"]) and not changed,
    )


def changed_files(commit: str, parts: Iterable[str]) -> tuple[str, ...]:
    """Return files of those parts that differ from `commit`; none where git does not have it."""
    places = [place for part in parts for place in CODE[part]]
    return tuple(git("diff", "--name-only", commit, "--", *places).split()) if commit != "unknown" else ()
