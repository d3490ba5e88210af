"""The sky of a site as an unrolled panorama: north, east, south, west and north again, elevation upwards.

It holds what one sees turning on the spot: the skyline, the limits that have a place in the sky, passes drawn by what
becomes of them, and, under it, what each sector of the skyline costs. Each limit says on the spot how many gaps it
causes, so that roof line and sky can be told apart at a glance.

The picture is made in two steps, because the first holds for a whole day and the second changes at every touch:
`sky_of_day` draws all that stays, `with_moment` adds who stands where at a moment and the gap that is chosen.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from passim.coverage import GapCause
from passim.sky import outlines

from ..text.limits import cause_label
from ..text.units import duration, instant
from .keys import STROKES
from .sky_limits import LOST, Drawing, clear_of, draw_ground, draw_limits, draw_without_gateway, lost_look, small
from .sky_lines import MOST_PASSES, MOST_POINTS, as_line, drawn_passes, smoothed
from .theme import Theme, apply_theme, out_marker, plain

__all__ = [
    "MOST_PASSES",
    "MOST_POINTS",
    "drawn_passes",
    "lost_look",
    "panorama",
    "sky_of_day",
    "with_moment",
    "without_gaps",
]

_LETTERS_A_LINE: Final = 55
_MISSING: Final = "missing"  # the crosses of gaps
# Less than this a day is nothing, as in the words: edges are known to a millisecond each.
_COSTS_FROM_S: Final = 0.05
_COMPASS: Final = ("N", "NE", "E", "SE", "S", "SW", "W", "NW", "N")
_EVERY_DEG: Final = tuple(range(0, 361, 45))


def panorama(
    track: pd.DataFrame,
    limits: Sequence[outlines.Outline],
    sectors: pd.DataFrame,
    theme: Theme,
    *,
    standing: pd.DataFrame | None = None,
    missing: pd.DataFrame | None = None,
    causes: Sequence[GapCause] = (),
    chosen: int | None = None,
    passes: int = MOST_PASSES,
    height_px: int = 440,
) -> go.Figure:
    """Return the panorama.

    track       as `passim.coverage.sky_map.sky_track` gives it; at most `passes` of its passes are drawn
    limits      as `passim.sky.outlines.outlines` gives them
    sectors     as `passim.answers.sites.horizon_cost.sector_costs` gives them
    standing    where satellites stand at a moment, as `passim.coverage.sky_moment.sky_moment` gives it
    missing     gaps with their causes, as `passim.coverage.causes.Causes.table` gives them: each marks where the
                satellite stood that was missing; the row at place `chosen` stands out
    causes      what opens each of them, as `Causes.each` gives it: each limit says how many it causes
    """
    day = sky_of_day(track, limits, sectors, theme, missing=missing, causes=causes, passes=passes, height_px=height_px)
    row = None if missing is None or chosen is None else missing.iloc[chosen]
    return with_moment(day, theme, standing=standing, chosen=row)


def sky_of_day(
    track: pd.DataFrame,
    limits: Sequence[outlines.Outline],
    sectors: pd.DataFrame,
    theme: Theme,
    *,
    missing: pd.DataFrame | None = None,
    causes: Sequence[GapCause] = (),
    passes: int = MOST_PASSES,
    height_px: int = 440,
) -> dict[str, Any]:
    """Return what of the panorama stays the same all day, as a figure in plain values that `with_moment` completes."""
    drawing = Drawing()
    # Decided once, on the figures as they are: an axis for costs that a rounding has taken away would draw nothing.
    costs = float(sectors["given_back_s_per_day"].max()) >= _COSTS_FROM_S
    ground = next((outline for outline in limits if outline.limit == "horizon"), None)
    draw_without_gateway(drawing, limits, ground, causes, theme)
    draw_ground(drawing, ground, causes, theme)
    states = _passes(drawing, drawn_passes(track, passes)[0], theme)
    draw_limits(drawing, limits, ground, causes, theme)
    marked = missing is not None and _missing(drawing, missing, theme)
    most_s = _sectors(drawing, sectors, theme) if costs else 0.0
    lines = _key(drawing, states, marked, theme)
    return {"data": drawing.traces, "layout": _layout(theme, height_px, lines, most_s, drawing.notes)}


def _layout(theme: Theme, height_px: int, key_lines: int, most_s: float, notes: list[dict[str, Any]]) -> dict[str, Any]:
    """Return the layout: the sky, and under it, where any sector costs `most_s` seconds a day, what they cost."""
    looks, costs = _looks(theme, height_px), most_s > 0.0
    # Margins are known: letting plotly look for them costs as much time as drawing.
    axis = {"automargin": False}
    sky_axis = {
        "domain": [0.27 if costs else 0.0, 1.0],
        "range": [0, 90],
        "tickvals": [0, 30, 60, 90],
        "ticktext": ["0°", "30°", "60°", "90°"],
        "title": {"text": "elevation", "standoff": 4, "font": {"size": 12, "color": theme.quiet}},
    }
    compass = {
        "domain": [0.0, 1.0],
        "anchor": "y2" if costs else "y",
        "range": [0, 360],
        "tickmode": "array",
        "tickvals": _EVERY_DEG,
        "ticktext": _COMPASS,
        "showgrid": False,
        "tickfont": {"color": theme.ink},
    }
    layout = {
        **looks,
        "annotations": notes,
        "margin": {**looks["margin"], "t": 14 + 17 * key_lines, "b": 30},
        "xaxis": {**looks["xaxis"], **axis, **compass},
        "yaxis": {**looks["yaxis"], **axis, **sky_axis},
    }
    if costs:
        costs_axis = {"domain": [0.0, 0.17], "anchor": "x", "range": [0.0, 1.15 * most_s], "nticks": 3}
        layout["yaxis2"] = {**looks["yaxis"], **axis, **costs_axis, "showgrid": False}
    return layout


@functools.lru_cache(maxsize=8)
def _looks(theme: Theme, height_px: int) -> dict[str, Any]:
    """Return the looks of the house as a layout in plain values, to be copied and not to be changed."""
    figure = apply_theme(go.Figure(layout={"xaxis": {}, "yaxis": {}}), theme, height_px, left_px=48)
    looks: dict[str, Any] = figure.layout.to_plotly_json()
    return looks


def without_gaps(day: dict[str, Any]) -> dict[str, Any]:
    """Return the picture of a day, as `sky_of_day` makes it, without the crosses, which tell when each gap is."""
    return {**day, "data": [trace for trace in day["data"] if trace["name"] != _MISSING]}


def with_moment(
    day: dict[str, Any],
    theme: Theme,
    *,
    standing: pd.DataFrame | None = None,
    chosen: pd.Series[Any] | None = None,
) -> go.Figure:
    """Return the panorama of a day with who stands where at a moment, and the gap that is chosen.

    `day` is what `sky_of_day` returned for the same theme, and stays as it is; `chosen` is a row of the table of gaps
    that it was drawn from.
    """
    # Copies, because plotly takes the traces it is given apart for a moment, and other threads draw from them too.
    data, layout = [dict(trace) for trace in day["data"]], day["layout"]
    notes = list(layout.get("annotations", ()))
    if chosen is not None and pd.notna(chosen["missing_azimuth_deg"]):
        # Beside the one that is chosen the others step back.
        data = [{**trace, "opacity": 0.5} if trace["name"] == _MISSING else trace for trace in data]
        ring, words = _chosen(float(chosen["missing_azimuth_deg"]), float(chosen["missing_elevation_deg"]), theme)
        data.append(ring)
        notes.append(words)
    marks = np.empty((0, 2))
    if standing is not None:
        data += _standing(standing, theme)
        marks = standing[["azimuth_deg", "elevation_deg"]].to_numpy(dtype=np.float64)
    if standing is not None or chosen is not None:
        notes = clear_of(notes, marks, _sky_px(layout))
    return go.Figure({"data": data, "layout": {**layout, "annotations": notes}})


def _sky_px(layout: dict[str, Any]) -> float:
    """Return how high the sky of a layout is drawn, pixels."""
    low, high = layout["yaxis"]["domain"]
    margin = layout["margin"]
    return float((high - low) * (layout["height"] - margin["t"] - margin["b"]))


def _passes(drawing: Drawing, track: pd.DataFrame, theme: Theme) -> list[tuple[str, str, str]]:
    """Draw passes, one trace a state, and return name, colour and strokes of the states there are."""
    shown: list[tuple[str, str, str]] = []
    alone = [str(word) for word in track["lost_to"].unique() if word and " with " not in word]
    known = [name for name in LOST if name in alone] + sorted(name for name in alone if name not in LOST)
    states = [(f"lost to the {name}", track["lost_to"] == name, *lost_look(name, theme)) for name in known]
    several = track["lost_to"].str.contains(" with ")
    if several.any():
        states.insert(0, ("lost to several limits", several, *lost_look("", theme)))
    states.append(("can serve", track["can_serve"], theme.service, "solid"))
    retained = smoothed(track).index
    for name, rows, colour, dash in states:
        part = track.loc[retained[rows.loc[retained]]]
        if part.empty:
            continue
        azimuth, elevation = as_line(part)
        drawing.scatter(
            x=small(azimuth),
            y=small(elevation),
            mode="lines",
            # Drawn point by point: thinned by the browser, a pass shows corners.
            line={"color": colour, "width": 1.4 if dash == "solid" else 1.0, "dash": dash, "simplify": False},
            opacity=0.85 if dash == "solid" else 0.7,
            hoverinfo="skip",
            name=name,
        )
        shown.append((name, colour, dash))
    return shown


def _missing(drawing: Drawing, gaps: pd.DataFrame, theme: Theme) -> bool:
    """Mark where the missing satellite of each gap stood; say whether there was any. A mark carries its gap's start."""
    marked = gaps[gaps["missing_azimuth_deg"].notna().to_numpy()]
    if marked.empty:
        return False
    drawing.scatter(
        x=small(marked["missing_azimuth_deg"]),
        y=small(marked["missing_elevation_deg"]),
        mode="markers",
        marker={"symbol": "x-thin", "size": 8, "line": {"color": theme.out, "width": 1.8}},
        customdata=[instant(start) for start in marked["start"]],
        hovertext=[
            f"a gap of {duration(seconds)}: {plain(cause_label(str(cause)))}"
            for seconds, cause in zip(marked["duration_s"], marked["cause"], strict=True)
        ],
        hovertemplate="%{hovertext}<extra></extra>",
        cliponaxis=False,
        name=_MISSING,
    )
    return True


def _chosen(azimuth_deg: float, elevation_deg: float, theme: Theme) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return the ring round the satellite missing in the gap chosen, and the words beside it."""
    x, y = round(azimuth_deg, 2), round(elevation_deg, 2)
    ring = {
        "type": "scatter",
        "x": [x],
        "y": [y],
        "mode": "markers",
        "marker": {"symbol": "circle-open", "size": 18, "color": theme.out, "line": {"color": theme.out, "width": 3}},
        "hoverinfo": "skip",
        "cliponaxis": False,
        "name": "chosen",
    }
    words = {
        "x": x,
        "y": y,
        "text": "<b>missing in this gap</b>",
        "showarrow": False,
        "xanchor": "left" if x < 60.0 else "right" if x > 300.0 else "center",
        "yanchor": "bottom",
        "yshift": 12,
        "font": {"color": theme.out, "size": 13},
        "bgcolor": theme.paper,
        "borderpad": 2,
    }
    return ring, words


def _standing(standing: pd.DataFrame, theme: Theme) -> list[dict[str, Any]]:
    """Return marks where satellites stand at the moment: filled where they can serve, open where not."""
    marks: list[dict[str, Any]] = []
    for can_serve, symbol in ((False, "circle-open"), (True, "circle")):
        part = standing[standing["can_serve"] == can_serve]
        if part.empty:
            continue
        marks.append(
            {
                "type": "scatter",
                "x": small(part["azimuth_deg"]),
                "y": small(part["elevation_deg"]),
                "mode": "markers",
                "marker": {
                    "symbol": symbol,
                    "size": 11,
                    "color": theme.chosen,
                    "line": {"color": theme.chosen, "width": 2},
                },
                "customdata": [
                    [plain(str(name)), plain(f"lost to {lost}" if lost else "can serve")]
                    for name, lost in zip(part["name"], part["lost_to"], strict=True)
                ],
                "hovertemplate": "%{customdata[0]}: %{y:.0f}° high at %{x:.0f}°, %{customdata[1]}<extra></extra>",
                "cliponaxis": False,
                "name": "standing, can serve" if can_serve else "standing",
            }
        )
    return marks


def _sectors(drawing: Drawing, sectors: pd.DataFrame, theme: Theme) -> float:
    """Draw the seconds a day that each sector of the skyline costs, and return the most that one does."""
    cost = sectors["given_back_s_per_day"].to_numpy(dtype=np.float64)
    width = (sectors["to_deg"] - sectors["from_deg"]).to_numpy(dtype=np.float64)
    drawing.traces.append(
        {
            "type": "bar",
            "x": (sectors["from_deg"] + width / 2.0).to_numpy(),
            "y": cost,
            "width": width,
            "yaxis": "y2",
            "marker": out_marker(theme, 1.0),
            "customdata": sectors[["from_deg", "to_deg"]].to_numpy(),
            "hovertemplate": "%{customdata[0]:.0f}° to %{customdata[1]:.0f}°: %{y:.1f} s a day<extra></extra>",
            "name": "sectors",
        }
    )
    drawing.note(
        x=0,
        xref="paper",
        y=0.17,
        yref="paper",
        xanchor="left",
        yanchor="bottom",
        text=f"what each {float(width.max()):g}° of the horizon costs, seconds a day",
        font={"color": theme.quiet, "size": 12},
    )
    return float(cost.max())


def _key(drawing: Drawing, states: Sequence[tuple[str, str, str]], has_missing: bool, theme: Theme) -> int:
    """Write above the picture what its lines are, each in its own colour; return how many lines of text that takes."""
    words = [(f"{STROKES[dash]} {name}", colour) for name, colour, dash in reversed(states)]
    words = [(word, theme.of_words(colour)) for word, colour in words]
    if has_missing:
        words.append(("✕ the satellite missing in a gap", theme.out))
    lines: list[list[tuple[str, str]]] = [[]]
    for word, colour in words:
        # So many letters fit on a phone.
        if lines[-1] and sum(len(text) + 3 for text, _ in lines[-1]) + len(word) > _LETTERS_A_LINE:
            lines.append([])
        lines[-1].append((word, colour))
    text = "<br>".join(
        "   ".join(f'<span style="color:{colour}">{plain(word)}</span>' for word, colour in line) for line in lines
    )
    drawing.note(
        x=0,
        y=1.01,
        xref="paper",
        yref="paper",
        xanchor="left",
        yanchor="bottom",
        text=text,
        font={"size": 12},
        align="left",
    )
    return len(lines)
