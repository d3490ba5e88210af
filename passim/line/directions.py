"""A horizon from the record: which directions are surely clear, surely blocked, or not known yet. No camera, no climb.

While the line is frozen, none of the satellites in view serves: each stands where it is blocked, or luck struck. While
it holds, one of them does. So for each cell of azimuth and elevation:

1. blocked, at first, is a cell in which satellites stood during more freezes than luck (`floor`) would bring;
2. a good moment whose satellites all stand in such cells shows that one of them is open after all: the highest, since a
   roof line lies below it. An edge runs through that cell, so it is not known;
3. satellites in blocked cells served nobody. Where that leaves one cell for a good moment, that cell is clear;
4. a roof line has an under and an over: below a blocked cell is blocked, above a clear one clear, unless the record
   says otherwise of that cell itself.

Each step asks for two passes or more, so that no cell is decided by one freak.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from passim.arrays import Bools, Floats, Ints
from passim.coverage.notebook import as_html
from passim.errors import InputError
from passim.line.clock_offset import MOST_OFFSET_S
from passim.line.fitting.evidence import Evidence
from passim.line.fitting.tracks import FleetOrFleets, Tracks
from passim.line.record import LineRecord
from passim.sky.horizon import Horizon
from passim.sky.site import Site
from passim.sky.view import View
from passim.spans import Span

Verdict = Literal["clear", "blocked", "not known"]

AZIMUTH_STEP_DEG: Final = 15.0
ELEVATION_STEP_DEG: Final = 5.0
# Moments of the record that are looked at; neighbouring seconds tell the same.
_EVERY_S: Final = 5.0
# A cell is decided by so many separate passes: one alone may be a freak.
_FEWEST_PASSES: Final = 2
# Freezes apart by less than this are one.
_ONE_PASS_S: Final = 60.0
# So many frozen moments in a thousand are luck unless the caller knows better.
USUAL_FLOOR: Final = 0.0005
# Around an edge of the record moments tell nothing: the record finds edges a probe late.
_EDGE_S: Final = 2.0

CELL_COLUMNS: Final = {
    "azimuth_from_deg": "float64",
    "azimuth_to_deg": "float64",
    "elevation_from_deg": "float64",
    "elevation_to_deg": "float64",
    "verdict": "str",
    "seen_s": "float64",
    "frozen_s": "float64",
    "held_passes": "int64",
    "frozen_passes": "int64",
    "days_to_settle": "float64",
}
SECTOR_COLUMNS: Final = {
    "azimuth_from_deg": "float64",
    "azimuth_to_deg": "float64",
    "blocked_below_deg": "float64",
    "clear_above_deg": "float64",
    "not_known": "int64",
    "horizon_deg": "float64",
    "days_to_settle": "float64",
}


@dataclass(frozen=True, eq=False, repr=False)
class HorizonEvidence:
    """What a record says of each direction at ``site``.

    cells       one row a cell of azimuth and elevation: azimuth_from_deg, azimuth_to_deg, elevation_from_deg,
                elevation_to_deg, verdict ("clear", "blocked", "not known"), seen_s (seconds with a satellite in it),
                frozen_s (of them frozen), held_passes (that only this cell can have served), frozen_passes (freezes
                with a satellite in it), days_to_settle (how many more days at this rate would decide it: 0 where it is
                decided, infinity where no pass spoke of it)
    horizon     the skyline that fits: where the record settles it, halfway between what is blocked and what is clear
                above; elsewhere what `site` has, no lower than what is blocked and no higher than what is clear
    held        limits that were counted as they are set up
    floor_deg   the elevation below which the terminal of the view does not work, whatever the record shows there
    """

    site: Site
    span: Span
    cells: pd.DataFrame = field(repr=False)
    horizon: Horizon
    held: tuple[str, ...]
    floor_deg: float

    def __repr__(self) -> str:
        count = self.cells["verdict"].value_counts()
        words = ", ".join(f"{int(count.get(verdict, 0))} {verdict}" for verdict in ("clear", "blocked", "not known"))
        return f"<HorizonEvidence at {self.site.name}, {self.span}: {words}>"

    def _repr_html_(self) -> str:
        return as_html(self, self.cells)

    @cached_property
    def sectors(self) -> pd.DataFrame:
        """One row a sector: azimuth_from_deg, azimuth_to_deg, blocked_below_deg and clear_above_deg (nan where nothing
        is), not_known (cells), horizon_deg (nan where the record does not settle it to a cell, or below the floor),
        days_to_settle (0 where the edge is settled; else for three in four of its cells that can be, inf for none).
        """
        lowest_deg = float(self.cells["elevation_from_deg"].min())
        rows = []
        for azimuth, cells in self.cells.groupby("azimuth_from_deg"):
            by = {verdict: cells[cells["verdict"] == verdict] for verdict in ("clear", "blocked", "not known")}
            left = by["not known"]["days_to_settle"].to_numpy()
            can_be = left[np.isfinite(left)]
            settle = 0.0 if not left.size else float(np.percentile(can_be, 75.0)) if can_be.size else np.inf
            begins, (low, high) = float(str(azimuth)), _edge_between(cells, lowest_deg)
            blocked, clear = by["blocked"]["elevation_to_deg"].max(), by["clear"]["elevation_from_deg"].min()
            known = high - low <= ELEVATION_STEP_DEG
            # What is blocked below the terminal's own floor says nothing of a roof.
            top = (low + high) / 2.0 if known and low > self.floor_deg else np.nan
            # Where the edge is known to a cell, what is still open beside it waits for nobody.
            rows.append((begins, begins + AZIMUTH_STEP_DEG, blocked, clear, len(left), top, 0.0 if known else settle))
        return pd.DataFrame(rows, columns=list(SECTOR_COLUMNS)).astype(SECTOR_COLUMNS)

    @property
    def days_to_settle(self) -> float:
        """How many more days would settle three in four of the cells that are not known and can be, 0 for none."""
        left = self.cells.loc[self.cells["verdict"] == "not known", "days_to_settle"].to_numpy()
        left = left[np.isfinite(left)]
        return float(np.percentile(left, 75.0)) if left.size else 0.0


def horizon_evidence(
    fleet: FleetOrFleets,
    view: View | Site,
    record: LineRecord,
    *,
    span: Span | None = None,
    clock_offset_s: float = 0.0,
    floor: float = USUAL_FLOOR,
    hold: Sequence[str] | None = None,
) -> HorizonEvidence:
    """Return which directions the record shows to be clear or blocked.

    `fleet` is as `fit_line` takes it. Only satellites that the limits of the fleet and those named in `hold` allow are
    counted; unless given, these are all limits of the sky that the view has beside its horizon. `clock_offset_s` is by
    how much the record's clock is ahead, at most a minute, and `floor` the chance that a good second is frozen all the
    same, as `fit_line` finds them. Raises what `fit_line` raises, InputError for a clock farther off, and for "horizon"
    in `hold`, which is what is asked.
    """
    if "horizon" in (hold or ()):
        raise InputError("limit to hold", got="horizon", wanted="any other: the horizon is what is looked for")
    if not abs(clock_offset_s) <= MOST_OFFSET_S:
        raise InputError(
            "clock of the record", got=clock_offset_s, wanted=f"at most {MOST_OFFSET_S:.0f} s off", try_next="0"
        )
    view = view if isinstance(view, View) else View(view)
    span = record.span if span is None else span
    sky = [each.name for each in view.varying_limits]
    held = tuple(sky if hold is None else hold)
    evidence = Evidence.of(record, span)
    tracks = Tracks.of(fleet, view, span, held)
    moments, frozen = _moments(evidence)
    place, azimuth, elevation = tracks.at(moments - clock_offset_s - evidence.late_s)
    columns = round(360.0 / AZIMUTH_STEP_DEG)
    lowest = np.floor(tracks.floor_deg / ELEVATION_STEP_DEG) * ELEVATION_STEP_DEG
    rows = int(np.ceil((90.0 - lowest) / ELEVATION_STEP_DEG))
    row = np.clip(((elevation - lowest) / ELEVATION_STEP_DEG).astype(np.int64), 0, rows - 1)
    cell = row * columns + (azimuth / AZIMUTH_STEP_DEG).astype(np.int64) % columns
    count = rows * columns
    seen = np.bincount(cell, minlength=count)
    out = np.bincount(cell[frozen[place]], minlength=count)
    verdict, held_passes, frozen_passes = _decided(place, cell, frozen, moments, (rows, columns), seen, floor)
    days = float(evidence.measured_s.sum()) / 86_400.0
    spoke = np.maximum(held_passes, frozen_passes)
    with np.errstate(divide="ignore"):
        settle = np.where(verdict != "not known", 0.0, np.maximum(_FEWEST_PASSES - spoke, 1) * days / spoke)
    number = np.arange(rows * columns)
    low_deg, from_deg = lowest + number // columns * ELEVATION_STEP_DEG, number % columns * AZIMUTH_STEP_DEG
    cells = pd.DataFrame(
        {
            "azimuth_from_deg": from_deg,
            "azimuth_to_deg": from_deg + AZIMUTH_STEP_DEG,
            "elevation_from_deg": low_deg,
            "elevation_to_deg": low_deg + ELEVATION_STEP_DEG,
            "verdict": verdict,
            "seen_s": seen * _EVERY_S,
            "frozen_s": out * _EVERY_S,
            "held_passes": held_passes,
            "frozen_passes": frozen_passes,
            "days_to_settle": settle,
        }
    ).astype(CELL_COLUMNS)
    return HorizonEvidence(view.site, span, cells, _skyline(cells, lowest, view.site.horizon), held, view.floor_deg)


def _moments(evidence: Evidence) -> tuple[Floats, Bools]:
    """Return moments of the record that tell something, seconds from the start, and which of them were frozen."""
    at = np.arange(0.5 * _EVERY_S, evidence.span.duration_s, _EVERY_S)

    def inside(start: Floats, end: Floats, times: Floats) -> Bools:
        k = np.searchsorted(start, times, side="right") - 1
        return np.asarray((k >= 0) & (times < end[np.maximum(k, 0)]) if start.size else np.zeros(times.size, bool))

    known = inside(*evidence.measured, at)
    frozen = inside(*evidence.frozen, at)
    near = inside(*evidence.frozen, at - _EDGE_S) != inside(*evidence.frozen, at + _EDGE_S)
    usable = known & ~near
    return at[usable], frozen[usable]


def _decided(
    place: Ints,
    cell: Ints,
    frozen: Bools,
    moments: Floats,
    shape: tuple[int, int],
    seen: Ints,
    floor: float,
) -> tuple[NDArray[np.str_], Ints, Ints]:
    """Return of each cell its verdict, the passes that only it can have served, and the freezes with a satellite in it.

    `shape` is (rows by elevation, columns by azimuth); the module says how cells are decided.
    """
    cells = shape[0] * shape[1]
    is_out = frozen[place]
    frozen_passes = _passes(cell[is_out], moments[place[is_out]], cells)
    by_luck = floor * seen * _EVERY_S / _ONE_PASS_S
    suspect = (frozen_passes >= _FEWEST_PASSES) & (frozen_passes > by_luck + 3.0 * np.sqrt(by_luck))
    mixed = np.zeros(cells, dtype=bool)
    good = ~is_out
    good_place, good_cell = place[good], cell[good]
    while True:
        # Good moments all of whose satellites stand in blocked cells: the highest of these is open somewhere.
        blocked = suspect & ~mixed
        left = np.bincount(good_place, ~blocked[good_cell], moments.size)
        highest = np.full(moments.size, -1, dtype=np.int64)
        np.maximum.at(highest, good_place, good_cell)
        against = np.flatnonzero((left == 0) & (highest >= 0))
        fresh = (_passes(highest[against], moments[against], cells) >= _FEWEST_PASSES) & ~mixed
        if not fresh.any():
            break
        mixed |= fresh
    alive = ~blocked[good_cell]
    first, last = np.full(moments.size, cells, dtype=np.int64), np.full(moments.size, -1, dtype=np.int64)
    np.minimum.at(first, good_place[alive], good_cell[alive])
    np.maximum.at(last, good_place[alive], good_cell[alive])
    alone = np.flatnonzero(first == last)
    held_passes = _passes(first[alone], moments[alone], cells)
    clear = (held_passes >= _FEWEST_PASSES) & ~suspect
    # Rows ascend with elevation: over a clear cell is clear, under a blocked one blocked.
    over = np.maximum.accumulate(clear.reshape(shape), axis=0).ravel()
    under = np.maximum.accumulate(blocked.reshape(shape)[::-1], axis=0)[::-1].ravel()
    clear |= over & ~suspect & ~under
    blocked |= under & ~clear & ~mixed & ~over
    verdict = np.where(clear, "clear", np.where(blocked, "blocked", "not known"))
    return verdict, held_passes, frozen_passes


def _passes(cell: Ints, moment_s: Floats, cells: int) -> Ints:
    """Return how many separate passes the moments of each cell belong to, shape (cells,)."""
    order = np.lexsort((moment_s, cell))
    cell, moment_s = cell[order], moment_s[order]
    apart = np.append(True, (np.diff(cell) != 0) | (np.diff(moment_s) > _ONE_PASS_S))[: cell.size]
    return np.bincount(cell[apart], minlength=cells).astype(np.int64)


def _edge_between(column: pd.DataFrame, lowest_deg: float) -> tuple[float, float]:
    """Return between which elevations the skyline of a sector runs: above what is blocked, below what is clear."""
    blocked = column.loc[column["verdict"] == "blocked", "elevation_to_deg"]
    clear = column.loc[column["verdict"] == "clear", "elevation_from_deg"]
    low = float(blocked.max()) if len(blocked) else lowest_deg
    return low, max(low, float(clear.min()) if len(clear) else 90.0)


def _skyline(cells: pd.DataFrame, lowest_deg: float, own: Horizon) -> Horizon:
    """Return the skyline that fits: where it is settled to a cell, halfway; elsewhere as `own`, within what is told."""
    points = []
    for azimuth, column in cells.groupby("azimuth_from_deg"):
        middle = float(str(azimuth)) + AZIMUTH_STEP_DEG / 2.0
        low, high = _edge_between(column, lowest_deg)
        is_settled = high - low <= ELEVATION_STEP_DEG
        height = (low + high) / 2.0 if is_settled else float(np.clip(own.elevation_deg(middle), low, high))
        points.append((middle, min(height, 89.0)))
    return Horizon.from_points(points)
