"""An hour on the local network: many clients, slow and hostile ones among them, and one phone that must get its page.

    python -m tests.soak.lan --minutes 60 --clients 200 --slow 50 --hostile 10

The dashboard runs in a process of its own, with its password, on loopback alone; each client has an address of its own
out of 127.0.0.0/8, which only Linux has whole. A visit of the phone is all that a browser asks for that has the scripts
already: the page, its looks, its layout, the answer that fills it, and the numbers of its picture. Printed are the
visits' median, 95th percentile and worst time, and the memory of the server and of its workers as the time goes on. The
exit status is 1 where a visit failed or took more than 5 s.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import itertools
import json
import math
import multiprocessing
import os
import random
import re
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psutil

from passim.workspace import create
from tests.callbacks import filling, opening

PAGE_WITHIN_S = 5.0
_PHONE = "127.0.0.2"
_SESSIONS = 40
_WEIGHED = 6  # times in all: every ten minutes of an hour
_ANSWER_WITHIN_S = 60.0
_PATHS = ("/", "/clock", "/sky", "/calls", "/elements")
_SERVE = """
import sys
from passim_apps.dashboard import serving
real = serving.listening_sockets
serving.listening_sockets = lambda lan, port: real(False, port)
say = lambda *lines: print(*lines, sep="\\n", file=sys.stderr, flush=True)
serving.run(port=0, workspace=sys.argv[1], network=serving.Network(encrypted=False), browser=False, at=None, tell=say)
"""


@dataclass
class Soak:
    """The server, what it says, and what its clients have met."""

    port: int
    told: list[str]
    end_s: float = 0.0  # monotonic, which all processes of a machine share
    visits: list[tuple[float, float, str]] = field(default_factory=list)  # whole, of it the page, s; its path
    failures: list[str] = field(default_factory=list)
    counts: Counter[str] = field(default_factory=Counter)
    steps: list[tuple[str, float]] = field(default_factory=list)  # of the visit under way, or the last one
    slowest_steps: list[tuple[str, float]] = field(default_factory=list)
    memory_mb: list[tuple[float, float]] = field(default_factory=list)  # the server, and its workers together

    @property
    def password(self) -> str:
        """The password that holds now."""
        return str(re.findall(r"One-time password: (\S+)", "".join(self.told))[-1])

    @property
    def over(self) -> bool:
        return time.monotonic() >= self.end_s

    async def connected(self, source: str) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        return await asyncio.open_connection("127.0.0.1", self.port, local_addr=(source, 0))

    async def ask(
        self, source: str, path: str, *, cookie: str = "", body: bytes | None = None, head: str = "", kind: str = ""
    ) -> tuple[int, str, bytes]:
        """Return the status, head and body of an answer, asked for on a connection of its own."""
        reader, writer = await self.connected(source)
        try:
            own = f"127.0.0.1:{self.port}"
            lines = [f"{'GET' if body is None else 'POST'} {path} HTTP/1.1", f"Host: {own}", "Connection: close"]
            if cookie:
                lines.append(f"Cookie: passim_session={cookie}")
            if body is not None:
                lines += [f"Origin: http://{own}", f"Content-Length: {len(body)}", f"Content-Type: {kind}"]
            if head:
                lines.append(head)
            writer.write("\r\n".join([*lines, "", ""]).encode() + (body or b""))
            await writer.drain()
            found = await asyncio.wait_for(reader.read(-1), _ANSWER_WITHIN_S)
        finally:
            writer.close()
        got_head, _, got = found.partition(b"\r\n\r\n")
        text = got_head.decode("latin-1")
        return int(text.split(" ", 2)[1]) if text.startswith("HTTP/") else 0, text, got

    async def log_in(self, source: str) -> str:
        """Return the token of a new session."""
        body = f"password={self.password}".encode()
        status, head, _ = await self.ask(source, "/login", body=body, kind="application/x-www-form-urlencoded")
        found = re.search(r"passim_session=([\w-]+)", head)
        if status != 303 or found is None:
            raise RuntimeError(f"the right password was refused: {status}")
        await asyncio.sleep(0.1)  # until the next one is told
        return found[1]

    async def called(self, source: str, cookie: str, body: dict[str, Any]) -> dict[str, Any]:
        """Return what a callback of the pages answers. Raises RuntimeError where it does not."""
        status, _, got = await self.ask(
            source, "/_dash-update-component", cookie=cookie, body=json.dumps(body).encode(), kind="application/json"
        )
        if status != 200:
            raise RuntimeError(f"{status} for {body['inputs'][0]['value']}: {got[:200]!r}")
        found: dict[str, Any] = json.loads(got)["response"]
        return found

    def step(self, what: str) -> None:
        """Note that a step of the visit under way is done."""
        self.steps.append((what, time.monotonic()))

    async def visit(self, source: str, cookie: str, path: str) -> float:
        """Ask for a page and for what fills it; return when its answer was there, without the numbers of its picture.

        Raises RuntimeError where any of it does not come.
        """
        name = path.strip("/") or "now"
        panel = {"now": "hour", "clock": "days", "sky": "sky", "calls": "starts", "elements": "ages"}[name]
        for wanted in (path, "/assets/passim.css", "/assets/passim.js", "/_dash-layout", "/_dash-dependencies"):
            status, _, got = await self.ask(source, wanted, cookie=cookie)
            if status != 200 or not got:
                raise RuntimeError(f"{status} for {wanted}")
            self.step(wanted)
        await self.called(source, cookie, opening(path))
        self.step("opened")
        parts = {"picture": () if path == "/elements" else (panel,), "caption": (panel,), "csv": (panel,)}
        told = "…"
        while told == "…":
            told = (await self.called(source, cookie, filling(path, panels=parts)))["sentence"]["children"]
            self.step("computing" if told == "…" else "answered")
            if told == "…":
                await asyncio.sleep(0.4)  # as the browser does while it says that it is being computed
        if told == "No answer to this choice.":
            raise RuntimeError(f"no answer on {path}")
        there_s = time.monotonic()
        status = 202
        while status == 202:
            status, _, got = await self.ask(source, f"/csv/{name}/{panel}.csv", cookie=cookie)
            self.step(f"numbers, {status}")
            if status == 202:
                await asyncio.sleep(0.4)
        if status not in (200, 404):  # a page may have nothing to list
            raise RuntimeError(f"{status} for the numbers of {path}: {got[:200]!r}")
        return there_s


async def phone(soak: Soak, source: str, cookie: str) -> None:
    """Visit a page every five seconds, one after the other, and note how long each visit takes."""
    turn = 0
    while not soak.over:
        began_s, path = time.monotonic(), _PATHS[turn % len(_PATHS)]
        soak.steps = [(path, began_s)]
        try:
            there_s = await soak.visit(source, cookie, path)
        except (OSError, RuntimeError, TimeoutError) as error:
            soak.failures.append(f"{type(error).__name__}: {error}")
        else:
            soak.visits.append((time.monotonic() - began_s, there_s - began_s, path))
            if soak.visits[-1] == max(soak.visits):
                soak.slowest_steps = soak.steps
        turn += 1
        await asyncio.sleep(5.0)


def phone_alone(soak: Soak, source: str, cookie: str, end: Any) -> None:
    """Be the phone in a process of its own, so that its times are the server's and not those of the other clients."""
    asyncio.run(phone(soak, source, cookie))
    end.send((soak.visits, soak.failures, soak.slowest_steps))


async def ordinary(soak: Soak, source: str, cookie: str) -> None:
    """Visit a page, read it, visit the next."""
    while not soak.over:
        await asyncio.sleep(random.uniform(30.0, 90.0))  # somebody reads the page
        try:
            await soak.visit(source, cookie, random.choice(_PATHS))
            soak.counts["visits of ordinary clients"] += 1
        except (OSError, RuntimeError, TimeoutError) as error:
            soak.counts[f"ordinary clients: {type(error).__name__}"] += 1


async def slow(soak: Soak, source: str) -> None:
    """Hold as many connections as there are to be had, each with a byte now and then."""
    beginnings = (
        b"", b"G", b"GET / HTTP/1.1\r\nHost: x\r\n", b"\r\n\r\n",
        b"POST /login HTTP/1.1\r\nHost: x\r\nContent-Length: 60000\r\n\r\n",
        b"POST /login HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\n",
    )  # fmt: skip

    async def one() -> None:
        while not soak.over:
            with contextlib.suppress(OSError, RuntimeError):
                reader, writer = await soak.connected(source)
                soak.counts["slow connections"] += 1
                try:
                    writer.write(random.choice(beginnings))
                    while not soak.over and not reader.at_eof():
                        await asyncio.sleep(random.uniform(0.5, 3.0))
                        writer.write(b"x")
                        with contextlib.suppress(TimeoutError):
                            await asyncio.wait_for(reader.read(1), 0.01)
                finally:
                    writer.close()
            await asyncio.sleep(0.5)

    await asyncio.gather(*(one() for _ in range(8)))


async def hostile(soak: Soak, source: str) -> None:
    """Try passwords, forge requests, send garbage and much of it, over many connections at once."""
    garbage = random.Random(source)

    async def one() -> None:
        while not soak.over:
            await asyncio.sleep(garbage.uniform(0.05, 0.5))
            choice = garbage.randrange(7)
            with contextlib.suppress(OSError, RuntimeError, TimeoutError, ValueError, IndexError):
                if choice == 0:
                    form = b"password=" + garbage.randbytes(6).hex().encode()
                    await soak.ask(source, "/login", body=form, kind="application/x-www-form-urlencoded")
                elif choice == 1:
                    await soak.ask(source, "/_dash-update-component", body=b'{"output": 5}', kind="application/json")
                elif choice == 2:
                    await soak.ask(source, "/csv/sites/world.csv?world=5", cookie="made-up")
                elif choice == 3:
                    await soak.ask(source, "/login", head="X-Large: " + "x" * 60_000)
                elif choice == 4:
                    await soak.ask(source, "/login", body=bytes(5_000_000), kind="application/octet-stream")
                else:
                    reader, writer = await soak.connected(source)
                    sent = b"GET /login HTTP/1.1\r\nHost: x\r\n\r\n" * 200 if choice == 5 else garbage.randbytes(9000)
                    writer.write(sent)
                    with contextlib.suppress(TimeoutError):
                        await asyncio.wait_for(reader.read(-1), 5.0)
                    writer.close()
            soak.counts["hostile requests"] += 1

    await asyncio.gather(*(one() for _ in range(10)))


async def _logged_in(soak: Soak) -> list[str]:
    """Return the tokens of sessions: the phone's, then those that the ordinary clients share."""
    return [await soak.log_in(source) for source in (_PHONE, *(f"127.0.3.{1 + k}" for k in range(_SESSIONS)))]


async def weigh(soak: Soak, server: psutil.Process, every_s: float) -> None:
    """Note now and then how much memory the server and its workers take."""
    while not soak.over:
        await asyncio.sleep(min(every_s, max(soak.end_s - time.monotonic(), 0.1)))
        soak.memory_mb.append(memory_mb(server))


async def run(
    soak: Soak, server: psutil.Process, cookies: list[str], clients: int, slow_ones: int, hostile_ones: int
) -> None:
    """Let all clients but the phone at the server until the end."""
    many = clients - slow_ones - hostile_ones - 1
    weighed_every_s = (soak.end_s - time.monotonic()) / _WEIGHED
    await asyncio.gather(
        weigh(soak, server, weighed_every_s),
        *(ordinary(soak, f"127.1.{k // 200}.{1 + k % 200}", cookies[k % _SESSIONS]) for k in range(many)),
        *(slow(soak, f"127.2.{k // 200}.{1 + k % 200}") for k in range(slow_ones)),
        *(hostile(soak, f"127.3.{k // 200}.{1 + k % 200}") for k in range(hostile_ones)),
    )


def memory_mb(server: psutil.Process) -> tuple[float, float]:
    """Return the memory of the server, and of its workers together."""
    workers_mb = 0.0
    for worker in server.children():
        with contextlib.suppress(psutil.NoSuchProcess):
            workers_mb += worker.memory_info().rss / 1e6
    return server.memory_info().rss / 1e6, workers_mb


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--clients", type=int, default=200)
    parser.add_argument("--slow", type=int, default=50)
    parser.add_argument("--hostile", type=int, default=10)
    given = parser.parse_args()
    if not 0.0 < given.minutes <= 240.0:
        parser.error("--minutes: from above 0 to 240")
    if min(given.slow, given.hostile) < 0 or not given.slow + given.hostile < given.clients <= 400:
        parser.error("--clients: at most 400, and more than the slow and the hostile ones together")
    if sys.platform != "linux":
        parser.error("only Linux gives every client an address of its own on loopback")

    with tempfile.TemporaryDirectory(prefix="passim-soak-") as folder:
        place = create(Path(folder) / "school", demo=True).folder
        with subprocess.Popen(
            [sys.executable, "-c", _SERVE, str(place)], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
        ) as server:
            told: list[str] = []
            threading.Thread(target=told.extend, args=(server.stderr,), daemon=True).start()
            try:
                return _judged(server, told, given)
            finally:
                server.terminate()
                server.wait(20.0)


def _judged(server: subprocess.Popen[str], told: list[str], given: Any) -> int:
    while not (found := re.search(r"dashboard: http://\S+:(\d+)/", "".join(told))):
        if server.poll() is not None:
            print("".join(told), file=sys.stderr)
            return 1
        time.sleep(0.1)
    soak = Soak(int(found[1]), told)
    process = psutil.Process(server.pid)
    # The first visit computes what later ones find: memory is compared once the server is warm.
    asyncio.run(_warm(soak))
    soak.memory_mb.append(memory_mb(process))
    cookies = asyncio.run(_logged_in(soak))
    soak.end_s = time.monotonic() + 60.0 * given.minutes
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe(duplex=False)
    alone = context.Process(target=phone_alone, args=(soak, _PHONE, cookies[0], there))
    alone.start()
    asyncio.run(run(soak, process, cookies[1:], given.clients, given.slow, given.hostile))
    soak.visits, soak.failures, soak.slowest_steps = here.recv()
    alone.join()

    print(f"{given.minutes:g} min, {given.clients} clients, {given.slow} of them slow, {given.hostile} hostile")
    for what, count in sorted(soak.counts.items()):
        print(f"  {what}: {count:,}")
    worst_s, _, worst_path = max(soak.visits, default=(math.inf, math.inf, ""))
    if soak.visits:
        whole_s, page_s, _ = zip(*soak.visits, strict=True)
        print(f"The phone: {len(soak.visits)} visits, {len(soak.failures)} failed; the slowest of {worst_path}")
        print(f"  the page:             {_times(page_s)}")
        print(f"  with all its numbers: {_times(whole_s)}")
        pairs = itertools.pairwise(soak.slowest_steps)
        print(f"  the slowest: {', '.join(f'{what} {at_s - before_s:.2f} s' for (_, before_s), (what, at_s) in pairs)}")
    for line in soak.failures[:10]:
        print(f"  {line}")
    others = [line for line in told if "password" not in line.lower()]
    load = ", ".join(f"{each:.1f}" for each in os.getloadavg())
    print(f"The machine: {os.cpu_count()} processors, load average {load} (1, 5 and 15 min)")
    server_mb, workers_mb = ([f"{mb:.0f}" for mb in each] for each in zip(*soak.memory_mb, strict=True))
    print(f"Memory in MB, before and {len(server_mb) - 1} times as the time went on:")
    print(f"  the server:  {', '.join(server_mb)}")
    print(f"  its workers: {', '.join(workers_mb)}")
    print(f"The server wrote {len(others)} lines")
    for line in others[:10]:
        print(f"  {line.rstrip()[:150]}")
    return 0 if not soak.failures and worst_s <= PAGE_WITHIN_S else 1


def _times(seconds: Sequence[float]) -> str:
    ordered = sorted(seconds)
    p95_s = ordered[min(len(ordered) - 1, int(0.95 * len(ordered)))]
    return f"median {statistics.median(ordered):.2f} s, 95 % within {p95_s:.2f} s, worst {ordered[-1]:.2f} s"


async def _warm(soak: Soak) -> None:
    cookie = await soak.log_in("127.0.0.3")
    for path in _PATHS:
        await soak.visit("127.0.0.3", cookie, path)


if __name__ == "__main__":
    sys.exit(main())
