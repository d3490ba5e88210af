"""Growth: what a place would have with the first N satellites of an order, for every N at once.

One sweep of an order holds every N (`passim.coverage.ranks`), so the curve has no steps and no interpolation: it is as
exact as the passes. Growth is monotone only because satellites are added to the same set: a different pattern with more
satellites may serve a place worse.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from passim.answers.growth.orders import Order
from passim.arrays import Floats, Ints
from passim.coverage.ranks import FirstCover, RankSweep, nearest_smaller
from passim.coverage.statistics import gap_statistics
from passim.coverage.visibility import Visibility
from passim.errors import InputError, SpanError

Windows = tuple[Ints, Ints]
Progress = Callable[[float], None]

COLUMNS: Final = ("gap_fraction", "gap_count", "mean_gap_s", "longest_gap_s")
QUANTILE_COLUMNS: Final = ("median_gap_s", "p90_gap_s")
PAUSE_OVER_S: Final = 5.0

# Numbers of satellites a decade on the logarithmic grid, and the most pairs of draw and N that one question may hold:
# five curves of 8 bytes make 600 MB of these.
_A_DECADE: Final = 8
_MOST_PAIRS: Final = 15_000_000


@dataclass(frozen=True, eq=False)
class Curves:
    """The curves of every draw of an order.

    ``values`` maps the names of the columns to arrays of shape (draws, all): place N - 1 is what the first N
    satellites give. ``counted_s`` is the length of the time asked about, seconds: the span, or its windows.
    ``pause_count`` and ``twofold_fraction`` are there where they were asked for; the quantiles are NaN off the grid.
    """

    order: Order
    counted_s: float
    values: Mapping[str, Floats]

    @property
    def satellites(self) -> Ints:
        """The numbers of satellites, 1 to all, shape (all,)."""
        return np.arange(1, self.order.satellites + 1)

    @property
    def table(self) -> pd.DataFrame:
        """One row a number of satellites, 1 to all of them.

            satellites      N
            gap_fraction    share of the time without service
            gap_count       gaps, those that the span cuts included
            mean_gap_s      mean length of these gaps inside the span: times gap_count it is the time out
            longest_gap_s   longest gap inside the span
            median_gap_s, p90_gap_s
                            if asked for: of the whole gaps, on the grid of `logarithmic_grid` and NaN elsewhere

        With several draws each is the mean over the draws that have it, followed by the same name with _p10 and _p90:
        the band that holds eight draws of ten. mean_gap_s is then that of the gaps of all draws together, so that it
        multiplies to the time out in every row.
        """
        columns: dict[str, object] = {"satellites": self.satellites}
        for name in (*COLUMNS, *QUANTILE_COLUMNS):
            if name not in self.values:
                continue
            draws = self.values[name]
            if len(draws) == 1:
                columns[name] = draws[0].astype(np.int64) if name == "gap_count" else draws[0]
            else:
                columns[name], columns[f"{name}_p10"], columns[f"{name}_p90"] = over_draws(draws)
                if name == "mean_gap_s":
                    out_s = self.values["gap_fraction"].sum(axis=0) * self.counted_s
                    columns[name] = out_s / np.maximum(self.values["gap_count"].sum(axis=0), 1.0)
        return pd.DataFrame(columns)


def growth(
    visibility: Visibility,
    order: Order,
    *,
    windows: Windows | None = None,
    quantiles: bool = False,
    progress: Progress | None = None,
) -> pd.DataFrame:
    """Return the curve of every N from 1 to all, with the columns of `Curves.table`; see `growth_curves`."""
    return growth_curves(visibility, order, windows=windows, quantiles=quantiles, progress=progress).table


def growth_curves(
    visibility: Visibility,
    order: Order,
    *,
    windows: Windows | None = None,
    quantiles: bool = False,
    pauses: bool = False,
    twofold: bool = False,
    progress: Progress | None = None,
) -> Curves:
    """Return the curves of every draw of `order`, under every limit of the visibility.

    `windows` (start_us, end_us), sorted and apart, keeps to such hours: a gap that a window cuts counts as a gap of its
    own in there. `pauses` adds pause_count, the gaps over 5 s, `twofold` twofold_fraction, the share of the time with
    two satellites or more. `progress` is told the share done. Raises SpanError where no window lies in the span,
    InputError where the draws would not fit in memory.
    """
    return curves_of(
        RankSweep(visibility.candidates(), visibility.span),
        order,
        windows=windows,
        quantiles=quantiles,
        pauses=pauses,
        twofold=twofold,
        progress=progress,
    )


def curves_of(
    sweep: RankSweep,
    order: Order,
    *,
    windows: Windows | None = None,
    quantiles: bool = False,
    pauses: bool = False,
    twofold: bool = False,
    progress: Progress | None = None,
) -> Curves:
    """Return the curves of every draw of `order` over slices made before; see `growth_curves`."""
    everyone, draws = order.satellites, order.draws
    if everyone * draws > _MOST_PAIRS:
        raise InputError(
            "random draws",
            got=f"{draws:,} of {everyone:,} satellites",
            wanted=f"at most {_MOST_PAIRS // everyone:,} draws of a fleet of this size",
        )
    counted_s = sweep.span.duration_s if windows is None else _inside_s(windows, sweep)
    if counted_s <= 0.0:
        raise SpanError(
            "hours asked about", got="none inside the span", wanted="some", try_next="a longer span or another start"
        )
    names = (*COLUMNS, *(QUANTILE_COLUMNS if quantiles else ()), *(("pause_count",) if pauses else ()))
    names = (*names, *(("twofold_fraction",) if twofold else ()))
    values = {name: np.full((draws, everyone), np.nan) for name in names}
    grid = logarithmic_grid(everyone)
    for draw, ranks in enumerate(order.ranks):
        cover = sweep.cover(ranks)
        if windows is not None:
            cover = cover.clipped(*windows)
        values["gap_fraction"][draw] = cover.gap_us[1:] / (1e6 * counted_s)
        values["gap_count"][draw] = cover.gap_count[1:]
        values["mean_gap_s"][draw] = cover.mean_gap_s()[1:]
        values["longest_gap_s"][draw] = cover.longest_gap_us[1:] / 1e6
        if pauses:
            values["pause_count"][draw] = gaps_longer_than(cover, round(PAUSE_OVER_S * 1e6))[1:]
        if twofold:
            second = sweep.cover(ranks, twice=True)
            if windows is not None:
                second = second.clipped(*windows)
            values["twofold_fraction"][draw] = 1.0 - second.gap_us[1:] / (1e6 * counted_s)
        if quantiles:
            at_grid = np.array([_quantiles(cover, n) for n in grid.tolist()])
            values["median_gap_s"][draw, grid - 1], values["p90_gap_s"][draw, grid - 1] = at_grid.T
        if progress:
            progress((draw + 1) / draws)
    return Curves(order, counted_s, values)


def logarithmic_grid(everyone: int) -> Ints:
    """Return numbers of satellites from 1 to `everyone`, evenly spaced on a logarithmic scale, 8 a decade."""
    steps = int(np.ceil(_A_DECADE * np.log10(everyone))) + 1
    return np.unique(np.round(np.geomspace(1, everyone, steps)).astype(np.int64))


def gaps_longer_than(cover: FirstCover, over_us: int) -> Ints:
    """Return the number of gaps longer than `over_us` for every N from 0, cut ones included, shape (all + 1,).

    A stretch in which no rank is below r, between neighbours of smaller rank, is one gap for every N from above the
    larger of these two up to r.
    """
    left, right = nearest_smaller(cover.rank)
    # Equal ranks inside one stretch are the same gap: keep one of each.
    _, once = np.unique(left * (len(cover.rank) + 1) + right, return_index=True)
    left, right, lowest = left[once], right[once], cover.rank[once]
    long = (cover.edges_us[right] - cover.edges_us[left + 1] > over_us) & (lowest >= 0)
    fenced = np.append(cover.rank, -1)  # the ends of the span are below every rank; -1 and n both find that fence
    above = np.maximum(fenced[left], fenced[right])
    change = np.zeros(cover.nobody + 3, dtype=np.int64)
    np.add.at(change, above[long] + 1, 1)
    np.add.at(change, lowest[long] + 1, -1)
    return np.cumsum(change)[: cover.nobody + 1]


def over_draws(values: Floats) -> tuple[Floats, Floats, Floats]:
    """Return mean, 10th and 90th percentile over the draws, each of shape (all,), of values of shape (draws, all).

    NaN has no say; where every draw has it, the result is NaN. Percentiles are linear between neighbours.
    """
    ordered = np.sort(values, axis=0)  # NaN goes last
    known = np.count_nonzero(~np.isnan(ordered), axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(known > 0, np.nansum(ordered, axis=0) / known, np.nan)
    bands = []
    for share in (0.1, 0.9):
        place = np.maximum(known - 1, 0) * share
        lower = np.floor(place).astype(np.intp)
        upper = np.minimum(lower + 1, np.maximum(known - 1, 0))
        below = np.take_along_axis(ordered, lower[None], axis=0)[0]
        above = np.take_along_axis(ordered, upper[None], axis=0)[0]
        bands.append(below + (place - lower) * (above - below))
    return mean, bands[0], bands[1]


def _quantiles(cover: FirstCover, satellites: int) -> tuple[float, float]:
    """Return median and 90th percentile of the whole gaps with so many satellites, seconds; NaN where each is cut."""
    gaps_us = cover.gaps_us(satellites)
    whole = (gaps_us[:, 0] > cover.edges_us[0]) & (gaps_us[:, 1] < cover.edges_us[-1])
    found = gap_statistics(np.diff(gaps_us, axis=1)[:, 0] / 1e6, whole, 1.0)
    median, p90 = found["gap_median_s"], found["gap_p90_s"]
    return (np.nan, np.nan) if median is None or p90 is None else (float(median), float(p90))


def _inside_s(windows: Windows, sweep: RankSweep) -> float:
    """Return the length of the windows inside the span, seconds."""
    start, end = (np.clip(edges, sweep.span.start_us, sweep.span.end_us) for edges in windows)
    return float((end - start).sum()) / 1e6
