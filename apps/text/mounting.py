"""Mounting compared, as people read it: what spots, mast heights and an unknown horizon leave without service a day."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import click

from ..command_line.output import Answer
from ..command_line.parsing import FleetChoice, SiteChoice, SpanChoice, found_workspace
from ..command_line.query import CAUTION, check_age, fleet_notes, headed, search_notes, site_facts
from .columns import COUNT, DURATION, TEXT, Column, Format, of_row
from .notes import Note, background, weighed, without
from .units import counted, difference, duration, instant, listed

if TYPE_CHECKING:
    from passim import Fleet, Horizon, Span
    from passim.answers.sites import mounting
    from passim.sky import view

_SIGHT_SOON = "Once there, sight the skyline (passim survey sheet): the range then becomes one figure."
_SKYLINE_NOTE = "Skyline: its lowest and its highest point, degrees above the horizontal."


@dataclass(frozen=True)
class Basis:
    """What a comparison starts from: satellites, the view of the place as it is given, the span, and what to tell."""

    fleet: Fleet
    view: view.View
    span: Span
    notes: tuple[Note, ...]


def basis(
    fleet_choice: FleetChoice, site_choice: SiteChoice, span_choice: SpanChoice, *, own_horizon: bool = True
) -> Basis:
    """Read what the options name; without `own_horizon` the site's is replaced later, and so not told.

    Raises InputError, and UsageError where an option speaks of the horizon that is not used.
    """
    if not own_horizon and "horizon" in site_choice.without:
        raise click.UsageError("the horizons are what is compared: --without horizon has no place here.")
    # The cheap questions first: a slip in a number should not wait for a file of thousands of sets.
    seen, site_notes = site_choice.view()
    span = span_choice.span()
    fleet, told_of_fleet = fleet_choice.fleet(span.start)
    check_age(fleet, span.middle, allow_stale=fleet_choice.allow_stale)
    told = site_notes if own_horizon else without(site_notes, "horizon")
    # The horizons to come may be lower than the terminal works, even where the site's own is not.
    if not own_horizon and seen.lowest_elevation_deg is not None and seen.floor_note is None:
        told = [*told, background(f"The terminal works from {seen.floor_deg:g}° up.")]
    return Basis(fleet, seen, span, (*told, *told_of_fleet))


def spots_to_compare(
    given: Sequence[tuple[str, Horizon]], site_choice: SiteChoice, start: Basis
) -> list[tuple[str, view.View]]:
    """Return named views: the spots of the workspace's site, the one of --spot first, and those given beside them.

    Raises UsageError for fewer than two.
    """
    from passim.answers.sites import mounting

    named = []
    workspace = None if _is_place(site_choice.site_text) else found_workspace(site_choice.workspace_dir)
    if workspace is not None:
        names = sorted(
            workspace.spot_names(site_choice.site_text),
            key=lambda name: name.casefold() != (site_choice.spot_name or "").strip().casefold(),
        )
        for name in names:
            seen, _ = replace(site_choice, spot_name=name).view()
            named.append((name, seen))
    named += [(name, mounting.with_horizon(start.view, horizon)) for name, horizon in given]
    if len(named) < 2:
        raise click.UsageError("which spots? Give at least two, as --compare loft=25 --compare yard=yard.csv.")
    return named


def _is_place(site_text: str | None) -> bool:
    """Say whether --site gives coordinates rather than the name of a workspace's site."""
    return site_text is not None and "," in site_text


def mast_answer(result: mounting.Comparison, start: Basis) -> Answer:
    """Return the answer to what each height of a mast leaves without service."""
    table = result.table
    first, best = table.iloc[0], table.iloc[result.best]
    if len(table) == 1:
        sentence = f"With the mount at {first.mount_height_m:g} m: {_out(first)} without service a day."
    elif first.out_s_per_day == best.out_s_per_day:
        sentence = (
            f"No height up to {table.mount_height_m.iloc[-1]:g} m is better than {first.mount_height_m:g} m: "
            f"{_out(first)} without service a day."
        )
    else:
        step = table.iloc[int(table["gained_s_per_day"].to_numpy().argmax())]
        sentence = (
            f"From {first.mount_height_m:g} m to {best.mount_height_m:g} m the time without service goes from "
            f"{_out(first)} to {_out(best)} a day; the step that brings most, to {step.mount_height_m:g} m, regains "
            f"{duration(step.gained_s_per_day)} a day."
        )

    return _answer("survey mast", sentence, result, start, MAST_COLUMNS)


def spots_answer(result: mounting.Comparison, start: Basis) -> Answer:
    """Return the answer to which mounting spot loses least."""
    table = result.table
    first, best = table.iloc[0], table.iloc[result.best]
    named = ", ".join(f"{row.spot} {_out(row)}" for row in table.itertuples(index=False))
    if (table["out_s_per_day"] == first.out_s_per_day).all():
        verdict = "All are equally good."
    elif result.best == 0:
        verdict = f"{best.spot} has the least."
    else:
        saved = duration(first.out_s_per_day - best.out_s_per_day)
        verdict = f"{best.spot} has the least, {saved} a day less than {first.spot}."

    sentence = f"Without service a day: {named}. {verdict}"
    return _answer("survey spots", sentence, result, start, SPOT_COLUMNS)


def portable_answer(result: mounting.Comparison, start: Basis) -> Answer:
    """Return the answer for a place whose horizon is unknown: a range."""
    low, high = (result.table.iloc[k] for k in (0, 1))
    sentence = (
        f"Between {_out(low)} and {_out(high)} without service a day: the first under an open horizon of "
        f"{low.horizon_highest_deg:g}° all round, the second under a bad one of {high.horizon_highest_deg:g}°."
    )

    # What moves along with the terminal must be asked for again, and what was not given must be said.
    gateways = "gateway" in start.view.names
    asked = (
        "Gateways: those named above; check that they serve this place."
        if gateways
        else "No gateway was given, so this is the sky alone; where satellites need a gateway in reach, expect more."
    )
    return _answer("survey portable", sentence, result, start, PORTABLE_COLUMNS, (asked, _SIGHT_SOON))


def _skyline(row: Any) -> str:
    low, high = row.horizon_lowest_deg, row.horizon_highest_deg
    return f"{low:.1f}°" if low == high else f"{low:.1f} to {high:.1f}°"


_FIGURES: Final = (
    Column("skyline", "Skyline", of_row(_skyline, numeric=True)),
    Column("gap_count", "Gaps", COUNT),
    Column("gap_longest_s", "Longest", DURATION),
    Column("out_s_per_day", "Out a day", DURATION),
)
MAST_COLUMNS: Final = (
    Column("mount_height_m", "Mount", Format(lambda height_m: f"{height_m:,g} m")),
    *_FIGURES,
    Column("gained_s_per_day", "Gained a day", DURATION),
)
SPOT_COLUMNS: Final = (
    Column("spot", "Spot", TEXT),
    *_FIGURES,
    Column("difference_s_per_day", "Compared with the first spot", Format(difference)),
)
PORTABLE_COLUMNS: Final = (
    Column("horizon", "Horizon", TEXT),
    *_FIGURES,
    Column("difference_s_per_day", "Compared with the open one", Format(difference)),
)


def _out(row: Any) -> str:
    return duration(row.out_s_per_day)


def _answer(
    command: str,
    sentence: str,
    result: mounting.Comparison,
    start: Basis,
    columns: Sequence[Column],
    more_notes: Sequence[str] = (),
) -> Answer:
    """Put the notes behind a sentence and a table: how it was computed, and what a change of the mounting risks."""
    from passim.answers.sites import mounting
    from passim.elements import health

    span, site = start.span, start.view.site
    scaled = (
        ()
        if span.duration_s == 86_400.0
        else (f"Scaled to a day from {duration(span.duration_s)}; gaps are counted in it.",)
    )
    notes = (
        background(_SKYLINE_NOTE),
        *weighed((*scaled, *more_notes, *result.notes)),
        *fleet_notes(result.fleet_notes, health.assess(start.fleet, span.middle)),
        *search_notes(result.report, span),
        *start.notes,
        CAUTION,
        *weighed(mounting.MOUNTING_CAUTIONS, "caution"),
    )
    facts = {
        "site": site_facts(site),
        "span": {"start": instant(span.start), "end": instant(span.end)},
        "limits": {name: words for name, words in start.view.descriptions.items() if name != "horizon"},
        "elements": {
            "objects": result.report.objects_searched,
            "epoch_oldest": instant(result.report.epoch_oldest),
            "epoch_newest": instant(result.report.epoch_newest),
        },
    }
    return Answer(command, headed(sentence, result.report, span), result.table, columns, notes, facts)


def horizon_sentence(azimuths_deg: Sequence[float], elevations_deg: Sequence[float], path: str) -> str:
    """Return the sentence that says what a horizon file holds."""
    low, high = min(elevations_deg), max(elevations_deg)
    if low == high:
        return f"Wrote a horizon to {path}: {low:.1f}° all round."
    tops = [f"{azimuth:.0f}°" for azimuth, top in zip(azimuths_deg, elevations_deg, strict=True) if top == high]
    return (
        f"Wrote a horizon of {counted(len(azimuths_deg), 'point')} to {path}: from {low:.1f}° to {high:.1f}°, highest "
        f"towards {listed(tops)}."
    )
