"""The limits of a view in the panorama: the ground, the sky without a gateway, lines and bands, each with its name."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from passim.arrays import Floats
from passim.coverage import GapCause
from passim.sky import outlines

from ..text.limits import label_of
from .theme import HATCH, Theme

_LABELS_WITHIN_DEG: Final = (20.0, 340.0)
# Where names stand: a little above the ground's lower edge and above the horizon.
_ABOVE_DEG: Final = 3.0
# Where words may go that would cover a satellite: so many pixels up, then so many degrees aside, the nearest first.
_ROWS_UP_PX: Final = (0, 20, 40, 60, 90, 120)
_ASIDE_DEG: Final = (0.0, 35.0, -35.0, 70.0, -70.0, 105.0, -105.0)
# How wide the sky is drawn on a wide page and on a phone; how much room a letter, a line and half a mark take.
_SKY_WIDTHS_PX: Final = (720.0, 330.0)
_LETTER_PX, _LINE_PX, _MARK_PX = 7.0, 18.0, 9.0
# What a satellite is lost to is told by a hue of its own and by the strokes of its line; more than one limit at once,
# and limits of the fleet, share the last.
LOST: Final = {
    "horizon": ("#6E6A5E", "#A8A294", "2px,3px"),
    "gateway": ("#74578F", "#B79AD0", "7px,3px"),
    "cone": ("#8A6A2F", "#CDAE6C", "9px,3px,2px,3px"),
    "arc": ("#3F6A4E", "#8FBF9F", "14px,4px"),
    "": ("#7C8489", "#8B949A", "2px,9px"),
}


@dataclass
class Drawing:
    """Traces and notes of a figure as plain values: plotly's own objects cost more time to make than to draw."""

    traces: list[dict[str, Any]] = field(default_factory=list)
    notes: list[dict[str, Any]] = field(default_factory=list)

    def scatter(self, **values: Any) -> None:
        """Add a trace of points or lines."""
        self.traces.append({"type": "scatter", **values})

    def note(self, **values: Any) -> None:
        """Add words without an arrow."""
        self.notes.append({"showarrow": False, **values})


def lost_look(limit: str, theme: Theme) -> tuple[str, str]:
    """Return the colour and the strokes of the passes lost to a limit."""
    light, dark, dash = LOST.get(limit, LOST[""])
    return (dark if theme.name == "dark" else light), dash


def small(values: Any) -> NDArray[np.float32]:
    """Return angles as they travel: to a hundredth of a degree, four bytes each."""
    return np.round(np.asarray(values, dtype=np.float64), 2).astype(np.float32)


def draw_without_gateway(
    drawing: Drawing,
    limits: Sequence[outlines.Outline],
    ground: outlines.Outline | None,
    causes: Sequence[GapCause],
    theme: Theme,
) -> None:
    """Tint the sky from which no gateway is in view, like a hill behind the skyline, and name it."""
    for outline in limits:
        if outline.limit != "gateway":
            continue
        colour, _ = lost_look("gateway", theme)
        # Where there is no elevation from which on a gateway is in view, there is none up to the zenith.
        hill = np.where(np.isfinite(outline.elevation_deg), outline.elevation_deg, 90.0)
        azimuth = np.linspace(0.0, 360.0, len(hill))
        drawing.scatter(
            x=small(azimuth),
            y=small(hill),
            mode="none",
            fill="tozeroy",
            fillcolor=_tint(colour, 0.12 if theme.name == "light" else 0.18),
            hoverinfo="skip",
            name="no gateway in view",
        )
        over = hill - _ground_deg(ground, azimuth)
        if over.max() > 0.0:
            x = float(np.clip(azimuth[np.argmax(over)], *_LABELS_WITHIN_DEG))
            foot = float(_ground_deg(ground, np.array([x]))[0]) + 1.0
            _name(drawing, x, foot, "gateway", causes, colour, theme.paper)


def draw_ground(drawing: Drawing, ground: outlines.Outline | None, causes: Sequence[GapCause], theme: Theme) -> None:
    """Draw the skyline as ground, with its name in it."""
    if ground is None:
        return
    drawing.scatter(
        x=small(ground.azimuth_deg),
        y=small(ground.elevation_deg),
        mode="lines",
        fill="tozeroy",
        fillcolor=theme.rule,
        line={"color": theme.quiet, "width": 1.5},
        hoverinfo="skip",
        name="horizon",
    )
    if ground.assumed:
        # What nobody has entered is neither blamed nor cleared.
        _write(drawing, _ABOVE_DEG, 1.0, label_of("horizon", assumed=True), theme.ink, theme.rule)
    else:
        _name(drawing, _ABOVE_DEG, 1.0, "horizon", causes, theme.ink, theme.rule)


def draw_limits(
    drawing: Drawing,
    limits: Sequence[outlines.Outline],
    ground: outlines.Outline | None,
    causes: Sequence[GapCause],
    theme: Theme,
) -> None:
    """Draw every limit but the skyline as a line or a band with its name on it."""
    lines = {outline.limit for outline in limits if outline.low_deg is None}
    for outline in limits:
        azimuth, height = outline.azimuth_deg, outline.elevation_deg
        colour, _ = lost_look(outline.limit, theme)
        if outline.limit == "horizon":
            continue
        if outline.low_deg is not None and outline.high_deg is not None:
            low = np.fmax(outline.low_deg, _ground_deg(ground, azimuth))
            kept_out = low < outline.high_deg
            _band(drawing, azimuth, np.where(kept_out, low, np.nan), outline.high_deg, colour)
            if outline.limit not in lines and kept_out.any():
                # No line carries the name: it stands where the band is broadest.
                place = int(np.argmax(np.where(kept_out, outline.high_deg - low, -1.0)))
                _name(drawing, azimuth[place], low[place], outline.limit, causes, colour, theme.paper)
            continue
        is_floor = outline.limit == "floor"
        # What the ground hides of a limit costs nothing.
        seen = height if is_floor else np.where(height >= _ground_deg(ground, azimuth), height, np.nan)
        drawing.scatter(
            x=small(azimuth),
            y=small(seen),
            mode="lines",
            line={"color": theme.quiet, "width": 1, "dash": "dot"} if is_floor else {"color": colour, "width": 2},
            hoverinfo="skip",
            name=outline.limit,
        )
        known = np.flatnonzero(np.isfinite(seen))
        if is_floor and float(_ground_deg(ground, azimuth).max()) > float(height.max()) + _ABOVE_DEG:
            words = f"nothing below {height.max():g}° is used"
            _write(drawing, 357.0, float(height.max()), words, theme.quiet, theme.rule, "top", 12)
        if len(known) and outline.limit not in ("floor", "gateway"):
            # The label stands at the line's highest point, but not where the edge of the picture would cut it.
            wanted = float(np.clip(azimuth[known][np.argmax(seen[known])], *_LABELS_WITHIN_DEG))
            place = known[np.argmin(np.abs(azimuth[known] - wanted))]
            _name(drawing, azimuth[place], seen[place], outline.limit, causes, colour, theme.paper)


def _ground_deg(ground: outlines.Outline | None, azimuth: Floats) -> Floats:
    """Return the elevation of the ground at each azimuth; NaN where the azimuth is."""
    if ground is None:
        return np.zeros(len(azimuth))
    return np.interp(azimuth, ground.azimuth_deg, ground.elevation_deg)


def _band(drawing: Drawing, azimuth: Floats, low: Floats, high: Floats, colour: str) -> None:
    """Fill a band between two elevations, in one polygon for each stretch of azimuth that it takes up."""
    known = np.isfinite(low)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]]).astype(np.int8)))
    for first, past in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        stretch = slice(first, past)
        drawing.scatter(
            x=small(np.concatenate([azimuth[stretch], azimuth[stretch][::-1]])),
            y=small(np.concatenate([low[stretch], high[stretch][::-1]])),
            mode="none",
            fill="toself",
            fillpattern={"shape": HATCH, "fgcolor": colour, "bgcolor": "rgba(0,0,0,0)", "size": 9, "solidity": 0.12},
            hoverinfo="skip",
            name="keep-out",
        )


def clear_of(notes: Sequence[dict[str, Any]], marks: Floats, sky_px: float) -> list[dict[str, Any]]:
    """Return notes with those moved that would cover a satellite or other words; as they are where there is no room.

    marks    azimuth and elevation of what must be seen, degrees, shape (marks, 2)
    sky_px   how high the 90 degrees of the sky are drawn
    """
    placed: list[dict[str, Any]] = []
    for note in notes:
        if "xref" in note:
            placed.append(note)
            continue
        tried = [_moved(note, up, aside) for aside in _ASIDE_DEG for up in _ROWS_UP_PX]
        # Room on a wide page and on a phone comes before room on one of them, and near comes before far.
        placed.append(min(tried, key=lambda one: _covered(one, marks, placed, sky_px)))
    return placed


def _moved(note: dict[str, Any], up_px: float, aside_deg: float) -> dict[str, Any]:
    if not (up_px or aside_deg):
        return note
    x = float(np.clip(note["x"] + aside_deg, 3.0, 357.0))
    return {**note, "x": x, "yshift": note.get("yshift", 0) + up_px, "xanchor": _anchor(x)}


def _covered(note: dict[str, Any], marks: Floats, others: Sequence[dict[str, Any]], sky_px: float) -> int:
    """Return how many marks and other words a note covers, on a wide page and on a phone together."""
    covered = 0
    for width_px in _SKY_WIDTHS_PX:
        left, right, low, high = _box(note, width_px, sky_px)
        x, y = marks[:, 0] / 360.0 * width_px, marks[:, 1] / 90.0 * sky_px
        inside = (x > left - _MARK_PX) & (x < right + _MARK_PX) & (y > low - _MARK_PX) & (y < high + _MARK_PX)
        covered += int(inside.sum())
        # The top of the picture cuts words as well.
        covered += high > sky_px
        for other in others:
            if "xref" not in other:
                its_left, its_right, its_low, its_high = _box(other, width_px, sky_px)
                covered += left < its_right and its_left < right and low < its_high and its_low < high
    return covered


def _box(note: dict[str, Any], width_px: float, sky_px: float) -> tuple[float, float, float, float]:
    """Return about where words stand, pixels from the lower left corner of the sky: left, right, low, high."""
    lines = re.sub("</?b>", "", note["text"]).split("<br>")
    wide, high = _LETTER_PX * max(map(len, lines)) + 4.0, _LINE_PX * len(lines) + 4.0
    left = note["x"] / 360.0 * width_px - {"left": 0.0, "center": 0.5, "right": 1.0}[note["xanchor"]] * wide
    low = note["y"] / 90.0 * sky_px + note.get("yshift", 0) - (high if note["yanchor"] == "top" else 0.0)
    return left, left + wide, low, low + high


def _anchor(x: float) -> str:
    return "left" if x < 60 else "right" if x > 300 else "center"


def _name(
    drawing: Drawing,
    x: float,
    y: float,
    limit: str,
    causes: Sequence[GapCause],
    colour: str,
    paper: str,
) -> None:
    """Write the name of a limit above a point of the picture, and how many gaps it causes."""
    name = label_of(limit)
    causes_words = _causes_words(causes, limit)
    # On two lines, so that it fits on a phone.
    _write(drawing, float(x), float(y), f"{name}:<br><b>{causes_words}</b>" if causes_words else name, colour, paper)


def _write(
    drawing: Drawing, x: float, y: float, text: str, colour: str, paper: str, anchor: str = "bottom", size_px: int = 13
) -> None:
    """Write at a point of the picture, on paper of a colour, so that lines behind do not cross the words."""
    drawing.note(
        x=x,
        y=y,
        text=text,
        xanchor=_anchor(x),
        yanchor=anchor,
        font={"color": colour, "size": size_px},
        bgcolor=paper,
        opacity=0.92,
        borderpad=2,
        align="left",
    )


def _causes_words(causes: Sequence[GapCause], limit: str) -> str:
    """Return how many of the gaps a limit causes: those that would close without it."""
    if not causes:
        return ""
    number = sum(limit in each.closed_by for each in causes)
    some = sum(any(limit in pair for pair in each.closed_by_pairs) for each in causes)
    total = len(causes)
    if number == 0:
        return f"causes {some:,} of {total:,} gaps, not alone" if some else "causes no gap"
    if number == total:
        return "causes the only gap" if total == 1 else f"causes all {total:,} gaps"
    return f"causes {number:,} of {total:,} gaps"


def _tint(colour: str, share: float) -> str:
    """Return a colour as one that lets most of what is behind it through."""
    red, green, blue = (int(colour[k : k + 2], 16) for k in (1, 3, 5))
    return f"rgba({red},{green},{blue},{share:g})"
