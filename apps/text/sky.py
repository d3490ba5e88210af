"""The sky of a site as people read it: one gap and what opens it, who stands where, what another horizon changes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from .answer import Help
from .limits import cause_label, descriptions, if_lifted
from .units import LocalClock, counted, duration

if TYPE_CHECKING:
    import pandas as pd

    from passim import Coverage, Horizon, View
    from passim.coverage import GapCause


# What stands behind the question mark of the unrolled sky, on the page and in the report.
SKY_HELP: Final = Help(
    "The sky unrolled: north at both ends, south in the middle, elevation upwards. The ground is the horizon; the hill "
    "behind it is sky from which no gateway is in view; other limits are lines or bands. Each thin line is a pass: "
    "full where the satellite can serve, broken where a limit stops it. Crosses mark where the missing satellite stood "
    "in each gap. Bars underneath: the seconds a day that each 10° of the horizon costs, regained if it alone went "
    "down to the lowest elevation the terminal uses. On a phone with a compass the picture can turn with it: what is "
    "ahead stands in the middle.",
    "Passes come from SGP4 and are cut exactly where a limit begins. A limit causes a gap if removing it alone leaves "
    "no moment of the gap without a satellite. The missing satellite is the highest one that removing the cause would "
    "bring back at the middle of the gap. The line of a gateway, a ground station that the satellite must see as well, "
    "holds for the usual altitude of the fleet's orbits.",
)

# What a phone's compass turns: the button and its other state, the mark in the picture, and what is said beside it.
TURNING: Final = {
    "turn": "Turn with the phone",
    "stop": "Stop turning",
    "ahead": "ahead",
    "facing": "Ahead: {} by the phone's compass, which points to magnetic north and errs near steel.",
    "refused": "The browser was not allowed to read the compass.",
    "none": "There is no compass here.",
}


def gap_words(row: Any, cause: GapCause, clock: LocalClock, floor_deg: float) -> str:
    """Return the sentences about one gap: when, opened by what, what would close it, and who was missing where."""
    when = f"{clock.time(row.start)} to {clock.time(row.end)}, {duration(row.duration_s)}"
    return f"{when}: {_opened_by(row, cause, floor_deg)} {_missing(row, cause, floor_deg)}"


def gap_label(row: Any, clock: LocalClock) -> str:
    """Return a gap as a choice offers it: "09:14:02, 36 s, gateway"."""
    return f"{clock.time(row.start)}, {duration(row.duration_s)}, {cause_label(row.cause)}"


def standing_words(standing: pd.DataFrame, when: str, floor_deg: float) -> str:
    """Return the sentence about who stands in the sky at a moment, and how many of them can serve."""
    able = int(standing["can_serve"].sum())
    if standing.empty:
        return f"{when}: no satellite stands above {floor_deg:g}°."
    return (
        f"{when}: {counted(len(standing), 'satellite')} above {floor_deg:g}°, the dots; {able or 'none'} can serve"
        f"{'' if not able else ': the filled one' if able == 1 else ': the filled ones'}."
    )


def horizon_words(horizon: Horizon) -> str:
    """Return what a skyline is: "25° all round", "36 points, 12° to 41°"."""
    if horizon.is_flat:
        return f"{horizon.lowest_deg:.3g}° all round"
    return f"{counted(len(horizon.azimuths_deg), 'point')}, {horizon.lowest_deg:.3g}° to {horizon.highest_deg:.3g}°"


def change_sentence(before: Coverage, after: Coverage, day: str) -> str:
    """Return the sentence that says what another horizon would do to the gaps of a day."""
    was, would = before.summary(), after.summary()
    was_s, would_s = (s["span_s"] * (1.0 - s["covered_fraction"]) for s in (was, would))
    start = f"With this horizon {counted(would['gap_count'], 'gap')} on {day}, {_out(would_s)}"
    if would["gap_count"] == was["gap_count"] and abs(would_s - was_s) < 0.05:
        return f"{start}: the same as now."
    less_s = was_s - would_s
    change = "as long in all" if abs(less_s) < 0.05 else f"{duration(abs(less_s))} {'less' if less_s > 0.0 else 'more'}"
    return f"{start}; now {counted(was['gap_count'], 'gap')}, {_out(was_s)}: {change}."


def _out(seconds: float) -> str:
    return "no moment out" if seconds < 0.0005 else f"{duration(seconds)} out"


def _opened_by(row: Any, cause: GapCause, floor_deg: float) -> str:
    """Return what opens a gap and what would close it."""
    if cause.closed_by:
        closed_if = " or if ".join(if_lifted(name, floor_deg) for name in cause.closed_by)
        return f"opened by the {' or the '.join(cause.closed_by)}. It would close if {closed_if}."
    if cause.closed_by_pairs:
        pairs = [" and ".join(if_lifted(name, floor_deg) for name in pair) for pair in cause.closed_by_pairs]
        return f"opened by the {row.cause}. It would close only if {', or if '.join(pairs)}, both together."
    if cause.out_of_sky:
        return f"opened by the sky itself: no satellite stands above {floor_deg:g}° for all of it, whatever is lifted."
    return "opened by three limits or more at once: no two of them lifted would close it."


def _missing(row: Any, cause: GapCause, floor_deg: float) -> str:
    if not row.missing_direction:
        return f"At its middle: nothing above {floor_deg:g}°."
    return (
        f"At its middle the satellite that was missing, number {row.missing_satellite_id}, stood "
        f"{row.missing_direction}, {row.missing_elevation_deg:.0f}° high, stopped by the "
        f"{' with the '.join(cause.blocked_by)}."
    )


def place_sentences(view: View) -> tuple[str, str, str]:
    """Return what a place is: where it stands, its skyline, and the other limits of its service."""
    site, horizon = view.site, view.site.horizon
    north = f"{abs(site.latitude_deg):.4f}° {'N' if site.latitude_deg >= 0.0 else 'S'}"
    east = f"{abs(site.longitude_deg):.4f}° {'E' if site.longitude_deg >= 0.0 else 'W'}"
    where = (
        f"{site.name} stands at {north}, {east}, {site.height_m:g} m above the ellipsoid; its clocks are those of "
        f"{site.timezone}."
    )
    if horizon.is_flat:
        skyline = f"Its skyline is taken to stand {horizon.lowest_deg:g}° high all round."
    else:
        highest_deg = horizon.azimuths_deg[horizon.elevations_deg.index(horizon.highest_deg)]
        skyline = (
            f"Its skyline stands from {horizon.lowest_deg:g}° to {horizon.highest_deg:g}° high, highest at "
            f"{highest_deg:g}° from north."
        )
    _, *limits = descriptions(view).values()
    others = f"Other limits of its service: {'; '.join(limits)}." if limits else "Nothing else limits its service here."
    return where, skyline, others
