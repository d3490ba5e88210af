"""A host behind a device of our own whose answer to a connection comes late, in a network of its own: Linux alone.

    unshare --map-root-user --net .venv/bin/python -m tests.late_answers FOLDER

A packet that opens a connection is answered so late that the kernel has sent it again meanwhile. Port 7001 answers the
first of them, 7002 the second one only: there the first was lost. FOLDER gets the journal of a probe that asks both.
"""

from __future__ import annotations

import fcntl
import os
import socket
import struct
import sys
import threading
from pathlib import Path

from passim.line import JournalWriter, Plan, Probe, parse_targets

NEAR, FAR = "10.99.0.1", "10.99.0.2"
LATE_S = 1.6
ANSWERS_FIRST, ANSWERS_SECOND = 7001, 7002
_TUN_SET_IFF, _TUN_WITHOUT_HEADER = 0x400454CA, 0x1001  # linux/if_tun.h: TUNSETIFF, IFF_TUN | IFF_NO_PI
_SET_ADDRESS, _SET_MASK, _GET_FLAGS, _SET_FLAGS = 0x8916, 0x891C, 0x8913, 0x8914  # linux/sockios.h
_UP_AND_RUNNING = 0x41


def device() -> int:
    """Make a network device that this process is the far side of, and return its descriptor."""
    tun = os.open("/dev/net/tun", os.O_RDWR)
    fcntl.ioctl(tun, _TUN_SET_IFF, struct.pack("16sH22x", b"late0", _TUN_WITHOUT_HEADER))
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        for request, address in ((_SET_ADDRESS, NEAR), (_SET_MASK, "255.255.255.0")):
            own = struct.pack("=16sHH4s8x", b"late0", socket.AF_INET, 0, socket.inet_aton(address))
            fcntl.ioctl(asking, request, own)
        fcntl.ioctl(asking, _SET_FLAGS, struct.pack("16sH22x", b"late0", _UP_AND_RUNNING))
    return tun


def checksum(data: bytes) -> int:
    """RFC 1071."""
    total = sum(struct.unpack(f"!{len(data) // 2}H", data))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return total ^ 0xFFFF


def accepting(packet: bytes) -> bytes:
    """Return the answer that accepts the connection which a packet opens, its timestamp sent back (RFC 7323)."""
    head = (packet[0] & 15) * 4
    source, goal, sequence = struct.unpack_from("!HHI", packet, head)
    options, stamp = packet[head + 20 : head + (packet[head + 12] >> 4) * 4], b""
    while options and options[0] != 0:
        length = 1 if options[0] == 1 else options[1]
        if options[0] == 8:
            stamp = b"\x01\x01\x08\x0a" + struct.pack("!I", 1) + options[2:6]
        options = options[length:]
    offset = (20 + len(stamp)) // 4 << 4
    tcp = struct.pack("!HHIIBBHHH", goal, source, 1000, sequence + 1 & 0xFFFFFFFF, offset, 0x12, 65535, 0, 0) + stamp
    between = packet[16:20] + packet[12:16]
    tcp = tcp[:16] + struct.pack("!H", checksum(between + struct.pack("!HH", 6, len(tcp)) + tcp)) + tcp[18:]
    ip = struct.pack("!BBHHHBBH", 0x45, 0, 20 + len(tcp), 0, 0, 64, 6, 0) + between
    return ip[:10] + struct.pack("!H", checksum(ip)) + ip[12:] + tcp


def serve(tun: int) -> None:
    """Answer whatever opens a connection, each in its time."""
    seen: dict[tuple[int, int], int] = {}
    while True:
        packet = os.read(tun, 2048)
        head = (packet[0] & 15) * 4
        if packet[0] >> 4 != 4 or packet[9] != 6 or packet[head + 13] & 0x12 != 0x02:
            continue
        ports: tuple[int, int] = struct.unpack_from("!HH", packet, head)
        seen[ports] = seen.get(ports, 0) + 1
        if (ports[1], seen[ports]) == (ANSWERS_FIRST, 1):
            threading.Timer(LATE_S, os.write, (tun, accepting(packet))).start()
        elif (ports[1], seen[ports]) == (ANSWERS_SECOND, 2):
            threading.Timer(0.05, os.write, (tun, accepting(packet))).start()


def main() -> None:
    tun = device()
    threading.Thread(target=serve, args=(tun,), daemon=True).start()
    words = [f"late={FAR}:{ANSWERS_FIRST}", f"lost={FAR}:{ANSWERS_SECOND}"]
    with JournalWriter(Path(sys.argv[1]) / "journal.sqlite3") as journal:
        Probe(Plan(parse_targets(words), 1.0, 4.0), journal).run()


if __name__ == "__main__":
    main()
