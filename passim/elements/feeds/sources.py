"""What a feed may be: an address that is asked over the network, or a folder that somebody fills; and how it fails."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from pathlib import Path
from typing import Final
from urllib.parse import SplitResult, urlsplit

from passim.errors import ElementsError

_LONGEST_ADDRESS: Final = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """A feed that is asked over the network.

    ``minimum_interval_s`` is the least time between two requests, whoever makes them; ``every_s`` the usual one.
    ``authorization_from`` names the environment variable that holds what the Authorization header says.
    """

    address: str
    minimum_interval_s: float = 7200.0
    every_s: float = 28_800.0
    authorization_from: str = ""

    @property
    def host(self) -> str:
        """The machine that is asked."""
        return urlsplit(self.address).netloc


@dataclass(frozen=True, slots=True, kw_only=True)
class Folder:
    """A feed that somebody or something else fills: each file that is put into the folder is the fleet from then on."""

    folder: Path
    every_s: float = 28_800.0


class Unreachable(ElementsError):
    """No connection could be made: nothing was sent, and it may be tried again."""


class Refused(ElementsError):
    """The server gave another answer than 200 or 304: ``status`` says which, ``rest_s`` how long it asks for quiet."""

    def __init__(
        self,
        what: str,
        *,
        status: int = 0,
        rest_s: float = 0.0,
        got: object = None,
        wanted: str = "",
        try_next: str = "",
    ) -> None:
        super().__init__(what, got=got, wanted=wanted, try_next=try_next)
        self.status, self.rest_s = status, rest_s


def check_address(address: str) -> SplitResult:
    """Return the parts of an address that a workspace may name. Raises ElementsError for every other.

    https, or http to this machine and to private networks (RFC 1918, RFC 4193, loopback, link-local). Whether a name
    leads to such an address is looked at when it is asked.
    """
    wanted, try_next = "an address such as https://example.org/elements.json", "the address of the data"
    if len(address) > _LONGEST_ADDRESS or not address.isascii() or not address.isprintable() or " " in address:
        raise ElementsError("address of a feed", got=address, wanted=wanted, try_next=try_next)
    try:
        parts = urlsplit(address)
        parts.port  # noqa: B018  # reading it is what checks it
    except ValueError as error:
        raise ElementsError("address of a feed", got=address, wanted=f"{wanted} ({error})") from None
    if parts.scheme not in ("https", "http") or not parts.hostname:
        raise ElementsError("address of a feed", got=address, wanted=wanted, try_next=try_next)
    if parts.username is not None or parts.password is not None:
        raise ElementsError(
            "address of a feed",
            got="a password in it",
            wanted="an address without one",
            try_next="authorization_from, the name of an environment variable that holds it",
        )
    if parts.scheme == "http":
        try:
            private = is_private(parts.hostname)
        except ValueError:
            private = True  # a name: known when it is looked up
        if not private:
            raise not_private(parts.hostname, parts.hostname)
    return parts


def is_private(address: str) -> bool:
    """Say whether an IP address belongs to this machine or a private network. Raises ValueError for a name."""
    found = ipaddress.ip_address(address.partition("%")[0])
    found = getattr(found, "ipv4_mapped", None) or found
    return (found.is_private or found.is_loopback or found.is_link_local) and not found.is_unspecified


def not_private(host: str, address: str) -> ElementsError:
    """Return the error for plain http to a host of the world, and to the address it was found at."""
    got = host if host == address else f"{host}, which is {address}"
    return ElementsError(
        "address of a feed with plain http",
        got=got,
        wanted="https, or a machine of your own network",
        try_next="the same address with https",
    )
