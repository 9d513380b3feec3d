"""Make bad input for every parameter of every command, from what the command line itself says of its parameters.

Each case is a command line that is good but for one parameter. What a quantity measures, and what a good command line
looks like, is in two tables here; a new option without an entry is still given the bad values of its type.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import click

import steadyram.cli
from steadyram.cli._inputs import Number, Place

# Good words of each command; FILE names are made by `make_files`. Commands that need a device get a port at which
# nothing listens: a bad parameter is to be refused before that.
PRESS, STORE, PORT = ["--press", "press.toml"], ["--store", "store.db"], ["--port", "socket://127.0.0.1:1"]
_SHEET = ["--material", "mild-steel-cold-rolled", "--thickness", "2 mm"]
_TOOLS = [*_SHEET, "--opening", "16 mm", "--punch-radius", "1 mm"]
GOOD: dict[str, list[str]] = {
    "batch compare": [*STORE, "--job", "nut"],
    "batch list": STORE,
    "batch proof": [*STORE, "--device", "a", "--job", "1", "--out", "proof"],
    "batch test add": [*STORE, "--device", "a", "--record", "1", "--kind", "push-out", "--value", "2 kN", "--by", "me"],
    "bench cutoff": ["press.toml"],
    "bench presses": ["--files", "drawn"],
    "bend correct": ["--angle", "90 deg", "--depth", "5 mm", "--measured", "92 deg", *_TOOLS],
    "bend check": ["bends.toml"],
    "bend plan": ["--angle", "90 deg", "--length", "300 mm", *_TOOLS],
    "bend run": ["bends.toml", *PORT],
    "bend shim": ["--force", "80 kN", "--span", "600 mm", "--inertia", "1500 cm^4"],
    "calibration run": ["--header", "header.toml", *PORT],
    "calibration analyse": ["points.csv", "--header", "header.toml", "--zero", "6554", "--reference-unit", "kN"],
    "calibration certificate": ["points.csv", "--header", "header.toml", "--zero", "6554", "--reference-unit", "kN"],
    "calibration check": ["points.csv", "--gauge", "100 bar", "--gauge-range", "345 bar", "--counts", "20000"],
    "calibration compare": ["points.csv", "points.csv"],
    "calibration header": [],
    "calibration by-hand": ["new.jsonl", "--header", "header.toml", *PORT],
    "calibration repeatability": ["study.csv"],
    "calibration upload": ["points.csv", "--header", "header.toml", "--zero", "6554", *PORT],
    "calibration verify": ["points.csv", "points.csv", "--header", "header.toml", "--zero", "6554"],
    "characterise": PORT,
    "collect": [*STORE, *PORT],
    "device report": ["record.md", *PORT],
    "cycles backup": [*STORE, "--out", "copy.db"],
    "cycles export": [*STORE, "--device", "a"],
    "cycles list": [*STORE, "--device", "b"],
    "cycles pull": [*STORE, *PORT],
    "demo": [],
    "device clock": PORT,
    "device settings push": ["settings.toml", *PORT],
    "device settings show": PORT,
    "device show": PORT,
    "device watch": PORT,
    "doctor": PORT,
    "first-part": PORT,
    "fit": ["points.csv", "--model", "line"],
    "force bed-deflection": ["--force", "80 kN", "--span", "600 mm", "--inertia", "1500 cm^4"],
    "force bend": ["--tensile", "450 MPa", "--thickness", "3.2 mm", "--length", "44.5 mm", "--opening", "25 mm"],
    "force broach": ["--width", "6 mm", "--rise", "0.05 mm", "--length", "30 mm", "--pitch", "8 mm"],
    "force clinch": ["--thread", "M5", "--thickness", "2 mm"],
    "force dimple": ["--hole", "5 mm", "--outer", "9 mm", "--thickness", "1 mm"],
    "force materials": [],
    "force press-fit": [
        "--diameter", "30 mm", "--hub-diameter", "60 mm", "--interference", "0.03 mm", "--length", "30 mm",
    ],
    "force punch": ["--shear", "300 MPa", "--thickness", "2 mm", "--perimeter", "60 mm"],
    "force straighten": ["--section", "round", "--width", "30 mm", "--span", "300 mm", "--yield", "350 MPa"],
    "install": PORT,
    "iocheck": PORT,
    "jobs check": ["jobs.toml"],
    "jobs diff": ["jobs.toml", *PORT],
    "jobs list": PORT,
    "jobs push": ["jobs.toml", *PORT],
    "jobs use": ["1", *PORT],
    "page": PORT,
    "position calibrate": ["--height", "10 mm", "--height", "50 mm", "--kind", "encoder", "--nominal", "1 mm", *PORT],
    "position speeds": PORT,
    "cycles report": [*STORE, "--device", "a"],
    "size": PRESS,
    "trial": [*PRESS, "--setpoint", "60 kN", "--runtime", "cpython"],
    "try": [*PRESS, "--no-browser"],
    "units": [],
    "virtual": [*PRESS, "--runtime", "cpython"],
}  # fmt: skip

# What a text is not: no option's text may look like these, whatever the quantity.
_NO_QUANTITY = ["abc", "nan kN", "inf mm", "1e300 mm", "1e300 kN", "1e400 Pa", "5", "5 furlongz", "-1 mm", ""]
_WORDS = frozenset({
    "job_name", "by", "note", "title", "name", "uid", "weights_column", "hub_material", "shaft_material",
    "port", "press_file", "token",
})  # fmt: skip
# Free words: any text is good.
_FREE = frozenset({"by", "note", "title", "job_name", "token"})


@dataclass(frozen=True)
class Case:
    """A command line that must be refused: `words`, the parameter that is bad, and its value."""

    command: str
    parameter: str
    value: str
    words: tuple[str, ...]

    @property
    def name(self) -> str:
        """Return what a test report calls it."""
        return f"{self.command} {self.parameter}={self.value[:24]!r}"


def leaves(group: click.Group, path: tuple[str, ...] = ()) -> Iterator[tuple[str, click.Command]]:
    """Yield every command with its words."""
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        if isinstance(command, click.Group):
            yield from leaves(command, (*path, name))
        elif command is not None:
            yield " ".join((*path, name)), command


def bad_values(command: str, parameter: click.Parameter) -> list[str]:
    """Return values that a parameter of a command must refuse, by its type and name."""
    kind, name = parameter.type, parameter.name or ""
    if isinstance(kind, click.Choice):
        return ["no-such", "", "\x00"]
    if isinstance(kind, click.IntRange):
        low = [] if kind.min is None else [str(kind.min - 1)]
        high = [] if kind.max is None else [str(kind.max + 1)]
        return ["abc", "1.5", "nan", "1e3", "9" * 400, "1" + "0" * 30, *low, *high]
    if isinstance(kind, click.types.IntParamType):
        return ["abc", "1.5", "nan", "9" * 400, "1" + "0" * 30, "-1"]
    if isinstance(kind, Number):
        return ["abc", "nan", "inf", "-inf", "1e400", "1e300", "5 furlongz", ""]
    if isinstance(kind, click.types.FloatParamType):
        return ["abc", "nan", "inf", "-inf", "1e400", "1e300", ""]
    if isinstance(kind, Place):
        return bad_folders() if kind.folder else bad_places()
    if isinstance(kind, click.Path):
        return ["no-such-file", "garbage", "pipe", "endless", *([] if name == "bends" else ["empty-folder"])]
    if name == "store":
        return [
            "no/such/folder/s.db",
            ".",
            "garbage",
            "mysql://a/b",
            "postgresql://[",
            "pipe",
            "empty-folder",
        ]
    if name in ("listen", "metrics", "operator_listen", "broker"):
        return ["nonsense:x", "127.0.0.1:99999", "127.0.0.1:-1", ":", "300.1.1.1:x", "127.0.0.1:port", "[::1"]
    if command == "doctor" and name == "port":
        return []  # it looks at a port that may be bad, and says what is
    if command in ("collect", "page") and name in ("port", "ports"):
        return ["socket://nowhere", "socket://127.0.0.1:99999", "socket://127.0.0.1:x"]  # others may come yet
    if name in ("port", "ports"):
        return [
            "/dev/no-such-port",
            "socket://nowhere",
            "socket://127.0.0.1:99999",
            "socket://127.0.0.1:x",
            "",
            "COM?",
        ]
    if name == "hands_url":
        return ["nonsense", "socket://127.0.0.1:1", "socket://127.0.0.1:x"]
    if name == "press_file":
        return ["no-such.toml", "garbage", ".", "pipe"]
    if name in ("faults", "changes"):
        return [
            "gremlin@1",
            "x",
            "",
            "sensor-open@nan",
            "=@",
            "work.plateau=nan@1",
            "sensor-open@1e400",
            "seed=abc",
        ]
    if name in _FREE:
        return []
    if name == "kind":
        return ["\x1b[31m", "x" * 500]
    if name in _WORDS or "material" in name or name in ("thread", "arch"):
        return ["no-such-thing", "\x1b[31m"]
    return _NO_QUANTITY


def bad_places() -> list[str]:
    """Return places where no file can be written, or where one is not to be; `pipe` stands for any special file."""
    return [
        "no/such/folder/x.md",
        "garbage/below-a-file.md",
        "pipe",
        "link-to-file",
        "link-to-pipe",
        "empty-folder",
    ]


def bad_folders() -> list[str]:
    """Return places that are no folder and cannot become one."""
    return ["garbage", "garbage/below-a-file", "pipe", "link-to-folder", "/dev/null", "/dev/null/x"]


def with_bad(command: click.Command, path: str, parameter: click.Parameter, value: str) -> tuple[str, ...]:
    """Return the words of a command that is good but for one parameter."""
    words = list(GOOD.get(path, []))
    if isinstance(parameter, click.Option):
        option = max(parameter.opts, key=len)
        if option in words:
            at = words.index(option)
            words[at : at + 2] = []
        return (*path.split(), *words, option, value)
    places = [each.name for each in command.params if isinstance(each, click.Argument)]
    at = places.index(parameter.name)
    # A command without good words here: its other arguments are bad, too.
    words[: at + 1] = [*words[:at], *["no-such-file"] * (at - len(words)), value]
    return (*path.split(), "--", *words) if value.startswith("-") else (*path.split(), *words)


def cases() -> Iterator[Case]:
    """Yield every case of every command, in order."""
    for path, command in leaves(steadyram.cli.cli):
        for parameter in command.params:
            if isinstance(parameter, click.Option) and parameter.is_flag:
                continue
            for value in bad_values(path, parameter):
                yield Case(path, parameter.name or "", value, with_bad(command, path, parameter, value))


def make_files(folder: Path, press: str, header: str, bends: str) -> None:
    """Write the files that the good command lines name, and the bad ones' special files."""
    import os

    (folder / "press.toml").write_text(press, encoding="utf-8")
    (folder / "header.toml").write_text(header, encoding="utf-8")
    (folder / "bends.toml").write_text(bends, encoding="utf-8")
    (folder / "jobs.toml").write_text('[[job]]\nname = "nut"\nforce = "8 kN"\n', encoding="utf-8")
    (folder / "settings.toml").write_text("changes_s = 300\n", encoding="utf-8")
    (folder / "points.csv").write_text(
        "reference,reading\n20,10600\n60,18300\n100,25900\n150,35400\n", encoding="utf-8"
    )
    (folder / "study.csv").write_text(
        "part,operator,value\n1,a,1.0\n1,b,1.1\n2,a,2.0\n2,b,2.1\n", encoding="utf-8"
    )
    (folder / "garbage").write_bytes(bytes(range(256)) * 4)
    (folder / "empty-folder").mkdir()
    os.mkfifo(folder / "pipe")
    (folder / "link-to-file").symlink_to("garbage")
    (folder / "link-to-pipe").symlink_to("pipe")
    (folder / "link-to-folder").symlink_to("empty-folder")
    (folder / "endless").symlink_to("/dev/zero")
