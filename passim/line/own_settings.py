"""Machines that this one names already: the router of its default route, and the resolvers of its settings.

They are read from files of the system, and nobody is asked. The standard library alone.
"""

from __future__ import annotations

import ipaddress
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Final

# The kernel's table of routes (proc(5)) and the resolver's settings (resolv.conf(5)); other systems have neither.
_ROUTES: Final = Path("/proc/net/route")
_RESOLVERS: Final = Path("/etc/resolv.conf")
_GATEWAY_FLAG: Final = 0x2
# Addresses of IPv6 that stay within a site (RFC 4193).
_OWN: Final = ipaddress.IPv6Network("fc00::/7")
_BEGINNING_BYTES: Final = 65536


@dataclass(frozen=True)
class MachinesHere:
    """The address of the router, or "" where none is known, and those of the resolvers that stand beyond it."""

    router: str = ""
    resolvers: tuple[str, ...] = ()


def machines_here(routes: Path = _ROUTES, resolvers: Path = _RESOLVERS) -> MachinesHere:
    """Return the machines that `routes` and `resolvers` name; none of a file that is not there or not readable."""
    router, house = "", []
    for line in _lines(routes)[1:]:
        fields = line.split()
        try:
            destination, gateway, flags, mask = (int(field, 16) for field in (*fields[1:4], *fields[7:8]))
            # The kernel writes an address as a number in the machine's own order of bytes.
            first, through, bits = (each.to_bytes(4, sys.byteorder) for each in (destination, gateway, mask))
            network = ipaddress.IPv4Network((first, str(ipaddress.IPv4Address(bits))))
        except (OverflowError, ValueError):
            continue
        if destination == 0 and flags & _GATEWAY_FLAG and gateway:
            router = router or str(ipaddress.IPv4Address(through))
        elif destination and not gateway:
            house.append(network)
    found = []
    for line in _lines(resolvers):
        word, _, rest = line.strip().partition(" ")
        try:
            address = ipaddress.ip_address(rest.strip())
        except ValueError:
            continue
        # One on this machine or in its own network passes questions on: it answers where the line does not.
        near = address.is_loopback or address.is_link_local or address in _OWN or any(address in each for each in house)
        if word == "nameserver" and not near and str(address) != router:
            found.append(str(address))
    return MachinesHere(router, tuple(dict.fromkeys(found)))


def _lines(file: Path) -> list[str]:
    try:
        with file.open("rb") as opened:
            return opened.read(_BEGINNING_BYTES).decode("ascii", "replace").splitlines()
    except OSError:
        return []
