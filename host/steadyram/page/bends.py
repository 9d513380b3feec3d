"""The bend lists that the page offers: TOML files of one folder, and those sent to it from a browser.

A list is read and checked by the same code as for the command line. Lengths metres, angles radians, forces newtons.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from steadyram.bending.bend_list import BendList, build_bend_list, plan_list, read_bend_list
from steadyram.bending.run_record import RunRecord, list_digest, read_run
from steadyram.errors import BadInput
from steadyram.plain_file import read_plain, write_whole
from steadyram.toml_text import parse_toml

_FILES_MOST: Final = 200
_FILE_MOST: Final = 200_000
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _-]{0,59}\.toml")


@dataclass(frozen=True)
class KnownList:
    """A file that is a bend list by its tables; bends is None where it cannot be bent, and `trouble` says why."""

    file: str
    bends: BendList | None
    trouble: str = ""


def known_lists(folder: Path) -> list[KnownList]:
    """The folder's bend lists by name; other TOML files (jobs, presses) are not among them."""
    found = []
    try:
        paths = sorted(path for path in folder.glob("*.toml") if not path.name.startswith("."))
    except OSError:
        return []
    for path in paths[:_FILES_MOST]:
        if not _is_list(path):
            continue
        try:
            bends = read_bend_list(path)
            plan_list(bends)
        except BadInput as error:
            found.append(KnownList(path.name, None, str(error)))
        else:
            found.append(KnownList(path.name, bends))
    return found


def chosen_list(folder: Path, file: str) -> BendList:
    """The list of that name. Raises BadInput when the folder has no such list, or when it is wrong."""
    if Path(file).name != file or not (folder / file).is_file() or not _is_list(folder / file):
        raise BadInput(
            f"There is no bend list {file[:80]!r} in the page's folder; choose one of those shown."
        )
    return read_bend_list(folder / file)


def take_upload(folder: Path, name: str, text: str) -> BendList:
    """Check a list sent by a browser and put it into the folder. Raises BadInput; no file is ever replaced."""
    if not _NAME.fullmatch(name):
        raise BadInput(
            f"The file's name {name[:80]!r} is not letters, digits, spaces, - and _ with .toml at its end; rename it."
        )
    try:
        tables = parse_toml(text)
    except ValueError as error:
        raise BadInput(
            f"{name} is not TOML ({error}); see `steadyram bend check --help` for an example."
        ) from None
    if "bends_csv" in tables:
        raise BadInput(
            f"{name} names a second file with its bends; write them as [[bend]] tables and send it again."
        )
    bends = build_bend_list(tables, name)
    plan_list(bends)
    target = folder / name
    if target.exists():
        if read_plain(target, _FILE_MOST) != text.encode("utf-8"):
            raise BadInput(
                f"{name} is in the page's folder already, with other contents; give it another name."
            )
    elif len(list(folder.glob("*.toml"))) >= _FILES_MOST:
        raise BadInput(f"The page's folder has {_FILES_MOST} files already; clear it up first.")
    else:
        write_whole(target, text)
    return bends


def newest_record(records: Path, file: str, bends: BendList) -> tuple[Path, RunRecord] | None:
    """The newest record of runs of this very list, None when there is none."""
    for path in reversed(_records(records, file)):
        try:
            record = read_run(path)
        except BadInput:
            continue
        if record.list_digest == list_digest(bends):
            return path, record
    return None


def free_record(records: Path, file: str) -> Path:
    """Where the record of a new run goes: FILE-run.json, or with the next number where that is taken."""
    stem = Path(file).stem
    taken = {path.name for path in _records(records, file)}
    number = next(n for n in range(1, len(taken) + 2) if _record_name(stem, n) not in taken)
    return records / _record_name(stem, number)


def lists_json(folder: Path, records: Path) -> list[dict[str, Any]]:
    """The lists as the page shows them, with the record that could be gone on with."""
    shown = []
    for each in known_lists(folder):
        entry: dict[str, Any] = {
            "file": each.file,
            "name": "",
            "trouble": each.trouble,
            "bends": [],
            "record": None,
        }
        if each.bends is not None:
            entry |= {"name": each.bends.name, "bends": bends_json(each.bends)}
            newest = newest_record(records, each.file, each.bends)
            if newest is not None:
                path, record = newest
                entry["record"] = {"file": path.name, "strokes": len(record.strokes)}
                entry["record"]["parts"] = max((row.part for row in record.strokes), default=0)
        shown.append(entry)
    return shown


def bends_json(bends: BendList) -> list[dict[str, Any]]:
    """A list's bends with what the plan says of each."""
    return [
        {
            "number": each.number,
            "name": each.bend.name,
            "angle_rad": each.bend.angle,
            "length_m": each.bend.length,
            "position_m": each.bend.position,
            "stop_m": each.plan.stop_m,
            "force_N": each.plan.load.estimate.force_N,
            "warnings": list(each.warnings),
        }
        for each in plan_list(bends)
    ]


def _is_list(path: Path) -> bool:
    try:
        tables = parse_toml(read_plain(path, _FILE_MOST).decode("utf-8-sig"))
    except (OSError, ValueError):
        return False
    return "tooling" in tables and ("bend" in tables or "bends_csv" in tables)


def _record_name(stem: str, number: int) -> str:
    return f"{stem}-run.json" if number == 1 else f"{stem}-run-{number}.json"


def _records(records: Path, file: str) -> list[Path]:
    """Records of a list's runs, oldest number first."""
    wanted = re.compile(rf"{re.escape(Path(file).stem)}-run(?:-([0-9]{{1,6}}))?\.json")
    found = []
    for path in records.glob("*-run*.json"):
        match = wanted.fullmatch(path.name)
        if match is not None:
            found.append((int(match[1] or 1), path))
    return [path for _, path in sorted(found)]
