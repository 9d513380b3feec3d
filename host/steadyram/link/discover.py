"""Find the one steadyram device among the ports of this computer."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence

from steadyram.errors import DeviceRefusal, LinkError, PortError
from steadyram.link.client import Client
from steadyram.link.transport import Transport, open_transport, usb_ports

PORT_VARIABLE = "STEADYRAM_PORT"
_ANSWER_S = 0.4


def find_port(ports: Sequence[str] | None = None, opener: Callable[[str], Transport] = open_transport) -> str:
    """Name of the only port at which a steadyram device answers "hello".

    ports: candidates (default: the serial ports that are USB devices; others are never written to).
    Raises PortError when none or more than one answers.
    """
    candidates = usb_ports() if ports is None else list(ports)
    answering = [name for name in candidates if _answers(name, opener)]
    if len(answering) == 1:
        return answering[0]
    if answering:
        raise PortError(
            f"More than one device answers ({', '.join(answering)}); choose one with --port or "
            f"{PORT_VARIABLE}."
        )
    looked = f"asked {', '.join(candidates)}" if candidates else "no USB serial port was found"
    raise PortError(f"No steadyram device was found ({looked}); plug it in or name its port with --port.")


def _answers(name: str, opener: Callable[[str], Transport]) -> bool:
    try:
        transport = opener(name)
    except LinkError:
        return False
    client = Client(transport, timeout_s=_ANSWER_S, tries=2)
    try:
        return "proto" in client.request("hello").fields
    except (LinkError, DeviceRefusal):
        return False
    finally:
        client.close()


def choose_port(given: str | None) -> str:
    """Return the port to use: the option, otherwise the environment variable, otherwise the one found.

    Raises PortError where none is found, or where the one named is a URL that no port can have.
    """
    chosen = given or os.environ.get(PORT_VARIABLE) or find_port()
    refuse_port(chosen)
    return chosen


def refuse_port(name: str) -> None:
    """Refuse the URL of a socket that no host and port can be read from, and an empty name. Raises PortError."""
    if not name.strip() or not name.isprintable():
        raise PortError("The port has no name; give a serial port or socket://HOST:PORT.")
    scheme, found, rest = name.partition("://")
    if found and scheme == "socket":
        host, _, number = rest.split("/")[0].rpartition(":")
        if not host or not number.isascii() or not number.isdecimal() or not 0 < int(number) <= 65535:
            raise PortError(
                f"The port {name[:80]} cannot be opened: it is not socket://HOST:PORT with a port from 1 to 65535."
            )
