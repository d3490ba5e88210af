"""How a target is asked, and what counts as its answer. Every probe has a socket of its own, so that it is new to all.

tcp     A connection is opened and closed. It is answered when it is accepted, and as well when it is refused: a
        refusal came back from the target, so the line carried the packet there and another one home.
icmp    An echo is asked for on an unprivileged ICMP socket, where the kernel permits it (Linux: the group of the user
        lies within net.ipv4.ping_group_range).
dns     A resolver is asked for a name. Any reply to the question is an answer, a refusal too.

An answer is that to the packet that was stamped. The kernel sends the packet that opens a connection again after a
second (RFC 6298, section 2: 1 s) and so on; where it was one of those that was answered, the first was lost.
"""

from __future__ import annotations

import errno
import ipaddress
import os
import socket
import struct
from enum import Enum
from typing import Final, NamedTuple

from passim.errors import InputError
from passim.line.targets import Target

# An answer within this is an answer, however late; after it there is none. It is far beyond what a call endures, and
# far below what a satellite line with full buffers has been seen to take.
PATIENCE_S: Final = 5.0

_REFUSED: Final = {errno.ECONNREFUSED, errno.ECONNRESET}
# Faults of this machine, not of any line: nothing was asked.
_OWN_FAULTS: Final = {errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM, errno.EADDRNOTAVAIL, errno.EPERM,
                      errno.EACCES, errno.EAGAIN}  # fmt: skip
_ECHO: Final = {socket.AF_INET: (8, 0), socket.AF_INET6: (128, 129)}
# Place of tcpi_rtt and tcpi_total_retrans in struct tcp_info of Linux (linux/tcp.h).
_TCP_INFO_RTT: Final = 68
_TCP_INFO_RETRANSMISSIONS: Final = 100
_FIRST_RETRANSMISSION_S: Final = 1.0
_QUERY_A, _QUERY_NS = 1, 2


class ProbeOutcome(Enum):
    """What has become of a probe."""

    ANSWERED = "answered"
    LOST = "lost"
    # Nothing was asked, by a fault of this machine.
    NOT_ASKED = "not asked"


class ProbeInFlight(NamedTuple):
    """A probe under way: its socket, and by what its answer is known."""

    socket: socket.socket
    token: bytes


def ask(target: Target, address: tuple[int, str]) -> ProbeInFlight | ProbeOutcome:
    """Ask a target at an `address`, (family, number), and return without waiting: the probe, or what became of it."""
    try:
        if target.method == "tcp":
            return _ask_tcp(address, target.port or 0)
        if target.method == "icmp":
            return _ask_icmp(address)
        return _ask_dns(address, target.port or 0, target.query)
    except OSError as error:
        return _fate(error.errno)


def answer(target: Target, asked: ProbeInFlight, waited_s: float) -> ProbeOutcome | None:
    """Return what has become of a probe whose socket is ready; None where that was not its answer."""
    if target.method == "tcp":
        number = asked.socket.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        fate = ProbeOutcome.ANSWERED if number == 0 else _fate(number)
        return ProbeOutcome.LOST if fate is ProbeOutcome.ANSWERED and _to_a_copy(asked.socket, waited_s) else fate
    try:
        reply = asked.socket.recv(2048)
    except BlockingIOError:
        return None
    except OSError as error:
        return _fate(error.errno)
    if target.method == "dns":
        # The same number, and marked as a response (RFC 1035, section 4.1.1).
        return ProbeOutcome.ANSWERED if reply[:2] == asked.token and len(reply) >= 12 and reply[2] & 0x80 else None
    echo = _ECHO[asked.socket.family][1]
    return ProbeOutcome.ANSWERED if reply[:1] == bytes([echo]) and reply[8:] == asked.token else None


def check_permitted(target: Target) -> None:
    """Refuse a way of asking that this system does not permit. Raises InputError."""
    if target.method != "icmp":
        return
    try:
        _icmp_socket(socket.AF_INET6 if ":" in target.host else socket.AF_INET).close()
    except OSError as error:
        raise InputError(
            f"target {target.name}",
            got=f"ICMP, which this system does not permit here ({(error.strerror or '').lower()})",
            wanted="a group of yours within net.ipv4.ping_group_range",
            try_next="TCP: NAME=HOST:PORT",
        ) from None


def literal(host: str) -> tuple[int, str] | None:
    """Return family and number of a host that is given by its address; None for a name."""
    try:
        version = ipaddress.ip_address(host.partition("%")[0]).version
    except ValueError:
        return None
    return (socket.AF_INET if version == 4 else socket.AF_INET6), host


def _fate(number: int | None) -> ProbeOutcome:
    if number in _REFUSED:
        return ProbeOutcome.ANSWERED
    return ProbeOutcome.NOT_ASKED if number in _OWN_FAULTS else ProbeOutcome.LOST


def _ask_tcp(address: tuple[int, str], port: int) -> ProbeInFlight | ProbeOutcome:
    family, number = address
    made = socket.socket(family, socket.SOCK_STREAM | getattr(socket, "SOCK_NONBLOCK", 0))
    made.setblocking(False)
    result = made.connect_ex((number, port))
    if result in (errno.EINPROGRESS, errno.EWOULDBLOCK, errno.EINTR):
        return ProbeInFlight(made, b"")
    made.close()
    return ProbeOutcome.ANSWERED if result == 0 else _fate(result)


def _icmp_socket(family: int) -> socket.socket:
    kind = socket.IPPROTO_ICMP if family == socket.AF_INET else socket.IPPROTO_ICMPV6
    made = socket.socket(family, socket.SOCK_DGRAM, kind)
    made.setblocking(False)
    return made


def _ask_icmp(address: tuple[int, str]) -> ProbeInFlight:
    family, number = address
    made = _icmp_socket(family)
    try:
        made.connect((number, 0))
        token = os.urandom(16)
        # The kernel puts in the identifier, and for IPv4 the checksum of the whole (RFC 792, RFC 4443).
        made.send(struct.pack("!BBHHH", _ECHO[socket.AddressFamily(family)][0], 0, 0, 0, 1) + token)
    except BaseException:
        made.close()
        raise
    return ProbeInFlight(made, token)


def _ask_dns(address: tuple[int, str], port: int, name: str) -> ProbeInFlight:
    family, number = address
    made = socket.socket(family, socket.SOCK_DGRAM)
    try:
        made.setblocking(False)
        made.connect((number, port))
        token = os.urandom(2)
        made.send(token + dns_question(name))
    except BaseException:
        made.close()
        raise
    return ProbeInFlight(made, token)


def dns_question(name: str) -> bytes:
    """Return a query, less the two bytes of its number, for the address of `name`, or for the servers of the root.

    RFC 1035, section 4.1: recursion desired, one question.
    """
    labels = [label.encode("ascii") for label in name.split(".") if label]
    asked = b"".join(bytes([len(label)]) + label for label in labels) + b"\x00"
    return struct.pack("!5H", 0x0100, 1, 0, 0, 0) + asked + struct.pack("!2H", _QUERY_A if labels else _QUERY_NS, 1)


def _to_a_copy(connected: socket.socket, waited_s: float) -> bool:
    """Say whether the first packet of a connection was lost and the answer is that to one sent again.

    With timestamps in its packets (RFC 7323) the kernel knows which of them was answered, and counts the round trip
    from there. Without, an answer within half a second of the latest is taken to be that to it.
    """
    if waited_s < _FIRST_RETRANSMISSION_S:
        return False
    copies, round_trip_s = _copies(connected)
    if copies == 0:
        return False
    if round_trip_s > 0.0:
        return waited_s - round_trip_s > _FIRST_RETRANSMISSION_S / 2
    if copies is None:
        return waited_s % 1.0 < 0.5
    # Sent again every second at first, or after 1, 3 and 7 s: by how many have gone out one can tell which.
    latest_s = 2.0**copies - 1.0 if waited_s >= 2.0**copies - 1.0 else float(copies)
    return waited_s - latest_s < _FIRST_RETRANSMISSION_S / 2


def _copies(connected: socket.socket) -> tuple[int | None, float]:
    """Return how often the first packet was sent again, None if unknown, and the kernel's round trip, 0 if unknown."""
    number = getattr(socket, "TCP_INFO", None)
    if number is None or not hasattr(os, "sched_getaffinity"):  # as Linux has it
        return None, 0.0
    try:
        info = connected.getsockopt(socket.IPPROTO_TCP, number, 256)
    except OSError:
        return None, 0.0
    if len(info) < _TCP_INFO_RETRANSMISSIONS + 4:
        return None, 0.0
    (trip_us,), (copies,) = (
        struct.unpack_from("=I", info, _TCP_INFO_RTT),
        struct.unpack_from("=I", info, _TCP_INFO_RETRANSMISSIONS),
    )
    return copies, trip_us / 1e6
