"""Mounting compared, as people read it: what spots, mast heights and an unknown horizon leave without service a day."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from .answer import Answer, site_facts, span_facts
from .columns import COUNT, DURATION, TEXT, Column, Format, of_row
from .limits import descriptions
from .notes import Note, background, weighed
from .query import CAUTION, headed, search_notes, searched, serving_notes
from .service import sky_alone_words
from .units import counted, difference, duration, instant, listed

if TYPE_CHECKING:
    from passim import Fleet, Span
    from passim.answers.sites import mounting
    from passim.forecast import TimingModel
    from passim.sky import survey as surveys, view

_SIGHT_SOON = "Once there, sight the skyline (passim survey sheet): the range then narrows to one figure."
_SKYLINE_NOTE = "Skyline: its lowest and its highest point, degrees above the horizontal."


# Said wherever an answer may send somebody onto a roof.
MOUNTING_CAUTIONS: Final = (
    "Work on roofs and masts can injure and kill: keep off wet or steep roofs, keep clear of power lines and use fall "
    "protection.",
    "Bond and earth the mast; ballast and wind load need a licensed eye. Local codes and licensed trades decide.",
)


@dataclass(frozen=True)
class Basis:
    """What a comparison starts from: satellites, the view of the place, the span, what to tell, the timing model."""

    fleet: Fleet
    view: view.View
    span: Span
    notes: tuple[Note, ...]
    model: TimingModel


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
            f"{_out(first)} to {_out(best)} a day; the best step, to {step.mount_height_m:g} m, regains "
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
    unknown = sky_alone_words(start.view)
    if "gateway" in start.view.names:
        unknown = "Gateways: those named above; check that they serve this place."
    messages = (*([unknown] if unknown else []), _SIGHT_SOON)
    return _answer("survey portable", sentence, result, start, PORTABLE_COLUMNS, messages)


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
    span, site = start.span, start.view.site
    searched_then = searched(result.report, span, start.model)
    scaled = (
        ()
        if span.duration_s == 86_400.0
        else (f"Scaled to a day from {duration(span.duration_s)}; gaps are counted in it.",)
    )
    notes = (
        background(_SKYLINE_NOTE),
        *weighed((*scaled, *more_notes, *survey_sentences(result.survey))),
        *serving_notes(result.health),
        *search_notes(searched_then),
        *start.notes,
        CAUTION,
        *weighed(MOUNTING_CAUTIONS, "caution"),
    )
    facts = {
        "site": site_facts(site),
        "span": span_facts(span),
        "limits": {name: words for name, words in descriptions(start.view).items() if name != "horizon"},
        "elements": {
            "objects": result.report.objects_searched,
            "epoch_oldest": instant(result.report.epoch_oldest),
            "epoch_newest": instant(result.report.epoch_newest),
        },
    }
    return Answer(command, headed(sentence, searched_then), result.table, columns, notes, facts)


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


def survey_sentences(survey: surveys.Survey | None, how_to_keep: str = "") -> list[str]:
    """Say what became of what was measured; `how_to_keep` says how points below the base stay as they are."""
    if survey is None:
        return []
    base, sentences = survey.base, []
    if survey.below_horizontal:
        sentences.append(
            f"{survey.below_horizontal} of {survey.points:,} points lie below the horizontal and count as 0 deg."
        )
    if survey.unsighted_deg:
        wide = ", ".join(f"{start:g} to {end:g} deg" for start, end in survey.unsighted_deg)
        sentences.append(f"No point was sighted from {wide}; a straight line stands in for what is there.")
    for stretch in survey.lower:
        from_to = f"from {stretch.from_deg:g}° to {stretch.to_deg:g}°"
        where = f"the {base.lowest_deg:g}° all round" if base and base.is_flat else "the base there"
        sentences.append(f"The stretch {from_to} stands no higher than {where}: it changes nothing.")
    if base is not None and survey.raised:
        were = "were" if survey.raised > 1 else "was"
        low, to = (f"{base.lowest_deg:g}°", f"{base.lowest_deg:g}°") if base.is_flat else ("the base there", "it")
        how = f" ({how_to_keep})" if how_to_keep else ""
        sentences.append(f"{counted(survey.raised, 'point')} below {low} {were} raised to {to}{how}.")
    if survey.overlooked:
        low = ", ".join(map(_called, survey.overlooked))
        sentences.append(f"No higher than the mount at {survey.mount_height_m:g} m, and so left out: {low}.")
    for obstacle in survey.hidden:
        name = _called(obstacle).removeprefix("the ").removeprefix("The ")
        flat = base is not None and base.is_flat
        where = f"the {base.lowest_deg:g}° at which the terminal begins" if base and flat else "the base there"
        high = f"{obstacle.elevation_deg(survey.mount_height_m):.1f}°"
        sentences.append(f"The top of the {name} stands {high} high, below {where}: it costs nothing.")
    return sentences


def _called(obstacle: surveys.Obstacle) -> str:
    return obstacle.name or f"obstacle at {obstacle.bearing_deg:g} deg"
