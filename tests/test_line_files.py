"""Records that people already have: read from logs, tables, notes and calendars, and written and read back.

The logs are written by hand, in the lines that their programs print: iputils as in its source (ping/ping_common.c,
read), Windows as in Microsoft's "Using the ping command" (read), macOS as its manual page and published transcripts
show them.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from passim.errors import InputError, WayOut
from passim.line import files
from passim.line.files import Answers, Reading, parse_record, read_record
from passim.line.record import LineRecord

START = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
AT_S = START.timestamp()
TAIL = "rtt min/avg/max/mdev = 30.000/30.000/30.000/0.000 ms\n"


def read(text: str | bytes, **said: object) -> Reading:
    return parse_record(text.encode() if isinstance(text, str) else text, "a.log", Answers(**said))  # type: ignore[arg-type]


def refused(text: str | bytes, **said: object) -> InputError:
    with pytest.raises(InputError) as caught:
        read(text, **said)
    return caught.value


def found(reading: Reading) -> list[tuple[float, float]]:
    """Return the outages as seconds from START and their lengths, to the millisecond."""
    table = reading.record.outages
    starts = (table["start"] - pd.Timestamp(START)).dt.total_seconds().round(3)
    return list(zip(starts.tolist(), table["duration_s"].round(3).tolist(), strict=True))


def every_line_is_told_of(text: str, reading: Reading) -> bool:
    return reading.used + reading.silent + len(reading.left_out) == len(text.splitlines())


def iputils(answered: Callable[[int], bool], count: int = 60, *, late: bool = False) -> str:
    """A log of `ping -D`, sent on the second with round trips of 30 ms; with `late` as `ping -D -O` writes it."""
    lines = ["PING 192.0.2.1 (192.0.2.1) 56(84) bytes of data."]
    for k in range(count):
        stamp = AT_S + k
        if late and k and not answered(k - 1):
            lines.append(f"[{stamp:.6f}] no answer yet for icmp_seq={k}")
        if answered(k):
            lines.append(f"[{stamp + 0.03:.6f}] 64 bytes from 192.0.2.1: icmp_seq={k + 1} ttl=57 time=30.0 ms")
    got = sum(map(answered, range(count)))
    lines += ["", "--- 192.0.2.1 ping statistics ---"]
    lines.append(f"{count} packets transmitted, {got} received, 1.5% packet loss, time {count * 1000}ms")
    return "\n".join(lines) + "\n" + TAIL


def test_a_log_of_ping_with_times() -> None:
    text = iputils(lambda k: not 20 <= k < 27 and k != 50)
    reading = read(text)
    assert found(reading) == [(20.0, 7.0)]
    assert every_line_is_told_of(text, reading)
    record = reading.record
    (probes,) = record.probes
    assert (len(probes), int(probes.lost.sum()), record.period_s) == (60, 8, pytest.approx(1.0, abs=1e-6))
    # The time before a line is that of the answer: the send lies its round trip before it.
    assert np.abs(probes.sent_s - (AT_S + np.arange(60))).max() < 1e-5
    assert record.measured_s == pytest.approx(60.0, abs=1e-5)
    assert "losses from numbers" in [remark.code for remark in reading.remarks]
    assert found(read(iputils(lambda k: not 20 <= k < 27, late=True))) == [(20.0, 7.0)]


def test_a_late_answer_is_no_loss_and_a_double_one_counts_once() -> None:
    lines = iputils(lambda k: True, 10).splitlines(keepends=True)
    # Probe 4 is answered after 2.5 s, when 5 and 6 have been.
    lines[4] = ""
    lines.insert(7, f"[{AT_S + 3 + 2.5:.6f}] 64 bytes from 192.0.2.1: icmp_seq=4 ttl=57 time=2500 ms\n")
    lines.insert(8, f"[{AT_S + 3 + 2.6:.6f}] 64 bytes from 192.0.2.1: icmp_seq=4 ttl=57 time=2600 ms (DUP!)\n")
    (probes,) = read("".join(lines)).record.probes
    assert (len(probes), int(probes.lost.sum())) == (10, 0)
    assert probes.round_trip_s[3] == 2.5


def test_sleep_is_a_hole_and_numbers_go_on_past_their_end() -> None:
    first = iputils(lambda k: True, 30).splitlines()[:31]
    # The machine sleeps for an hour and ping goes on by the next number.
    first += [
        f"[{AT_S + 3630 + k + 0.03:.6f}] 64 bytes from 192.0.2.1: icmp_seq={31 + k} ttl=57 time=30.0 ms"
        for k in range(30)
    ]
    record = read("\n".join(first)).record
    assert np.round(record.holes - AT_S, 3).tolist() == [[30.0, 3630.0]]
    assert (record.measured_s, len(record.outages)) == (pytest.approx(60.0, abs=1e-4), 0)
    wrapped = [
        f"[{AT_S + k + 0.03:.6f}] 64 bytes from 192.0.2.1: icmp_seq={(65_530 + k) % 65_536} ttl=57 time=30.0 ms"
        for k in range(20)
        if not 3 <= k < 8
    ]
    assert found(read("\n".join(wrapped))) == [(3.0, 5.0)]


def test_a_summary_that_cannot_be_is_no_count_of_probes() -> None:
    text = iputils(lambda k: True, 20)
    assert len(read(text.replace("20 packets transmitted", "999999999 packets transmitted")).record.probes[0]) == 20
    assert found(read(text.replace("20 packets transmitted", "29 packets transmitted"))) == [(20.0, 9.0)]


def test_a_round_trip_that_cannot_be_is_a_damaged_line() -> None:
    text = iputils(lambda k: True, 300)
    line = text.splitlines()[1]
    wrong = line[: line.index("time=")] + f"time={'4' * 40}.1 ms"
    reading = read(text.replace(line, wrong))
    assert [each.line for each in reading.left_out] == [2]
    assert len(reading.record.probes[0]) == 299
    replies = "\n".join(["Reply from 192.0.2.1: bytes=32 time=31ms TTL=57"] * 200)
    reading = read(f"{replies}\nReply from 192.0.2.1: bytes=32 time={'4' * 40}ms TTL=57\n", start=START)
    assert [each.line for each in reading.left_out] == [201]


def test_two_runs_of_ping_in_one_file_have_a_hole_between() -> None:
    second = iputils(lambda k: k >= 5, 20).replace("[", "[x").split("[x")
    moved = "[".join(
        [second[0], *(f"{float(part.split(']')[0]) + 600:.6f}]" + part.split("]", 1)[1] for part in second[1:])]
    )
    reading = read(iputils(lambda k: True, 30) + moved)
    assert np.round(reading.record.holes - AT_S, 3).tolist() == [[30.0, 605.0]]
    # What was lost before the first answer of a run is not known from its numbers: it may never have been sent.
    assert found(reading) == []


def test_pauses_that_overlap_since_the_clock_was_set_back_are_no_fault() -> None:
    """The machine sleeps for an hour; the run after it has its own pause, at times of the first one's."""

    def run(*times_s: int) -> str:
        head = "PING 192.0.2.1 (192.0.2.1) 56(84) bytes of data.\n"
        return head + "".join(
            f"[{AT_S + at_s + 0.03:.6f}] 64 bytes from 192.0.2.1: icmp_seq={k + 1} ttl=57 time=30.0 ms\n"
            for k, at_s in enumerate(times_s)
        )

    reading = read(run(*range(10), *range(3610, 3620)) + run(*range(600, 610), *range(4000, 4010)))
    assert np.round(reading.record.holes - AT_S, 3).tolist() == [[10.0, 600.0], [610.0, 3610.0], [3620.0, 4000.0]]
    assert len(reading.record.probes[0]) == 40


def test_damaged_lines_are_named_and_are_no_losses() -> None:
    lines = iputils(lambda k: not 150 <= k < 160, 300).splitlines()
    lines[40] = lines[40][:25]
    lines[41] = "\x00\x00\x00"
    lines[42] = "64 bytes fr"
    reading = read("\n".join(lines))
    assert [one.line for one in reading.left_out] == [41, 42, 43]
    assert found(reading) == [(150.0, 10.0)]
    (probes,) = reading.record.probes
    assert len(probes) == 297
    error = refused("\n".join(lines), strict=True)
    assert str(error).startswith("log of ping a.log, line 41; got ")
    lines[50:60] = ["nothing of ping"] * 10
    assert "13 of 290 lines cannot be used" in str(refused("\n".join(lines)))


def test_ping_of_macos_is_counted_from_its_start() -> None:
    lines = ["PING 192.0.2.1 (192.0.2.1): 56 data bytes"]
    for k in range(40):
        if 12 <= k < 17:
            lines.append(f"Request timeout for icmp_seq {k}")
        else:
            lines.append(f"64 bytes from 192.0.2.1: icmp_seq={k} ttl=57 time=30.{k:03d} ms")
    lines += [
        "^C",
        "--- 192.0.2.1 ping statistics ---",
        "40 packets transmitted, 35 packets received, 12.5% packet loss",
    ]
    lines.append("round-trip min/avg/max/stddev = 30.000/30.020/30.039/0.012 ms")
    text = "\n".join(lines)
    assert refused(text).way_out is WayOut.RECORD_START
    reading = read(text, start=START)
    assert found(reading) == [(12.0, 5.0)]
    assert every_line_is_told_of(text, reading)
    assert [remark.code for remark in reading.remarks] == ["times counted", "clock taken as right"]
    assert found(read(text, start=START, every_s=0.2, offset_s=3.0)) == [(5.4, 1.0)]
    assert "a second run of ping" in str(refused(text + "\n" + text, start=START))


WINDOWS = ["", "Pinging far.example [192.0.2.1] with 32 bytes of data:"]


def test_ping_of_windows_waits_four_seconds_for_an_answer_in_vain() -> None:
    # Written by PowerShell's redirection: UTF-16.
    lines = [*WINDOWS]
    lines += ["Reply from 192.0.2.1: bytes=32 time=31ms TTL=57"] * 10 + ["Request timed out."] * 4
    lines += ["Reply from 192.0.2.1: bytes=32 time<1ms TTL=57"] * 6
    lines += ["", "Ping statistics for 192.0.2.1:", "    Packets: Sent = 20, Received = 16, Lost = 4 (20% loss),"]
    lines += ["Approximate round trip times in milli-seconds:", "    Minimum = 0ms, Maximum = 31ms, Average = 19ms"]
    text = "\r\n".join(lines)
    assert refused(text.encode("utf-16")).way_out is WayOut.RECORD_START
    reading = read(text.encode("utf-16"), start=START)
    assert found(reading) == [(10.0, 16.0)]
    assert every_line_is_told_of(text, reading)
    (probes,) = reading.record.probes
    assert (probes.target.address, probes.round_trip_s[-1]) == ("192.0.2.1", 0.0005)
    # It took 40 s by the clock, not the 32 s that its lines make: a time-out cost more than four.
    assert found(read(text, start=START, end=START + timedelta(seconds=40))) == [(12.5, 20.0)]
    assert "wanted about 32 s" in str(refused(text, start=START, end=START + timedelta(hours=1)))
    assert found(read(text, start=START, losses=5)) == []


def test_unreachable_is_lost_and_other_languages_are_refused_not_guessed() -> None:
    lines = [*WINDOWS, *["Reply from 192.0.2.1: bytes=32 time=31ms TTL=57"] * 5]
    lines += ["Reply from 192.0.2.254: Destination host unreachable."] * 3 + ["General failure."]
    lines += ["Reply from 192.0.2.1: bytes=32 time=31ms TTL=57"]
    assert found(read("\n".join(lines), start=START)) == [(5.0, 4.0)]
    lines[7:11] = ["Zeitüberschreitung der Anforderung."] * 4
    assert "a line of Windows' ping in English" in str(refused("\n".join(lines), start=START))


def test_a_table_of_probes_by_other_names() -> None:
    rows = [f"2026-11-25 08:00:{k:02d};{'' if 20 <= k < 25 else '31,5'};x" for k in range(60)]
    text = "\n".join(["Zeit;Latenz;Notiz", *rows])
    assert refused(text).way_out is WayOut.RECORD_COLUMNS
    columns = {"time": "Zeit", "round_trip_ms": "Latenz"}
    asks = refused(text, columns=columns)
    assert (asks.way_out, asks.what) == (WayOut.RECORD_ZONE, "record a.log, line 2")
    reading = read(text, columns=columns, zone="UTC")
    assert found(reading) == [(20.0, 5.0)]
    assert reading.record.probes[0].round_trip_s[0] == 0.0315
    # A quarter past eight on the Azores, an hour behind, whose clock was two seconds slow.
    assert found(read(text, columns=columns, zone="Atlantic/Azores", offset_s=2.0)) == [(3622.0, 5.0)]
    assert str(refused(text, columns={"time": "Uhr"})).startswith("record a.log, line 1; got 'Zeit,Latenz,Notiz'")


def test_the_hour_that_comes_twice_goes_on_in_order() -> None:
    # On 25 October 2026 the clocks of Paris go back from 03:00 to 02:00.
    rows = [f"2026-10-25 02:{m:02d}:00,yes" for m in (*range(50, 60), *range(0, 60))]
    record = read("\n".join(["time,answered", *rows]), zone="Europe/Paris").record
    (probes,) = record.probes
    assert np.diff(probes.sent_s).tolist() == [60.0] * 69
    # And in spring an hour never comes.
    text = "time,answered\n2026-03-29 01:59:00,yes\n2026-03-29 02:30:00,yes\n2026-03-29 03:00:00,yes\n"
    (one,) = read(text, zone="Europe/Paris").left_out
    assert (one.line, one.wanted[:37]) == (3, "a time that the clocks of Europe/Pari")


def test_a_table_of_outages() -> None:
    text = (
        "start,duration_s,where,lost\n2026-11-25T08:00:00Z,19,line,19\n2026-11-25T08:05:00Z,12.5,far end,\n"
        "2026-11-25T08:10:00Z,-3,line,\nyesterday,3,line,\n2026-11-25T09:00:00+01:00,5,line,\n"
    )
    reading = read(text)
    # The last row lies within the first: one outage noted twice.
    assert found(reading) == [(0.0, 19.0), (300.0, 12.5)]
    assert reading.record.outages["where"].tolist() == ["line", "far"]
    assert [one.line for one in reading.left_out] == [4, 5]
    assert "span of events" in [remark.code for remark in reading.remarks]
    whole = read(text, start=START - timedelta(hours=1), end=START + timedelta(hours=3)).record
    assert (whole.measured_s, whole.probes) == (4 * 3600.0, ())


NOTES = """# invented
Wed 25 Nov 2026
07:00 call begins
- 07:14 froze 20 s
07:20:10-07:20:35 no picture
at 7:31 pm froze for 1 min 12 s
07:40 it froze
19:45 call ends
2026-11-26 08:02 call starts
08:14 froze 8,5 sec
08:30 stopped
"""


def test_an_observers_notes() -> None:
    assert refused(NOTES).way_out is WayOut.RECORD_ZONE
    reading = read(NOTES, zone="Atlantic/Azores")
    assert found(reading) == [(840.0, 20.0), (1210.0, 25.0), (41_460.0 + 3600.0, 72.0), (86_400.0 + 4440.0, 8.5)]
    (left_out,) = reading.left_out
    assert (left_out.line, left_out.text) == (7, "07:40 it froze")
    assert every_line_is_told_of(NOTES, reading)
    record = reading.record
    assert record.measured_s == 12.75 * 3600 + 28 * 60
    assert refused("08:14 froze 20 s", zone="UTC").way_out is WayOut.RECORD_START
    assert found(read("08:14 froze 20 s\n23:59 froze 9 s\n00:02 froze 5 s", zone="UTC", start=START)) == [
        (840.0, 20.0), (57_540.0, 9.0), (57_720.0, 5.0),
    ]  # fmt: skip
    assert "such as 08:14 froze 20 s" in str(refused("08:14 froze 20 s\na\nb\nc\nd", zone="UTC", start=START))


def calendar(*events: str) -> str:
    return "\r\n".join(["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//invented//EN", *events, "END:VCALENDAR", ""])


def event(uid: str, start: str, end: str, *more: str) -> str:
    return "\r\n".join(
        [
            "BEGIN:VEVENT",
            f"UID:{uid}",
            "DTSTAMP:20261125T000000Z",
            f"DTSTART:{start}",
            f"DTEND:{end}",
            *more,
            "END:VEVENT",
        ]
    )


def test_a_calendar_of_bad_calls() -> None:
    told = "DESCRIPTION:07:14 froze 20 s\\n07:21:05 froze 12 s"
    text = calendar(
        event("1", "20261125T080000Z", "20261125T084500Z", "SUMMARY:Lesson, bad", told),
        event("2", "20261125T100000Z", "20261125T100030Z", "SUMMARY:froze"),
        event("3", "20260301T100000Z", "20260301T110000Z", "SUMMARY:bad one"),
    )
    reading = read(text, zone="Atlantic/Azores")
    assert found(reading) == [(840.0, 20.0), (1265.0, 12.0), (7200.0, 30.0)]
    (left_out,) = reading.left_out
    assert (left_out.line, left_out.text) == (19, "bad one, 60 min")
    # The call was watched, and the noted freeze; what lies between is a hole.
    assert reading.record.measured_s == 45 * 60 + 30
    assert refused(text).way_out is WayOut.RECORD_ZONE
    floating = calendar(event("1", "20261125T080000", "20261125T080030", "SUMMARY:froze"))
    assert refused(floating).way_out is WayOut.RECORD_ZONE
    weekly = calendar(event("1", "20261125T080000Z", "20261125T080030Z", "RRULE:FREQ=WEEKLY"))
    assert refused(weekly).way_out is WayOut.RECORD_END
    assert len(read(weekly, end=START + timedelta(days=15)).record.outages) == 3
    slip = calendar(event("1", "00010101T000000Z", "00010101T000030Z"))
    years = [event(str(k), f"20{k:02d}0125T080000Z", f"20{k:02d}0125T080030Z") for k in range(1, 27)]
    for text in (slip, calendar(*years)):
        assert isinstance(refused(text), InputError)


def test_logs_kept_at_once_tell_house_line_and_far_end_apart() -> None:
    def log(address: str, position: str, *lost: tuple[int, int]) -> Reading:
        text = iputils(lambda k: not any(a <= k < b for a, b in lost), 200).replace("192.0.2.1", address)
        return read(text, position=position)

    router = log("192.0.2.1", "house", (20, 30))
    logs = [router, log("192.0.2.2", "far", (20, 30), (60, 70)), log("192.0.2.3", "far", (20, 30), (60, 70), (90, 99))]
    record = files.together(logs, "three logs")
    starts = (record.outages["start"] - pd.Timestamp(START)).dt.total_seconds().round(3).tolist()
    assert list(zip(starts, record.outages["where"], strict=True)) == [(20.0, "house"), (60.0, "line"), (90.0, "far")]
    assert (record.measured_s, record.told_apart) == (pytest.approx(200.0, abs=1e-4), True)
    with pytest.raises(InputError, match="two logs of it"):
        files.together([router, router], "x")
    with pytest.raises(InputError, match="no probes"):
        files.together([router, read(NOTES, zone="UTC")], "x")
    later = parse_record(iputils(lambda k: True).replace("192.0.2.1", "192.0.2.9").encode(), "b", Answers(offset_s=9e4))
    with pytest.raises(InputError, match="at different times"):
        files.together([router, later], "x")


def test_what_is_no_record_is_refused_in_one_line(tmp_path: Path) -> None:
    for data, words in [
        (b"", "which is empty"),
        (b"\x00\x01\x02\xff", "bytes that are no text"),
        (b"hello\n", "wanted a log of ping, CSV"),
        (b"start,duration_s\n", "no line of a record"),
        (b'time,answered\n"2026', "a readable CSV file"),
        (b'row,from,to\n"2026', "a readable CSV file"),
        (b"[1795593600.0] 64 bytes from 192.0.2.1: icmp_seq=99999 ttl=57 time=3 ms", "a number below 65,536"),
    ]:
        with pytest.raises(InputError, match=words):
            parse_record(data, "x")
    with pytest.raises(InputError, match="checking the path"):
        read_record(tmp_path / "none")
    with pytest.raises(InputError, match="a folder"):
        read_record(tmp_path)


def same(one: LineRecord, other: LineRecord) -> bool:
    """Whether two records say the same, to the microsecond."""
    assert (one.span, one.source, one.zone) == (other.span, other.source, other.zone)
    assert (one.period_s is None) == (other.period_s is None)
    assert one.period_s is None or one.period_s == pytest.approx(other.period_s)
    assert np.abs(one.holes - other.holes).max(initial=0.0) < 2e-6
    pd.testing.assert_frame_equal(one.outages, other.outages)
    assert [each.target for each in one.probes] == [each.target for each in other.probes]
    for mine, theirs in zip(one.probes, other.probes, strict=True):
        assert np.abs(mine.sent_s - theirs.sent_s).max() < 2e-6
        np.testing.assert_allclose(mine.round_trip_s, theirs.round_trip_s, atol=1e-6)
    return True


def some_records() -> list[LineRecord]:
    log = iputils(lambda k: not 20 <= k < 27, 60).splitlines()
    slept = [
        f"[{AT_S + 3630 + k + 0.03:.6f}] 64 bytes from 192.0.2.1: icmp_seq={61 + k} ttl=57 time=30.0 ms"
        for k in range(30)
    ]
    return [read("\n".join([*log[:54], *slept])).record, read(NOTES, zone="Atlantic/Azores").record]


def test_a_record_written_is_the_record_read(tmp_path: Path) -> None:
    for record in some_records():
        path = tmp_path / "record.csv"
        rows = files.write_record(record, path)
        assert rows == 1 + len(record.holes) + len(record.outages) + sum(map(len, record.probes))
        assert same(read_record(path).record, record)
        alone = parse_record(files.csv_text(record, probes=False).encode(), "x").record
        assert (alone.probes, len(alone.outages)) == ((), len(record.outages))
        # A damaged row is named; the others stay.
        lines = path.read_text(encoding="utf-8").splitlines()
        lines[3] = lines[3][:30]
        reading = parse_record("\n".join(lines).encode(), "x")
        assert [one.line for one in reading.left_out] == [4]
    header = lines[0]
    assert "wanted one, which says its span" in str(refused(f"{header}\n{lines[2]}\n"))


def test_parquet_gives_the_record_back_or_says_what_is_missing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "record.parquet"
    if importlib.util.find_spec("pyarrow") is not None:
        for record in some_records():
            files.write_record(record, path)
            assert same(read_record(path).record, record)
        path.write_bytes(path.read_bytes()[:-20])
        with pytest.raises(InputError, match="wanted a whole Parquet file"):
            read_record(path)
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    with pytest.raises(InputError, match=r"pip install 'passim\[parquet\]', or CSV"):
        files.write_record(some_records()[0], tmp_path / "other.parquet")
    with pytest.raises(InputError, match="pyarrow is not installed"):
        parse_record(b"PAR1....PAR1", "x")
    assert not (tmp_path / "other.parquet").exists()
