"""Bytes to and from a device. The only file that knows pyserial.

`Transport` is what the layers above see. Its public methods log every exchange to the wire log and then
call a private hook; a transport of another kind (a virtual press in virtual time) overrides the hooks alone.
"""

from __future__ import annotations

import re
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self, TextIO

import serial
from serial.tools import list_ports

from steadyram.errors import PortError, PortLost

_READ_MOST: Final = 4096
_BAUD: Final = 115200

_lost: tuple[type[BaseException], ...] = (OSError, ValueError, TypeError, AttributeError)
try:  # pyserial lets this one through on POSIX when the device is pulled out
    import termios

    _lost = (*_lost, termios.error)
except ImportError:  # pragma: no cover - not on POSIX
    pass


class Transport(ABC):
    """A byte pipe with a clock of its own, so that timeouts hold in virtual time too."""

    def __init__(self, wire_log: TextIO | None = None) -> None:
        """wire_log: text stream that gets one line an exchange (seconds, direction, bytes), or None."""
        self._wire_log = wire_log

    def write(self, data: bytes) -> None:
        """Send all of `data`. Raises PortLost."""
        self._log(">", data)
        self._write(data)

    def read(self, timeout_s: float) -> bytes:
        """Bytes as soon as there are any; empty after `timeout_s` seconds without. Raises PortLost."""
        data = self._read(timeout_s)
        if data:
            self._log("<", data)
        return data

    def now_s(self) -> float:
        """Seconds on the clock that timeouts are counted on; only differences mean anything."""
        return self._now_s()

    def close(self) -> None:
        """Let go of the port and the wire log; closing twice is harmless."""
        self._close()
        if self._wire_log is not None:
            self._wire_log.close()
            self._wire_log = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _log(self, direction: str, data: bytes) -> None:
        if self._wire_log is not None:
            self._wire_log.write(
                f"{self._now_s():.4f} {direction} {data.decode('ascii', 'backslashreplace')!r}\n"
            )

    @abstractmethod
    def _write(self, data: bytes) -> None: ...

    @abstractmethod
    def _read(self, timeout_s: float) -> bytes: ...

    def _close(self) -> None:
        return None

    def _now_s(self) -> float:
        return time.monotonic()


class SerialTransport(Transport):
    """Anything pyserial opens: a serial port, a pseudo-terminal, `socket://host:port`."""

    def __init__(self, url: str, wire_log: TextIO | None = None) -> None:
        """Open `url`. Raises PortError with one sentence that lists the ports found."""
        super().__init__(wire_log)
        self.url = url
        try:
            self._port: Any = serial.serial_for_url(
                url, baudrate=_BAUD, timeout=0.1, write_timeout=5.0, exclusive=None if "://" in url else True
            )
            # What a former host left unread is no answer to anything this one will ask.
            self._port.reset_input_buffer()
        except _lost as error:
            raise PortError(_cannot_open(url, error)) from None

    def _write(self, data: bytes) -> None:
        try:
            self._port.write(data)
        except _lost as error:
            raise self._gone(error) from None

    def _read(self, timeout_s: float) -> bytes:
        try:
            self._port.timeout = max(0.0, timeout_s)
            first = bytes(self._port.read(1))
            if not first:
                return b""
            # With a zero timeout one read takes all that has arrived, on a port as on a socket.
            self._port.timeout = 0
            return first + bytes(self._port.read(_READ_MOST))
        except _lost as error:
            raise self._gone(error) from None

    def _close(self) -> None:
        try:
            self._port.close()
        except _lost:
            return

    def _gone(self, error: BaseException) -> PortLost:
        return PortLost(
            f"The port {self.url} went away ({_reason(error)}); plug it in again and repeat the command."
        )


def _reason(error: BaseException) -> str:
    text = " ".join(str(error).split()) or type(error).__name__
    inner = re.search(r"\[Errno \d+\] ([^:'\"]+)", text)
    return (inner[1] if inner else text).strip().rstrip(".")[:120]


def _cannot_open(url: str, error: BaseException) -> str:
    found = [port.device for port in list_ports.comports()]
    known = f"the ports found are {', '.join(found)}" if found else "no serial port was found"
    return f"The port {url} cannot be opened ({_reason(error)}); {known}."


def usb_ports() -> list[str]:
    """Names of the serial ports that are USB devices, in order."""
    return sorted(port.device for port in list_ports.comports() if port.vid is not None)


_in_process: dict[str, Callable[[TextIO | None], Transport]] = {}


@contextmanager
def port_in_process(url: str, opener: Callable[[TextIO | None], Transport]) -> Iterator[None]:
    """Let `open_transport(url)` open a device of this very process, such as a simulated press in virtual time.

    opener: takes the wire log, or None, and returns the transport.
    """
    _in_process[url] = opener
    try:
        yield
    finally:
        del _in_process[url]


def _opened(url: str, stream: TextIO | None) -> Transport:
    opener = _in_process.get(url)
    return SerialTransport(url, stream) if opener is None else opener(stream)


def open_transport(url: str, wire_log: Path | None = None) -> Transport:
    """Open a port by its name or URL; `wire_log` is a file that every exchange is appended to.

    Raises PortError when the port cannot be opened or the wire log cannot be written.
    """
    if wire_log is None:
        return _opened(url, None)
    try:
        stream = wire_log.open("a", encoding="utf-8", buffering=1)
    except OSError as error:
        raise PortError(f"The wire log {wire_log} cannot be written ({_reason(error)}).") from None
    return _opened(url, stream)
