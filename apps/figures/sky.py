"""The sky of a site as an unrolled panorama: north, east, south, west and north again, height upwards.

It holds what one sees turning on the spot: the skyline, the limits that have a place in the sky, passes drawn by what
becomes of them, and, under it, what each sector of the skyline costs.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from numpy.typing import NDArray

from passim.sky import outlines

from .theme import HATCH, Theme, dressed, out_marker, plain

Floats = NDArray[np.float64]

MOST_POINTS: Final = 20_000
_COMPASS: Final = ("N", "NE", "E", "SE", "S", "SW", "W", "NW", "N")
_EVERY_DEG: Final = tuple(range(0, 361, 45))
# What a satellite is lost to is told by a hue of its own and by the strokes of its line; more than one limit at once,
# and limits of the fleet, share the last.
_LOST: Final = {
    "horizon": ("#6E6A5E", "#A8A294", "dot"),
    "gateway": ("#74578F", "#B79AD0", "dash"),
    "cone": ("#8A6A2F", "#CDAE6C", "dashdot"),
    "arc": ("#3F6A4E", "#8FBF9F", "longdash"),
    "": ("#7C8489", "#8B949A", "dot"),
}


def lost_look(limit: str, theme: Theme) -> tuple[str, str]:
    """Return the colour and the strokes of the passes lost to a limit."""
    light, dark, dash = _LOST.get(limit, _LOST[""])
    return (dark if theme.name == "dark" else light), dash


def panorama(
    track: pd.DataFrame,
    limits: Sequence[outlines.Outline],
    sectors: pd.DataFrame,
    theme: Theme,
    *,
    standing: pd.DataFrame | None = None,
    missing: pd.DataFrame | None = None,
    chosen: int | None = None,
    height_px: int = 520,
) -> go.Figure:
    """Return the panorama.

    track       as `passim.coverage.sky_map.sky_track` gives it; thinned here to `MOST_POINTS` a state
    limits      as `passim.sky.outlines.outlines` gives them
    sectors     as `passim.answers.skyline.sector_costs` gives them
    standing    where satellites stand at a moment, as `passim.coverage.sky_moment.sky_moment` gives it
    missing     gaps with their causes, as `passim.coverage.causes.Causes.table` gives them: each marks where the
                satellite stood that was missing; the row at place `chosen` stands out
    """
    figure = go.Figure()
    figure.update_layout(
        xaxis={"domain": [0.0, 1.0], "anchor": "y2"},
        yaxis={"domain": [0.27, 1.0]},
        yaxis2={"domain": [0.0, 0.17], "anchor": "x"},
    )
    states = _passes(figure, track, theme)
    _limits(figure, limits, theme)
    if missing is not None:
        _missing(figure, missing, chosen, theme)
    if standing is not None:
        _standing(figure, standing, theme)
    _sectors(figure, sectors, theme)

    dressed(figure, theme, height_px, left_px=44)
    figure.update_layout(margin={"t": 34, "b": 30})
    figure.update_xaxes(
        range=[0, 360],
        tickmode="array",
        tickvals=_EVERY_DEG,
        ticktext=[word if len(word) == 1 else f"<span>{word}</span>" for word in _COMPASS],
        showgrid=False,
        tickfont={"color": theme.ink},
    )
    figure.update_layout(
        yaxis={
            "range": [0, 90],
            "tickvals": [0, 30, 60, 90],
            "ticktext": ["0°", "30°", "60°", "90°"],
            "title": {"text": "height above the horizontal", "standoff": 4},
        }
    )
    _key(figure, states, missing is not None and missing["missing_azimuth_deg"].notna().any(), theme)
    return figure


def thinned(track: pd.DataFrame, most: int = MOST_POINTS) -> pd.DataFrame:
    """Return a track of at most `most` points: fewer along each pass first, then every so-many-th pass left out.

    Both ends of each piece stay, so that pieces of one pass go on meeting.
    """
    # A break stands after each piece, and one where it goes through north.
    breaks = int(track["piece"].nunique()) * 2
    if len(track) + breaks <= most:
        return track
    piece = track["piece"].to_numpy()
    is_end = np.append(True, piece[1:] != piece[:-1]) | np.append(piece[1:] != piece[:-1], True)
    place = np.arange(len(track)) - np.maximum.accumulate(np.where(np.append(True, piece[1:] != piece[:-1]), np.arange(len(track)), 0))
    for every in (2, 3, 4, 6):
        kept = track[is_end | (place % every == 0)]
        if len(kept) + breaks <= most:
            return kept
    numbers = kept["piece"].unique()
    share = most / (len(kept) + breaks)
    # Evenly through the day, by place in the order of time.
    wanted = numbers[np.unique(np.linspace(0, len(numbers) - 1, max(int(len(numbers) * share), 1)).astype(np.intp))]
    return kept[kept["piece"].isin(wanted)]


def _passes(figure: go.Figure, track: pd.DataFrame, theme: Theme) -> list[tuple[str, str, str]]:
    """Draw passes, one trace a state, and return name, colour and strokes of the states there are."""
    shown: list[tuple[str, str, str]] = []
    alone = [str(word) for word in track["lost_to"].unique() if word and " with " not in word]
    known = [name for name in _LOST if name in alone] + sorted(name for name in alone if name not in _LOST)
    states = [(f"lost to the {name}", track["lost_to"] == name, *lost_look(name, theme)) for name in known]
    several = track["lost_to"].str.contains(" with ")
    if several.any():
        states.insert(0, ("lost to several limits", several, *lost_look("", theme)))
    states.append(("can serve", track["can_serve"], theme.service, "solid"))
    for name, rows, colour, dash in states:
        part = thinned(track[rows])
        if part.empty:
            continue
        azimuth, elevation = _with_breaks(part)
        figure.add_scatter(
            x=azimuth,
            y=elevation,
            mode="lines",
            line={"color": colour, "width": 1.1 if dash == "solid" else 0.8, "dash": dash},
            opacity=0.75 if dash == "solid" else 0.5,
            hoverinfo="skip",
            name=name,
        )
        shown.append((name, colour, dash))
    return shown


def _with_breaks(track: pd.DataFrame) -> tuple[Floats, Floats]:
    """Return azimuths and heights with a NaN after each piece and where a pass goes through north."""
    azimuth = track["azimuth_deg"].to_numpy(dtype=np.float64)
    elevation = track["elevation_deg"].to_numpy(dtype=np.float64)
    piece = track["piece"].to_numpy()
    at = np.flatnonzero((piece[1:] != piece[:-1]) | (np.abs(np.diff(azimuth)) > 180.0)) + 1
    return np.round(np.insert(azimuth, at, np.nan), 2), np.round(np.insert(elevation, at, np.nan), 2)


def _limits(figure: go.Figure, limits: Sequence[outlines.Outline], theme: Theme) -> None:
    """Draw the skyline as ground, and every other limit as a line or a band with its name on it."""
    for outline in limits:
        azimuth, height = outline.azimuth_deg, outline.elevation_deg
        if outline.limit == "horizon":
            figure.add_scatter(
                x=azimuth,
                y=height,
                mode="lines",
                fill="tozeroy",
                fillcolor=theme.rule,
                line={"color": theme.quiet, "width": 1.5},
                hovertemplate="horizon %{y:.1f}° at %{x:.0f}°<extra></extra>",
                name="horizon",
            )
            _name(figure, 8, float(np.interp(8, azimuth, height)), "horizon", theme.quiet, below=True)
        elif outline.low_deg is not None and outline.high_deg is not None:
            colour, _ = lost_look(outline.limit, theme)
            _band(figure, azimuth, outline.low_deg, outline.high_deg, colour)
        elif outline.limit == "floor":
            figure.add_scatter(
                x=azimuth,
                y=height,
                mode="lines",
                line={"color": theme.quiet, "width": 1, "dash": "dot"},
                hoverinfo="skip",
                name="floor",
            )
        else:
            colour, _ = lost_look(outline.limit, theme)
            figure.add_scatter(
                x=azimuth,
                y=height,
                mode="lines",
                line={"color": colour, "width": 2},
                hovertext=plain(outline.words),
                hoverinfo="text",
                name=outline.limit,
            )
            known = np.isfinite(height)
            if known.any():
                place = int(np.flatnonzero(known)[np.argmax(height[known])])
                words = {"gateway": "below this line no gateway in view", "cone": "edge of the antenna's cone"}
                # A label at the very edge of the picture would be cut.
                x = float(np.clip(azimuth[place], 40.0, 320.0))
                y = float(np.interp(x, azimuth[known], height[known])) if outline.limit != "arc" else float(height[place])
                _name(figure, x, y, words.get(outline.limit, outline.words), colour, below=False)


def _band(figure: go.Figure, azimuth: Floats, low: Floats, high: Floats, colour: str) -> None:
    """Fill a band between two heights, in one polygon for each stretch of azimuth that it takes up."""
    known = np.isfinite(low)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]]).astype(np.int8)))
    for first, past in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        stretch = slice(first, past)
        figure.add_scatter(
            x=np.concatenate([azimuth[stretch], azimuth[stretch][::-1]]),
            y=np.concatenate([low[stretch], high[stretch][::-1]]),
            mode="none",
            fill="toself",
            fillpattern={"shape": HATCH, "fgcolor": colour, "bgcolor": "rgba(0,0,0,0)", "size": 9, "solidity": 0.12},
            hoverinfo="skip",
            name="keep-out",
        )


def _name(figure: go.Figure, x: float, y: float, words: str, colour: str, *, below: bool) -> None:
    figure.add_annotation(
        x=x,
        y=y,
        text=plain(words),
        showarrow=False,
        xanchor="left" if x < 60 else "right" if x > 300 else "center",
        yanchor="top" if below else "bottom",
        font={"color": colour, "size": 12},
    )


def _missing(figure: go.Figure, gaps: pd.DataFrame, chosen: int | None, theme: Theme) -> None:
    """Mark where the missing satellite of each gap stood; the chosen gap's with its name."""
    known = gaps["missing_azimuth_deg"].notna().to_numpy()
    marked = gaps[known]
    if marked.empty:
        return
    figure.add_scatter(
        x=marked["missing_azimuth_deg"].round(2),
        y=marked["missing_elevation_deg"].round(2),
        mode="markers",
        marker={"symbol": "x-thin", "size": 8, "line": {"color": theme.out, "width": 2}},
        customdata=[[plain(str(word)), f"{seconds:.0f}"] for word, seconds in zip(marked["blocked_by"], marked["duration_s"], strict=True)],
        hovertemplate="missing in a gap of %{customdata[1]} s: %{y:.0f}° high at %{x:.0f}°, stopped by "
        "%{customdata[0]}<extra></extra>",
        name="missing",
    )
    if chosen is None or not known[chosen]:
        return
    row = gaps.iloc[chosen]
    figure.add_scatter(
        x=[round(float(row["missing_azimuth_deg"]), 2)],
        y=[round(float(row["missing_elevation_deg"]), 2)],
        mode="markers+text",
        marker={"symbol": "circle-open", "size": 18, "line": {"color": theme.out, "width": 3}},
        text=["missing in the chosen gap"],
        textposition="top center",
        textfont={"color": theme.out},
        hoverinfo="skip",
        cliponaxis=False,
        name="chosen",
    )


def _standing(figure: go.Figure, standing: pd.DataFrame, theme: Theme) -> None:
    """Mark where satellites stand at the moment: filled where they can serve, open where not."""
    for can_serve, symbol in ((False, "circle-open"), (True, "circle")):
        part = standing[standing["can_serve"] == can_serve]
        if part.empty:
            continue
        figure.add_scatter(
            x=part["azimuth_deg"].round(2),
            y=part["elevation_deg"].round(2),
            mode="markers",
            marker={"symbol": symbol, "size": 11, "color": theme.chosen, "line": {"color": theme.chosen, "width": 2}},
            customdata=[
                [plain(str(name)), plain(f"lost to {lost}" if lost else "can serve")]
                for name, lost in zip(part["name"], part["lost_to"], strict=True)
            ],
            hovertemplate="%{customdata[0]}: %{y:.0f}° high at %{x:.0f}°, %{customdata[1]}<extra></extra>",
            name="standing, can serve" if can_serve else "standing",
        )


def _sectors(figure: go.Figure, sectors: pd.DataFrame, theme: Theme) -> None:
    """Draw the seconds a day that each sector of the skyline costs, or say that none costs anything."""
    cost = sectors["given_back_s_per_day"].to_numpy(dtype=np.float64)
    width = (sectors["to_deg"] - sectors["from_deg"]).to_numpy(dtype=np.float64)
    figure.add_bar(
        x=sectors["from_deg"] + width / 2.0,
        y=np.round(cost, 3),
        width=width,
        yaxis="y2",
        marker=out_marker(theme, 1.0),
        customdata=sectors[["from_deg", "to_deg"]].to_numpy(),
        hovertemplate="%{customdata[0]:.0f}° to %{customdata[1]:.0f}°: %{y:.1f} s a day<extra></extra>",
        name="sectors",
    )
    top = float(cost.max(initial=0.0))
    figure.update_layout(
        yaxis2={
            "range": [0.0, 1.15 * top if top > 0.0 else 1.0],
            "nticks": 3,
            "showticklabels": top > 0.0,
            "showgrid": False,
            "title": {"text": "s a day" if top > 0.0 else "", "standoff": 4},
        }
    )
    words = "what each 10° of the skyline costs, seconds a day" if top > 0.0 else "no part of the skyline costs anything"
    figure.add_annotation(
        x=0, xref="paper", y=0.17, yref="paper", xanchor="left", yanchor="bottom", text=words, showarrow=False,
        font={"color": theme.quiet, "size": 12},
    )  # fmt: skip


def _key(figure: go.Figure, states: Sequence[tuple[str, str, str]], has_missing: bool, theme: Theme) -> None:
    """Write above the picture what its lines are, each in its own colour."""
    strokes: dict[str, str] = {"solid": "━━", "dot": "···", "dash": "– –", "dashdot": "–·–", "longdash": "— —"}
    words = [f'<span style="color:{colour}">{strokes[dash]} {plain(name)}</span>' for name, colour, dash in reversed(states)]
    if has_missing:
        words.append(f'<span style="color:{theme.out}">✕ the satellite missing in a gap</span>')
    annotation: dict[str, Any] = {"xref": "paper", "yref": "paper", "xanchor": "left", "yanchor": "bottom"}
    figure.add_annotation(x=0, y=1.01, text="   ".join(words), showarrow=False, font={"size": 12}, align="left", **annotation)
