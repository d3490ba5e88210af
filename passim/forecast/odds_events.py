"""The odds of events that last: gaps of some length, counts of them, the worst gap of a call.

Whether a gap lasts five seconds depends on two satellites at once, so no closed form serves: the future is drawn many
times. In each run every satellite's intervals shift by a draw of its own, and all by a common one; what is left
uncovered are that run's gaps. They are kept, and every question is then a count over them, for all windows at once.
A terminal that loses time at handovers is served in each run by its own policy: see `passim.forecast.handovers`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from passim import intervals
from passim.errors import InputError, SpanError
from passim.forecast.floor import Floor
from passim.forecast.handovers import served_futures
from passim.forecast.timing import TimingModel
from passim.forecast.timing_errors import TimingErrors, timing_errors
from passim.forecast.windows import GapsOfRuns, WindowOdds
from passim.intervals import GroupedSet, Intervals
from passim.sky.handover_policy import Look
from passim.sky.service import InUse, Service
from passim.spans import Span, moment

Floats = NDArray[np.float64]
Index = NDArray[np.int64]

# Drawn intervals held at a time: some tens of megabytes.
_INTERVALS_A_BLOCK: Final = 1_000_000
# What a terminal keeps is forgotten within some passes: served anew in blocks of fixed time, each after so long of
# warming up, a moment has the same futures in every span (lengths: this project's own, no source).
_BLOCK_US: Final = 7_200_000_000
_WARM_UP_US: Final = 600_000_000
# More runs than this tell nothing more: the error of a chance is below 0.002 by then.
_MOST_RUNS: Final = 100_000


@dataclass(frozen=True, eq=False, repr=False)
class Simulation:
    """The gaps of many drawn futures of one span.

    runs            how many futures were drawn
    run             shape (gaps,), int64: the future a gap belongs to, ascending
    start_us, end_us
                    shape (gaps,), int64: when it begins and ends, microseconds since 1970 UTC, ascending in each run
                    and cut to the span

    floor           outages that no run holds, for the odds of windows; None for none

    A chance that a share p of the runs shows is known to about sqrt(p (1 - p) / runs).
    """

    span: Span
    runs: int
    run: Index
    start_us: Index
    end_us: Index
    floor: Floor | None = None

    def __post_init__(self) -> None:
        for array in (self.run, self.start_us, self.end_us):
            array.setflags(write=False)

    def __repr__(self) -> str:
        return (
            f"<Simulation {self.span.start.isoformat()} to {self.span.end.isoformat()}: {self.runs} runs, "
            f"{self.run.size / self.runs:.1f} gaps a run>"
        )

    @property
    def expected_gap_s(self) -> float:
        """The mean time without service in the span, seconds."""
        return int((self.end_us - self.start_us).sum()) / 1e6 / self.runs

    def mean_out(self, edges_us: ArrayLike) -> Floats:
        """Return the share of time without service in each step between `edges_us`, ascending, over all runs.

        Every gap counts for as long as it lasts, however short it is against the steps.
        """
        edges = np.asarray(edges_us, dtype=np.int64)
        out_us = np.zeros(edges.size)
        for places_us, sign in ((np.sort(self.start_us), 1.0), (np.sort(self.end_us), -1.0)):
            # The time since each place that lies before an edge, added up from the origin of the first edge.
            since_us = np.append(0.0, np.cumsum((places_us - edges[0]).astype(np.float64)))
            passed = np.searchsorted(places_us, edges, side="left")
            out_us += sign * (passed * (edges - edges[0]) - since_us[passed])
        share: Floats = np.clip(np.diff(out_us) / np.diff(edges) / self.runs, 0.0, 1.0)
        return share

    def windows(
        self, start_us: ArrayLike, length_s: float | ArrayLike, *, at_least_s: Sequence[float] = (0.5, 5.0, 30.0)
    ) -> WindowOdds:
        """Return what awaits in each window, such as a call: shape (windows,) starts, one length or one for each.

        Of a gap that reaches out of a window only the part inside counts, and only parts of `at_least_s` or longer,
        one threshold after the other. Starts are whole microseconds since 1970 UTC. Raises SpanError when a window is
        not inside the span, InputError for a threshold that is not above 0. Costs about 0.1 microseconds for each
        window and run.
        """
        starts = np.atleast_1d(np.asarray(start_us))
        lengths_s = np.broadcast_to(np.asarray(length_s, dtype=np.float64), starts.shape)
        thresholds_s = np.asarray(at_least_s, dtype=np.float64)
        if starts.ndim != 1 or (starts.size and starts.dtype.kind not in "iu"):
            raise InputError(
                "starts of windows", got=f"shape {starts.shape} of {starts.dtype}", wanted="whole microseconds, (n,)"
            )
        if thresholds_s.ndim != 1 or not np.all((thresholds_s > 0.0) & np.isfinite(thresholds_s)):
            raise InputError("lengths of gaps", got=at_least_s, wanted="seconds above 0", try_next="(0.5, 5, 30)")
        if not np.all((lengths_s > 0.0) & np.isfinite(lengths_s)):
            raise SpanError("length of a window", got=length_s, wanted="a number of seconds above 0")
        ends = starts + np.round(lengths_s * 1e6).astype(np.int64)
        outside = np.flatnonzero((starts < self.span.start_us) | (ends > self.span.end_us))
        if outside.size:
            raise SpanError(
                "window",
                got=f"{outside.size} of {starts.size} that reach out of it, the first {lengths_s[outside[0]]:g} s long",
                wanted=f"windows from {self.span.start.isoformat()} to {self.span.end.isoformat()}",
                try_next="shorter windows or a longer span",
            )

        origin_us, width_us = self.span.start_us, self.span.end_us - self.span.start_us
        gaps = GapsOfRuns.laid(self.runs, width_us, self.run, self.start_us - origin_us, self.end_us - origin_us)
        floor = None if self.floor is None else self.floor.within(starts, ends)
        pieces = gaps.within(starts - origin_us, ends - origin_us, thresholds_s, floor)
        return WindowOdds(starts.astype(np.int64), ends, tuple(thresholds_s.tolist()), self.runs, *pieces)


def simulate(
    joint: GroupedSet,
    epochs_us: ArrayLike,
    span: Span,
    model: TimingModel | None = None,
    *,
    runs: int = 200,
    seed: int = 1,
    searched: Span | None = None,
    service: Service | None = None,
    look: Look | None = None,
    in_use_at: Callable[[int], InUse | None] | None = None,
) -> Simulation:
    """Return the gaps of `runs` drawn futures of `span`.

    `joint`, `epochs_us` and `searched` are as for `passim.forecast.odds.odds_of_no_service`, and so is the law of
    errors. Where `service` loses time at handovers, that counts as gaps; `look`, such as `Visibility.look`, says who is
    highest. What a terminal keeps hangs on what it kept before: `in_use_at` says what it is predicted to do at a time,
    microseconds since 1970 UTC. Every block of `blocks_of` is then served for itself, from what is predicted some
    minutes before it, so that a moment has the same futures whatever span is asked about; unless given, a choice is
    made at the start of the span. The same `seed` gives the same futures: a satellite's draw hangs on its place among
    `epochs_us`, never on the span. Nothing is left out: only stretches that stay covered in every run drawn are passed
    over. Raises InputError for arrays that do not fit together or a number of runs that is not from 1 to 100,000.
    """
    if isinstance(runs, bool) or not isinstance(runs, (int, np.integer)) or not 1 <= runs <= _MOST_RUNS:
        raise InputError("runs", got=runs, wanted=f"a whole number from 1 to {_MOST_RUNS}", try_next="200")
    if isinstance(seed, bool) or not isinstance(seed, (int, np.integer)) or seed < 0:
        raise InputError("seed", got=seed, wanted="a whole number, 0 or more", try_next="1")
    loses_time = service is not None and service.loses_time
    if loses_time and look is None:
        raise InputError(
            "handovers in drawn futures", got="no look", wanted="who is highest", try_next="look=seen.look"
        )
    law = timing_errors(joint, epochs_us, span, model or TimingModel(), searched)
    length_us = float(span.end_us - span.start_us)
    found = []
    for first, draws in _drawn(law, np.asarray(epochs_us).size, int(runs), int(seed), side_by_side=loses_time):
        if service is not None and look is not None and loses_time:
            around = searched or span
            if in_use_at is None:
                run, start_us, end_us = _served(law, draws, span, around, service, look, None)
            else:
                run, start_us, end_us = _served_by_blocks(law, draws, span, around, service, look, in_use_at)
        else:
            run, start_us, end_us = _gaps_of_runs(law, draws, length_us)
        found.append((run + first, start_us + span.start_us, end_us + span.start_us))
    run, start_us, end_us = (np.concatenate(parts) for parts in zip(*found, strict=True))
    return Simulation(span, int(runs), run, start_us, end_us)


@dataclass(frozen=True)
class _Draws:
    """The draws of some runs. `satellite` numbers those that occur, `own` and `manoeuvred` are (runs, satellites).

    own             the own shift, in its standard deviations
    manoeuvred      a uniform number: the satellite has manoeuvred where its chance of it is greater; None if none can
    shared          shape (runs,): the shared shift, in its standard deviations
    """

    satellite: Index
    own: Floats
    manoeuvred: Floats | None
    shared: Floats

    def of_rows(self, rows: Index) -> _Draws:
        """Return the draws for the intervals `rows` alone, which count from 0 then."""
        occurring, satellite = np.unique(self.satellite[rows], return_inverse=True)
        manoeuvred = None if self.manoeuvred is None else self.manoeuvred[:, occurring]
        return _Draws(satellite, self.own[:, occurring], manoeuvred, self.shared)

    def shifts_us(self, law: TimingErrors, rows: Index) -> Floats:
        """Return the shift of the intervals `rows` in each run, microseconds, shape (runs, rows)."""
        satellite = self.satellite[rows]
        shift = self.own[:, satellite]
        if self.manoeuvred is None:
            shift *= law.sigma_us[rows]
        else:
            share = law.tail_share[rows]
            shift *= np.where(self.manoeuvred[:, satellite] < share, law.tail_us[rows], law.sigma_us[rows])
        if np.any(law.shared_us[rows] > 0.0):
            shift += self.shared[:, None] * law.shared_us[rows]
        return shift

    def shifts_of(self, law: TimingErrors, run: Index, rows: Index) -> Floats:
        """Return the shift of the intervals `rows` in the runs `run`, microseconds, shape (n,) all three."""
        satellite = self.satellite[rows]
        spread = law.sigma_us[rows]
        if self.manoeuvred is not None:
            spread = np.where(self.manoeuvred[run, satellite] < law.tail_share[rows], law.tail_us[rows], spread)
        return np.asarray(self.own[run, satellite] * spread + self.shared[run] * law.shared_us[rows])

    def range_us(self, law: TimingErrors) -> tuple[Floats, Floats]:
        """Return bounds of the shift of each interval over these runs, microseconds, shape (n,) both."""
        satellites = self.own.shape[1]
        spread = [(self.own.min(axis=0, initial=0.0), self.own.max(axis=0, initial=0.0), law.sigma_us)]
        if self.manoeuvred is not None:
            # Whoever is manoeuvred in no run anywhere needs no room for it.
            highest = np.zeros(satellites)
            np.maximum.at(highest, self.satellite, law.tail_share)
            tail = np.where(self.manoeuvred < highest, self.own, 0.0)
            spread.append((tail.min(axis=0), tail.max(axis=0), law.tail_us))
        low = np.minimum.reduce([low[self.satellite] * width for low, _, width in spread])
        high = np.maximum.reduce([high[self.satellite] * width for _, high, width in spread])
        return low + self.shared.min() * law.shared_us, high + self.shared.max() * law.shared_us


def blocks_of(span: Span) -> list[tuple[int, int]]:
    """Return start and end, microseconds since 1970 UTC, of the blocks of fixed time that `span` reaches into."""
    return [
        (k * _BLOCK_US, (k + 1) * _BLOCK_US) for k in range(span.start_us // _BLOCK_US, -(-span.end_us // _BLOCK_US))
    ]


def _drawn(
    law: TimingErrors, satellites: int, runs: int, seed: int, *, side_by_side: bool = False
) -> Iterator[tuple[int, _Draws]]:
    """Yield the draws of all runs, block by block, each with its first run; they do not depend on the blocks' size.

    All `satellites` are drawn for, whether they occur or not, so that each has the same draw in every span. Runs that
    are served side by side need no room for every interval, only for every satellite.
    """
    own, uniform, shared = map(np.random.default_rng, np.random.SeedSequence(seed).spawn(3))
    occurring, satellite = np.unique(law.satellite, return_inverse=True)
    any_tail = bool(np.any(law.tail_us > law.sigma_us))
    a_block = max(1, _INTERVALS_A_BLOCK // max(1, satellites, 0 if side_by_side else law.satellite.size))
    for first in range(0, runs, a_block):
        shape = (min(a_block, runs - first), satellites)
        yield (
            first,
            _Draws(
                satellite,
                own.standard_normal(shape)[:, occurring],
                uniform.random(shape)[:, occurring] if any_tail else None,
                shared.standard_normal(shape[0]),
            ),
        )


def _served_by_blocks(
    law: TimingErrors,
    draws: _Draws,
    span: Span,
    searched: Span,
    service: Service,
    look: Look,
    in_use_at: Callable[[int], InUse | None],
) -> tuple[Index, Index, Index]:
    """Return the same as `_served`, each block served for itself after a time of warming up, microseconds of the span.

    Freezes that meet at the edge of a block are one.
    """
    low_us, high_us = draws.range_us(law)
    first_us, last_us = law.start_us + low_us, law.end_us + high_us
    found = []
    for begin_us, end_us in blocks_of(span):
        chain = Span(moment(max(begin_us - _WARM_UP_US, searched.start_us)), moment(min(end_us, span.end_us)))
        ahead_us = chain.start_us - span.start_us
        near = np.flatnonzero((last_us > ahead_us) & (first_us < chain.end_us - span.start_us))
        part = law.rows(near)
        part = part._replace(start_us=part.start_us - ahead_us, end_us=part.end_us - ahead_us)
        run, start, end = _served(part, draws.of_rows(near), chain, searched, service, look, in_use_at(chain.start_us))
        start = np.maximum(start + ahead_us, max(begin_us, span.start_us) - span.start_us)
        end = end + ahead_us
        real = end > start
        found.append((run[real], start[real], end[real]))
    run, start, end = (np.concatenate(parts) for parts in zip(*found, strict=True))
    order = np.lexsort((start, run))
    run, start, end = run[order], start[order], end[order]
    goes_on = (run[1:] == run[:-1]) & (start[1:] == end[:-1])
    opens, closes = np.append(True, ~goes_on)[: run.size], np.append(~goes_on, True)[: run.size]
    return run[opens], start[opens], end[closes]


def _served(
    law: TimingErrors,
    draws: _Draws,
    span: Span,
    searched: Span,
    service: Service,
    look: Look,
    in_use: InUse | None,
) -> tuple[Index, Index, Index]:
    """Return the freezes of each run drawn, of a terminal that loses time at handovers: run, start and end."""
    low_us, high_us = draws.range_us(law)
    origin_us = span.start_us
    return served_futures(
        law,
        lambda run, rows: draws.shifts_of(law, run, rows),
        float(max(-low_us.min(initial=0.0), high_us.max(initial=0.0))),
        draws.shared.size,
        float(span.end_us - origin_us),
        service,
        look,
        origin_us=origin_us,
        searched_us=(float(searched.start_us - origin_us), float(searched.end_us - origin_us)),
        in_use=in_use,
    )


def _gaps_of_runs(law: TimingErrors, draws: _Draws, length_us: float) -> tuple[Index, Index, Index]:
    """Return the gaps in [0, length_us) of each run drawn: run, start and end, by run and start."""
    # What stays covered in every one of these runs needs no drawing.
    low_us, high_us = draws.range_us(law)
    sure_start, sure_end = law.start_us + high_us, law.end_us + low_us
    real = sure_end > sure_start
    safe = intervals.union((sure_start[real], sure_end[real]))
    rows = np.flatnonzero(~_inside(law.start_us + low_us, law.end_us + high_us, safe))
    rows = rows[(law.end_us + high_us > 0.0)[rows] & (law.start_us + low_us < length_us)[rows]]
    # A safe stretch takes part as an interval that does not move.
    start_us, end_us = np.append(law.start_us[rows], safe.start), np.append(law.end_us[rows], safe.end)
    shift_us = np.zeros((draws.shared.size, start_us.size))
    shift_us[:, : rows.size] = draws.shifts_us(law, rows)

    # As in intervals.union, starts and ends are sorted apart, run by run: where i have begun and i have ended, nothing
    # is open. In the predicted order they are nearly sorted already, which the stable sort makes use of.
    # The span's own ends bound the first gap and the last.
    begins = _edges(start_us, shift_us, 0)
    begins[:, -1] = length_us
    ceases = _edges(end_us, shift_us, 1)
    ceases[:, 0] = 0.0
    run, place = np.nonzero(begins > ceases)
    gap_start = np.rint(np.clip(ceases[run, place], 0.0, length_us)).astype(np.int64)
    gap_end = np.rint(np.clip(begins[run, place], 0.0, length_us)).astype(np.int64)
    real = gap_end > gap_start
    return run[real], gap_start[real], gap_end[real]


def _edges(place_us: Floats, shift_us: Floats, first: int) -> Floats:
    """Return one edge of the intervals, shifted, ascending in each run, in columns from `first` on of one more."""
    order = np.argsort(place_us, kind="stable")
    edges = np.empty((shift_us.shape[0], place_us.size + 1))
    moved = edges[:, first : first + place_us.size]
    moved[...] = shift_us[:, order]
    moved += place_us[order]
    moved.sort(axis=1, kind="stable")
    return edges


def _inside(start: Floats, end: Floats, within: Intervals) -> NDArray[np.bool_]:
    """Return which intervals [start, end) lie inside one of `within`, which are sorted and apart."""
    if not within.start.size:
        return np.zeros(start.size, dtype=bool)
    member = np.searchsorted(within.start, start, side="right") - 1
    return np.asarray((member >= 0) & (within.end[np.maximum(member, 0)] >= end))
