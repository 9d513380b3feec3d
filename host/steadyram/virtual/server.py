"""A virtual press served as a serial line: a TCP port, and a pseudo-terminal where the system has them.

How time passes. In real time: one millisecond a millisecond, in chunks of at most 10 ms; a machine that
cannot keep up slips, it never rushes to catch up. Otherwise: as fast as it can while there is something to do
(bytes from the host, an operator's script, a valve energised or just switched), and at the pace of the wall
clock when there is not, so that an idle press costs next to nothing.
"""

from __future__ import annotations

import contextlib
import os
import selectors
import signal
import socket
import sys
import time
from collections import deque
from collections.abc import Callable, Iterator
from functools import partial
from typing import Any, Final

from steadyram.errors import BadInput, PortError, SteadyramError
from steadyram.virtual.press import VirtualPress
from steadyram.virtual.prompt import Prompt
from steadyram.virtual.runtime import FirmwareStopped
from steadyram.virtual.script import PATIENCE_S, Condition, Person, Script
from steadyram.virtual.typed import perform

Say = Callable[[str], None]

_CHUNK_S: Final = 0.01
_CHUNK_TICKS: Final = 10
_FAST_CHUNK_S: Final = 0.1
_SLIP_S: Final = 0.25
_AFTER_BYTES_S: Final = 0.05
_AFTER_VALVES_S: Final = 0.5
_SEND_MOST: Final = 1 << 20
_READ: Final = 65536
_READS_MOST: Final = 32
BUSY_NOTE: Final = b"# another host is connected to this press; try again when it has let go\n"


def parse_listen(text: str) -> tuple[str, int]:
    """Split HOST:PORT. Raises BadInput."""
    host, _, port = text.rpartition(":")
    if not host or not port.isascii() or not port.isdecimal() or int(port) > 65535:
        raise BadInput(f"--listen '{text}' is not HOST:PORT, e.g. 127.0.0.1:0 to have a free port picked.")
    return host.strip("[]"), int(port)


class _Runner:
    """Runs one script step by step: `ready` when its next step may be taken."""

    def __init__(self, press: VirtualPress, script: Script) -> None:
        self._press = press
        self._script = script
        self._until_s = press.time_s
        self._condition: Condition | None = None
        self.over = False

    def wait_s(self) -> float:
        """Seconds of virtual time that may pass before the script wants to look again."""
        return max(0.0, self._until_s - self._press.time_s)

    @property
    def condition(self) -> Condition | None:
        return self._condition

    def turn(self) -> None:
        """Take every step that is due."""
        while not self.over and self._due():
            try:
                wait = next(self._script)
            except StopIteration:
                self.over = True
                return
            if callable(wait):
                self._condition = wait
                self._until_s = self._press.time_s + PATIENCE_S
            else:
                self._condition = None
                self._until_s = self._press.time_s + wait

    def _due(self) -> bool:
        if self._press.time_s >= self._until_s - 1e-9:
            return True
        return self._condition is not None and self._condition(self._press)


class _Order:
    """One action line and where its answer goes; `ended` takes None, or the sentence of what was wrong."""

    def __init__(self, line: str, say: Say, ended: Callable[[str | None], None]) -> None:
        self.line = line
        self.say = say
        self.ended = ended


class PressServer:
    """Serves one press to one host at a time: over the port, or over the pseudo-terminal while nobody is on the port.

    press: is closed by the caller; person: who works at it, or None; typed: read action lines from `actions`
    (a file descriptor); operator_listen: a second port, for the hands: each action line gets any number of
    lines, each after "= ", then `done` or `no SENTENCE`; say: takes lines meant for a person; on_turn: called
    between two spans of time, which are at most 10 ms long in real time, and may act at the press.
    """

    def __init__(
        self,
        press: VirtualPress,
        *,
        listen: tuple[str, int],
        pty: bool = False,
        realtime: bool = False,
        person: Person | None = None,
        actions: int | None = None,
        operator_listen: tuple[str, int] | None = None,
        say: Callable[[str], None] = lambda text: print(text, file=sys.stderr, flush=True),
        on_turn: Callable[[VirtualPress], None] = lambda press: None,
    ) -> None:
        """Opens the port. Raises PortError when it cannot, BadInput when there are no pseudo-terminals."""
        self.press = press
        self.realtime = realtime
        self._person = person
        self._say = say
        self._on_turn = on_turn
        self._select = selectors.DefaultSelector()
        self._client: socket.socket | None = None
        self._out = bytearray()
        self._busy_until_s = 0.0
        self._valves_s = -_AFTER_VALVES_S  # when a valve was last energised
        self._stopping = False
        self._prompt: Prompt | None = None
        self._typed: deque[_Order] = deque()
        self._typed_part = b""
        self._typing: _Runner | None = None
        self._order: _Order | None = None
        self._hands: socket.socket | None = None
        self._hands_part = b""
        self._day = None if person is None else _Runner(press, person.day(press))
        self._pty: tuple[int, int] | None = None
        # Who asked last gets what the device says, from the next whole line on, and nobody else does.
        self._pty_asked = False
        self._pty_skips = False
        self._in_line = False
        self.pty_path: str | None = None
        self._listener = self._open(listen)
        self._select.register(self._listener, selectors.EVENT_READ, self._accept)
        self._hands_listener: socket.socket | None = None
        if operator_listen is not None:
            self._hands_listener = self._open(operator_listen)
            self._select.register(self._hands_listener, selectors.EVENT_READ, self._accept_hands)
        if pty:
            self._open_pty()
        if actions is not None:
            self._open_actions(actions)

    def _open_actions(self, source: int) -> None:
        try:
            self._select.register(source, selectors.EVENT_READ, lambda: self._read_actions(source))
        except (ValueError, OSError):
            # A plain file is always readable and cannot be waited for: take it whole.
            while self._read_actions(source):
                pass

    @staticmethod
    def _open(listen: tuple[str, int]) -> socket.socket:
        try:
            family = socket.getaddrinfo(*listen, type=socket.SOCK_STREAM)[0][0]
            listener = socket.socket(family, socket.SOCK_STREAM)
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind(listen)
            listener.listen(8)
        except OSError as error:
            raise PortError(
                f"The address {listen[0]}:{listen[1]} cannot be listened on ({error.strerror}); "
                "choose another port, or 0 to have a free one picked."
            ) from None
        listener.setblocking(False)
        return listener

    def _open_pty(self) -> None:
        try:
            import pty
            import tty
        except ImportError:
            raise BadInput(
                "This system has no pseudo-terminals; leave --pty out and use the socket."
            ) from None
        master, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        # The slave end stays open here, so that a host may come and go without ending the line.
        self._pty = (master, slave)
        self.pty_path = os.ttyname(slave)
        self._select.register(master, selectors.EVENT_READ, self._read_pty)

    @property
    def url(self) -> str:
        """What `--port` takes."""
        return _url(self._listener)

    @property
    def hands_url(self) -> str | None:
        """What `--hands` takes; None without an operator's port."""
        return None if self._hands_listener is None else _url(self._hands_listener)

    def stop(self) -> None:
        """Let `serve` return soon; may be called from a signal handler."""
        self._stopping = True

    def close(self) -> None:
        """Close every end of the line."""
        if self._prompt is not None:
            self._prompt.close()
        self._drop_client()
        self._drop_hands()
        self._select.close()
        self._listener.close()
        if self._hands_listener is not None:
            self._hands_listener.close()
        if self._pty is not None:
            for end in self._pty:
                os.close(end)
            self._pty = None

    # ------------------------------------------------------------------ the loop
    def serve(self) -> None:
        """Serve until `stop`. Raises FirmwareStopped."""
        wall = time.monotonic()
        while not self._stopping:
            fast = not self.realtime and self._busy()
            due_s = wall + _CHUNK_S - time.monotonic()
            for key, _ in self._select.select(0.0 if fast else max(0.0, due_s)):
                key.data()
            if self._stopping:
                break
            if self._at_prompt():
                wall = time.monotonic()
                continue
            self._turn_scripts()
            self._on_turn(self.press)
            now = time.monotonic()
            if not self.realtime and self._busy():
                self._run(_FAST_CHUNK_S)
                wall = now
            else:
                passed = now - wall
                if passed > _SLIP_S:
                    wall, passed = now - _SLIP_S, _SLIP_S
                ticks = min(int(passed / 0.001), _CHUNK_TICKS)
                if ticks:
                    wall += ticks * 0.001
                    self._run(ticks * 0.001)
            self._flush()

    def _at_prompt(self) -> bool:
        """Join host and interpreter while the board is at its prompt; its restarts take the line away, as USB does."""
        if self._prompt is None:
            if not self.press.at_prompt:
                return False
            self._flush()
            self._drop_client()
            self._say("the board is at its interpreter's prompt")
            self._prompt = Prompt(self.press.state_dir)
            self._select.register(self._prompt.fd, selectors.EVENT_READ, self._read_prompt)
        elif self._prompt.ended:
            self._select.unregister(self._prompt.fd)
            self._prompt.close()
            self._prompt = None
            self._drop_client()
            self.press.power_up()
            self._say("the board restarts")
        return True

    def _read_prompt(self) -> None:
        data = b"" if self._prompt is None else self._prompt.read()
        if self._client is not None and data:
            self._out += data
            self._send()

    def _busy(self) -> bool:
        press = self.press
        if press.valves_on:
            self._valves_s = press.time_s
        if self._typed or self._typing is not None or press.time_s - self._valves_s < _AFTER_VALVES_S:
            # (Only valves count: a fault's lamp and buzzer switch for ever.)
            return True
        return press.time_s < self._busy_until_s or press.operator.extend_held or press.operator.enable_held

    def _run(self, seconds: float) -> None:
        """Run, stopping wherever a script wants to act."""
        press = self.press
        end_s = press.time_s + seconds
        while not self._stopping:
            left = end_s - press.time_s
            if left < 0.0005:
                return
            if self._client is not None and press.received:
                # An answer is worth sending at once: the host waits for it.
                return
            runners = self._runners()
            step = max(0.001, min([left, *(r.wait_s() for r in runners)]))
            conditions = [r.condition for r in runners if r.condition is not None]
            if self._client is not None:
                conditions.append(_answered)
            if conditions:
                press.run_until(lambda p, c=conditions: any(x(p) for x in c), step)  # type: ignore[misc]
            else:
                press.run(step)
            self._turn_scripts()

    def _runners(self) -> list[_Runner]:
        return [r for r in (self._typing, self._day) if r is not None and not r.over]

    def _turn_scripts(self) -> None:
        if self._person is not None:
            self._person.relieved = self._hands is not None
        if self._day is not None:
            self._day.turn()
        while True:
            if self._typing is not None:
                assert self._order is not None
                wrong: str | None = None
                try:
                    self._typing.turn()
                except FirmwareStopped:
                    raise
                except SteadyramError as error:
                    wrong = str(error)
                    self._typing.over = True
                if not self._typing.over:
                    return
                self._typing = None
                self._order.ended(wrong)
            if not self._typed:
                return
            self._order = self._typed.popleft()
            self._typing = _Runner(self.press, perform(self.press, self._order.line, self._order.say))

    # ------------------------------------------------------------------ bytes
    def _accept(self) -> None:
        try:
            client, _ = self._listener.accept()
        except OSError:
            return
        client.setblocking(False)
        with contextlib.suppress(OSError):
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        # The host before may be gone, its last bytes and its end still unread: nobody is turned away for that.
        _drain(self._read_client)
        if self._client is not None:
            with contextlib.suppress(OSError):
                client.send(BUSY_NOTE)
            client.close()
            return
        self._client = client
        self._pty_asked = False
        self._out.clear()
        self._select.register(client, selectors.EVENT_READ, self._read_client)

    def _drop_client(self) -> None:
        if self._client is not None:
            self._select.unregister(self._client)
            self._client.close()
            self._client = None
            self._out.clear()

    def _read_client(self) -> bool:
        """Take what has arrived; False when there was nothing, or its end."""
        if self._client is None:
            return False
        try:
            data = self._client.recv(_READ)
        except BlockingIOError:
            return False
        except OSError:
            data = b""
        if data:
            self._hear(data)
        else:
            self._drop_client()
        return bool(data)

    def _read_pty(self) -> None:
        assert self._pty is not None
        with contextlib.suppress(BlockingIOError, OSError):
            data = os.read(self._pty[0], _READ)
            _drain(self._read_client)  # a host that has gone is in nobody's way
            if self._client is not None:
                os.write(self._pty[0], BUSY_NOTE)
                return
            if not self._pty_asked:
                # What the device had to say until now was said to another host.
                self._flush()
                self._pty_asked, self._pty_skips = True, self._in_line
            self._hear(data)

    def _hear(self, data: bytes) -> None:
        if self._prompt is not None:
            self._prompt.write(data)
            return
        press = self.press
        press.send(data)
        self._busy_until_s = press.time_s + _AFTER_BYTES_S
        if self._person is not None:
            self._person.heard_s = press.time_s

    def _flush(self) -> None:
        data = self.press.take_received()
        if data:
            self._in_line = not data.endswith(b"\n")
        if self._pty is not None and data and self._pty_asked:
            whole = data
            if self._pty_skips:
                _, ended, whole = data.partition(b"\n")
                self._pty_skips = not ended
            # Nobody reading is no reason to wait: a serial line loses what is not read.
            with contextlib.suppress(BlockingIOError, OSError):
                os.write(self._pty[0], whole)
        self._out += data
        self._send()

    def _send(self) -> None:
        if self._client is None:
            self._out.clear()
            return
        if len(self._out) > _SEND_MOST:
            del self._out[: len(self._out) - _SEND_MOST]
        if self._out:
            try:
                del self._out[: self._client.send(self._out)]
            except BlockingIOError:
                return
            except OSError:
                self._drop_client()

    def _read_actions(self, source: int) -> bool:
        try:
            data = os.read(source, _READ)
        except OSError:
            data = b""
        if not data:
            with contextlib.suppress(KeyError, ValueError):
                self._select.unregister(source)
            data, more = b"\n", False
        else:
            more = True
        *lines, self._typed_part = (self._typed_part + data).split(b"\n")
        for line in lines:
            text = line.decode("utf-8", "replace").strip()
            if text and not text.startswith("#"):
                self._typed.append(_Order(text, self._say, self._complain))
        return more

    def _complain(self, wrong: str | None) -> None:
        if wrong is not None:
            self._say(wrong)

    # ------------------------------------------------------------------ the operator's port
    def _accept_hands(self) -> None:
        assert self._hands_listener is not None
        try:
            hands, _ = self._hands_listener.accept()
        except OSError:
            return
        _drain(self._read_hands)
        if self._hands is not None:
            with contextlib.suppress(OSError):
                hands.send(b"no Someone else has the pedals already.\n")
            hands.close()
            return
        hands.setblocking(False)
        with contextlib.suppress(OSError):
            hands.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._hands, self._hands_part = hands, b""
        self._select.register(hands, selectors.EVENT_READ, self._read_hands)

    def _drop_hands(self) -> None:
        """Whoever had the pedals is gone: feet off, as a person who walks away."""
        if self._hands is not None:
            self._select.unregister(self._hands)
            self._hands.close()
            self._hands = None
            self._typed.clear()
            self.press.operator.release_all()

    def _read_hands(self) -> bool:
        """Take what has arrived; False when there was nothing, or its end."""
        hands = self._hands
        if hands is None:
            return False
        try:
            data = hands.recv(_READ)
        except BlockingIOError:
            return False
        except OSError:
            data = b""
        if not data or len(self._hands_part) > _READ:
            self._drop_hands()
            return False
        *lines, self._hands_part = (self._hands_part + data).split(b"\n")
        for line in lines:
            text = line.decode("utf-8", "replace").strip()
            if text:
                self._typed.append(
                    _Order(text, partial(self._tell_hands, hands), partial(self._end_hands, hands))
                )
        return True

    def _tell_hands(self, hands: socket.socket, text: str) -> None:
        self._answer_hands(hands, "".join(f"= {line}\n" for line in text.split("\n")))

    def _end_hands(self, hands: socket.socket, wrong: str | None) -> None:
        self._answer_hands(hands, "done\n" if wrong is None else f"no {wrong}\n")

    def _answer_hands(self, hands: socket.socket, text: str) -> None:
        # Whoever came after them has asked for something else.
        if hands is self._hands:
            with contextlib.suppress(OSError):
                hands.send(text.encode())


def _drain(read: Callable[[], bool]) -> None:
    """Take what a line still holds, within reason: a flood must not keep the press from running."""
    for _ in range(_READS_MOST):
        if not read():
            break


def _url(listener: socket.socket) -> str:
    host, port = listener.getsockname()[:2]
    return f"socket://{f'[{host}]' if ':' in host else host}:{port}"


def _answered(press: VirtualPress) -> bool:
    return bool(press.received)


@contextlib.contextmanager
def stopped_by_signals(server: PressServer) -> Iterator[None]:
    """SIGTERM and SIGINT end `server.serve` in order."""

    def handler(number: int, frame: Any) -> None:
        server.stop()

    before = {number: signal.signal(number, handler) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield
    finally:
        for number, old in before.items():
            signal.signal(number, old)
