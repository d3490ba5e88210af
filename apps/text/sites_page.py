"""What the Sites page says: which place is best, what other latitudes have, and between which service never breaks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from passim.answers.sites import compare as side_by_side
from passim.answers.sites import sweeps, world_bands

from .sites import NO_LIMIT, band_words, degrees, distance_words, latitude_sentence, most_in_view, together
from .units import counted, duration, share


def best_sentence(rows: Sequence[Any], here: int, day: str) -> str:
    """Say which place is best on a day, and how the chosen one fares; `rows` come best first, with a `title` each."""
    best, mine = rows[0], rows[here]
    if len(rows) == 1:
        return f"{best.title} is {_fares(best)} on {day}; there is no other site to compare."
    level = [row for row in rows if row.covered_fraction == best.covered_fraction]
    if len(level) == len(rows):
        return (
            f"No place is better served than another on {day}: each of the {len(rows):,} is {_fares(best)}"
            f"{most_in_view(level)}."
        )
    names = together([row.title for row in level])
    if mine.covered_fraction == best.covered_fraction:
        after = rows[len(level)]
        choice = f"{mine.title}, your choice" if len(level) == 1 else f"{names} (yours is {mine.title})"
        ties = most_in_view(level)
        return f"Best served on {day}: {choice}, {_fares(best)}{ties}; {after.title} is next, {_fares(after)}."
    ties = most_in_view(level)
    return f"Best served on {day}: {names}, {_fares(best)}{ties}; {mine.title}, your choice, is {_fares(mine)}."


def headline(rows: Sequence[Any], here: int, day: str) -> str:
    """Say how the spots of the chosen site compare, then the best other site and how far it is.

    `rows` come best first, each with `site`, `spot`, `title`, `out_s`, `distance_km` and `direction` besides what
    `best_sentence` reads. Where the chosen site has one spot alone, all places are compared instead.
    """
    mine = rows[here]
    spots = [row for row in rows if row.site == mine.site]
    if len(spots) == 1:
        return best_sentence(rows, here, day)
    best = spots[0]
    if all(row.out_s == best.out_s for row in spots):
        first = (
            f"At {mine.site} no spot is better than another on {day}: {_without(best)} at each of the {len(spots):,}."
        )
    else:
        other = mine if mine.out_s > best.out_s else next(row for row in spots if row.out_s > best.out_s)
        than = f"better than the {other.spot}" if len(spots) == 2 else f"the best of {len(spots):,} spots"
        instead = "" if len(spots) == 2 else f" at the {other.spot}"
        less = _less(best)
        first = (
            f"At {mine.site} the {best.spot} is {than}: {less} instead of {_less(other)}{instead} without "
            f"service on {day}."
        )
    elsewhere = [row for row in rows if row.site != mine.site]
    if not elsewhere:
        return first
    away = min(elsewhere, key=lambda row: (row.out_s, row.distance_km))
    where = f"{away.title}, {distance_words(away.distance_km)} {away.direction},"
    if away.out_s < best.out_s:
        return f"{first} {where} has {_less(away)}."
    return f"{first} No other site has less; {where} has {_less(away)}."


def no_limit_sentence(rows: Sequence[Any]) -> str:
    """Say what the table's "no single limit" means; nothing where no place has it."""
    if not any(row.gap_count and not row.best_limit for row in rows):
        return ""
    return (
        f" “{NO_LIMIT.capitalize()}”: there several limits act together, or no satellite is above the horizon at all."
    )


def lift_sentence(rows: Sequence[Any]) -> str:
    """Say where lifting one limit gives back most; nothing where no limit gives anything back."""
    helped = [row for row in rows if row.best_limit]
    if not helped:
        return ""
    most = max(helped, key=lambda row: float(row.best_limit_gives_back_s))
    return f" Removing one limit regains most at {most.title}: the {most.best_limit}, {_length(most)}."


def latitude_caption(swept: sweeps.LatitudeSweep, name: str, latitude_deg: float, mask_deg: float, length: str) -> str:
    """Say at which latitudes service is best and where it ends, and what the chosen site's own latitude has."""
    table = swept.table
    here = table[table["latitude_deg"] == latitude_deg]
    best = _all_day(swept, length) or latitude_sentence(swept, length)
    words = f"Under {mask_deg:g}° all round and without a gateway, {best[0].lower()}{best[1:]}"
    if not here.empty:
        covered = share(float(here["covered_fraction"].iloc[0]))
        words += f" The latitude of {name}, {degrees(latitude_deg)}, is covered {covered}."
    return words


def _all_day(swept: sweeps.LatitudeSweep, length: str) -> str:
    """Say between which latitudes of a sweep service never breaks; nothing where fewer than two are like that."""
    # The sites' own latitudes are in one hemisphere alone: with them a band would seem to differ north and south.
    table = swept.table.assign(gap_longest_s=swept.table["gap_longest_s_max"])
    both = table[(0.0 - table["latitude_deg"]).isin(table["latitude_deg"])]
    columns = ["latitude_deg", "covered_fraction", "gaps_per_hour", "in_view_mean", "gap_longest_s"]
    bands = world_bands.world_bands(both[columns])
    if sum(bands.table["covered_fraction"] == 1.0) < 2:
        return ""
    last_deg = float(bands.table["latitude_deg"].abs().max())
    words = f"Covered all of {length} {band_words(bands.always, last_deg)}, by the latitudes of the curve's points"
    never = f"none at all {band_words(bands.never, last_deg)}" if bands.never else "some at every latitude"
    return f"{words}; {never}."


def world_caption(
    bands: world_bands.WorldBands, summary: sweeps.WorldSummary, grid: str, day: str, off_deg: float
) -> str:
    """Say between which latitudes service never breaks, where there is none, and what share of the Earth that is.

    Cells are known by their middles alone, so an edge between two of them may be `off_deg` of latitude off.
    """
    best, last_deg = bands.table.iloc[bands.best], float(bands.table["latitude_deg"].abs().max())
    if summary.never_in_fraction == 1.0:
        return f"No point of the Earth has any service on {day}. Grid: {grid}."
    if summary.never_out_fraction == 1.0:
        return f"Service all through {day} at every point of the Earth. Grid: {grid}."
    always = (
        f"Service all through {day} {band_words(bands.always, last_deg)}"
        if bands.always
        else f"No latitude has service all through {day}; the best, {degrees(float(best.latitude_deg))}, has "
        f"{share(float(best.covered_fraction))}"
    )
    never = f"none at all {band_words(bands.never, last_deg)}" if bands.never else "some at every latitude"
    return (
        f"{always}; {never}. Over the Earth's surface that is {share(summary.never_out_fraction)} always and "
        f"{share(summary.never_in_fraction)} never; the mean is {share(summary.covered_fraction)}. All by the middles "
        f"of the grid's cells, so an edge on the map may be {off_deg:g}° off. Grid: {grid}."
    )


def call_hours_words(comparison: side_by_side.SiteComparison) -> str:
    """Say when calls are held at the places of a comparison; nothing where nobody said."""
    told = [words for words in dict.fromkeys(comparison.table["call_hours"]) if words]
    return f"Call hours, by each place's own clock: {'; '.join(told)}." if told else ""


def _without(row: Any) -> str:
    return "never without service" if row.out_s == 0.0 else f"{_less(row)} without service"


def _less(row: Any) -> str:
    """Return how long a place is without service, in whole minutes from ten minutes on; the table has the seconds."""
    if row.out_s == 0.0:
        return "none"
    return duration(row.out_s if row.out_s < 600.0 else 60.0 * round(row.out_s / 60.0))


def _fares(row: Any) -> str:
    if row.gap_count == 0:
        return "never without service"
    gaps = f"{counted(int(row.gap_count), 'gap')}, the longest {duration(row.gap_longest_s)}"
    return f"out {share(1.0 - row.covered_fraction)} of the time ({gaps})"


def _length(row: Any) -> str:
    return duration(row.best_limit_gives_back_s)
