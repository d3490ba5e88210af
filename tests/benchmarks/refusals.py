"""Benchmark of refusing what is made to cost much, in CPU seconds of one core: not a test.

    .venv/bin/python -m tests.benchmarks.refusals

Small files that unpack to gigabytes, nest without end or repeat without end: each refused, or read, within a second;
the exit status is 1 where one is not.
"""

from __future__ import annotations

import contextlib
import gzip
import sys
import time
import zlib
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from passim.answers.calls.calendar_in import parse_calendar
from passim.elements import parse_elements
from passim.errors import InputError
from passim.spans import Span

from .timing import machine, peak_memory_mb

WANTED_S = 1.0
_START = datetime(2026, 3, 1, tzinfo=UTC)
_WEEKS = Span(_START, _START + timedelta(days=14))


def bomb(members: int, text: bytes) -> bytes:
    """Return gzip of so many members, each of `text` over and over, one MiB unpacked."""
    return gzip.compress(text * (2**20 // len(text)), mtime=0) * members


def calendar(rule: str, events: int) -> bytes:
    """Return a calendar of so many events that repeat by a rule."""
    times = "DTSTAMP:20260101T000000Z\r\nDTSTART:20260302T090000Z"
    event = f"BEGIN:VEVENT\r\nUID:{{}}\r\n{times}\r\nRRULE:{rule}\r\nEND:VEVENT\r\n"
    body = "".join(event.format(k) for k in range(events))
    return f"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//invented//EN\r\n{body}END:VCALENDAR\r\n".encode()


def main() -> int:
    """Run the benchmark and print its figures."""
    entities = b"".join(b'<!ENTITY %c "%s">' % (98 + k, b"&%c;" % (97 + k) * 10) for k in range(9))
    files: dict[str, tuple[bytes, Callable[[bytes], object]]] = {
        "gzip of 100 MiB of JSON": (bomb(100, b"{},"), parse_elements),
        "gzip of 1 GiB of zeros": (bomb(1024, b"\0"), parse_elements),
        "gzip of gzip of 1 GiB": (gzip.compress(bomb(1024, b"\0"), mtime=0), parse_elements),
        "not gzip but its first bytes": (b"\x1f\x8b\x08" + zlib.compress(bytes(2**20)), parse_elements),
        "a million brackets": (b"[" * 1_000_000, parse_elements),
        "entities within entities": (b'<!DOCTYPE x [<!ENTITY a "x">' + entities + b"]><omm>&j;</omm>", parse_elements),
        "a day that never comes, 50 times": (
            calendar("FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30", 50),
            lambda data: parse_calendar(data, _WEEKS, "Atlantic/Azores"),
        ),
        "every second for ever": (
            calendar("FREQ=SECONDLY", 1),
            lambda data: parse_calendar(data, _WEEKS, "Atlantic/Azores"),
        ),
    }
    print(machine())
    slowest_s = 0.0
    for words, (data, read) in files.items():
        began_s, said = time.process_time(), "refused"
        with contextlib.suppress(InputError):
            read(data)
            said = "read"
        took_s = time.process_time() - began_s
        slowest_s = max(slowest_s, took_s)
        print(f"{words + ',':38} {len(data):>9,} bytes: {said} in {took_s:.3f} s")
    print(f"most memory {peak_memory_mb():.0f} MB; wanted at most {WANTED_S:g} s each")
    return int(slowest_s > WANTED_S)


if __name__ == "__main__":
    sys.exit(main())
