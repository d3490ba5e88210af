"""Targets on loopback that drop, delay and refuse by a script, and the truth of when they did.

    .venv/bin/python -m tests.scripted_targets --minutes 60 --seed 1 TRUTH.json

serves a router and a far end over TCP and a resolver for that long, prints the words for passim probe, and writes what
it really did. A TCP target drops by letting its queue of connections fill up: the kernel then leaves what comes
unanswered, as a line does that is out. Each state is stamped before and after it has come about.
"""

from __future__ import annotations

import argparse
import contextlib
import heapq
import json
import random
import selectors
import socket
import threading
import time
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple


class Act(NamedTuple):
    """At a moment after the start, a target begins to do something: up, drop, refuse or delay (by so many seconds)."""

    at_s: float
    target: int
    state: str
    delay_s: float = 0.0


class TcpTarget:
    """A port that accepts, lets connections go unanswered, or refuses them."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self._filler: socket.socket | None = None
        self._listener.setblocking(False)

    @property
    def words(self) -> str:
        return f"127.0.0.1:{self.port}"

    def sockets(self) -> list[socket.socket]:
        return [] if self._filler is not None or self._listener.fileno() < 0 else [self._listener]

    def become(self, state: str, _: float) -> None:
        if self._listener.fileno() < 0:
            self._listener = socket.create_server(("127.0.0.1", self.port))
            self._listener.setblocking(False)
        self.serve()
        if self._filler is not None:
            self._filler.close()
            self._filler = None
        if state == "drop":
            # A queue of one, and one in it: this one, or a probe's that came first.
            self._listener.listen(0)
            self._filler = socket.socket()
            self._filler.setblocking(False)
            self._filler.connect_ex(("127.0.0.1", self.port))
        elif state == "refuse":
            self._listener.close()
        else:
            self._listener.listen(64)

    def serve(self) -> None:
        with contextlib.suppress(BlockingIOError):
            while True:
                self._listener.accept()[0].close()

    def due(self) -> float:
        return float("inf")

    def close(self) -> None:
        self._listener.close()
        if self._filler is not None:
            self._filler.close()


class DnsTarget:
    """A resolver that answers every question with the question, at once, late, with a refusal, or not."""

    def __init__(self) -> None:
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.bind(("127.0.0.1", 0))
        self._socket.setblocking(False)
        self.port = self._socket.getsockname()[1]
        self._state, self._delay_s = "up", 0.0
        self._late: list[tuple[float, bytes, object]] = []

    @property
    def words(self) -> str:
        return f"dns:127.0.0.1:{self.port}/example.org"

    def sockets(self) -> list[socket.socket]:
        return [self._socket]

    def become(self, state: str, delay_s: float) -> None:
        self.serve()
        self._state, self._delay_s = state, delay_s

    def serve(self) -> None:
        with contextlib.suppress(BlockingIOError):
            while True:
                question, sender = self._socket.recvfrom(512)
                if self._state == "drop":
                    continue
                # Marked as a response; where it refuses, with code 5 (RFC 1035, section 4.1.1).
                flags = bytes([question[2] | 0x80, 5 if self._state == "refuse" else 0])
                answer = question[:2] + flags + question[4:]
                heapq.heappush(self._late, (time.monotonic() + self._delay_s, answer, sender))
        while self._late and self._late[0][0] <= time.monotonic():
            _, answer, sender = heapq.heappop(self._late)
            with contextlib.suppress(OSError):  # whoever asked has gone
                self._socket.sendto(answer, sender)

    def due(self) -> float:
        return self._late[0][0] if self._late else float("inf")

    def close(self) -> None:
        self._socket.close()


class ScriptedTargets:
    """Plays a script on targets in a thread of its own. ``truth`` has (from, to, target, state): times of day."""

    def __init__(self, targets: list[TcpTarget | DnsTarget], script: list[Act], lasts_s: float) -> None:
        self.targets, self._script, self._lasts_s = targets, sorted(script), lasts_s
        self.truth: list[tuple[float, float, int, str]] = []
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._play, daemon=True)

    def __enter__(self) -> ScriptedTargets:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        for target in self.targets:
            target.close()

    def wait(self) -> None:
        self._thread.join()

    def drops(self, target: int) -> list[tuple[tuple[float, float], tuple[float, float]]]:
        """Return when a target left what came unanswered: between which two moments that began, and ended."""
        states = [(before, after, state) for before, after, number, state in self.truth if number == target]
        return [(began[:2], ended[:2]) for began, ended in pairwise(states) if began[2] == "drop"]

    def _play(self) -> None:
        began, acts = time.monotonic(), list(self._script)
        while not self._stop.is_set() and time.monotonic() < began + self._lasts_s:
            while acts and began + acts[0].at_s <= time.monotonic():
                act = acts.pop(0)
                before = time.time()
                self.targets[act.target].become(act.state, act.delay_s)
                self.truth.append((before, time.time(), act.target, act.state))
            due = [began + self._lasts_s, *(target.due() for target in self.targets)]
            due += [began + acts[0].at_s] if acts else []
            with selectors.DefaultSelector() as ready:
                for target in self.targets:
                    for each in target.sockets():
                        ready.register(each, selectors.EVENT_READ)
                ready.select(min(max(min(due) - time.monotonic(), 0.0), 0.5))
            for target in self.targets:
                if target.sockets():
                    target.serve()


def busy_day(
    seconds: float, seed: int, shortest_s: float = 1.0, longest_s: float = 60.0, calm_s: float = 12.0
) -> list[Act]:
    """Return a script for a router (0), a far end (1) and a resolver (2): faults of every kind, one after another."""
    draw, at_s, script = random.Random(seed), calm_s, []
    while True:
        kind = draw.choices(["line", "house", "far", "late", "refused"], [6, 2, 2, 1, 1])[0]
        # As many short ones as long ones on the scale of proportions.
        length_s = shortest_s * (longest_s / shortest_s) ** draw.random()
        if at_s + length_s > seconds - calm_s:
            return script
        which = {"line": [1, 2], "house": [0, 1, 2], "far": [draw.choice([1, 2])], "late": [2], "refused": [1]}[kind]
        state = {"late": "delay", "refused": "refuse"}.get(kind, "drop")
        script += [Act(at_s, target, state, draw.uniform(1.2, 4.0)) for target in which]
        script += [Act(at_s + length_s, target, "up") for target in which]
        # What is late is on its way for a while after.
        at_s += length_s + calm_s * draw.uniform(0.5, 1.5)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("truth", type=Path)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    targets: list[TcpTarget | DnsTarget] = [TcpTarget(), TcpTarget(), DnsTarget()]
    names = ("router", "far", "resolver")
    print(*(f"--target {name}={target.words}" for name, target in zip(names, targets, strict=True)), flush=True)
    with ScriptedTargets(targets, busy_day(given.minutes * 60.0, given.seed), given.minutes * 60.0 + 60.0) as played:
        played.wait()
    given.truth.write_text(json.dumps({"names": names, "truth": played.truth}), encoding="utf-8")


if __name__ == "__main__":
    main()
