"""What the probe asks: a name, an address, and how it is asked."""

from __future__ import annotations

import ipaddress
import re
from dataclasses import dataclass
from typing import Final, Literal

from passim.errors import InputError

SHORTEST_EVERY_S: Final = 0.2
LONGEST_EVERY_S: Final = 60.0

Method = Literal["tcp", "icmp", "dns"]
Position = Literal["house", "near", "far"]

_LONGEST_NAME: Final = 40
_NAME: Final = re.compile(r"[^\x00-\x1f,=\x7f]+")
_HOST_NAME: Final = re.compile(
    r"(?=.{1,253}\Z)[A-Za-z0-9_]([A-Za-z0-9_-]{0,61}[A-Za-z0-9_])?(\.[A-Za-z0-9_-]{1,63})*\.?"
)
_QUERY_NAME: Final = re.compile(r"(?=.{1,253}\Z)(\.|[\w-]{1,63}(\.[\w-]{1,63})*\.?)", re.ASCII)
_DNS_PORT: Final = 53
_EXAMPLE: Final = "router=192.168.1.1:80"
_WANTED: Final = "NAME=HOST:PORT, NAME=icmp:HOST or NAME=dns:RESOLVER"


@dataclass(frozen=True)
class Target:
    """Something that answers, or does not.

    ``address`` is host:port for "tcp", a host for "icmp", and resolver:port/name for "dns", where name is what the
    resolver is asked for. ``position`` says where it stands: "house" for the own router, "near" and "far" beyond it.
    """

    name: str
    address: str
    method: Method = "tcp"
    position: Position = "far"

    @property
    def host(self) -> str:
        """The host alone, an address or a name."""
        return _split(self.address.partition("/")[0])[0]

    @property
    def port(self) -> int | None:
        """The port, None for "icmp"."""
        return _split(self.address.partition("/")[0])[1]

    @property
    def query(self) -> str:
        """What the resolver of a "dns" target is asked for."""
        return self.address.partition("/")[2] or "."

    @property
    def text(self) -> str:
        """The target as `parse_target` reads it."""
        return f"{self.name}={'' if self.method == 'tcp' else self.method + ':'}{self.address}"


def parse_target(text: str, position: Position = "far") -> Target:
    """Return the target of "router=192.168.1.1:80", "far=icmp:192.0.2.1" or "far=dns:192.0.2.53/example.org".

    An IPv6 address with a port stands in brackets. A resolver is asked on port 53 unless told, and for the root where
    no name is given. Raises InputError.
    """
    name, equals, address = (part.strip() for part in text.partition("="))
    if not equals or not name or not address:
        raise InputError("target", got=text, wanted=_WANTED, try_next=_EXAMPLE)
    if len(name) > _LONGEST_NAME or not _NAME.fullmatch(name):
        raise InputError(
            "name of a target", got=name, wanted=f"at most {_LONGEST_NAME} letters without a comma", try_next=_EXAMPLE
        )
    method: Method = "tcp"
    for known in ("tcp", "icmp", "dns"):
        if address.startswith(f"{known}:") and not re.fullmatch(rf"{known}:\d+", address):
            method, address = known, address[len(known) + 1 :]
    address, _, query = address.partition("/")
    host, port = _split(address)
    if not _is_host(host) or (query and method != "dns"):
        raise InputError(f"address of target {name}", got=text, wanted=_WANTED, try_next=_EXAMPLE)
    if method == "icmp":
        if port is not None:
            raise InputError(f"address of target {name}", got=text, wanted="no port: ICMP has none")
        return Target(name, host, method, position)
    if method == "dns":
        port = _DNS_PORT if port is None else port
        query = query or "."
        if not _QUERY_NAME.fullmatch(query):
            raise InputError(f"name to ask the resolver {name} for", got=query, wanted="a domain name", try_next=".")
    if port is None or not 0 < port < 65536:
        raise InputError(
            f"port of target {name}", got=text, wanted="a number from 1 to 65535 behind a colon", try_next=_EXAMPLE
        )
    where = f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
    return Target(name, f"{where}/{query}" if method == "dns" else where, method, position)


def parse_targets(texts: list[str] | tuple[str, ...]) -> tuple[Target, ...]:
    """Return the targets, of which the first is the nearest: the own router. Raises InputError."""
    targets = tuple(parse_target(text, "far" if k else "house") for k, text in enumerate(texts))
    for k, target in enumerate(targets):
        if target.name.casefold() in [other.name.casefold() for other in targets[:k]]:
            raise InputError("second target of one name", got=target.name, wanted="each name once")
    return targets


def check_host(host: str, what: str) -> None:
    """Refuse what is neither the name of a host nor its address. Raises InputError."""
    if not _is_host(host):
        raise InputError(what, got=host, wanted="the name of a host or its address")


def check_interval(every_s: float) -> None:
    """Refuse a time between probes that is no rate to ask at. Raises InputError."""
    if not SHORTEST_EVERY_S <= every_s <= LONGEST_EVERY_S:
        raise InputError(
            "time between probes",
            got=f"{every_s:g} s",
            wanted=f"from {SHORTEST_EVERY_S:g} to {LONGEST_EVERY_S:g} s",
            try_next="1 s",
        )


def _split(address: str) -> tuple[str, int | None]:
    """Return host and port of an address; no port where it has none, 0 for one that is none."""
    bracketed = re.fullmatch(r"\[([^\]]*)\](?::(.*))?", address)
    if bracketed:
        host, port = bracketed[1], bracketed[2]
    elif address.count(":") > 1:
        return address, None
    else:
        host, colon, rest = address.partition(":")
        port = rest if colon else None
    if port is None:
        return host, None
    return host, int(port) if re.fullmatch(r"\d{1,5}", port, re.ASCII) else 0


def _is_host(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        # Digits and points alone are an address with a slip.
        return bool(_HOST_NAME.fullmatch(host)) and not re.fullmatch(r"[\d.]+", host)
    return True
