"""PostgreSQL and mosquitto, both real, started by the test in a folder of their own and stopped after it."""

from __future__ import annotations

import os
import pwd
import random
import shutil
import socket
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any

# Below the usual range for outgoing connections (Linux: from 32768): none of those can take a port between its
# choice and its use, or while its server is restarted.
_PORTS_FROM, _PORTS_EACH = 12_000, 2_000
_WAIT_S = 300.0
_given: set[int] = set()


def free_port() -> int:
    """A port of this machine that nobody listens at; test processes side by side choose from ranges of their own."""
    worker = int(os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw")) % 10
    low = _PORTS_FROM + worker * _PORTS_EACH
    for port in random.SystemRandom().sample(range(low, low + _PORTS_EACH), _PORTS_EACH):
        if port in _given:
            continue
        with socket.socket() as probe:
            # As servers do: what is left of an ended connection does not make a port taken.
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            _given.add(port)
            return port
    raise AssertionError("no free port")


def _postgres_folder() -> Path | None:
    found = shutil.which("pg_ctl")
    if found:
        return Path(found).resolve().parent
    versions = sorted(
        Path("/usr/lib/postgresql").glob("*/bin/pg_ctl"), key=lambda each: float(each.parts[-3]), reverse=True
    )
    return versions[0].parent if versions else None


def postgres_missing() -> str:
    """Why there is no PostgreSQL to test against; empty when there is one."""
    return "" if _postgres_folder() else "no PostgreSQL here: apt-get install postgresql"


def mosquitto_missing() -> str:
    """Why there is no mosquitto to test against; empty when there is one."""
    return "" if _mosquitto() else "no mosquitto here: apt-get install mosquitto"


def _mosquitto() -> str | None:
    return shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")


class Postgres:
    """A server under an unprivileged user on a free port; `stop` and `start` as an administrator would."""

    def __init__(self, folder: Path) -> None:
        binaries = _postgres_folder()
        assert binaries is not None
        self._bin = binaries
        self.port = free_port()
        # The folder's own path may be closed to other users, and PostgreSQL refuses to run as root.
        self._user: dict[str, Any] = {}
        if os.geteuid() == 0:
            entry = pwd.getpwnam("nobody")
            self._user = {"user": entry.pw_uid, "group": entry.pw_gid, "extra_groups": []}
        self._home = Path(tempfile.mkdtemp(prefix="pg-"))
        if self._user:
            os.chown(self._home, self._user["user"], self._user["group"])
        self._data = self._home / "data"
        self._run("initdb", "-D", str(self._data), "-U", "press", "-A", "trust", "-E", "UTF8", "--no-sync")
        self._databases = 0

    def _run(self, program: str, *arguments: str) -> None:
        done = subprocess.run(
            [str(self._bin / program), *arguments],
            cwd=self._home,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=(self._home / "stderr").open("ab"),
            check=False,
            timeout=_WAIT_S,
            env={
                "PATH": os.environ.get("PATH", ""),
                "LC_ALL": "C",
                "HOME": str(self._home),
                "PGCTLTIMEOUT": f"{_WAIT_S:.0f}",
            },
            **self._user,
        )
        assert done.returncode == 0, (program, (self._home / "stderr").read_text())

    def start(self) -> None:
        options = f"-h 127.0.0.1 -p {self.port} -k {self._home}"
        self._run(
            "pg_ctl", "-D", str(self._data), "-w", "-l", str(self._home / "log"), "-o", options, "start"
        )

    def stop(self) -> None:
        self._run("pg_ctl", "-D", str(self._data), "-w", "-m", "fast", "stop")

    def new_database(self) -> str:
        """URL of an empty database."""
        self._databases += 1
        name = f"store{self._databases}"
        self._run("createdb", "-h", "127.0.0.1", "-p", str(self.port), "-U", "press", name)
        return f"postgresql://press@127.0.0.1:{self.port}/{name}"

    def __enter__(self) -> Postgres:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()
        shutil.rmtree(self._home, ignore_errors=True)


class Mosquitto:
    """A broker on a free port of this machine alone."""

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        binary = _mosquitto()
        assert binary is not None
        self._binary = binary
        self._config = folder / "mosquitto.conf"
        self._config.write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence false\n")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self._process = subprocess.Popen(
            [self._binary, "-c", str(self._config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        until = time.monotonic() + _WAIT_S
        while time.monotonic() < until and self._process.poll() is None:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", self.port)) == 0:
                    return
            time.sleep(0.05)
        raise AssertionError("mosquitto did not start")

    def stop(self) -> None:
        assert self._process is not None
        self._process.terminate()
        self._process.wait(_WAIT_S)

    def __enter__(self) -> Mosquitto:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()
