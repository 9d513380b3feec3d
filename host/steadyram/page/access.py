"""Who may open the page: everybody on loopback, holders of the token beyond it.

- Listening on loopback without a token, only requests that name a loopback host are answered, so that a page of
  somebody else's cannot reach in through a name that it points at this computer.
- With a token (required beyond loopback) every request needs it: once in the address or in the form, from
  then on in a cookie that scripts cannot read and other sites do not send.
- The live connection also checks that it was opened by this page.

Reading is all that this guards. What changes the press needs the panel's enable button besides, always.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
from dataclasses import dataclass
from typing import Final
from urllib.parse import urlsplit

from starlette.requests import HTTPConnection

from steadyram.errors import BadInput

COOKIE: Final = "steadyram_page"
_LEAST_TOKEN: Final = 12


def is_loopback(host: str) -> bool:
    """True for localhost and loopback addresses."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


@dataclass(frozen=True)
class Access:
    """The rule for one listening address; token None: loopback only."""

    token: str | None

    @classmethod
    def for_listening(cls, host: str, token: str | None) -> Access:
        """Raises BadInput when `host` is beyond loopback and no good token is given."""
        if token is not None and (
            len(token) < _LEAST_TOKEN or not token.isascii() or not token.isprintable()
        ):
            raise BadInput(
                f"The token is shorter than {_LEAST_TOKEN} signs or has others than plain ones; give a longer one, "
                "such as 16 random letters."
            )
        if token is None and not is_loopback(host):
            raise BadInput(
                f"Listening on {host} lets others on the network in; give --token SECRET, or listen on "
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
