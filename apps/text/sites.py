"""What ``passim sites`` says in words, and the cells of its tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from .columns import COUNT, DEGREES, DURATION, SHARE, TEXT, Column, blank_at_zero, number, of_row, without
from .units import counted, duration, share

if TYPE_CHECKING:
    import pandas as pd

    from passim.answers.sites import compare as sites
    from passim.answers.sites import sweeps

# Where there are gaps and no limit lifted alone mends any.
NO_LIMIT = "no single limit"

# The gaps of a place: its share of time with service, how many there are, their mean and the longest.
_GAP_FIGURES: Final = (
    Column("covered_fraction", "Covered", SHARE),
    Column("gap_count", "Gaps", COUNT),
    Column("gap_mean_s", "Mean gap", of_row(lambda row: _length(row, "gap_mean_s"), numeric=True), 3),
    Column("gap_longest_s", "Longest", of_row(lambda row: _length(row, "gap_longest_s"), numeric=True)),
)
_IN_VIEW: Final = Column("in_view_mean", "In view", number(2), 2)
_LATITUDE: Final = Column("latitude_deg", "Latitude", DEGREES)
SITE_COLUMNS: Final = (
    Column("site", "Site", TEXT),
    *_GAP_FIGURES,
    Column("call_frozen_s", "Frozen in call hours", of_row(lambda row: _frozen(row), numeric=True)),
    Column("best_limit", "Main limit", of_row(lambda row: row.best_limit or (NO_LIMIT if row.gap_count else "")), 1),
    Column("given_back_s", "Service regained", of_row(lambda row: _regained(row), numeric=True), 2),
)
LATITUDE_COLUMNS: Final = (
    _LATITUDE,
    Column("covered_fraction", "Covered", SHARE),
    Column("covered_fraction_min", "from", SHARE, 3),
    Column("covered_fraction_max", "to", SHARE, 3),
    Column("gaps_per_hour", "Gaps an hour", of_row(lambda row: _gaps_per_hour(row), numeric=True)),
    Column("gap_longest_s_max", "Longest gap", blank_at_zero(DURATION)),
    _IN_VIEW,
    Column("in_view_closed_form", "closed form", number(2), 4),
    Column("covered_if_random", "Covered if random", SHARE, 5),
)
BAND_COLUMNS: Final = tuple(
    replace(column, key="gap_longest_s") if column.key == "gap_longest_s_max" else column
    for column in without(LATITUDE_COLUMNS, "in_view_closed_form", "covered_if_random")
)
WORLD_COLUMNS: Final = (_LATITUDE, Column("longitude_deg", "Longitude", DEGREES), *_GAP_FIGURES, _IN_VIEW)
FLEET_COLUMNS: Final = (
    Column("fleet", "Fleet", TEXT),
    Column("satellites", "Satellites", COUNT, 1),
    Column("mask_deg", "Mask", DEGREES),
    Column("gateway", "Gateway", TEXT),
    *_GAP_FIGURES,
    _IN_VIEW,
)


def beside_columns(chosen_site: str, chosen_title: str) -> list[Column]:
    """Return the columns of places beside the chosen one.

    The rows have `site_name`, the site alone, and `site`, the title of the place.
    """

    def away(row: Any) -> str:
        return "" if row.site_name == chosen_site else distance_words(row.distance_km)

    def against(row: Any) -> str:
        return "yours" if row.title == chosen_title else against_words(row.against_chosen_s)

    site, covered, *rest = SITE_COLUMNS
    main_limit = [column.key for column in rest].index("best_limit")
    return [
        site,
        Column("distance_km", "Away", of_row(away, numeric=True)),
        covered,
        Column("against_chosen_s", "Against your spot", of_row(against, numeric=True)),
        *rest[:main_limit],
        Column("twofold_fraction", "Two or more", SHARE),
        *rest[main_limit:],
    ]


def distance_words(distance_km: float) -> str:
    """Return a distance in words, no finer than a sphere tells it: "780 km", "52 km", "3.4 km"."""
    if distance_km >= 100.0:
        return f"{round(distance_km, -1):,.0f} km"
    return f"{distance_km:.0f} km" if distance_km >= 10.0 else f"{distance_km:.1f} km"


def against_words(difference_s: float) -> str:
    """Return how much longer, or shorter, a place is without service than the chosen one: "−1 h 59 min"."""
    if difference_s == 0.0:
        return "the same"
    return ("\N{MINUS SIGN}" if difference_s < 0.0 else "+") + duration(abs(difference_s))


def _length(row: Any, key: str) -> str:
    return duration(getattr(row, key)) if row.gap_count else ""


def _gaps_per_hour(row: Any) -> str:
    return f"{row.gaps_per_hour:,.1f}" if row.covered_fraction_max else ""


def _frozen(row: Any) -> str:
    known = row.call_frozen_s == row.call_frozen_s and row.call_hours_s
    return f"{duration(row.call_frozen_s)} of {duration(row.call_hours_s)}" if known else ""


def _regained(row: Any) -> str:
    return duration(row.best_limit_gives_back_s) if row.best_limit else ""


def degrees(latitude_deg: float) -> str:
    """Return a latitude in words: "45° N", "7.5° S", "the equator"."""
    if latitude_deg == 0.0:
        return "the equator"
    return f"{abs(latitude_deg):g}° {'N' if latitude_deg > 0.0 else 'S'}"


def site_sentence(found: sites.SiteComparison, length: str) -> str:
    """Say which of several places is best and which worst."""
    rows: list[Any] = list(found.table.itertuples(index=False))
    best, worst = rows[found.best], rows[found.worst]
    if len(rows) == 1:
        return f"{_service(best)} in {length}."
    level = [row for row in rows if row.covered_fraction == best.covered_fraction]
    if best.covered_fraction == worst.covered_fraction:
        if best.gap_count == 0:
            return f"None of {len(rows):,} places is ever without service in {length}{most_in_view(rows)}."
        return f"All {len(rows):,} places are covered {share(best.covered_fraction)} of {length}{most_in_view(rows)}."
    good = _service(best)
    if len(level) > 1:
        how = "never without service" if best.gap_count == 0 else f"covered {share(best.covered_fraction)} of the time"
        good = f"{_names([row.site for row in level])} are {how}"
    last = [row for row in rows if row.covered_fraction == worst.covered_fraction]
    bad = _service(worst)
    if len(last) > 1:
        out = worst.covered_fraction == 0.0
        how = "have no service at all" if out else f"are covered {share(worst.covered_fraction)} of the time"
        bad = f"{_names([row.site for row in last])} {how}"
    lines = [f"Of {len(rows):,} places {good} in {length}{most_in_view(level)}; {bad}."]
    frozen = [row for row in rows if row.call_frozen_s == row.call_frozen_s and row.call_hours_s > 0.0]
    if frozen:
        least, most = min(frozen, key=_frozen_share), max(frozen, key=_frozen_share)
        calm = [row.site for row in frozen if row.call_frozen_s == 0.0]
        line = f"In call hours {least.site} is frozen {duration(least.call_frozen_s)}"
        if calm:
            line = f"In call hours {_names(calm)} {'is' if len(calm) == 1 else 'are'} never frozen"
        if _frozen_share(most) > _frozen_share(least):
            line += f", {most.site} {'is frozen ' if calm else ''}{duration(most.call_frozen_s)}"
        lines.append(f"{line}.")
    return "\n".join(lines)


def latitude_sentence(found: sweeps.LatitudeSweep, length: str) -> str:
    """Say at which latitude service is best and where it is worst."""
    rows: list[Any] = list(found.table.itertuples(index=False))
    best, worst = rows[found.best], rows[found.worst]
    around = f"mean of {counted(int(best.places), 'place')} around the Earth"
    most = f"{best.in_view_mean:.1f} satellites in view on average"
    level = found.level_deg
    if best.covered_fraction == 0.0:
        return f"No latitude looked at has any service in {length}, {around}."
    if len(level) == len(rows) > 1:
        covered = share(best.covered_fraction)
        where = degrees(best.latitude_deg)
        return (
            f"Every latitude looked at is covered {covered} of {length}, {around}; most satellites at {where}: {most}."
        )
    if len(level) == 1:
        line = f"Service is best at {degrees(best.latitude_deg)}: covered {share(best.covered_fraction)} of {length}, "
        line += f"{around}, {most}"
    else:
        line = (
            f"Service is equally good {_runs(level, [row.latitude_deg for row in rows])}: covered "
            f"{share(best.covered_fraction)} of {length}, {around}, with most satellites at "
            f"{degrees(best.latitude_deg)}, {most}"
        )
    if len(rows) == 1:
        return f"{line}."
    if found.none_from_deg is not None:
        return f"{line}; from {found.none_from_deg:g}° on there is none."
    return f"{line}; worst at {degrees(worst.latitude_deg)}: {share(worst.covered_fraction)}."


def _runs(level_deg: Sequence[float], all_deg: Sequence[float]) -> str:
    """Return latitudes out of a sweep in words, neighbours together: "from 40° to 55° N and S"."""
    runs: list[tuple[float, float]] = []
    broken = True
    for latitude_deg in all_deg:
        if latitude_deg not in level_deg:
            broken = True
            continue
        runs = [*runs, (latitude_deg, latitude_deg)] if broken else [*runs[:-1], (runs[-1][0], latitude_deg)]
        broken = False
    # A sweep may end before the pole, so that no band goes on to it.
    return band_words(runs, float("nan"))


def world_sentence(found: sweeps.WorldSummary, step_deg: float, length: str) -> str:
    """Say how the Earth's surface fares."""
    return (
        f"At {counted(found.places, 'point')} {step_deg:g}° apart, weighed by area, the Earth is covered "
        f"{share(found.covered_fraction)} of {length}: {share(found.never_out_fraction)} of its surface is never "
        f"without service, {share(found.never_in_fraction)} never has any."
    )


def fleet_sentence(found: sites.FleetComparison, site: str, length: str) -> str:
    """Say what each fleet gives, and how much that hangs on mask and gateway."""
    lines = []
    rows: list[Any] = list(found.sensitivity.itertuples(index=False))
    for row in rows:
        line = (
            f"{row.fleet} covers {site} {share(row.covered_least)} to {share(row.covered_most)} of {length}: the mask "
            f"alone moves that by {points(row.mask_spread)}"
        )
        known = row.gateway_spread == row.gateway_spread
        lines.append(
            f"{line}, the gateway alone by up to {points(row.gateway_spread)}."
            if known
            else f"{line}; no gateway is known, and one would lower it."
        )
    return "\n".join(lines)


def points(spread: float) -> str:
    """Return a difference of shares in percentage points: "12.4 points", "under 0.1 points"."""
    if 0.0 < spread < 0.0005:
        return "under 0.1 points"
    return f"{100.0 * spread:.1f} points"


def numbers_by_row(table: pd.DataFrame, names: Sequence[str]) -> list[dict[str, Any]]:
    """Return the rows of a small table as JSON can hold them; `names` are the columns that hold text."""
    from ..command_line.output import plain_numbers

    numbers = [column for column in table.columns if column not in names]
    return [
        {name: str(row[name]) for name in names} | plain_numbers({name: row[name] for name in numbers})
        for row in table.to_dict("records")
    ]


def _names(names: Sequence[str]) -> str:
    """Return names in a row: "Skerry", "Skerry and Lantern", "Marram, Skerry and Lantern"."""
    return " and ".join([*([", ".join(names[:-1])] if len(names) > 1 else []), names[-1]])


def _service(row: Any) -> str:
    if row.gap_count == 0:
        return f"{row.site} is never without service"
    if row.covered_fraction == 0.0:
        return f"{row.site} has no service at all"
    how_often = f"{row.gaps_per_hour:.1f} gaps an hour" if row.gaps_per_hour >= 1.0 else counted(row.gap_count, "gap")
    return (
        f"{row.site} is covered {share(row.covered_fraction)} of the time ({how_often}, the longest "
        f"{duration(row.gap_longest_s)})"
    )


def most_in_view(level: Sequence[Any]) -> str:
    """Say which of places that are served equally has most satellites in view: what stands between them and a gap.

    Empty for one place, and where the first two round to the same.
    """
    if len(level) < 2:
        return ""
    first, second = sorted(level, key=lambda row: -row.in_view_mean)[:2]
    if f"{first.in_view_mean:.1f}" == f"{second.in_view_mean:.1f}":
        return ""
    name = getattr(first, "title", None) or first.site
    return f", {name} with most satellites in view, {first.in_view_mean:.1f} on average"


def _frozen_share(row: Any) -> float:
    return float(row.call_frozen_s / row.call_hours_s)


def together(names: Sequence[str]) -> str:
    """Return names in a row: "Skerry and Lantern"; of many the first three and how many more."""
    if len(names) > 4:
        names = [*names[:3], f"{len(names) - 3:,} more"]
    return " and ".join([*([", ".join(names[:-1])] if len(names) > 1 else []), names[-1]])


def band_words(bands: Sequence[tuple[float, float]], last_deg: float) -> str:
    """Return bands of latitude in words, from the north; two that mirror each other are told at once.

    One that holds the last latitude of the grid, `last_deg` from the equator, goes on to the pole.
    """
    words: list[str] = []
    for south_deg, north_deg in reversed(bands):
        mirrored = (0.0 - north_deg, 0.0 - south_deg) in bands and south_deg * north_deg > 0.0
        if mirrored and south_deg < 0.0:
            continue  # told with the northern one
        near_deg, far_deg = sorted((south_deg, north_deg), key=abs)
        side = "N and S" if mirrored else "N" if near_deg > 0.0 else "S"
        if south_deg * north_deg <= 0.0:
            words.append(
                f"from {degrees(south_deg)} to {degrees(north_deg)}" if south_deg < north_deg else "at the equator"
            )
        elif abs(far_deg) == last_deg:
            words.append(f"from {abs(near_deg):g}° {side} on")
        elif near_deg == far_deg:
            words.append(f"at {abs(near_deg):g}° {side}")
        else:
            words.append(f"from {abs(near_deg):g}° to {abs(far_deg):g}° {side}")
    return together(words)
