"""The probe at work: sends on a steady beat, answers as they come, all of it into the journal every second.

One thread waits for whatever comes next: the next beat, an answer, the end of the patience for one. When it wakes much
later than it asked to, the machine slept or the program was stopped; when the time of day has moved against the
running of the machine, somebody set the clock. Either ends the run of measuring, and another begins: what lies between
is a hole, and what waited for an answer then is settled by how long it had waited while somebody watched.
"""

from __future__ import annotations

import os
import selectors
import socket
from collections import deque
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from passim.errors import InputError, JournalBusyError
from passim.line.journal.schema import LOST
from passim.line.journal.writing import JournalWriter, SentProbe, Why
from passim.line.probe import time_server
from passim.line.probe.clock import Clocks, SteadyClock
from passim.line.probe.methods import PATIENCE_S, ProbeInFlight, ProbeOutcome, answer, ask, check_permitted
from passim.line.probe.names import Addresses
from passim.line.probe.watch import Watch
from passim.line.targets import Target, check_host, check_interval

# Waking later than this is no hiccup of a busy machine: nobody watched.
_AWAY_NS: Final = 1_000_000_000
# What is sent is in the journal within a second.
_COMMIT_NS: Final = 900_000_000
_COMMIT_AT_ONCE_NS: Final = 400_000_000
# How long another program may hold the journal: what was measured meanwhile waits in memory.
_BUSY_NS: Final = 60_000_000_000
_SECOND_NS: Final = 1_000_000_000


@dataclass(frozen=True)
class Plan:
    """What is to be asked, how often, for how long (None: until stopped), and which time server if any."""

    targets: tuple[Target, ...]
    every_s: float = 1.0
    for_s: float | None = None
    ntp_server: str | None = None
    ntp_port: int = time_server.PORT

    def __post_init__(self) -> None:
        if not self.targets:
            raise InputError("targets of the probe", got="none", wanted="at least one, the own router first")
        check_interval(self.every_s)
        if self.ntp_server is not None:
            check_host(self.ntp_server, "time server")


class _Pending(NamedTuple):
    """A probe that waits for its answer."""

    beat: int
    target: int
    sent_ns: int
    sent_us: int
    asked: ProbeInFlight


@dataclass
class _TimeQuestion:
    """A question to the time server under way."""

    socket: socket.socket
    stamp: bytes
    sent_us: int
    until_ns: int


@dataclass
class _Unwritten:
    """What the journal does not have yet."""

    probes: dict[tuple[int, int], SentProbe] = field(default_factory=dict)
    since_ns: int | None = None

    def put(self, sent: SentProbe, now_ns: int) -> None:
        self.probes[sent.target, sent.sent_us] = sent
        if self.since_ns is None:
            self.since_ns = now_ns


class Probe:
    """Asks the targets of a plan and writes what comes of it. `run` does it all; `stop` ends it from a signal."""

    def __init__(
        self,
        plan: Plan,
        journal: JournalWriter,
        clocks: Clocks | None = None,
        patience_s: float = PATIENCE_S,
    ) -> None:
        for target in plan.targets:
            check_permitted(target)
        self._plan, self._journal = plan, journal
        self._clock = SteadyClock(clocks)
        self._every_ns, self._patience_ns = round(plan.every_s * 1e9), round(patience_s * 1e9)
        hosts = [target.host for target in plan.targets]
        self._addresses = Addresses([*hosts, *([plan.ntp_server] if plan.ntp_server else [])])
        self._selector = selectors.DefaultSelector()
        # In the order of their sends; what was answered is gone from `_waiting` alone.
        self._queue: deque[_Pending] = deque()
        self._waiting: dict[int, _Pending] = {}
        self._unwritten = _Unwritten()
        self._written_ns = 0
        self._time_question: _TimeQuestion | None = None
        self._time_again_ns = 0
        self._stopped = False
        self._wake_reader, self._wake_writer = socket.socketpair()
        self._wake_reader.setblocking(False)
        self._selector.register(self._wake_reader, selectors.EVENT_READ)
        self.watch = Watch(plan.targets)

    def stop(self) -> None:
        """End `run` soon: from a signal or another thread."""
        self._stopped = True
        os.write(self._wake_writer.fileno(), b"x")

    def run(self) -> None:
        """Ask until told to stop, or for as long as the plan says, and wait for the last answers.

        Raises InputError for a name that does not exist, OSError and JournalError where the journal cannot be written:
        what was written before is kept.
        """
        self._addresses.look_up_first()
        try:
            self._begin("started")
            self._work()
        finally:
            self._forget()
            self._selector.close()
            self._wake_reader.close()
            self._wake_writer.close()

    def _work(self) -> None:
        clock_ns = self._clock.running_ns
        beat_ns = clock_ns()
        ends_ns = 2**63 if self._plan.for_s is None else beat_ns + round(self._plan.for_s * 1e9)
        while not self._stopped:
            now_ns = clock_ns()
            if now_ns >= ends_ns and not self._waiting:
                break
            self._expire(now_ns)
            self._commit(now_ns)
            if beat_ns <= now_ns < ends_ns:
                self._ask_all()
                # A beat that was missed is not made up for.
                beat_ns += ((now_ns - beat_ns) // self._every_ns + 1) * self._every_ns
            next_ns = self._next_ns(min(beat_ns, ends_ns) if now_ns < ends_ns else now_ns + _SECOND_NS)
            ready = self._selector.select(max(next_ns - clock_ns(), 0) / 1e9)
            woke_ns = clock_ns()
            why = self._what_broke(max(next_ns, now_ns), woke_ns)
            if why is not None:
                self._begin_anew(why, now_ns)
                beat_ns = clock_ns()
                continue
            for key, _ in ready:
                self._heard(key, woke_ns)
        self._end(min(clock_ns(), ends_ns))

    # --- runs -------------------------------------------------------------------------------------------------------

    def _begin(self, why: Why, step_us: int = 0) -> None:
        began_us = self._clock.utc_us(self._clock.running_ns())
        patience_us, every_us = self._patience_ns // 1000, self._every_ns // 1000
        with self._journal.patiently():
            self._journal.begin(self._plan.targets, began_us, why, every_us, patience_us, step_us)

    def _what_broke(self, asked_ns: int, woke_ns: int) -> Why | None:
        """Return what ended the run of measuring, if anything did."""
        if self._clock.slept():
            return "asleep"
        if woke_ns - asked_ns > _AWAY_NS:
            return "paused"
        return "clock set" if self._clock.step_us() else None

    def _begin_anew(self, why: Why, watched_ns: int) -> None:
        """End the run and begin another one by the clock as it is now."""
        step_us = self._clock.step_us()
        self._end(watched_ns)
        self._clock.tie()
        self.watch.broke(why)
        self._begin(why, step_us)

    def _end(self, watched_ns: int) -> None:
        """End the run at the last moment that somebody watched: what waits for an answer is settled as of then."""
        with self._journal.patiently():
            self._write(self._clock.running_ns(), patient=False)
            self._journal.end(self._clock.utc_us(watched_ns))
        self._forget()

    def _forget(self) -> None:
        """Close whatever waits for an answer."""
        for probe in self._waiting.values():
            self._close(probe.asked.socket)
        self._waiting.clear()
        self._queue.clear()
        self._drop_time_question()

    # --- asking and hearing -----------------------------------------------------------------------------------------

    def _ask_all(self) -> None:
        """Ask every target once."""
        self._addresses.refresh()
        beat = self.watch.beat()
        for number, target in enumerate(self._plan.targets):
            address = self._addresses.of(target.host)
            sent_ns = self._clock.running_ns()
            sent_us = self._clock.utc_us(sent_ns)
            asked = ProbeOutcome.LOST if address is None else ask(target, address)
            if isinstance(asked, ProbeOutcome):
                self._settle(beat, number, sent_us, asked, self._clock.running_ns() - sent_ns)
                continue
            probe = _Pending(beat, number, sent_ns, sent_us, asked)
            events = selectors.EVENT_WRITE if target.method == "tcp" else selectors.EVENT_READ
            self._selector.register(asked.socket, events)
            self._waiting[asked.socket.fileno()] = probe
            self._queue.append(probe)
            self._unwritten.put(SentProbe(number, sent_us), sent_ns)
        self._ask_time()
        if self.watch.on_beat is not None:
            self.watch.on_beat()

    def _heard(self, key: selectors.SelectorKey, now_ns: int) -> None:
        """Take in what came on a socket."""
        probe = self._waiting.get(key.fd)
        if probe is None:
            self._heard_otherwise(key)
            return
        waited_ns = now_ns - probe.sent_ns
        fate = answer(self._plan.targets[probe.target], probe.asked, waited_ns / 1e9)
        if fate is None:
            return
        del self._waiting[key.fd]
        self._close(probe.asked.socket)
        self._settle(probe.beat, probe.target, probe.sent_us, fate, waited_ns)

    def _heard_otherwise(self, key: selectors.SelectorKey) -> None:
        if self._time_question is not None and key.fileobj is self._time_question.socket:
            self._heard_time()
        elif key.fileobj is self._wake_reader:
            self._wake_reader.recv(64)

    def _settle(self, beat: int, target: int, sent_us: int, fate: ProbeOutcome, waited_ns: int) -> None:
        """Note what has become of a probe."""
        now_ns = self._clock.running_ns()
        if fate is ProbeOutcome.NOT_ASKED:
            self._unwritten.probes.pop((target, sent_us), None)
            self.watch.not_asked(beat)
            return
        trip_us = waited_ns // 1000 if fate is ProbeOutcome.ANSWERED else LOST
        self._unwritten.put(SentProbe(target, sent_us, trip_us), now_ns)
        self.watch.settled(beat, target, sent_us, trip_us)

    def _expire(self, now_ns: int) -> None:
        """Give up on what has waited for longer than the patience."""
        while self._queue:
            probe = self._queue[0]
            number = probe.asked.socket.fileno()
            waits = number >= 0 and self._waiting.get(number) is probe
            if waits and now_ns - probe.sent_ns <= self._patience_ns:
                return
            self._queue.popleft()
            if waits:
                del self._waiting[number]
                self._close(probe.asked.socket)
                self._settle(probe.beat, probe.target, probe.sent_us, ProbeOutcome.LOST, 0)

    def _close(self, made: socket.socket) -> None:
        self._selector.unregister(made)
        made.close()

    # --- the journal ------------------------------------------------------------------------------------------------

    def _next_ns(self, beat_ns: int) -> int:
        """Return when something is to be done next, `beat_ns` at the latest."""
        moments = [beat_ns]
        if self._queue:
            moments.append(self._queue[0].sent_ns + self._patience_ns)
        if self._unwritten.since_ns is not None:
            moments.append(self._unwritten.since_ns + _COMMIT_NS)
        if self._time_question is not None:
            moments.append(self._time_question.until_ns)
        return min(moments)

    def _commit(self, now_ns: int) -> None:
        """Write what has been unwritten for nearly a second, or is complete; pack the minutes that are over."""
        since_ns = self._unwritten.since_ns
        if since_ns is None:
            return
        complete = not self._waiting and now_ns - self._written_ns >= _COMMIT_AT_ONCE_NS
        if complete or now_ns - since_ns >= _COMMIT_NS:
            self._write(now_ns, patient=True)

    def _write(self, now_ns: int, *, patient: bool) -> None:
        """Write all that is unwritten. While another program holds the journal it stays so, unless not `patient`."""
        since_ns = self._unwritten.since_ns or now_ns
        try:
            if self._unwritten.probes:
                self._journal.add(self._unwritten.probes.values())
            self._unwritten = _Unwritten()
            self._written_ns = now_ns
            oldest_us = min((probe.sent_us for probe in self._waiting.values()), default=self._clock.utc_us(now_ns))
            self._journal.pack(oldest_us)
        except JournalBusyError:
            if not patient or now_ns - since_ns > _BUSY_NS:
                raise

    # --- the time server --------------------------------------------------------------------------------------------

    def _ask_time(self) -> None:
        """Ask the time server, if there is one and it is time to; give up on a question without an answer."""
        now_ns = self._clock.running_ns()
        if self._time_question is not None and now_ns >= self._time_question.until_ns:
            self._drop_time_question()
        server = self._plan.ntp_server
        if server is None or self._time_question is not None or now_ns < self._time_again_ns:
            return
        address = self._addresses.of(server)
        self._time_again_ns = now_ns + round(time_server.EVERY_S * 1e9)
        if address is None:
            return
        packet, stamp = time_server.question()
        try:
            made = time_server.open_socket(address, self._plan.ntp_port)
        except OSError:  # the line is out: asked again in its turn
            return
        until_ns = now_ns + round(time_server.PATIENCE_S * 1e9)
        self._time_question = _TimeQuestion(made, stamp, self._clock.utc_us(self._clock.running_ns()), until_ns)
        self._selector.register(made, selectors.EVENT_READ)
        try:
            made.send(packet)
        except OSError:
            self._drop_time_question()

    def _heard_time(self) -> None:
        question = self._time_question
        assert question is not None
        received_us = self._clock.utc_us(self._clock.running_ns())
        try:
            packet = question.socket.recv(512)
        except OSError:
            self._drop_time_question()
            return
        found = time_server.reading(packet, question.stamp, question.sent_us, received_us)
        if found is not None:
            try:
                self._journal.note_offset(question.sent_us, self._plan.ntp_server or "", *found)
            except JournalBusyError:  # noted when it is asked again
                self._time_again_ns = self._clock.running_ns() + 60 * _SECOND_NS
            self.watch.offset_s = found.offset_us / 1e6
        elif time_server.refuses(packet, question.stamp):
            # Not to be asked again by this program.
            self._time_again_ns = 2**63
        self._drop_time_question()

    def _drop_time_question(self) -> None:
        if self._time_question is not None:
            self._close(self._time_question.socket)
            self._time_question = None
