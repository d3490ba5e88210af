"""What somebody at a terminal is told while the probe runs: does it answer, the last outage, outages of the hour.

The journal's own reading (`passim.line.outages`) looks at whole stretches at once; this goes along beat by beat, with
the same losses in a row and the same parts of the way, and forgets after an hour.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from passim.line.journal.schema import LOST
from passim.line.targets import Target

_LOSSES: Final = 3
_HOUR_US: Final = 3_600_000_000


@dataclass
class LiveOutage:
    """An outage as it is seen under way: microseconds since 1970 UTC; no end while it lasts."""

    start_us: int
    where: Literal["house", "line"]
    end_us: int | None = None


class Watch:
    """Follows the fates of probes. Called are ``on_beat`` when all have been asked, ``on_outage`` when an
    outage has ended and ``on_break`` with the reason when a hole has."""

    def __init__(self, targets: Sequence[Target], on_outage: Callable[[LiveOutage], None] | None = None) -> None:
        self.targets = tuple(targets)
        self.on_outage = on_outage
        self.on_break: Callable[[str], None] | None = None
        self.on_beat: Callable[[], None] | None = None
        self.offset_s: float | None = None
        # The latest round trip of each target, microseconds, `LOST` where it had no answer, None before the first.
        self.latest_us: list[int | None] = [None] * len(self.targets)
        self.outages: deque[LiveOutage] = deque()
        self.last: LiveOutage | None = None
        self.under_way: LiveOutage | None = None
        self._house = {k for k, target in enumerate(self.targets) if target.position == "house"}
        if len(self._house) == len(self.targets):
            self._house = set()
        # Beats of which not every fate is known, by their numbers.
        self._beats: dict[int, _Beat] = {}
        self._count = 0
        # The latest beats in a row in which nothing beyond the house answered.
        self._row: list[_Beat] = []

    def beat(self) -> int:
        """Begin a beat, in which every target is about to be asked; return its number."""
        self._count += 1
        self._beats[self._count] = _Beat(len(self.targets))
        return self._count

    def settled(self, beat: int, target: int, sent_us: int, trip_us: int) -> None:
        """Take in what became of a probe: its round trip, microseconds, or `LOST`."""
        self.latest_us[target] = trip_us
        self._beats[beat].fates[target] = (sent_us, trip_us)
        self._follow()

    def not_asked(self, beat: int) -> None:
        """Leave a target out of a beat: it was not asked."""
        self._beats[beat].asked -= 1
        self._follow()

    def broke(self, why: str) -> None:
        """Forget what was under way: there is a hole."""
        if self.under_way is not None and self._row:
            self._ended(max(sent for beat in self._row for sent, _ in beat.fates.values()))
        self._beats.clear()
        self._row = []
        if self.on_break is not None:
            self.on_break(why)

    def in_last_hour(self, now_us: int) -> int:
        """Return how many outages began within the last hour."""
        while self.outages and self.outages[0].start_us < now_us - _HOUR_US:
            self.outages.popleft()
        return len(self.outages)

    def _follow(self) -> None:
        """Go on by the beats of which every fate is known, in their order."""
        while self._beats and (beat := next(iter(self._beats.values()))).complete:
            del self._beats[next(iter(self._beats))]
            beyond = [trip for target, (_, trip) in beat.fates.items() if target not in self._house]
            if not beyond:
                continue
            if all(trip == LOST for trip in beyond):
                self._row.append(beat)
                if len(self._row) == _LOSSES:
                    self._began()
                # An outage may last for days.
                del self._row[_LOSSES:-1]
                continue
            if self.under_way is not None:
                self._ended(min(sent for sent, trip in beat.fates.values() if trip != LOST))
            self._row = []

    def _began(self) -> None:
        house = [beat.fates[k][1] == LOST for beat in self._row for k in self._house if k in beat.fates]
        where: Literal["house", "line"] = "house" if house and 2 * sum(house) >= len(house) else "line"
        self.under_way = LiveOutage(min(sent for sent, _ in self._row[0].fates.values()), where)
        self.outages.append(self.under_way)

    def _ended(self, end_us: int) -> None:
        outage, self.under_way = self.under_way, None
        assert outage is not None
        outage.end_us = end_us
        self.last = outage
        if self.on_outage is not None:
            self.on_outage(outage)


class _Beat:
    """One round of asking: of how many targets, and by target when it was asked and what became of it."""

    def __init__(self, asked: int) -> None:
        self.asked = asked
        self.fates: dict[int, tuple[int, int]] = {}

    @property
    def complete(self) -> bool:
        return len(self.fates) >= self.asked
