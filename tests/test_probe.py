"""The probe on real sockets: outages where and when targets dropped, late answers, holes, what kills it, its size."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

import commands
from passim import Journal, LineRecord, Span
from passim.errors import InputError, JournalBusyError
from passim.line import JournalWriter, Plan, Probe, find_outages, parse_targets
from passim.line.probe.clock import Clocks
from passim.line.probe.methods import literal
from passim.line.probe.names import Addresses
from passim.line.probe.time_server import question, reading, refuses
from passim.line.record import Probes
from passim.workspace import create
from patience import PATIENCE_S
from scripted_targets import Act, DnsTarget, ScriptedTargets, TcpTarget
from soak import journal_kills

# Quicker than users may ask: what takes minutes there takes seconds here.
EVERY_S = 0.05


@pytest.fixture(autouse=True)
def _any_rate(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("passim.line.probe.loop.check_interval", lambda _: None)


@pytest.fixture
def port() -> Iterator[int]:
    """A port that accepts whoever comes."""
    with ScriptedTargets([target := TcpTarget()], [], 3600.0):
        yield target.port


def probed(folder: Path, words: list[str], for_s: float, clocks: Clocks | None = None, **options) -> LineRecord:
    """What is recorded of these targets in so many seconds."""
    with JournalWriter(folder / "journal.sqlite3") as journal:
        Probe(Plan(parse_targets(words), EVERY_S, for_s), journal, clocks, **options).run()
    return recorded(folder)


def recorded(folder: Path) -> LineRecord:
    with Journal(folder) as journal:
        assert journal.check() == ()
        first, last = journal.bounds()
        return journal.read(Span(first, last + timedelta(microseconds=1)))


def random_script(number: int, lasts_s: float) -> list[Act]:
    """Outages of 4 to 60 intervals, as 200 ms to 3 s are to 50 ms what 4 s to a minute are to a second."""
    draw, at_s, script = random.Random(number), 0.3, []
    while (end_s := at_s + 4 * EVERY_S * 15 ** (draw.random() ** 2)) < lasts_s - 0.3:
        script += [Act(at_s, number, "drop"), Act(end_s, number, "up")]
        at_s = end_s + draw.uniform(0.15, 0.4)
    return script


def touches(holes: np.ndarray, start_s: float, end_s: float) -> bool:
    return bool(np.any((holes[:, 0] < end_s + 1.0) & (holes[:, 1] > start_s - 1.0)))


def test_every_outage_is_found_within_an_interval_and_none_is_made_up(tmp_path: Path) -> None:
    """Over 200 outages of twenty targets, by TCP and by DNS, beside a target that is late and one that refuses."""
    lasts_s = 14.0
    targets = [TcpTarget() if number % 2 else DnsTarget() for number in range(20)] + [DnsTarget(), TcpTarget()]
    script = [act for number in range(20) for act in random_script(number, lasts_s)]
    script += [Act(0.0, 20, "delay", 1.5), Act(0.0, 21, "refuse")]
    with ScriptedTargets(targets, script, lasts_s + 8.0) as played:
        words = [f"t{number}={target.words}" for number, target in enumerate(targets)]
        record = probed(tmp_path, words, lasts_s)
    judged = 0
    for number, probes in enumerate(record.probes[:20]):
        found = find_outages([probes], record.holes)
        rows = [(row.start.timestamp(), row.end.timestamp()) for row in found.itertuples()]
        sent = probes.sent_s
        drops = [drop for drop in played.drops(number) if not touches(record.holes, drop[0][0], drop[1][1])]
        for (began, begun), (ended, end) in drops:
            # Within an interval: a packet may leave a little after its stamp, and what is sent while the target changes
            # may go either way.
            within = [row for row in rows if row[0] < end and row[1] > begun]
            if len(sent[(sent > begun) & (sent < ended)]) < 3:
                continue
            assert len(within) == 1, (number, began, within)
            for edge, before, after in ((within[0][0], began, begun), (within[0][1], ended, end)):
                assert sent[sent < before][-1] - 1e-5 <= edge <= sent[sent > after][0] + 1e-5
            judged += 1
            rows.remove(within[0])
        assert [row for row in rows if not touches(record.holes, *row)] == [], f"made up at target {number}"
    # On a machine that stalls for over a second now and then there are holes, and what they touch is not judged.
    assert judged > 200 or len(record.holes) > 1
    late, refused = record.probes[20:]
    assert not refused.lost.any()
    assert not late.lost.any()
    assert np.median(late.round_trip_s) == pytest.approx(1.5, abs=0.4)


def test_house_line_and_far_end_on_real_sockets(tmp_path: Path) -> None:
    targets = [TcpTarget(), TcpTarget(), DnsTarget()]
    faults = {"line": [1, 2], "house": [0, 1, 2], "far": [2]}
    script = []
    for k, which in enumerate(faults.values()):
        script += [Act(0.5 + k, number, "drop") for number in which]
        script += [Act(1.0 + k, number, "up") for number in which]
    with ScriptedTargets(targets, script, 5.0):
        record = probed(tmp_path, [f"t{k}={target.words}" for k, target in enumerate(targets)], 3.5)
    if len(record.holes) == 0:  # the machine did not stall
        assert record.outages["where"].tolist() == list(faults)
    assert record.told_apart


def test_an_answer_after_the_patience_is_none(tmp_path: Path) -> None:
    with ScriptedTargets([target := DnsTarget()], [Act(0.0, 0, "delay", 0.9)], 6.0):
        record = probed(tmp_path, [f"one={target.words}"], 1.0, patience_s=0.4)
    assert record.probes[0].lost.all()
    assert len(record.outages) == 1


def test_a_connection_accepted_late_is_an_answer_and_one_to_its_copy_is_none(tmp_path: Path) -> None:
    # The first answer comes after the kernel has sent the packet again: late, and still that to the first.
    apart = ["unshare", "--map-root-user", "--net", sys.executable, "-m", "tests.late_answers"]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    try:
        subprocess.run([*apart, str(tmp_path)], check=True, capture_output=True, timeout=PATIENCE_S, env=environment)
    except (OSError, subprocess.CalledProcessError) as error:
        words = str(getattr(error, "stderr", error))
        if (
            isinstance(error, subprocess.CalledProcessError)
            and "PermissionError" not in words
            and "unshare" not in words
        ):
            raise
        pytest.skip("no network device of one's own is permitted here")
    late, lost = recorded(tmp_path).probes
    assert not late.lost.any()
    assert late.round_trip_s.min() > 1.5
    assert lost.lost.all()


def test_a_clock_that_is_set_leaves_a_hole_and_a_machine_that_sleeps_too(tmp_path: Path, port: int) -> None:
    """Forward by 30 s, asleep for 40 s, back by half a second: nothing is lost; time that comes twice is a hole."""
    set_ns, slept_ns = [0], [0]
    clocks = Clocks(
        lambda: time.time_ns() + set_ns[0] + slept_ns[0],
        lambda: time.monotonic_ns() + slept_ns[0],
        time.monotonic_ns,
    )

    def meddle() -> None:
        for which, by_ns in ((set_ns, 30 * 10**9), (slept_ns, 40 * 10**9), (set_ns, -(10**9) // 2)):
            time.sleep(0.9)
            which[0] += by_ns

    meddler = threading.Thread(target=meddle)
    meddler.start()
    # The sleep takes 40 s of the time that it is to run.
    record = probed(tmp_path, [f"one=127.0.0.1:{port}"], 43.0, clocks)
    meddler.join()
    assert record.outages.empty
    with Journal(tmp_path) as journal:
        starts = journal.starts(Span.starting(record.span.start, hours=1.0))
    assert starts.loc[starts["why"] == "asleep", "step_s"].tolist() == [0.0]
    assert starts.loc[starts["why"] == "clock set", "step_s"].tolist() == pytest.approx([30.0, -0.5], abs=0.05)
    lengths = [end - start for start, end in record.holes.tolist()]
    assert any(0.2 < length < 0.55 for length in lengths), lengths
    assert [length for length in lengths if length > 5.0] == pytest.approx([30.0, 40.0], abs=0.3)
    assert record.measured_s == pytest.approx(43.0 - 40.0 - 1.0, abs=1.0)
    sent = record.probes[0].sent_s
    assert np.all(np.diff(sent) > 0)
    assert not any(np.any((sent > start) & (sent < end)) for start, end in record.holes.tolist())


def test_fifty_kills_cost_a_second_each_at_most(tmp_path: Path, port: int) -> None:
    folders = [tmp_path / str(number) for number in range(5)]
    for folder in folders:
        folder.mkdir()
    with ThreadPoolExecutor() as together:
        worst_s = list(together.map(lambda folder: journal_kills.run(folder, port, 10, int(folder.name)), folders))
    assert max(worst_s) <= 1.0


def test_a_time_server_says_how_far_off_the_clock_is(tmp_path: Path, port: int) -> None:
    """A server whose clock is 2.5 s ahead; its packet made by hand after RFC 5905, section 7.3."""
    server = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    server.bind(("127.0.0.1", 0))

    def stamp(time_s: float) -> bytes:
        return int((time_s + 2_208_988_800) * 2**32).to_bytes(8, "big")

    def answer() -> None:
        asked, sender = server.recvfrom(512)
        ahead = time.time() + 2.5
        server.sendto(bytes([0x24, 2, 6, 0xEC]) + bytes(20) + asked[40:48] + stamp(ahead) + stamp(ahead), sender)

    answering = threading.Thread(target=answer, daemon=True)
    answering.start()
    with JournalWriter(tmp_path / "journal.sqlite3") as journal:
        targets = parse_targets([f"one=127.0.0.1:{port}"])
        Probe(Plan(targets, EVERY_S, 1.0, "127.0.0.1", server.getsockname()[1]), journal).run()
    server.close()
    with Journal(tmp_path) as opened:
        (row,) = opened.clock_offsets(recorded(tmp_path).span).itertuples()
    assert row.server == "127.0.0.1"
    assert row.offset_s == pytest.approx(2.5, abs=0.3)
    packet, mark = question()
    assert len(packet) == 48
    assert reading(bytes([0x24, 0]) + bytes(46), mark, 0, 0) is None
    kiss = bytes([0x24, 0, 0, 0]) + bytes(8) + b"DENY" + bytes(8) + mark + bytes(16)
    assert refuses(kiss, mark)
    # 2040 lies in the next era of the count.
    in_2040 = datetime(2040, 1, 1, tzinfo=UTC).timestamp()
    late = (int((in_2040 + 2_208_988_800) % 2**32) << 32).to_bytes(8, "big")
    found = reading(bytes([0x24, 2]) + bytes(22) + mark + late + late, mark, round(in_2040 * 1e6), round(in_2040 * 1e6))
    assert found == (0, 0)


@pytest.mark.skipif(not shutil.which("unshare"), reason="no network of its own without unshare")
def test_echoes_are_asked_for_where_the_kernel_permits_it(tmp_path: Path) -> None:
    """In a network of its own, in which this user's group may."""
    program = f"""
import sys
sys.path.insert(0, {str(Path(__file__).parent.parent)!r})
from pathlib import Path
from passim.line import JournalWriter, Plan, Probe, parse_targets
with JournalWriter(Path({str(tmp_path)!r}) / "journal.sqlite3") as journal:
    Probe(Plan(parse_targets(["four=icmp:127.0.0.1", "six=icmp:::1"]), 0.2, 1.0), journal).run()
"""
    shell = f"ip link set lo up && echo '0 2147483647' > /proc/sys/net/ipv4/ping_group_range && exec {sys.executable} -"
    done = subprocess.run(
        ["unshare", "-n", "sh", "-c", shell], input=program, capture_output=True, text=True, timeout=PATIENCE_S
    )
    if "Operation not permitted" in done.stderr or "ip: not found" in done.stderr:
        pytest.skip("no network of its own for this user")
    assert (done.returncode, done.stderr) == (0, "")
    record = recorded(tmp_path)
    assert [probes.target.name for probes in record.probes] == ["four", "six"]
    assert not any(probes.lost.any() for probes in record.probes)


def test_the_probe_loads_nothing_heavy() -> None:
    """numpy alone would take half of the 40 MB that it may have."""
    program = """
import sys
import passim_apps.commands.probe, passim_apps.command_line.line_settings, passim_apps.text.line
from passim.line import JournalWriter, Plan, Probe
heavy = {"asyncio", "multiprocessing", "numpy", "pandas", "pydantic", "sgp4", "skyfield", "tomlkit"}
print(*sorted(heavy & set(sys.modules)))
"""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=PATIENCE_S)
    assert (done.stdout.split(), done.stderr) == ([], "")


# --- the command ------------------------------------------------------------------------------------------------------


def passim(*words: str, **options) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "passim_apps.command_line.main", *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, **options)


def test_a_stopped_probe_leaves_a_hole_a_second_one_is_refused_and_a_request_ends_it(tmp_path: Path, port: int) -> None:
    folder = tmp_path / "school"
    create(folder, demo=True)
    with (folder / "passim.toml").open("a") as file:
        file.write(f'\n[line]\ntargets = ["router=127.0.0.1:{port}", "far=127.0.0.1:{port}"]\nevery_s = 0.2\n')
    running = subprocess.Popen(
        [sys.executable, "-m", "passim_apps.command_line.main", "probe", "--workspace", str(folder)],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    try:
        assert running.stdout is not None
        assert running.stdout.readline() == (
            f"Asking every 0.2 s: router (tcp 127.0.0.1:{port}), far (tcp 127.0.0.1:{port}).\n"
        )
        time.sleep(1.5)
        with pytest.raises(JournalBusyError, match="is being written by another probe"):
            JournalWriter(folder / "journal.sqlite3")
        os.kill(running.pid, signal.SIGSTOP)
        time.sleep(2.5)
        os.kill(running.pid, signal.SIGCONT)
        time.sleep(1.5)
        # A reader beside the writer.
        live = recorded(folder)
        assert len(live.probes[0]) > 5
        running.terminate()
        told = running.stdout.read()
        assert running.wait(PATIENCE_S) == 0
    finally:
        running.kill()
        running.stdout.close()
    assert "measuring again: the probe was stopped for a while" in told
    record = recorded(folder)
    assert record.outages.empty
    assert record.period_s == 0.2
    assert any(2.0 < end - start < 3.5 for start, end in record.holes.tolist())
    answer = commands.run("journal", "--workspace", str(folder), "--format", "json")
    facts = json.loads(answer.stdout)
    assert "the probe was stopped for a while" in [hole["why"] for hole in facts["holes"]]
    assert facts["told_apart"] is True


def test_what_the_probe_cannot_ask_is_told_in_one_line(tmp_path: Path) -> None:
    create(tmp_path / "school", demo=True)
    done = passim("probe", "--workspace", str(tmp_path / "school"))
    assert done.returncode == 2
    assert done.stderr.startswith(
        "passim: which targets? Give --target router=HOST:PORT and two far ones, or name them"
    )
    assert done.stderr.count("\n") == 1
    # What is wrong with a length is told before the workspace is looked at.
    done = commands.run("probe", "--target", "router=127.0.0.1:80", "--every", "0.1s")
    assert done.exit_code == 2
    assert done.stderr == "passim: --every; got '0.1s'; wanted a length from 0.2s to 60s; try --every 1s\n"
    assert passim("probe", "--workspace", str(tmp_path / "nowhere"), "--target", "a=127.0.0.1:80").returncode == 2


# --- targets and names ------------------------------------------------------------------------------------------------


def test_targets_are_read_as_they_are_written() -> None:
    words = [
        "router=192.168.1.1:80", "a=far.example:443", "b=icmp:192.0.2.1", "c=icmp:2001:db8::1", "d=[2001:db8::1]:443",
        "e=dns:192.0.2.53:5353/example.org",
    ]  # fmt: skip
    targets = parse_targets(words)
    assert [target.text for target in targets] == words
    assert [target.method for target in targets] == ["tcp", "tcp", "icmp", "icmp", "tcp", "dns"]
    assert [target.position for target in targets] == ["house"] + ["far"] * 5
    assert [(target.host, target.port) for target in targets][3:] == [
        ("2001:db8::1", None), ("2001:db8::1", 443), ("192.0.2.53", 5353),
    ]  # fmt: skip
    assert parse_targets(["x=dns:192.0.2.53"])[0].address == "192.0.2.53:53/."
    assert parse_targets(["tcp=tcp:80"])[0].host == "tcp"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["192.0.2.1:80"], "target; got '192.0.2.1:80'; wanted NAME=HOST:PORT"),
        (["a=192.0.2.1"], "port of target a; got 'a=192.0.2.1'; wanted a number from 1 to 65535"),
        (["a=192.0.2.1:0"], "port of target a"),
        (["a=192.0.2.1:99999"], "port of target a"),
        (["a=192.0.2.300:80"], "address of target a"),
        (["a=two words:80"], "address of target a"),
        (["a=192.0.2.1:80/x"], "address of target a"),
        (["a=icmp:192.0.2.1:80"], "address of target a; got 'a=icmp:192.0.2.1:80'; wanted no port"),
        (["a=dns:192.0.2.1/a b"], "name to ask the resolver a for"),
        (["a=192.0.2.1:80", "A=192.0.2.2:80"], "second target of one name; got 'A'; wanted each name once"),
    ],
)
def test_a_target_that_is_none_is_refused(words: list[str], said: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_targets(words)
    assert str(caught.value).startswith(said)


def test_a_name_is_looked_up_aside_and_one_that_does_not_exist_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    def look_up(name: str, *_: object, **__: object) -> list[tuple]:
        if name == "none.example":
            raise socket.gaierror(socket.EAI_NONAME, "unknown")
        if name == "later.example":
            raise socket.gaierror(socket.EAI_AGAIN, "try again")
        return [(socket.AF_INET, 0, 0, "", ("127.0.0.1", 0))]

    monkeypatch.setattr(socket, "getaddrinfo", look_up)
    addresses = Addresses(["192.0.2.1", "here.example", "later.example"])
    addresses.look_up_first()
    assert addresses.of("here.example") == (socket.AF_INET, "127.0.0.1")
    assert addresses.of("192.0.2.1") == literal("192.0.2.1")
    # The line may be out, or the resolver: it is asked again, and counts as lost until then.
    assert addresses.of("later.example") is None
    with pytest.raises(InputError, match=r"none\.example"):
        Addresses(["192.0.2.1", "none.example"]).look_up_first()


def test_probes_keep_their_laws() -> None:
    target = parse_targets(["a=192.0.2.1:80"])[0]
    assert repr(Probes(target, np.array([1.0, 2.0]), np.array([np.nan, 0.1]))) == "<Probes of a: 2, 1 lost>"
