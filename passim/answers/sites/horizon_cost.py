"""What the skyline of a site costs: seconds without service by direction, and what a lower obstacle would give back.

    sector_costs        each sector of the horizon: what comes back if it alone went down to the terminal's own floor
    what_if_lowered     one stretch of the horizon lowered by some degrees
    what_if_horizon     another horizon altogether

Only the horizon changes; every other limit stays. Two sectors may give back more together than the sum of each, or
less, so their seconds must never be added up.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pandas as pd

from passim.arrays import Floats, Indices, Ints
from passim.coverage import Coverage
from passim.coverage.blocked import BlockedIntervals, bits_of
from passim.coverage.causes import Causes, causes_of
from passim.coverage.visibility import Visibility, find_visibility
from passim.errors import InputError
from passim.intervals import IntervalSet, difference, intersection_by_group, union
from passim.search import positive_stretches
from passim.sky.horizon import Horizon
from passim.sky.service import lost_at_handovers
from passim.sky.survey import lowered
from passim.sky.view import View

# In so short a time a satellite's track, seen from the ground, bends one way only.
_BRACKET_S = 30.0
# Rates come from positions this far to either side: long beside a microsecond, short beside the bracket.
_HALF_STEP_US = 50_000
# Times are whole microseconds, so nothing is found more closely.
_TOLERANCE_S = 2e-6


def sector_costs(visibility: Visibility | Causes, width_deg: float = 10.0) -> pd.DataFrame:
    """Return what each sector of the horizon costs: one row a sector, clockwise from north.

    Columns: from_deg, to_deg; horizon_highest_deg, the skyline's highest point in it; given_back_s, the seconds of gap
    over the span that come back if the skyline in this sector alone went down to the floor of the view, all other
    limits kept; given_back_s_per_day, the same for 24 h; gaps_closed.

    No new search: a satellite that the horizon alone stops would serve from the sector it stands in, so the pieces of
    its pass are cut where its azimuth, from SGP4 itself, passes from one sector to the next. Raises InputError for a
    width that does not divide the circle.
    """
    sectors = round(360.0 / width_deg) if width_deg > 0.0 else 0
    if not 2 <= sectors <= 360 or abs(sectors * width_deg - 360.0) > 1e-9:
        raise InputError("width of a sector", got=width_deg, wanted="from 1 to 180 deg, and a whole number to a circle")
    causes = visibility if isinstance(visibility, Causes) else causes_of(visibility)
    view, span, gaps = causes.visibility.view, causes.visibility.span, causes.gaps
    edges_deg: Floats = np.arange(sectors + 1, dtype=np.float64) * width_deg

    # Inside the gaps, what the horizon and nothing else stops.
    only_horizon = causes.stopped.where(causes.stopped.limits == bits_of(["horizon"], causes.limits))
    sector_of, start, end = _cut_at_azimuths(causes.visibility, only_horizon, edges_deg)

    highest_deg = np.array([_highest_deg(view.site.horizon, low, high) for low, high in pairwise(edges_deg.tolist())])
    given_us = np.zeros((sectors, len(gaps.start)), dtype=np.int64)
    for sector in np.unique(sector_of).tolist():
        chosen = sector_of == sector
        open_start, open_end = union((start[chosen], end[chosen]))
        np.add.at(given_us[sector], np.searchsorted(gaps.start, open_start, side="right") - 1, open_end - open_start)
    # Where the skyline does not stand above the floor, what is left is a few microseconds between two edges of one sky.
    given_us[highest_deg <= view.floor_deg] = 0
    given_s = given_us.sum(axis=1) / 1e6
    return pd.DataFrame(
        {
            "from_deg": edges_deg[:-1],
            "to_deg": edges_deg[1:],
            "horizon_highest_deg": highest_deg,
            "given_back_s": given_s,
            "given_back_s_per_day": given_s / (span.duration_s / 86400.0),
            "gaps_closed": (given_us == causes.gap_us).sum(axis=1),
        }
    )


@dataclass(frozen=True)
class WhatIf:
    """The gaps of a view under its own horizon and under another, all other limits kept.

    Seconds without service over the span, and how many gaps; ``given_back_s`` is negative where the other horizon is
    the worse one.
    """

    horizon: Horizon
    gap_s_before: float
    gap_s_after: float
    gap_count_before: int
    gap_count_after: int
    span_s: float

    @property
    def given_back_s(self) -> float:
        """Seconds of gap that come back over the span."""
        return self.gap_s_before - self.gap_s_after

    @property
    def given_back_s_per_day(self) -> float:
        """The same for 24 h."""
        return self.given_back_s * 86400.0 / self.span_s


def what_if_lowered(
    visibility: Visibility, from_deg: float, to_deg: float, by_deg: float, within: IntervalSet | None = None
) -> WhatIf:
    """Return what lowering the horizon clockwise from `from_deg` to `to_deg` by `by_deg` gives back.

    A negative `by_deg` raises it. Below the floor of the view nothing comes back. Raises SiteError for a sector that is
    none or a change out of range.
    """
    return what_if_horizon(visibility, lowered(visibility.view.site.horizon, from_deg, to_deg, by_deg), within)


def what_if_horizon(visibility: Visibility, horizon: Horizon, within: IntervalSet | None = None) -> WhatIf:
    """Return what another horizon would give back. The horizon alone is searched anew; other limits stay as found.

    What the terminal loses at handovers is served anew too. `within`, start and end in microseconds since 1970 UTC, are
    the parts of the span that count; default all of it.
    """
    view, span = visibility.view, visibility.span
    bare = View(replace(view.site, horizon=horizon), lowest_elevation_deg=view.floor_deg)
    found = find_visibility(visibility.fleet, bare, span, warn=False)
    candidates = intersection_by_group(visibility.candidates(("horizon",)), found.allowed["horizon"])
    lost = lost_at_handovers(candidates, span, view.service, visibility.look, visibility.in_use)
    served = difference((candidates.start, candidates.end), lost)
    both = visibility.coverage(), Coverage.from_intervals(*served, span)
    before, after = ((coverage if within is None else coverage.within(within)).gap_intervals for coverage in both)
    return WhatIf(
        horizon,
        int((before.end - before.start).sum()) / 1e6,
        int((after.end - after.start).sum()) / 1e6,
        len(before.start),
        len(after.start),
        span.duration_s,
    )


def _cut_at_azimuths(visibility: Visibility, pieces: BlockedIntervals, edges_deg: Floats) -> tuple[Indices, Ints, Ints]:
    """Cut pieces where the satellite's azimuth passes one of `edges_deg`; return each part's sector, start and end.

    Sector i lies between edges i and i+1, which run from 0 to 360 deg. Times are microseconds since 1970 UTC.
    """
    # Short brackets first, so that in each a track crosses a vertical plane twice at most.
    length_s = (pieces.end - pieces.start) / 1e6
    count = np.maximum(np.ceil(length_s / _BRACKET_S).astype(np.intp), 1)
    piece = np.repeat(np.arange(len(count)), count)
    place = np.arange(len(piece)) - np.repeat(np.cumsum(count) - count, count)
    left = place * (length_s / count)[piece]
    right = np.where(place == count[piece] - 1, length_s[piece], (place + 1) * (length_s / count)[piece])

    def track(owner: Indices, x: Floats) -> tuple[Floats, Floats]:
        """Return how far east and north the satellites of pieces `owner` are, km, and how fast, km/s, (2, n) both."""
        time_us = pieces.start[owner] + np.round(x * 1e6).astype(np.int64)
        before, here, after = (
            _ground_km(visibility, pieces.satellite[owner], time_us + offset)
            for offset in (-_HALF_STEP_US, 0, _HALF_STEP_US)
        )
        return here, (after - before) / (2e-6 * _HALF_STEP_US)

    # A vertical plane holds two azimuths, half a turn apart. Which side of it a track is on is a smooth function; only
    # brackets whose ends tell of a crossing or a turn are followed up.
    planes_deg = np.unique(np.round(edges_deg % 180.0, 9))
    across = np.stack([np.cos(np.radians(planes_deg)), -np.sin(np.radians(planes_deg))])
    (value_left, rate_left), (value_right, rate_right) = (
        tuple(part.T @ across for part in track(piece, x)) for x in (left, right)
    )
    changes = (value_left > 0.0) != (value_right > 0.0)
    bracket, plane = np.nonzero(changes | (rate_left * rate_right < 0.0))

    def side(number: Indices, x: Floats) -> tuple[Floats, Floats]:
        here, rate = track(piece[bracket[number]], x)
        normal = across[:, plane[number]]
        return np.asarray((here * normal).sum(axis=0)), np.asarray((rate * normal).sum(axis=0))

    found = positive_stretches(side, np.arange(len(bracket)), left[bracket], right[bracket], tolerance=_TOLERANCE_S)
    cut = np.concatenate([found.left, found.right])
    owner = piece[bracket[np.concatenate([found.curve, found.curve])]]

    # The ends of the pieces and the cuts between them bound the parts; the middle of each part tells its sector.
    cut_us = pieces.start[owner] + np.round(cut * 1e6).astype(np.int64)
    inside = (cut_us > pieces.start[owner]) & (cut_us < pieces.end[owner])
    every = np.arange(len(count))
    owner = np.concatenate([every, owner[inside], every])
    edge_us = np.concatenate([pieces.start, cut_us[inside], pieces.end])
    order = np.lexsort((edge_us, owner))
    owner, edge_us = owner[order], edge_us[order]
    part = np.flatnonzero((owner[1:] == owner[:-1]) & (edge_us[1:] > edge_us[:-1]))
    owner, start, end = owner[part], edge_us[part], edge_us[part + 1]
    east, north = _ground_km(visibility, pieces.satellite[owner], (start + end) // 2)
    azimuth_deg = np.degrees(np.arctan2(east, north)) % 360.0
    sector = np.searchsorted(edges_deg, azimuth_deg, side="right") - 1
    return np.clip(sector, 0, len(edges_deg) - 2), start, end


def _ground_km(visibility: Visibility, satellite: Ints, time_us: Ints) -> Floats:
    """Return how far east and north of the site satellites stand, km, shape (2, n)."""
    look = visibility.look(satellite.astype(np.intp), time_us)
    along_km = look.range_km * np.cos(np.radians(look.elevation_deg))
    azimuth = np.radians(look.azimuth_deg)
    return np.stack([along_km * np.sin(azimuth), along_km * np.cos(azimuth)])


def _highest_deg(horizon: Horizon, low_deg: float, high_deg: float) -> float:
    """Return the highest point of the skyline from one azimuth to another, degrees; it lies at a point or at an end."""
    azimuths = np.array(horizon.azimuths_deg)
    inner = azimuths[(azimuths > low_deg) & (azimuths < high_deg)]
    return float(horizon.elevation_deg(np.concatenate([[low_deg, high_deg], inner])).max())
