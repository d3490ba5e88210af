"""The page Why in words: what the geometry of a site and a fleet decides, and what roof and gateways take of it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from .columns import DURATION, SHARE, TEXT, Column, number
from .units import duration, listed, share

if TYPE_CHECKING:
    import pandas as pd

    from passim.answers import geometry

AREA_COLUMNS: Final = (Column("ground", "Ground", TEXT), Column("share", "Share of the reach", SHARE))
LENGTH_COLUMNS: Final = (
    Column("off_track_km", "Off the track, km", number(0)),
    Column("duration_s", "Length", DURATION),
)
SHIFT_COLUMNS: Final = (Column("why", "Why", TEXT), Column("earlier_s", "Earlier each day", DURATION))
_WEEK_DAYS: Final = 7
# Of what a roof line leaves more than this, it takes nothing: the share would be told as 100 %.
_ALL_OF_IT: Final = 0.9995
# The page's name alone would promise it here.
SEE_SKY: Final = "Why calls freeze at this spot, gap by gap, is told on the page Sky; here is the geometry behind it."


def why_sentence(found: geometry.Geometry, shift: geometry.DailyShift, site: str) -> str:
    """Return what decides the passes over a site."""
    closed = found.passes
    return (
        f"A satellite {found.altitude_km:,.0f} km up can serve {site} for {duration(closed.longest_pass_s)} at most, "
        f"and comes {_earlier(shift.total_s)} the next day."
    )


def area_sentence(area: geometry.ServiceArea) -> str:
    """Return what roof line and gateways leave of the ground over which a satellite could serve."""
    roof = (
        "the roof line takes nothing"
        if area.roof_share > _ALL_OF_IT
        else f"the roof line leaves {share(area.roof_share)}"
    )
    words = f"Of the ground over which a satellite could serve, {roof}"
    if not area.gateways:
        return f"{words}; no gateway counts here."
    return f"{words}; over {share(area.served_share)} a gateway is in view as well, and the satellite serves."


def area_caption(area: geometry.ServiceArea) -> str:
    """Say what to see in the plan."""
    # Where the roof line takes nothing, both lines are one.
    lines = (
        "Solid line: what the terminal can reach, as the roof line takes nothing"
        if area.roof_share > _ALL_OF_IT
        else "Thin line: what the terminal could reach; thick: left by the roof line"
    )
    words = f"Filled: where a satellite serves. {lines}"
    names = listed(list(area.gateways))
    return f"{words}; dashed: where {names} can be seen." if names else f"{words}."


def area_rows(area: geometry.ServiceArea) -> pd.DataFrame:
    """Return the shares of the ground as rows."""
    import pandas as pd

    rows = [
        {"ground": "that the terminal could reach", "share": 1.0},
        {"ground": "left by the roof line", "share": area.roof_share},
        {"ground": "left by roof line and gateways", "share": area.served_share},
    ]
    return pd.DataFrame(rows)


def command_words(found: geometry.Geometry) -> str:
    """Return the command that prints these numbers."""
    words = f"passim geometry --altitude {found.altitude_km:g} --mask {found.mask_deg:g}"
    if found.inclination_deg is not None:
        words += f" --inclination {found.inclination_deg:g}"
    if found.latitude_deg is not None:
        words += f" --latitude {found.latitude_deg:g}"
    return words if found.satellites is None else f"{words} --satellites {found.satellites}"


def lengths_sentence(found: geometry.Geometry) -> str:
    """Return how the length of a pass depends on how near it comes."""
    closed = found.passes
    return (
        f"Straight overhead {duration(closed.longest_pass_s)}; the farther off its track runs, the shorter, and none "
        f"beyond {closed.footprint_km / 2.0:,.0f} km."
    )


def shift_sentence(shift: geometry.DailyShift) -> str:
    """Return why an orbit comes earlier each day, and when it is back."""
    if abs(shift.total_s) < 30.0:
        return "The turn of the orbit's plane makes up for the stars: it comes at the same time each day."
    round_days = 86_400.0 / abs(shift.total_s)
    turns = "westwards" if shift.node_deg_day < 0.0 else "eastwards"
    return (
        f"{duration(shift.stars_s)} because the Earth turns by the stars, and {_earlier(shift.node_s)} because the "
        f"orbit's plane turns {turns}, {abs(shift.node_deg_day):.2f}° a day. In a week that is "
        f"{duration(_WEEK_DAYS * abs(shift.total_s))}; after {round_days:.0f} days it has gone once round the clock."
    )


def shift_rows(shift: geometry.DailyShift) -> pd.DataFrame:
    """Return the reasons as rows."""
    import pandas as pd

    rows = [
        {"why": "a turn of the Earth by the stars", "earlier_s": shift.stars_s},
        {"why": "the turn of the orbit's plane", "earlier_s": shift.node_s},
        {"why": "together", "earlier_s": shift.total_s},
    ]
    return pd.DataFrame(rows)


def _earlier(seconds: float) -> str:
    if abs(seconds) < 0.5:
        return "no earlier"
    return f"{duration(abs(seconds))} {'earlier' if seconds > 0.0 else 'later'}"
