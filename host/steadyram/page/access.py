"""Who may open the page: everybody on loopback, holders of the token beyond it.

- Listening on loopback without a token, only requests that name a loopback host are answered, so that a page of
  somebody else's cannot reach in through a name that it points at this computer.
- With a token (required beyond loopback) every request needs it: once in the address or in the form, from
  then on in a cookie that scripts cannot read and other sites do not send.
- The live connection also checks that it was opened by this page.

Reading is all that this guards. What changes the press needs the panel's enable button besides.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import math
import os
import re
import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

from starlette.requests import HTTPConnection

from steadyram.errors import BadInput
from steadyram.plain_file import read_plain, refuse_place

COOKIE: Final = "steadyram_page"
# Bits that a token has to have; a person's word has some forty.
_LEAST_BITS: Final = 128
_LEAST_DISTINCT: Final = 8


def is_loopback(host: str) -> bool:
    """True for localhost and loopback addresses."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def strong(token: str) -> bool:
    """Return whether a token is long and varied enough for 128 bits, if it is random; that it is nobody can see.

    Bits: length times the binary logarithm of the signs that it is made of (digits and a-f, letters, all).
    """
    kinds = (
        (re.compile(r"[0-9a-f]+"), 16),
        (re.compile(r"[0-9a-z]+"), 36),
        (re.compile(r"[0-9A-Za-z_-]+"), 64),
    )
    signs = next((count for pattern, count in kinds if pattern.fullmatch(token)), 94)
    return len(token) * math.log2(signs) >= _LEAST_BITS and len(set(token)) >= _LEAST_DISTINCT


def token_of_file(path: Path) -> str:
    """Return the token in a file; one that is not there is made, of 128 random bits, for its owner's eyes only.

    Raises BadInput where it cannot be read or made, or where others on this computer may read it.
    """
    if not path.exists():
        refuse_place(path)
        made = secrets.token_hex(16)
        with open(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="ascii") as file:
            file.write(made + "\n")
        return made
    try:
        text = read_plain(path, 1000).decode("ascii").strip()
        open_to = path.stat().st_mode & 0o077
    except (OSError, ValueError):
        raise BadInput(f"{path} cannot be read as a token; give another --token-file.") from None
    if open_to and os.name == "posix":
        raise BadInput(f"Others may read {path}; run: chmod 600 {path}")
    return text


@dataclass(frozen=True)
class Access:
    """The rule for one listening address; token None: loopback only."""

    token: str | None

    @classmethod
    def for_listening(cls, host: str, token: str | None) -> Access:
        """Raises BadInput when `host` is beyond loopback and no good token is given."""
        if token is not None and not (token.isascii() and token.isprintable() and strong(token)):
            raise BadInput(
                f"The token could be guessed: it needs {_LEAST_BITS} bits, as 32 random digits and letters from a to f "
                "have; --token-file FILE makes one."
            )
        if token is None and not is_loopback(host):
            raise BadInput(
                f"Listening on {host} lets others on the network in; give --token-file FILE, or listen on "
                "127.0.0.1."
            )
        return cls(token)

    @property
    def cookie(self) -> str:
        """What the cookie holds: not the token itself."""
        return hashlib.sha256(f"steadyram page {self.token}".encode()).hexdigest()

    def right(self, token: str) -> bool:
        """True when this is the token."""
        return self.token is not None and hmac.compare_digest(token.encode(), self.token.encode())

    def may_enter(self, connection: HTTPConnection) -> bool:
        """True when this request may be answered."""
        if self.token is None:
            return is_loopback(_host(connection.headers.get("host", "")))
        return hmac.compare_digest(connection.cookies.get(COOKIE, "").encode(), self.cookie.encode())

    @staticmethod
    def own_page(connection: HTTPConnection) -> bool:
        """True when the connection was opened by a page of this very address."""
        origin = urlsplit(connection.headers.get("origin", ""))
        return origin.scheme in ("http", "https") and origin.netloc == connection.headers.get("host", "")


def _host(header: str) -> str:
    if header.startswith("["):
        return header.partition("]")[0] + "]"
    return header.partition(":")[0]
