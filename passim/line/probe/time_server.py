"""How far off the system's clock is, by a server that the user names (NTP version 4, RFC 5905)."""

from __future__ import annotations

import os
import socket
import struct
from typing import Final, NamedTuple

# RFC 5905, section 7.2: clients ask every 2^4 to 2^17 s; 2^10 s is the usual longest.
EVERY_S: Final = 1024.0
PATIENCE_S: Final = 5.0
PORT: Final = 123

_FROM_1900_TO_1970_S: Final = 2_208_988_800
_CLIENT_V4: Final = 0x23


class Reading(NamedTuple):
    """What is to be added to the clock, and how long the question took, microseconds."""

    offset_us: int
    delay_us: int


def question() -> tuple[bytes, bytes]:
    """Return a packet to ask with, and the stamp by which its answer is known.

    The stamp is drawn at random: the server only sends it back, and nobody learns from it how this clock stands.
    """
    stamp = os.urandom(8)
    return bytes([_CLIENT_V4]) + bytes(39) + stamp, stamp


def open_socket(address: tuple[int, str], port: int = PORT) -> socket.socket:
    """Return a socket that talks to the server alone. Raises OSError."""
    made = socket.socket(address[0], socket.SOCK_DGRAM)
    try:
        made.setblocking(False)
        made.connect((address[1], port))
    except BaseException:
        made.close()
        raise
    return made


def reading(packet: bytes, stamp: bytes, sent_us: int, received_us: int) -> Reading | None:
    """Return what a packet says, asked and received at those moments of this clock (microseconds since 1970 UTC).

    None for a packet that is no answer to the question, or of a server that does not know the time itself. RFC 5905,
    section 8: offset ((T2 - T1) + (T3 - T4)) / 2, delay (T4 - T1) - (T3 - T2).
    """
    if len(packet) < 48 or packet[24:32] != stamp or packet[0] & 0x07 != 4:
        return None
    leap, stratum = packet[0] >> 6, packet[1]
    if leap == 3 or not 0 < stratum < 16:
        return None
    came_us, left_us = (_microseconds(packet[at : at + 8], sent_us) for at in (32, 40))
    offset_us = ((came_us - sent_us) + (left_us - received_us)) // 2
    return Reading(offset_us, max((received_us - sent_us) - (left_us - came_us), 0))


def refuses(packet: bytes, stamp: bytes) -> bool:
    """Say whether a packet is the server's word not to be asked again: a kiss-o'-death (RFC 5905, section 7.4)."""
    return len(packet) >= 48 and packet[24:32] == stamp and packet[1] == 0 and packet[12:16] in (b"DENY", b"RSTR")


def _microseconds(stamp: bytes, near_us: int) -> int:
    """Return a stamp, seconds since 1900 modulo 2^32 and a fraction, as microseconds since 1970 near another moment."""
    seconds, fraction = struct.unpack("!II", stamp)
    time_us: int = (seconds - _FROM_1900_TO_1970_S) * 1_000_000 + (fraction * 1_000_000 >> 32)
    # The count begins anew in February 2036 and every 136 years after.
    era_us = 2**32 * 1_000_000
    return time_us + (near_us - time_us + era_us // 2) // era_us * era_us
