"""Every parser of what comes from outside, as a function of bytes, with seeds; used by the fuzzer and by CI.

A target may raise the errors that it promises (SteadyramError, FrameError, Refuse); anything else is a crash.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
for folder in (ROOT / "firmware", ROOT / "tests" / "firmware"):
    if str(folder) not in sys.path:
        sys.path.insert(0, str(folder))

from bench import Bench  # noqa: E402

from steadyram.device import Device  # noqa: E402
from steadyram.errors import SteadyramError  # noqa: E402
from steadyram.jobs.file import read_jobs  # noqa: E402
from steadyram.link.client import Client  # noqa: E402
from steadyram.link.frames import FrameError, decode_answer, decode_request, seal  # noqa: E402
from steadyram.link.transport import Transport  # noqa: E402
from steadyram.metrology.csv_record import record_from_csv  # noqa: E402
from steadyram.metrology.header_file import TEMPLATE, read_header  # noqa: E402
from steadyram.metrology.journal import read_journal  # noqa: E402
from steadyram.metrology.points_file import read_points  # noqa: E402
from steadyram.metrology.study_file import read_study  # noqa: E402
from steadyram.press.pressfile import read_press  # noqa: E402
from steadyram.settings_file import read_settings  # noqa: E402
from steadyram_fw import tables as T  # noqa: E402
from steadyram_fw.services import sets  # noqa: E402
from steadyram_fw.services.refuse import Refuse  # noqa: E402

ALLOWED = (SteadyramError, FrameError, Refuse)
_HOME = tempfile.TemporaryDirectory(prefix="steadyram-fuzz-")
_FILE = Path(_HOME.name) / "input"
Target = Callable[[bytes], object]


def _file(read: Callable[[Path], object]) -> Target:
    def target(data: bytes) -> object:
        _FILE.write_bytes(data)
        return read(_FILE)

    return target


def frames(data: bytes) -> None:
    """Both directions, as it came and with a checksum that fits, so that what lies behind it is reached."""
    for line in (data, seal(data)):
        for decode in (decode_answer, decode_request):
            try:
                decode(line)
            except FrameError:
                continue


class _Canned(Transport):
    """Says the same bytes whatever is asked; its clock goes on by itself."""

    def __init__(self, data: bytes) -> None:
        super().__init__()
        self._data = data
        self._time = 0.0

    def _write(self, data: bytes) -> None:
        tag = data.partition(b" ")[0]
        # A star stands for the tag that was asked under, and lines that want a checksum get one.
        self._left = b"\n".join(
            seal(line[:-1]) if line.endswith(b"~") else line
            for line in self._data.replace(b"*", tag).split(b"\n")
        )

    def _read(self, timeout_s: float) -> bytes:
        self._time += 0.1
        some, self._left = self._left[:64], self._left[64:]
        return some

    def _now_s(self) -> float:
        return self._time


def client(data: bytes) -> None:
    """A device that says anything at all, to everything that the host can ask."""
    for ask in (
        "hello",
        "now",
        "settings",
        "jobs",
        "calibration",
        "learned",
        "changes",
        "last_pulses",
        "last_fine",
    ):
        try:
            getattr(Device(Client(_Canned(data), timeout_s=0.3, tries=1)), ask)()
        except ALLOWED:
            continue
    try:
        list(Device(Client(_Canned(data), timeout_s=0.3, tries=1)).log())
    except ALLOWED:
        return


class _Firmware:
    bench: Bench | None = None
    count = 0


def firmware(data: bytes) -> None:
    """Bytes into the real firmware's link, changes and seal open; lines that end in ~ get their checksum."""
    if _Firmware.bench is None:
        bench = Bench(tempfile.mkdtemp(dir=_HOME.name))
        _Firmware.bench = bench
    bench = _Firmware.bench
    bench.app.access._left_s, bench.app.access._unsealed = 1 << 20, True
    link = bench.app.link
    lines = [seal(line[:-1]) if line.endswith(b"~") else line for line in data.split(b"\n")]
    bench.board.out = []
    link.receive(b"\n".join(lines) + b"\n")
    for _ in range(2000):
        if not link.work() and link.hungry:
            break
    assert bench.app.outputs & (T.OUT_EXTEND | T.OUT_RETRACT | T.OUT_SLOW) == 0
    bench.app.keeper.changes.waiting.clear()


def stored_sets(data: bytes) -> None:
    """Canonical text as it comes out of flash."""
    for kind in T.KINDS:
        sets.from_payload(kind, kind.encode() + b"\n" + data)


_HEADER = TEMPLATE.encode()


def _calibration_csv(path: Path) -> object:
    if not hasattr(_calibration_csv, "header"):
        file = Path(_HOME.name) / "header.toml"
        file.write_bytes(_HEADER)
        try:
            _calibration_csv.header = read_header(file, 6554.0)  # type: ignore[attr-defined]
        except SteadyramError:
            _calibration_csv.header = None  # type: ignore[attr-defined]
    header = _calibration_csv.header  # type: ignore[attr-defined]
    return read_points(path) if header is None else record_from_csv(path, header, "kN")


def _seeds(*patterns: str) -> list[bytes]:
    return [path.read_bytes() for pattern in patterns for path in sorted(ROOT.glob(pattern))[:3]]


_SETTINGS = "\n".join(f"{row[0]} = {row[3]}" for row in T.SETTINGS).encode()
_PUT = b" ".join(b"%s=%d" % (row[0].encode(), row[3]) for row in T.JOB)
_POINT = b'{"point": {"run": 1, "direction": "rising", "reference": 1.0, "counts": 7000}}\n'


def _journal() -> bytes:
    _FILE.write_bytes(_HEADER)
    header = read_header(_FILE, 6554.0).model_dump_json().encode()
    return b'{"header": ' + header + b"}\n" + _POINT + b'{"zero_counts_after": 6550}\n'


TARGETS: dict[str, tuple[Target, list[bytes]]] = {
    "frames": (frames, [b'a1 row k=1 name="x y" v=1,2,3', b'a1 no 12 "not open"', b"- state state=1 fault=0"]),
    "client": (
        client,
        [b'* ok proto=1 oldest=1 fw=0.1.0 board=b uid="1" units=N caps=log boot=1 job_slots=16 line_max=240~',
         b"* row v=1,2,3~\n* ok n=1 next=2 first=1 last=1~", b"* row i=0 v=1,2,3~\n* ok n=1~",
         b'* row slot=1 name="a" setpoint_n=5~\n* ok gen=1 digest=00000000 n=1~', b'* no 12 "x"~'],
    ),
    "firmware-link": (
        firmware,
        [b"a1 stage kind=jobs~\na2 put slot=1 name=\"n\" " + _PUT + b"~\na3 check~\na4 commit digest=0~",
         b"b1 hello\nb2 now\nb3 show kind=settings\nb4 log from=0\nb5 changes from=0 max=3",
         b"c1 probe feed=1 cut_counts=0 pulse_ms=3 pulses=3 pause_ms=9~\nc2 zero~\n"
         b"c3 teach setpoint_n=5~\nc4 use job=1~",
         b"d1 events on=1 live_ms=20\nd2 last kind=fine\nd3 trace seq=1\nd4 io\nd5 clock unix=5~\nd6 forget job=1~"],
    ),
    "firmware-flash-sets": (stored_sets, [_SETTINGS.replace(b" = ", b"="), b"1.name=n\n1.setpoint_n=5\n"]),
    "press-file": (_file(read_press), _seeds("tests/presses/*.toml")),
    "jobs-file": (_file(read_jobs), [b'[[job]]\nname = "nut"\nforce = "1 tonf"\nbatch = 5\n']),
    "settings-file": (_file(read_settings), [_SETTINGS]),
    "fit-csv": (
        _file(lambda path: read_points(path, weights_column="w")),
        [b"reference,reading,w\n1,2,3\n2,3,4\n", b"# c\nx,y,w\n1,2,1\n",
         b'reference,reading,direction,w\n"1",2,rising,3\n'],
    ),
    "calibration-csv": (_file(_calibration_csv),
                        [b"reference,reading,direction,run\n1,7000,rising,1\n2,8000,falling,1\n"]),
    "calibration-journal": (_file(read_journal), [_journal()]),
    "calibration-header": (_file(lambda path: read_header(path, 6554.0)), [_HEADER]),
    "study-csv": (_file(read_study), [b"part,operator,reading\n1,a,2.5\n1,a,2.6\n"]),
}  # fmt: skip


def run(name: str, data: bytes) -> bool:
    """Feed one input; True when it was taken, False when it was refused as promised. Anything else is raised."""
    try:
        TARGETS[name][0](data)
    except ALLOWED:
        return False
    return True
