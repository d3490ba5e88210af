"""Mounting compared, as people read it: what spots, mast heights and an unknown horizon leave without service a day."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from .found import CAUTION, search_notes
from .options import FleetChoice, SiteChoice, SpanChoice
from .output import Answer
from .wording import counted, duration, instant, listed

if TYPE_CHECKING:
    from passim import Fleet, Span
    from passim.answers import mounting
    from passim.sky import view

_SIGHT_SOON = "Once there, sight the skyline (passim survey sheet): the range then becomes one figure."
_SKYLINE_NOTE = "Skyline: its lowest and its highest point, degrees above the horizontal."


@dataclass(frozen=True)
class Basis:
    """What a comparison starts from: satellites, the view of the place as it is given, the span, and what to tell."""

    fleet: Fleet
    view: view.View
    span: Span
    notes: tuple[str, ...]


def basis(
    fleet_choice: FleetChoice, site_choice: SiteChoice, span_choice: SpanChoice, *, own_horizon: bool = True
) -> Basis:
    """Read what the options name; without `own_horizon` --mask is not used, and so not told. Raises InputError."""
    from passim.sky import view

    # The cheap questions first: a slip in a number should not wait for a file of thousands of sets.
    site, site_notes = site_choice.site()
    span = span_choice.span()
    fleet, fleet_notes = fleet_choice.fleet()
    told = [note for note in site_notes if own_horizon or not note.startswith("Mask:")]
    return Basis(fleet, view.View(site), span, (*told, *fleet_notes))


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
            f"{_out(first)} to {_out(best)} a day; the step that brings most, to {step.mount_height_m:g} m, gives back "
            f"{duration(step.gained_s_per_day)} a day."
        )

    def cells(row: Any) -> list[str]:
        return [f"{row.mount_height_m:g} m", *_figures(row), duration(row.gained_s_per_day)]

    headings = (">Mount", *_HEADINGS, ">Gained a day")
    return _answer("survey mast", sentence, result, start, headings, cells)


def spots_answer(result: mounting.Comparison, start: Basis) -> Answer:
    """Return the answer to which mounting spot loses least."""
    table = result.table
    first, best = table.iloc[0], table.iloc[result.best]
    named = ", ".join(f"{row.spot} {_out(row)}" for row in table.itertuples(index=False))
    if (table["out_s_per_day"] == first.out_s_per_day).all():
        verdict = "None is better than another."
    elif result.best == 0:
        verdict = f"{best.spot} has the least."
    else:
        saved = duration(first.out_s_per_day - best.out_s_per_day)
        verdict = f"{best.spot} has the least, {saved} a day less than {first.spot}."

    def cells(row: Any) -> list[str]:
        return [row.spot, *_figures(row), signed(row.difference_s_per_day)]

    sentence = f"Without service a day: {named}. {verdict}"
    return _answer("survey spots", sentence, result, start, ("Spot", *_HEADINGS, ">Against first"), cells)


def portable_answer(result: mounting.Comparison, start: Basis) -> Answer:
    """Return the answer for a place whose horizon is unknown: a range."""
    low, high = (result.table.iloc[k] for k in (0, 1))
    sentence = (
        f"Between {_out(low)} and {_out(high)} without service a day: the first under an open horizon of "
        f"{low.horizon_highest_deg:g}° all round, the second under a bad one of {high.horizon_highest_deg:g}°."
    )

    def cells(row: Any) -> list[str]:
        return [row.horizon, *_figures(row), signed(row.difference_s_per_day)]

    # What moves along with the terminal must be asked for again, and what was not given must be said.
    gateways = "gateway" in start.view.names
    asked = (
        "Gateways: those given; check that they are the ones in reach of this place."
        if gateways
        else "No gateway was given, so this is the sky alone; where satellites need a gateway in reach, expect more."
    )
    headings = ("Horizon", *_HEADINGS, ">Against open")
    return _answer("survey portable", sentence, result, start, headings, cells, (asked, _SIGHT_SOON))


def signed(seconds: float) -> str:
    """Return a difference of lengths with its sign: "+36 min", "-4 s", "0 s"."""
    if seconds == 0.0:
        return "0 s"
    return f"{'+' if seconds > 0.0 else '-'}{duration(abs(seconds))}"


_HEADINGS = (">Skyline", ">Gaps", ">Longest", ">Out a day")


def _figures(row: Any) -> list[str]:
    """Return the cells that all three tables share."""
    low, high = row.horizon_lowest_deg, row.horizon_highest_deg
    skyline = f"{low:.1f}°" if low == high else f"{low:.1f} to {high:.1f}°"
    return [skyline, f"{row.gap_count:,}", duration(row.gap_longest_s), _out(row)]


def _out(row: Any) -> str:
    return duration(row.out_s_per_day)


def _answer(
    command: str,
    sentence: str,
    result: mounting.Comparison,
    start: Basis,
    headings: Sequence[str],
    cells: Callable[[Any], Sequence[str]],
    more_notes: Sequence[str] = (),
) -> Answer:
    """Put the notes behind a sentence and a table: how it was computed, and what a change of the mounting risks."""
    from passim.answers import mounting

    span, site = start.span, start.view.site
    scaled = (
        ()
        if span.duration_s == 86_400.0
        else (f"Scaled to a day from {duration(span.duration_s)}; gaps are counted in it.",)
    )
    notes = (
        _SKYLINE_NOTE,
        *scaled,
        *more_notes,
        *result.notes,
        *search_notes(result.report, span),
        *start.notes,
        CAUTION,
        *mounting.MOUNTING_CAUTIONS,
    )
    facts = {
        "site": {
            "name": site.name,
            "latitude_deg": site.latitude_deg,
            "longitude_deg": site.longitude_deg,
            "height_m": site.height_m,
            "timezone": site.timezone,
        },
        "span": {"start": instant(span.start), "end": instant(span.end)},
        "limits": list(start.view.names),
        "elements": {
            "objects": result.report.objects_searched,
            "epoch_oldest": instant(result.report.epoch_oldest),
            "epoch_newest": instant(result.report.epoch_newest),
        },
    }
    return Answer(command, sentence, result.table, headings, cells, notes, facts)


def horizon_sentence(azimuths_deg: Sequence[float], elevations_deg: Sequence[float], path: str) -> str:
    """Return the sentence that says what a horizon file holds."""
    low, high = min(elevations_deg), max(elevations_deg)
    if low == high:
        return f"Wrote a horizon to {path}: {low:.1f}° all round."
    tops = [f"{azimuth:.0f}°" for azimuth, height in zip(azimuths_deg, elevations_deg, strict=True) if height == high]
    return (
        f"Wrote a horizon of {counted(len(azimuths_deg), 'point')} to {path}: from {low:.1f}° to {high:.1f}°, highest "
        f"towards {listed(tops)}."
    )
