"""Places side by side, and fleets side by side at one place: what is known before a terminal is bought or moved.

At known places one propagation of the fleet serves every view. Before buying, neither the mask nor the gateway is
known as a rule; then the question is how much the answer hangs on them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import pandas as pd

from passim import intervals
from passim.answers.sites.figures import figures_of, report_on_places
from passim.coverage.notebook import as_html
from passim.coverage.steps import Coverage
from passim.coverage.visibility import Visibility, find_visibilities
from passim.elements.health import HealthSummary
from passim.elements.records import Fleet
from passim.errors import InputError
from passim.intervals import Intervals
from passim.parallel.chunks import WorkerConfig
from passim.sky import ground
from passim.sky.horizon import Horizon
from passim.sky.search_report import SearchReport
from passim.sky.site import Site
from passim.sky.view import View
from passim.spans import DailyHours, Span

Progress = Callable[[float], None]

MASKS_DEG: Final = (25.0, 30.0, 35.0, 40.0)
MOST_VIEWS: Final = 100


# --- places -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class SiteComparison:
    """Several views side by side. Made by `compare_sites`.

    ``table`` has one row a view, in the order given:

        site                    the view's title
        latitude_deg, longitude_deg
        covered_fraction, gap_count, gaps_per_hour, gap_mean_s, gap_longest_s, in_view_mean, twofold_fraction
                                as `Coverage` defines them
        call_hours              when calls are held there, in words; empty where nobody said
        call_hours_s            how much of the span that is, seconds
        call_frozen_s           seconds of it without service; missing where there are no call hours
        best_limit              the limit which, lifted alone, gives back most; empty where none gives anything
        best_limit_gives_back_s seconds of the span that come back

    ``health`` says who is taken to serve, each answer once.
    """

    table: pd.DataFrame
    report: SearchReport
    health: tuple[HealthSummary, ...]

    def __repr__(self) -> str:
        out = 100.0 * (1.0 - self.table["covered_fraction"])
        each = (f"{site} {share:.3g} % out" for site, share in zip(self.table["site"], out, strict=True))
        return f"<SiteComparison: {', '.join(each)}>"

    def _repr_html_(self) -> str:
        return as_html(self, self.table)

    @property
    def best(self) -> int:
        """The row with the most time covered; of several, the first."""
        return int(self.table["covered_fraction"].to_numpy().argmax())

    @property
    def worst(self) -> int:
        """The row with the least time covered; of several, the first."""
        return int(self.table["covered_fraction"].to_numpy().argmin())


def compare_sites(
    fleet: Fleet,
    views: Sequence[View],
    span: Span,
    *,
    call_hours: Sequence[DailyHours | None] | None = None,
    hours: DailyHours | None = None,
    progress: Progress | None = None,
) -> SiteComparison:
    """Return what each of `views` has in `span`, side by side.

    `call_hours` says for each view when calls are held, in its own local time. With `hours` these of each local day
    count alone, and a gap that reaches out of them is cut there. What the terminal of a view loses at handovers counts
    as without service. Raises InputError for no views, more than `MOST_VIEWS` or two of one title, SpanError where the
    span meets none of the hours, and what `find_visibilities` raises.
    """
    titles = [view.title for view in views]
    if not 1 <= len(titles) <= MOST_VIEWS:
        raise InputError("sites", got=len(titles), wanted=f"1 to {MOST_VIEWS} of them")
    _check_names(titles, "sites")
    calls: Sequence[DailyHours | None] = [None] * len(views) if call_hours is None else call_hours
    found = find_visibilities(fleet, views, span, progress=progress, warn=False)
    rows = [_site_row(seen, call_hours_there, hours) for seen, call_hours_there in zip(found, calls, strict=True)]
    health = tuple(dict.fromkeys(each for seen in found for each in seen.health))
    table = pd.DataFrame(rows).astype({"gap_mean_s": float, "call_frozen_s": float})
    return SiteComparison(table, SearchReport.together([seen.report for seen in found]), health)


def beside_chosen(table: pd.DataFrame, sites: Sequence[Site], chosen: int, span: Span) -> pd.DataFrame:
    """Return the table of a `SiteComparison` over `span` with what each row is to the one at place `chosen`.

    `sites` are those of the rows. Added are out_s, how long of the span is without service, seconds; against_chosen_s,
    its difference from that of the chosen row; distance_km over the ground from the chosen site; and direction, a word
    of the compass, empty at the chosen site itself.
    """
    here, out_s = sites[chosen], (1.0 - table["covered_fraction"]) * span.duration_s
    away_km = [ground.distance_km(here, site) for site in sites]
    return table.assign(
        out_s=out_s,
        against_chosen_s=out_s - out_s.iloc[chosen],
        distance_km=away_km,
        direction=[
            ground.compass_word(ground.bearing_deg(here, site)) if km else ""
            for site, km in zip(sites, away_km, strict=True)
        ],
    )


def _site_row(seen: Visibility, calls: DailyHours | None, hours: DailyHours | None) -> dict[str, Any]:
    """Return the row of one view."""
    span, view = seen.span, seen.view
    coverage = seen.coverage()
    counted = Intervals(*hours.inside(span, view.site.timezone)) if hours else None
    if counted is not None:
        coverage = coverage.within(counted)
    summary = coverage.summary()
    called_us = frozen_us = None
    if calls is not None:
        called = Intervals(*calls.within(span, view.site.timezone))
        if counted is not None:
            called = intervals.intersection(called, counted)
        called_us = intervals.total_length(called)
        frozen_us = intervals.total_length(intervals.intersection(coverage.gap_intervals, called))
    best, gives_back_us = _best_limit(seen, coverage)
    return {
        "site": view.title,
        "latitude_deg": view.site.latitude_deg,
        "longitude_deg": view.site.longitude_deg,
        "covered_fraction": summary["covered_fraction"],
        "gap_count": summary["gap_count"],
        "gaps_per_hour": coverage.gaps_per_hour(),
        "gap_mean_s": summary["gap_mean_s"],
        "gap_longest_s": summary["gap_longest_s"],
        "in_view_mean": summary["in_view_mean"],
        "twofold_fraction": summary["twofold_fraction"],
        "call_hours": "" if calls is None else calls.words,
        "call_hours_s": 0.0 if called_us is None else called_us / 1e6,
        "call_frozen_s": None if frozen_us is None else frozen_us / 1e6,
        "best_limit": best,
        "best_limit_gives_back_s": gives_back_us / 1e6,
    }


def _best_limit(seen: Visibility, coverage: Coverage) -> tuple[str, int]:
    """Return the limit which lifted alone gives back most, and how much, microseconds; of equals the first."""
    gaps = coverage.gap_intervals
    if not gaps.start.size:
        return "", 0
    given_us = {}
    for name in seen.view.names:
        joint = seen.joint((name,))
        given_us[name] = intervals.total_length(intervals.intersection(gaps, (joint.start, joint.end)))
    best = max(given_us, key=lambda name: given_us[name])
    return (best, given_us[best]) if given_us[best] else ("", 0)


# --- fleets -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class FleetComparison:
    """Several fleets at one place, under masks and with and without the gateway. Made by `compare_fleets`.

    ``table`` has one row a fleet, mask and gateway: fleet, satellites (objects it has), mask_deg, gateway ("with",
    "without", or "none known"), covered_fraction, gap_count, gaps_per_hour, gap_mean_s, gap_longest_s, in_view_mean.

    ``sensitivity`` has one row a fleet, and says how much its answer hangs on what is not known:

        fleet, satellites
        covered_least, covered_most     the least and most of covered_fraction over all rows of the fleet
        mask_spread                     what the mask alone moves it by: most less least over the masks, with the
                                        gateway where one is known
        gateway_spread                  what the gateway alone moves it by: the largest difference at one mask; missing
                                        where none is known

    ``reports`` tells of each fleet what could not be used and how old it is.
    """

    table: pd.DataFrame
    sensitivity: pd.DataFrame
    reports: tuple[SearchReport, ...]


def compare_fleets(
    fleets: Sequence[Fleet],
    view: View,
    span: Span,
    *,
    masks_deg: Sequence[float] = MASKS_DEG,
    workers: WorkerConfig | None = None,
    progress: Progress | None = None,
) -> FleetComparison:
    """Return what each of `fleets` gives at the place of `view` under flat masks, with and without its gateways.

    Every other limit of the view stays. Raises InputError for no fleets or masks, or two of one name, and what
    `figures_of` raises.
    """
    _check_names([fleet.name for fleet in fleets], "fleets")
    if not fleets or not masks_deg or len(set(masks_deg)) < len(masks_deg):
        raise InputError(
            "fleets and masks", got=f"{len(fleets)} and {list(masks_deg)}", wanted="at least one of each, each once"
        )
    kinds = {"with": view, "without": view.without("gateway")} if "gateway" in view.names else {"none known": view}
    # The terminal's own lowest elevation, where it is given, stays; else the mask decides.
    requested = [
        (kind, mask_deg, _under(seen_from, mask_deg, view.lowest_elevation_deg))
        for kind, seen_from in kinds.items()
        for mask_deg in masks_deg
    ]
    rows: list[dict[str, Any]] = []
    reports = []
    for number, fleet in enumerate(fleets):

        def tell(done: float, number: int = number) -> None:
            if progress:
                progress((number + done) / len(fleets))

        unusable: dict[str, tuple[str, str, str]] = {}
        views = [seen_from for _, _, seen_from in requested]
        found = figures_of(fleet, views, span, workers=workers, progress=tell)
        for (kind, mask_deg, _), here in zip(requested, found, strict=True):
            figures = here.figures
            unusable |= {entry[0]: entry for entry in here.unusable}
            rows.append(
                {
                    "fleet": fleet.name,
                    "satellites": fleet.object_count,
                    "mask_deg": mask_deg,
                    "gateway": kind,
                    "covered_fraction": figures.covered_fraction,
                    "gap_count": figures.gap_count,
                    "gaps_per_hour": figures.gaps_per_hour,
                    "gap_mean_s": figures.gap_mean_s,
                    "gap_longest_s": figures.gap_longest_s,
                    "in_view_mean": figures.in_view_mean,
                }
            )
        reports.append(report_on_places(*fleet.nearest(span.middle), unusable.values()))
    table = pd.DataFrame(rows).astype({"gap_mean_s": float})
    sensitivity = pd.DataFrame([_sensitivity(table[table["fleet"] == fleet.name]) for fleet in fleets])
    return FleetComparison(table, sensitivity.astype({"gateway_spread": float}), tuple(reports))


def _under(view: View, mask_deg: float, lowest_elevation_deg: float | None) -> View:
    """Return the view under a flat mask."""
    site = replace(view.site, horizon=Horizon.flat(mask_deg))
    return replace(view, site=site, lowest_elevation_deg=lowest_elevation_deg)


def _sensitivity(rows: pd.DataFrame) -> dict[str, Any]:
    """Return how much the answer for one fleet hangs on mask and gateway."""
    covered = rows.pivot(index="mask_deg", columns="gateway", values="covered_fraction")
    under = covered["with"] if "with" in covered else covered["none known"]
    both = (covered["without"] - covered["with"]).abs().max() if "with" in covered else None
    return {
        "fleet": rows["fleet"].iloc[0],
        "satellites": rows["satellites"].iloc[0],
        "covered_least": rows["covered_fraction"].min(),
        "covered_most": rows["covered_fraction"].max(),
        "mask_spread": under.max() - under.min(),
        "gateway_spread": both,
    }


def _check_names(names: Sequence[str], what: str) -> None:
    """Raise InputError where two have one name."""
    for name in names:
        if names.count(name) > 1:
            raise InputError(what, got=f"{name} twice", wanted="a name of its own for each")
