"""The hands of someone at a virtual press in another thread or process, over its operator's port."""

from __future__ import annotations

import contextlib
import math
import socket
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import TracebackType
from typing import Self
from urllib.parse import urlsplit

from steadyram.bending.device_stroke import BendingPedals
from steadyram.bending.procedure import BendingHands, Doubted
from steadyram.commission.hands import Hands
from steadyram.errors import BadInput, CheckFailed, PortError, PortLost, SteadyramError
from steadyram.virtual.load_cell import WORKSHOP_C
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.runtime import FirmwareStopped
from steadyram.virtual.script import play
from steadyram.virtual.typed import perform

_PATIENCE_S = 300.0


class ActionLine(ABC):
    """Does action lines (see `typed`) at a simulated press; each returns when it is done."""

    @abstractmethod
    def do(self, action: str) -> list[str]:
        """Do one action; returns the lines that it said. Raises CheckFailed if it was refused, PortLost."""

    def close(self) -> None:
        """Take hands and feet off, and leave."""
        return None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def force_N(self, action: str) -> float:
        """Return the load cell under the ram, newtons: "cell" now, "peak" the highest since last asked."""
        return self._figure(action, "force_N")

    def angle_deg(self) -> float:
        """Return the included angle of the sheet on the die once released, degrees."""
        return self._figure("angle", "angle_deg")

    def _figure(self, action: str, key: str) -> float:
        for text in self.do(action):
            word, _, value = text.partition(" ")
            if word == key:
                return float(value)
        raise CheckFailed(f"The virtual press's operator gave no {key}.")


class LocalLine(ActionLine):
    """The same at a press of this process, in virtual time."""

    def __init__(self, press: VirtualPress) -> None:
        self._press = press

    def do(self, action: str) -> list[str]:
        said: list[str] = []
        try:
            play(self._press, perform(self._press, action, said.append))
        except FirmwareStopped:
            raise
        except SteadyramError as error:
            raise CheckFailed(str(error)) from None
        return "\n".join(said).split("\n") if said else []

    def close(self) -> None:
        self._press.operator.release_all()


_in_process: dict[str, VirtualPress] = {}


@contextmanager
def operator_in_process(url: str, press: VirtualPress) -> Iterator[None]:
    """Let `open_operator(url)` work at a press of this process."""
    _in_process[url] = press
    try:
        yield
    finally:
        del _in_process[url]


def open_operator(url: str) -> ActionLine:
    """Open the operator's line of a simulated press. Raises BadInput or PortError (see OperatorLine)."""
    press = _in_process.get(url)
    return OperatorLine(url) if press is None else LocalLine(press)


class OperatorLine(ActionLine):
    """Sends action lines to the port of `virtual --operator-listen`.

    url: socket://HOST:PORT. Raises BadInput for another form, PortError when nobody listens there.
    """

    def __init__(self, url: str) -> None:
        parts = urlsplit(url)
        try:
            host, port = parts.hostname, parts.port
        except ValueError:
            host, port = None, None
        if parts.scheme != "socket" or not host or not port:
            raise BadInput(
                f"--hands '{url[:80]}' is not socket://HOST:PORT; 'virtual --operator-listen' prints it."
            )
        try:
            self._socket = socket.create_connection((host, port), timeout=10.0)
        except OSError as error:
            raise PortError(
                f"No virtual press offers its pedals at {url[:80]} ({error.strerror or error}); start one "
                "with 'steadyram virtual --operator-listen 127.0.0.1:0'."
            ) from None
        self._socket.settimeout(_PATIENCE_S)
        with contextlib.suppress(OSError):
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._part = b""

    def close(self) -> None:
        self._socket.close()

    def do(self, action: str) -> list[str]:
        said: list[str] = []
        try:
            self._socket.sendall(action.encode() + b"\n")
            while True:
                line = self._next()
                if line.startswith("= "):
                    said.append(line[2:])
                elif line == "done":
                    return said
                else:
                    raise CheckFailed(line.removeprefix("no "))
        except OSError:
            raise PortLost("The virtual press's operator does not answer any more; start it again.") from None

    def _next(self) -> str:
        while b"\n" not in self._part:
            data = self._socket.recv(65536)
            if not data:
                raise PortLost("The virtual press's operator is gone; start it again.")
            self._part += data
        line, _, self._part = self._part.partition(b"\n")
        return line.decode("utf-8", "replace")


class LineHands(Hands):
    """Commissioning hands over an operator's line, with a load cell under the ram."""

    def __init__(self, line: ActionLine) -> None:
        self._line = line

    def note(self, text: str) -> None:
        return None

    def wait(self, seconds: float) -> None:
        self._line.do(f"wait {max(0.0, seconds):.4f}")

    def open_changes(self) -> None:
        # The same button closes changes again, so look at the panel first, once it has had time to be written.
        for _ in range(4):
            self._line.do("wait 0.5")
            if any("CHANGES OPEN, CAL" in text for text in self._line.do("show")):
                return
            self._line.do("unseal")
        raise CheckFailed("The panel does not show open changes although the button was held.")

    def open_calibration(self) -> None:
        self.open_changes()

    def use_block(self) -> None:
        self._line.do("block")

    def use_part(self) -> None:
        self._line.do("part")
        self._line.do("wait 0.3")

    def use_stack(self, height_m: float) -> None:
        self.to_top()
        self._line.do(f"stack {height_m:.9f}")

    def press_extend(self) -> None:
        self._line.do("press extend")

    def release_extend(self) -> None:
        self._line.do("release extend")
        self._line.do("wait 0.02")

    def tap_retract(self, seconds: float) -> None:
        self._line.do(f"tap retract {seconds:.4f}")

    def reseat(self, run: int) -> bool:
        return True

    def ambient_C(self, when: str) -> float | None:
        return WORKSHOP_C

    def to_top(self) -> None:
        self._line.do("top")

    def reference_N(self) -> float:
        return self._line.force_N("cell")


class LineBending(LineHands, BendingPedals, BendingHands):
    """The same at a die: says yes to every stroke and reads the protractor, or leaves both to a person.

    person: asked for each yes and each angle; None: the virtual press's operator does both.
    """

    def __init__(
        self, line: ActionLine, say: Callable[[str], None], person: BendingHands | None = None
    ) -> None:
        super().__init__(line)
        self._say, self._person = say, person

    def note(self, text: str) -> None:
        self._say(text)

    def fresh_sheet(self) -> None:
        self.use_part()

    def confirm(self, text: str) -> bool:
        if self._person is not None:
            return self._person.confirm(text)
        self._say(text)
        return True

    def doubted(self, text: str) -> Doubted:
        return self._person.doubted(text) if self._person is not None else "keep"

    def included_angle_rad(self, text: str) -> float | None:
        if self._person is not None:
            return self._person.included_angle_rad(text)
        return math.radians(self._line.angle_deg())
