"""The sky of a site as an unrolled panorama: north, east, south, west and north again, height upwards.

It holds what one sees turning on the spot: the skyline, the limits that have a place in the sky, passes drawn by what
becomes of them, and, under it, what each sector of the skyline costs.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from numpy.typing import NDArray

from passim.sky import outlines

from .keys import STROKES
from .theme import HATCH, Theme, dressed, out_marker, plain

Floats = NDArray[np.float64]

MOST_POINTS: Final = 20_000
# So many passes can be told apart by eye; a day of a large fleet holds thousands.
MOST_PASSES: Final = 120
_TURN_DEG, _MOST_BETWEEN = 5.0, 40.0
_LABELS: Final = {"gateway": "below this line: no gateway in view", "cone": "edge of the antenna's cone"}
_LABELS_WITHIN_DEG: Final = (20.0, 340.0)
_LETTERS_A_LINE: Final = 62
_COMPASS: Final = ("N", "NE", "E", "SE", "S", "SW", "W", "NW", "N")
_EVERY_DEG: Final = tuple(range(0, 361, 45))
# What a satellite is lost to is told by a hue of its own and by the strokes of its line; more than one limit at once,
# and limits of the fleet, share the last.
_LOST: Final = {
    "horizon": ("#6E6A5E", "#A8A294", "2px,3px"),
    "gateway": ("#74578F", "#B79AD0", "7px,3px"),
    "cone": ("#8A6A2F", "#CDAE6C", "9px,3px,2px,3px"),
    "arc": ("#3F6A4E", "#8FBF9F", "14px,4px"),
    "": ("#7C8489", "#8B949A", "2px,3px"),
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
    passes: int = MOST_PASSES,
    height_px: int = 520,
) -> go.Figure:
    """Return the panorama.

    track       as `passim.coverage.sky_map.sky_track` gives it; at most `passes` of its passes are drawn
    limits      as `passim.sky.outlines.outlines` gives them
    sectors     as `passim.answers.skyline.sector_costs` gives them
    standing    where satellites stand at a moment, as `passim.coverage.sky_moment.sky_moment` gives it
    missing     gaps with their causes, as `passim.coverage.causes.Causes.table` gives them: each marks where the
                satellite stood that was missing; the row at place `chosen` stands out
    """
    figure = go.Figure()
    costs = bool((sectors["given_back_s_per_day"] > 0.0).any())
    figure.update_layout(
        xaxis={"domain": [0.0, 1.0], "anchor": "y2"},
        yaxis={"domain": [0.27 if costs else 0.1, 1.0]},
        yaxis2={"domain": [0.0, 0.17 if costs else 0.01], "anchor": "x"},
    )
    states = _passes(figure, drawn_passes(track, passes)[0], theme)
    _limits(figure, limits, theme)
    if missing is not None:
        _missing(figure, missing, chosen, theme)
    if standing is not None:
        _standing(figure, standing, theme)
    _sectors(figure, sectors, theme)

    dressed(figure, theme, height_px, left_px=44)
    figure.update_xaxes(
        range=[0, 360],
        tickmode="array",
        tickvals=_EVERY_DEG,
        ticktext=_COMPASS,
        showgrid=False,
        tickfont={"color": theme.ink},
    )
    figure.update_layout(
        yaxis={
            "range": [0, 90],
            "tickvals": [0, 30, 60, 90],
            "ticktext": ["0°", "30°", "60°", "90°"],
            "title": {"text": "height", "standoff": 4, "font": {"size": 12, "color": theme.quiet}},
        }
    )
    marked = missing is not None and bool(missing["missing_azimuth_deg"].notna().any())
    figure.update_layout(margin={"t": 14 + 17 * _key(figure, states, marked, theme), "b": 30})
    return figure


def drawn_passes(track: pd.DataFrame, most: int = MOST_PASSES) -> tuple[pd.DataFrame, int]:
    """Return the rows of at most `most` passes, evenly through the day, and how many passes there are in all.

    Pieces of one pass stay together, so that each line goes on from where the one before it ends.
    """
    if track.empty:
        return track, 0
    pieces = track.groupby("piece", sort=True).agg(
        satellite_id=("satellite_id", "first"), start=("time", "first"), end=("time", "last")
    )
    turn = pieces.sort_values(["satellite_id", "start"], kind="stable")
    same = turn["satellite_id"].eq(turn["satellite_id"].shift()) & turn["start"].eq(turn["end"].shift())
    number = (~same).cumsum()
    begins = turn["start"].groupby(number).first().sort_values(kind="stable").index.to_numpy()
    if len(begins) > most:
        kept = begins[np.unique(np.linspace(0, len(begins) - 1, most).round().astype(np.intp))]
        track = track[track["piece"].isin(number.index[number.isin(kept)])]
    return track, len(begins)


def thinned(track: pd.DataFrame, most: int) -> pd.DataFrame:
    """Return at most about `most` rows of a track: fewer along each piece, whose two ends stay."""
    piece = track["piece"].to_numpy()
    new = np.append(True, piece[1:] != piece[:-1])[: len(piece)]
    ends = new | np.append(new[1:], True)[: len(piece)]
    place = np.arange(len(piece)) - np.maximum.accumulate(np.where(new, np.arange(len(piece)), 0))
    inner = max(int((~ends).sum()), 1)
    every = max(int(np.ceil(inner / max(most - int(ends.sum()), 1))), 1)
    kept: pd.DataFrame = track[ends | (place % every == 0)]
    return kept


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
        part = thinned(track[rows], MOST_POINTS // 2)
        if part.empty:
            continue
        azimuth, elevation = _as_line(part)
        figure.add_scatter(
            x=azimuth,
            y=elevation,
            mode="lines",
            line={"color": colour, "width": 1.3 if dash == "solid" else 0.9, "dash": dash},
            opacity=0.9 if dash == "solid" else 0.65,
            hoverinfo="skip",
            name=name,
        )
        shown.append((name, colour, dash))
    return shown


def _as_line(track: pd.DataFrame) -> tuple[Floats, Floats]:
    """Return azimuths and heights to draw: rounded where a pass turns fast near the zenith, broken between pieces.

    A break also stands where a pass goes through north, because there the picture ends.
    """
    azimuth = track["azimuth_deg"].to_numpy(dtype=np.float64)
    elevation = track["elevation_deg"].to_numpy(dtype=np.float64)
    piece = track["piece"].to_numpy()
    # Points between two samples, along the great circle that joins them, where the azimuth turns by much.
    turn = np.abs((np.diff(azimuth) + 180.0) % 360.0 - 180.0)
    more = np.where(piece[1:] == piece[:-1], np.minimum(np.ceil(turn / _TURN_DEG), _MOST_BETWEEN), 1).astype(np.intp)
    if len(track) + int((more - 1).sum()) > MOST_POINTS - 2 * track["piece"].nunique():
        more[:] = 1
    first = np.repeat(np.arange(len(more)), more)
    share = (np.arange(len(first)) - np.repeat(np.cumsum(more) - more, more)) / np.repeat(more, more)
    a, e = np.radians(azimuth), np.radians(elevation)
    way = np.stack([np.cos(e) * np.sin(a), np.cos(e) * np.cos(a), np.sin(e)])
    between = way[:, first] * (1.0 - share) + way[:, first + 1] * share if len(more) else way[:, :0]
    line = np.concatenate([between, way[:, -1:]], axis=1)
    whose = np.append(piece[first], piece[-1:])
    azimuth = np.degrees(np.arctan2(line[0], line[1])) % 360.0
    elevation = np.degrees(np.arctan2(line[2], np.hypot(line[0], line[1])))
    at = np.flatnonzero((whose[1:] != whose[:-1]) | (np.abs(np.diff(azimuth)) > 180.0)) + 1
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
            _name(figure, 3.0, float(np.interp(3.0, azimuth, height)), "horizon", theme.ink, None)
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
            known = np.flatnonzero(np.isfinite(height))
            if len(known):
                # The label stands at the line's highest point, but not where the edge of the picture would cut it.
                wanted = float(np.clip(azimuth[known][np.argmax(height[known])], *_LABELS_WITHIN_DEG))
                place = known[np.argmin(np.abs(azimuth[known] - wanted))]
                words = _LABELS.get(outline.limit, outline.words)
                _name(figure, float(azimuth[place]), float(height[place]), words, colour, theme)


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


def _name(figure: go.Figure, x: float, y: float, words: str, colour: str, theme: Theme | None) -> None:
    """Write the name of a line at a point of it: above it on the theme's paper, or below it without one."""
    figure.add_annotation(
        x=x,
        y=y,
        text=plain(words),
        showarrow=False,
        xanchor="left" if x < 60 else "right" if x > 300 else "center",
        yanchor="top" if theme is None else "bottom",
        font={"color": colour, "size": 12},
        bgcolor=None if theme is None else theme.paper,
        opacity=0.9,
        borderpad=1,
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
        marker={"symbol": "x-thin", "size": 7, "line": {"color": theme.out, "width": 1.8}},
        customdata=[
            [plain(str(word)), f"{seconds:.0f}"]
            for word, seconds in zip(marked["blocked_by"], marked["duration_s"], strict=True)
        ],
        hovertemplate="missing in a gap of %{customdata[1]} s: %{y:.0f}° high at %{x:.0f}°, stopped by "
        "%{customdata[0]}<extra></extra>",
        name="missing",
    )
    if chosen is None or not known[chosen]:
        return
    row = gaps.iloc[chosen]
    # Beside the one that is chosen the others step back.
    figure.update_traces(opacity=0.35, selector={"name": "missing"})
    azimuth_deg, elevation_deg = (
        round(float(row["missing_azimuth_deg"]), 2),
        round(float(row["missing_elevation_deg"]), 2),
    )
    figure.add_scatter(
        x=[azimuth_deg],
        y=[elevation_deg],
        mode="markers",
        marker={"symbol": "circle-open", "size": 18, "color": theme.out, "line": {"color": theme.out, "width": 3}},
        hoverinfo="skip",
        cliponaxis=False,
        name="chosen",
    )
    figure.add_annotation(
        x=azimuth_deg,
        y=elevation_deg,
        text="missing in this gap",
        showarrow=False,
        xanchor="left" if azimuth_deg < 60.0 else "right" if azimuth_deg > 300.0 else "center",
        yanchor="bottom",
        yshift=12,
        font={"color": theme.out},
        bgcolor=theme.paper,
        borderpad=1,
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
    top = float(cost.max(initial=0.0))
    figure.add_bar(
        x=sectors["from_deg"] + width / 2.0,
        y=np.round(cost, 3),
        width=width,
        yaxis="y2",
        marker=out_marker(theme, 1.0 if top > 0.0 else 0.0),
        customdata=sectors[["from_deg", "to_deg"]].to_numpy(),
        hovertemplate="%{customdata[0]:.0f}° to %{customdata[1]:.0f}°: %{y:.1f} s a day<extra></extra>",
        name="sectors",
    )
    figure.update_layout(
        yaxis2={
            "range": [0.0, 1.15 * top if top > 0.0 else 1.0],
            "nticks": 3,
            "showticklabels": top > 0.0,
            "ticks": "outside" if top > 0.0 else "",
            "showgrid": False,
            "visible": top > 0.0,
        }
    )
    each = float(width.max(initial=0.0))
    words = (
        f"what each {each:g}° of the skyline costs, seconds a day"
        if top > 0.0
        else "No part of the skyline costs anything."
    )
    figure.add_annotation(
        x=0,
        xref="paper",
        y=0.17 if top > 0.0 else 0.015,
        yref="paper",
        xanchor="left",
        yanchor="bottom",
        text=words,
        showarrow=False,
        font={"color": theme.quiet, "size": 12},
    )


def _key(figure: go.Figure, states: Sequence[tuple[str, str, str]], has_missing: bool, theme: Theme) -> int:
    """Write above the picture what its lines are, each in its own colour; return how many lines of text that takes."""
    words = [(f"{STROKES[dash]} {name}", colour) for name, colour, dash in reversed(states)]
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
    figure.add_annotation(
        x=0,
        y=1.01,
        xref="paper",
        yref="paper",
        xanchor="left",
        yanchor="bottom",
        text=text,
        showarrow=False,
        font={"size": 12},
        align="left",
    )
    return len(lines)
