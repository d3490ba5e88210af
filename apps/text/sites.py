"""Sites beside each other, as people read them: which place is best, what other latitudes have, the tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from passim.answers.sites import world_bands as bands_room

from .columns import COUNT, DEGREES, DURATION, SHARE, TEXT, Column, blank_at_zero, number, of_row, without
from .limits import the_gateways
from .notes import Note, background
from .units import counted, difference, duration, in_a_row, lowered, share

if TYPE_CHECKING:
    from passim.answers.sites import compare as sites, sweeps

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
        return "yours" if row.title == chosen_title else difference(row.against_chosen_s)

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


def coordinates_words(latitude_deg: float, longitude_deg: float | None) -> str:
    """Return a place in words: "47.5° N, 28° W", or "latitude 47.5° N" without a longitude."""
    north = f"{abs(latitude_deg):g}°" + (" N" if latitude_deg > 0 else " S" if latitude_deg < 0 else "")
    if longitude_deg is None:
        return f"latitude {north}"
    longitude_deg = (longitude_deg + 180.0) % 360.0 - 180.0
    east = f"{abs(longitude_deg):g}°" + (" E" if longitude_deg > 0 else " W" if longitude_deg < 0 else "")
    return f"{north}, {east}"


SPOT_TRIED: Final = "spot tried"
KEEP_A_SPOT: Final = "Add a mounting spot to keep"


def skyline_words(skyline: str, from_deg: float | None) -> str:
    """Return what stands around a place added, `skyline` being "open" or "same": "open sky from 25°"."""
    if skyline == "same":
        return "with the same roof line"
    return "open sky" if from_deg is None else f"open sky from {from_deg:g}°"


def under_words(skyline: str, from_deg: float, spot: str, *, flat: bool) -> str:
    """Return the same within a sentence about the terminal of `spot`, whose own horizon is `flat` or not."""
    if flat:
        return f"under {from_deg:g}° all round"
    if skyline == "same":
        return "under the same roof line, so that the places alone differ"
    return f"under open sky from {from_deg:g}°, without the roof line of {spot}: what differs is both"


def under_sentence(titles: Sequence[str], from_deg: float, spot: str, *, same: bool) -> str:
    """Say under which roof line places stand beside a `spot` that has one of its own, and how to have the other."""
    under = under_words("same" if same else "open", from_deg, spot, flat=False)
    verb = "stands" if len(titles) == 1 else "stand"
    how = "" if same else "; --same-roof-line compares the places alone"
    return f"{together(titles)} {verb} {under}{how}."


def tried_sentence(title: str, roof_line: Sequence[Sequence[float]], floor_deg: float | None, *, masked: bool) -> str:
    """Say under which roof line a spot is tried, and that it is not kept.

    `roof_line` has the degrees all round, alone, then height, first and last azimuth of what stands higher; below
    `floor_deg` the terminal does not work, None where that plays no part; where a mask is chosen the roof line is
    `masked`.
    """
    (base_deg,), *sectors = roof_line
    parts = [f"{base_deg:g}° all round", *(f"{high:g}° from {first:g} to {last:g}°" for high, first, last in sectors)]
    words = f"{title}: {', '.join(parts)}; not kept in the workspace"
    if masked:
        return f"{words}. The mask chosen stands in its place, as at every spot."
    return f"{words}." if floor_deg is None else f"{words}. The terminal works from {floor_deg:g}° up."


def added_sentence(title: str, spot: str, under: str, gateways: Sequence[str], kept: str, by_latitude: bool) -> str:
    """Say of a place that was added what it is taken to have: its skyline, and what became of the gateways.

    `under` is from `under_words`; `kept` is "kept", "moved" or "dropped".
    """
    words = f"{title[:1].upper()}{title[1:]} has the terminal of {spot} {under}"
    if by_latitude:
        return (
            f"{words}, at the longitude of {spot}; a latitude alone does not say where gateways are, so they are left "
            "out and it may look better than it is."
        )
    if not gateways:
        return f"{words}."
    several = len(gateways) > 1
    names = the_gateways(gateways)
    return {
        "kept": f"{words}, and {names} where {'they are' if several else 'it is'}.",
        "moved": f"{words}; {names} moved along with it, at the same distance in the same direction.",
        "dropped": f"{words}; {names} left out, so it may look better than it is.",
    }[kept]


def distance_words(distance_km: float) -> str:
    """Return a distance in words, no finer than a sphere tells it: "780 km", "52 km", "3.4 km"."""
    if distance_km >= 100.0:
        return f"{round(distance_km, -1):,.0f} km"
    return f"{distance_km:.0f} km" if distance_km >= 10.0 else f"{distance_km:.1f} km"


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
        good = f"{in_a_row([row.site for row in level])} are {how}"
    last = [row for row in rows if row.covered_fraction == worst.covered_fraction]
    bad = _service(worst)
    if len(last) > 1:
        out = worst.covered_fraction == 0.0
        how = "have no service at all" if out else f"are covered {share(worst.covered_fraction)} of the time"
        bad = f"{in_a_row([row.site for row in last])} {how}"
    return f"Of {len(rows):,} places {good} in {length}{most_in_view(level)}; {bad}."


def call_hours_sentence(found: sites.SiteComparison) -> str:
    """Say which of several places is frozen least and which most in call hours; empty where all are alike."""
    rows: list[Any] = list(found.table.itertuples(index=False))
    if len(rows) == 1 or found.table["covered_fraction"].nunique() == 1:
        return ""
    frozen = [row for row in rows if row.call_frozen_s == row.call_frozen_s and row.call_hours_s > 0.0]
    if not frozen:
        return ""
    least, most = min(frozen, key=_frozen_share), max(frozen, key=_frozen_share)
    calm = [row.site for row in frozen if row.call_frozen_s == 0.0]
    line = f"In call hours {least.site} is frozen {duration(least.call_frozen_s)}"
    if calm:
        line = f"In call hours {in_a_row(calm)} {'is' if len(calm) == 1 else 'are'} never frozen"
    if _frozen_share(most) > _frozen_share(least):
        line += f", {most.site} {'is frozen ' if calm else ''}{duration(most.call_frozen_s)}"
    return f"{line}."


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
        f"At {counted(found.places, 'point')} {step_deg:g}° apart, weighted by area, the Earth is covered "
        f"{share(found.covered_fraction)} of {length}: {share(found.never_out_fraction)} of its surface is never "
        f"without service, {share(found.never_in_fraction)} never has any."
    )


def stopped_sentence(came: int, wanted: int, what: str) -> str:
    """Say how far a sweep came that the user stopped; `what` is a latitude or a point."""
    return f"Stopped after {came:,} of {counted(wanted, what)}, coarse before fine."


NOTHING_YET: Final = "Stopped before the first row was known: nothing is written."


def closed_form_notes(left_out: int) -> list[Note]:
    """Say what the closed form beside a sweep knows, and how many satellites it leaves out."""
    closed = ["The closed form knows only the mask, and says what would be covered if satellites stood at random."]
    if left_out:
        closed.append(f"It leaves out {counted(left_out, 'object')} on eccentric or very high orbits.")
    return [background(words) for words in closed]


def shares_words(step_s: float, share_error: float) -> str:
    """Say how near the figures of a sweep by shares alone are; `share_error` is that of its worst place."""
    near = "exact to that" if share_error == 0.0 else f"right to {points(share_error)} at the worst place"
    return (
        f"counted once in every {step_s:g} s: the share covered is {near} (one standard error), the longest gap to "
        f"{step_s:g} s at either end, and gaps shorter than that may be missed."
    )


def shares_note(step_s: float, share_error: float) -> Note:
    """Say the same of an answer on the command line, and how to have every edge exact."""
    return Note(f"Shares alone, {shares_words(step_s, share_error)} Without --shares every edge is exact.")


def refining_words(came: int, wanted: int) -> str:
    """Say how far a map is that is refined while one looks, in latitudes."""
    return f"So far {came} of {counted(wanted, 'latitude')}; each cell shows the nearest one."


STOPPED_EARLY: Final = (
    "You stopped the work: what it had found stays, and what other places would have is not complete. Open the page "
    "again to go on."
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
        lines.append(f"{line}, the gateway alone by up to {points(row.gateway_spread)}." if known else f"{line}.")
    return "\n".join(lines)


def points(spread: float) -> str:
    """Return a difference of shares in percentage points: "12.4 points", "under 0.1 points"."""
    if 0.0 < spread < 0.0005:
        return "under 0.1 points"
    return f"{100.0 * spread:.1f} points"


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
    return in_a_row(names)


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


# --- the page: the spots of the chosen site, then the others ---------------------------------------------------------


def best_sentence(rows: Sequence[Any], here: int, day: str) -> str:
    """Say which place is best on a day, and how the chosen one fares; `rows` come best first, with a `title` each."""
    best, mine = rows[0], rows[here]
    if len(rows) == 1:
        return f"{best.title} is {_fares(best)} on {day}; there is no other site to compare."
    level = [row for row in rows if row.covered_fraction == best.covered_fraction]
    if len(level) == len(rows):
        return (
            f"Every place is served equally well on {day}: each of the {len(rows):,} is {_fares(best)}"
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
    if all(_less(row) == _less(best) for row in spots):
        first = (
            f"At {mine.site} every spot is equally good on {day}, no difference worth moving for: {_without(best)} at "
            f"each of the {len(spots):,}."
        )
    else:
        level = [row for row in spots if _less(row) == _less(best)]
        other = mine if mine not in level else next(row for row in spots if row not in level)
        than = f"better than the {other.spot}" if len(spots) == 2 else f"the best of {len(spots):,} spots"
        who = f"the {best.spot} is"
        if len(level) > 1:
            who = f"{in_a_row([f'the {row.spot}' for row in level])} are equally good"
            than = f"and better than the {other.spot}"
        instead = "" if len(spots) == 2 or len(level) > 1 else f" at the {other.spot}"
        less = _less(best)
        first = f"At {mine.site} {who} {than}: {less} instead of {_less(other)}{instead} without service on {day}."
    elsewhere = [row for row in rows if row.site != mine.site]
    if not elsewhere:
        return first
    away = min(elsewhere, key=lambda row: (row.out_s, row.distance_km))
    where = f"{away.title}, {distance_words(away.distance_km)} {away.direction},"
    if away.out_s < best.out_s:
        return f"{first} {where} {f'has {_less(away)}' if away.out_s else 'is never out'}."
    if not away.out_s:
        return f"{first} No other site has less: {where} is never out either."
    return f"{first} No other site has less; {where} has {_less(away)}."


def side_figures(rows: Sequence[Any], here: int) -> list[tuple[str, str]]:
    """Return up to three figures of places, best first: what the chosen one lacks, the best one, how far that is.

    Where none is better than the chosen one, how many are as good.
    """
    mine, best = rows[here], rows[0]
    own = (_less(mine), f"without service at {mine.title}")
    if len(rows) == 1:
        return [own]
    level = [row for row in rows if _less(row) == _less(best)]
    if mine in level and len(level) > 1:
        many = f"all {len(rows):,}" if len(level) == len(rows) else f"{len(level):,} of {len(rows):,}"
        return [own, (many, "places are as good"), ("none", "has less")]
    away = ("here", "is the best")
    if best.site != mine.site:
        away = (distance_words(best.distance_km), f"{best.direction} to {best.title}")
    return [
        own,
        (_less(best), f"at the best, {best.title}"),
        away,
    ]


def order_sentence(rows: Sequence[Any], day: str) -> str:
    """Say in which order places stand, best first, and what tells those apart that are without service equally long."""
    words = f"How much of {day} is without service, least on top."
    level = [row for row in rows if row.covered_fraction == rows[0].covered_fraction]
    spare = [share(row.twofold_fraction) for row in level]
    if len(level) < 2:
        return words
    if len(set(spare)) == 1:
        return f"{words} {together([row.title for row in level])} tie."
    return (
        f"{words} {together([row.title for row in level])} tie: of these the one with two or more satellites in view "
        f"longest comes first, {spare[0]} of the time; {level[-1].title} has {spare[-1]}."
    )


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
    return f" Removing one limit regains most at {most.title}: the {most.best_limit}, {_regained(most)}."


def latitude_caption(swept: sweeps.LatitudeSweep, name: str, latitude_deg: float, mask_deg: float, length: str) -> str:
    """Say at which latitudes service is best and where it ends, and what the chosen site's own latitude has."""
    table = swept.table
    here = table[table["latitude_deg"] == latitude_deg]
    best = _all_day(swept, length) or latitude_sentence(swept, length)
    words = f"Under {mask_deg:g}° all round, {lowered(best)}"
    if not here.empty:
        covered = share(float(here["covered_fraction"].iloc[0]))
        words += (
            f" In open sky, without any roof line or gateway, the latitude of {name}, {degrees(latitude_deg)}, would "
            f"be covered {covered}; what {name} itself has stands in the first picture."
        )
    return words


def _all_day(swept: sweeps.LatitudeSweep, length: str) -> str:
    """Say between which latitudes of a sweep service never breaks; nothing where fewer than two are like that."""
    # The sites' own latitudes are in one hemisphere alone: with them a band would seem to differ north and south.
    table = swept.table.assign(gap_longest_s=swept.table["gap_longest_s_max"])
    both = table[(0.0 - table["latitude_deg"]).isin(table["latitude_deg"])]
    columns = ["latitude_deg", "covered_fraction", "gaps_per_hour", "in_view_mean", "gap_longest_s"]
    bands = bands_room.world_bands(both[columns])
    if sum(bands.table["covered_fraction"] == 1.0) < 2:
        return ""
    last_deg = float(bands.table["latitude_deg"].abs().max())
    words = f"Covered all of {length} {band_words(bands.always, last_deg)}, by the latitudes of the curve's points"
    never = f"none at all {band_words(bands.never, last_deg)}" if bands.never else "some at every latitude"
    return f"{words}; {never}."


def world_caption(
    bands: bands_room.WorldBands, summary: sweeps.WorldSummary, grid: str, day: str, off_deg: float
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


def call_hours_words(comparison: sites.SiteComparison) -> str:
    """Say when calls are held at the places of a comparison; nothing where nobody said."""
    hours = [words for words in dict.fromkeys(comparison.table["call_hours"]) if words]
    return f"Call hours, by each place's own clock: {'; '.join(hours)}." if hours else ""


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
