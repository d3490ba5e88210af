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
_BEGINNING_BYTES: Final = 65536


@dataclass(frozen=True)
class MachinesHere:
    """The address of the router, or "" where none is known, and those of the resolvers that are other machines."""

    router: str = ""
    resolvers: tuple[str, ...] = ()


def machines_here(routes: Path = _ROUTES, resolvers: Path = _RESOLVERS) -> MachinesHere:
    """Return the machines that `routes` and `resolvers` name; none of a file that is not there or not readable."""
    router = ""
    for line in _lines(routes)[1:]:
        fields = line.split()
        try:
            destination, gateway, flags = (int(field, 16) for field in fields[1:4])
        except ValueError:
            continue
        if destination == 0 and flags & _GATEWAY_FLAG and gateway:
            # The kernel writes an address as a number in the machine's own order of bytes.
            router = str(ipaddress.IPv4Address(gateway.to_bytes(4, sys.byteorder)))
            break
    found = []
    for line in _lines(resolvers):
        word, _, rest = line.strip().partition(" ")
        try:
            address = ipaddress.ip_address(rest.strip())
        except ValueError:
            continue
        # One that listens on this machine passes questions on: it answers where the line does not.
        if word == "nameserver" and not address.is_loopback and str(address) != router:
            found.append(str(address))
    return MachinesHere(router, tuple(dict.fromkeys(found)))


def _lines(file: Path) -> list[str]:
    try:
        with file.open("rb") as opened:
            return opened.read(_BEGINNING_BYTES).decode("ascii", "replace").splitlines()
    except OSError:
        return []
