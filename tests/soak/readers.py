"""Fuzzed inputs over every reader: no error but passim's own, none over a second or 200 MB.

    python -m tests.soak.readers --count 1000000 --seed 1
    python -m tests.soak.readers --seed 1 --only 4711        one input again, with its trace
    python -m tests.soak.readers --count 1000000 --minutes 45   no longer than that, and then what came of it so far

An input follows from the seed and its number alone. A forked process reads one after the other; this one watches it,
and where it hangs or dies the input is told and the next begun in a new process. Prints counts, the slowest and the
largest; ends with 1 where any input failed. TMPDIR=/dev/shm spares a quarter of the time.
"""

from __future__ import annotations

import argparse
import contextlib
import gzip
import math
import mmap
import os
import pickle
import random
import resource
import signal
import struct
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

from passim.answers.calls.calendar_in import parse_calendar
from passim.answers.growth.launch_plan import PLAN_COLUMNS, parse_plan
from passim.answers.symptom.observations import FreezeRecord
from passim.elements import ElementSet, SatelliteId, format_two_line, parse_elements
from passim.elements.omm_text import write_csv, write_json, write_kvn
from passim.elements.omm_xml import write_xml
from passim.errors import InternalError, PassimError
from passim.line.files import Answers, csv_text, parse_record
from passim.sky.horizon import Horizon
from passim.sky.survey_files import read_obstacles, read_sightings
from passim.spans import Span
from passim.workspace import create, last_answer
from passim.workspace.checking import read_settings

LONGEST_S: Final = 1.0
LARGEST_BYTES: Final = 200 * 2**20
HANGS_S: Final = 60.0
NOW: Final = datetime(2026, 3, 1, tzinfo=UTC)
WEEK: Final = Span(NOW, NOW + timedelta(days=14))

TOKENS: Final = (
    b"1e300", b"-1e-300", b"NaN", b"1_0", "\u0661".encode(), b"9" * 5000, b"[" * 3000, b"{" * 200, b"\x00", b"\xff\xfe",
    b",", b";", b'"', b"'''", b"\n", b"\r", b"=", b":", b"\\", b"\x1b[2J", b"0,5", b"BEGIN:VEVENT\r\n",
    b"END:VCALENDAR",
    b"RRULE:FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30\r\n", b"RDATE;VALUE=PERIOD:2026", b"TZID=Europe", b"99999999T999999Z",
    b"<omm>", b"<!DOCTYPE x>", b"&amp;", b"CCSDS_OMM_VERS = 3.0\n", b"MEAN_MOTION", b"[[sites]]\n", b"name = []\n",
    b"#", b"-", b"+", b"1 ", b"2 ", b"0 ", b" " * 2000, b"a" * 70_000,
)  # fmt: skip


def records() -> list[ElementSet]:
    return [
        ElementSet(
            satellite_id=SatelliteId(90001 + k),
            name=f"PLOVER {k}",
            epoch=NOW + timedelta(microseconds=864 * 31_415_926 * k),
            mean_motion_rev_day=15.05490650 + k / 8,
            eccentricity=0.0001234,
            inclination_deg=53.0543,
            node_deg=round(20.1357 + 60 * k, 4),
            perigee_deg=90.2468,
            mean_anomaly_deg=10.9876,
            bstar=0.98765e-3,
        )
        for k in range(4)
    ]


def calendar() -> bytes:
    event = (
        "BEGIN:VEVENT\r\nUID:{0}@invented\r\nDTSTAMP:20260301T000000Z\r\nSUMMARY:Lesson {0}\r\n{1}\r\nEND:VEVENT\r\n"
    )
    kinds = (
        "DTSTART;TZID=Europe/Berlin:20260302T090000\r\nDURATION:PT45M\r\nRRULE:FREQ=WEEKLY;BYDAY=MO,WE;COUNT=9",
        "DTSTART:20260303T090000Z\r\nDTEND:20260303T100000Z\r\nRDATE;VALUE=PERIOD:20260304T090000Z/PT2H",
        "DTSTART;VALUE=DATE:20260305\r\nRRULE:FREQ=MONTHLY;BYMONTHDAY=5,-1;UNTIL=20270101T000000Z\r\nEXDATE:20260331",
        "DTSTART:20260303T090000\r\nRECURRENCE-ID;RANGE=THISANDFUTURE:20260303T090000Z\r\nSTATUS:CANCELLED",
    )
    body = "".join(event.format(k, text) for k, text in enumerate(kinds))
    return f"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//invented//EN\r\n{body}END:VCALENDAR\r\n".encode()


def line_records() -> dict[str, bytes]:
    """A record of a line of each kind that people have already, invented."""
    at_s = NOW.timestamp()
    echoes = [f"[{at_s + k:.6f}] 64 bytes from 192.0.2.1: icmp_seq={k} ttl=57 time=40.1 ms" for k in range(60) if k % 9]
    replies = ["Reply from 192.0.2.1: bytes=32 time=31ms TTL=57", "Request timed out."] * 20
    rows = [f"{(NOW + timedelta(seconds=k)).isoformat()},{k % 7 or ''}" for k in range(60)]
    ping = "\n".join(["PING 192.0.2.1 (192.0.2.1) 56(84) bytes of data.", *echoes])
    return {
        "ping": ping.encode(),
        "ping of Windows": "\r\n".join(["Pinging 192.0.2.1 with 32 bytes of data:", *replies]).encode(),
        "probes": "\n".join(["time,round_trip_ms", *rows]).encode(),
        "notes": b"Sun 1 Mar 2026\n08:00 call begins\n08:14 froze 20 s\n8.31pm-8.32pm no picture\n08:45 call ends\n",
        "bad calls": calendar(),
        "own record": csv_text(parse_record(ping.encode(), "invented").record).encode(),
    }


def line_record(data: bytes) -> object:
    """Read a record of a line as its user would who says all that can be asked."""
    end = NOW + timedelta(days=30)
    return parse_record(
        data, "fuzzed", Answers(zone="Atlantic/Azores", start=NOW, end=end if b"VEVENT" in data else None)
    )


class Readers:
    """Every reader by name, with a sound input of it."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        sets = records()
        made = create(folder / "school", demo=True)
        text = (made.folder / "passim.toml").read_bytes()
        horizon = b"azimuth_deg,elevation_deg\n0,10\n90,20.5\n180,5\n270,12\n"
        plan = (",".join(PLAN_COLUMNS) + "\n# invented\n2027-03-01,2,40,550,53,60,5\n").encode()
        freezes = "".join(f"{(NOW + timedelta(minutes=10 * k)).isoformat()},{5 + k}\n" for k in range(8))
        elements = lambda data: parse_elements(data, "fuzzed", lenient=len(data) % 2 == 0)  # noqa: E731
        self.all: dict[str, tuple[bytes, Callable[[bytes], Any]]] = {
            "two-line": ("".join(map(format_two_line, sets)).encode(), elements),
            "json": (write_json(sets).encode(), elements),
            "csv": (write_csv(sets).encode(), elements),
            "kvn": (write_kvn(sets, NOW).encode(), elements),
            "xml": (write_xml(sets, NOW).encode(), elements),
            "gzip": (gzip.compress(write_json(sets).encode(), mtime=0), elements),
            "calendar": (calendar(), lambda data: parse_calendar(data, WEEK, "Atlantic/Azores", "fuzzed")),
            "horizon": (horizon, lambda data: Horizon.from_csv_bytes(data, "fuzzed")),
            "sightings": (horizon, lambda data: read_sightings(self._file(data))),
            "obstacles": (
                b"bearing_deg,width_m,distance_m,height_m,name\n10,5,30,8,barn\n190,2,12,6,fir\n",
                lambda data: read_obstacles(self._file(data)),
            ),
            "plan": (plan, lambda data: parse_plan(data, "fuzzed", NOW)),
            "record": (
                f"start,duration_s\n{freezes}".encode(),
                lambda data: FreezeRecord.from_csv_bytes(data, "fuzzed"),
            ),
            **{name: (data, line_record) for name, data in line_records().items()},
            "workspace": (text, lambda data: read_settings(data.decode("utf-8", "replace"), folder / "passim.toml")),
            "kept answer": (
                b'{"a question": {"epoch_newest": "2026-03-01", "calls": [{"start": 1.5}]}}',
                lambda data: last_answer(self._file(data, "last-calls.json").parent, "a question"),
            ),
        }

    def _file(self, data: bytes, name: str = "fuzzed.csv") -> Path:
        path = self._folder / name
        path.write_bytes(data)
        return path


def fuzzed(readers: Readers, seed: int, number: int) -> tuple[str, bytes]:
    """Return the reader and the bytes of one input."""
    draw = random.Random(f"{seed} {number}")
    name = draw.choice(list(readers.all))
    data = bytearray(readers.all[name][0])
    for _ in range(draw.choice((1, 1, 1, 2, 3, 8))):
        at = draw.randrange(len(data) + 1)
        length = draw.choice((0, 1, 2, 10, 100))
        kind = draw.randrange(7)
        if kind == 0:
            data[at : at + length] = draw.randbytes(draw.choice((1, 1, 2, 8)))
        elif kind == 1:
            data[at : at + length] = draw.choice(TOKENS)
        elif kind == 2:
            del data[at : at + max(length, 1)]
        elif kind == 3:  # a piece of it again, many times
            data[at:at] = bytes(data[at : at + length]) * draw.choice((1, 2, 50))
        elif kind == 4:
            del data[at:]
        elif kind == 5:  # another kind's content
            other = readers.all[draw.choice(list(readers.all))][0]
            data[at : at + length] = other[draw.randrange(len(other)) :][:400]
        else:  # a digit or sign for another
            spots = [k for k in range(at, min(at + 200, len(data))) if chr(data[k]) in "0123456789+-.eE,"]
            for spot in spots[:2]:
                data[spot] = ord(draw.choice("0123456789+-.eE,_"))
        if not data:
            break
    return name, bytes(data)


def data_bytes() -> int | None:
    """Return how much this process has mapped for data, or None where the system does not tell."""
    with contextlib.suppress(OSError, StopIteration):
        line = next(line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmData"))
        return int(line.split()[1]) * 1024
    return None


def work(readers: Readers, seed: int, first: int, count: int, until_s: float, beat: mmap.mmap, out: Path) -> None:
    """Read inputs from `first` on until a moment of `time.monotonic`, and leave what became of them in `out`."""
    for number in range(2000):  # warm, so that what libraries keep is not charged to an input
        name, data = fuzzed(readers, -1, number)
        with contextlib.suppress(PassimError):
            readers.all[name][1](data)
    if (mapped := data_bytes()) is not None:
        resource.setrlimit(resource.RLIMIT_DATA, (mapped + LARGEST_BYTES, mapped + LARGEST_BYTES))
    outcomes: Counter[str] = Counter()
    failures: list[tuple[int, str, str]] = []
    slowest, largest = (0.0, -1, ""), (0, -1, "")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss

    def leave() -> None:
        partial = out.with_suffix(".part")
        partial.write_bytes(pickle.dumps((outcomes, failures, slowest, largest)))
        partial.replace(out)

    for number in range(first, count):
        beat[:8] = struct.pack("q", number)
        name, data = fuzzed(readers, seed, number)
        began_s = time.process_time()
        try:
            readers.all[name][1](data)
            outcomes[f"{name}: read"] += 1
        except InternalError as error:
            failures.append((number, name, repr(error)))
        except PassimError:
            outcomes[f"{name}: refused"] += 1
        except BaseException as error:  # whatever it is, it is a finding
            failures.append((number, name, f"{type(error).__name__}: {error}"[:200]))
        took_s = time.process_time() - began_s
        if took_s > LONGEST_S:
            failures.append((number, name, f"{took_s:.2f} s"))
        slowest = max(slowest, (took_s, number, name))
        now_peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        largest, peak = max(largest, (now_peak - peak, number, name)), now_peak
        if number % 1000 == 999:
            leave()
            if time.monotonic() > until_s:
                beat[:8] = struct.pack("q", number + 1)
                return
    beat[:8] = struct.pack("q", count)
    leave()


def watched(readers: Readers, seed: int, count: int, folder: Path, longest_s: float) -> int:
    """Let forked processes read all inputs, or as many as `longest_s` is enough for, and tell what came of it."""
    beat = mmap.mmap(-1, 8)
    outcomes: Counter[str] = Counter()
    failures: list[tuple[int, str, str]] = []
    slowest, largest = (0.0, -1, ""), (0, -1, "")
    began_s = told_s = time.monotonic()
    first, part = 0, 0
    while first < count and time.monotonic() < began_s + longest_s:
        out = folder / f"outcome-{part}"
        part += 1
        beat[:8] = struct.pack("q", first)
        child = os.fork()
        if child == 0:
            code = 1
            try:
                work(readers, seed, first, count, began_s + longest_s, beat, out)
                code = 0
            finally:
                sys.stdout.flush()
                os._exit(code)
        seen, since_s, status = first, time.monotonic(), None
        while True:
            ended, state = os.waitpid(child, os.WNOHANG)
            if ended:
                status = state
                break
            at = struct.unpack("q", beat[:8])[0]
            if at != seen:
                seen, since_s = at, time.monotonic()
            elif time.monotonic() - since_s > HANGS_S:
                os.kill(child, signal.SIGKILL)
            if time.monotonic() - told_s > 60.0:
                told_s = time.monotonic()
                print(f"{at:,} of {count:,} in {told_s - began_s:.0f} s", flush=True)
            time.sleep(0.05)
        if out.exists():
            more, failed, slow, large = pickle.loads(out.read_bytes())
            outcomes += more
            failures += failed
            slowest, largest = max(slowest, slow), max(largest, large)
        at = struct.unpack("q", beat[:8])[0]
        if status:
            failures.append((at, fuzzed(readers, seed, at)[0], f"hung or died (status {status})"))
        first = at + 1 if status else at
    took_s = time.monotonic() - began_s
    for words, number in sorted(outcomes.items()):
        print(f"{number:>10,} {words}")
    print(f"{first:,} inputs in {took_s:.0f} s, seed {seed}")
    print(f"slowest: {slowest[0]:.3f} s, input {slowest[1]} ({slowest[2]})")
    print(f"largest: {largest[0] / 1024:.1f} MB more than any before, input {largest[1]} ({largest[2]})")
    print(f"{len(failures)} failures")
    for number, name, words in failures[:50]:
        print(f"  input {number} ({name}): {words}")
    return 1 if failures else 0


def main() -> int:
    parser = argparse.ArgumentParser(description="Fuzzed inputs over every reader.")
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=math.inf)
    parser.add_argument("--only", type=int)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="passim-soak-") as folder:
        readers = Readers(Path(folder))
        if given.only is None:
            return watched(readers, given.seed, given.count, Path(folder), 60.0 * given.minutes)
        name, data = fuzzed(readers, given.seed, given.only)
        print(name, data[:2000])
        began_s = time.process_time()
        try:
            print(readers.all[name][1](data))
        except Exception:
            traceback.print_exc()
        print(f"{time.process_time() - began_s:.3f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
