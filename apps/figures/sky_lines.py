"""Passes as lines of the panorama: which of them are drawn, with how many points, broken where a line must break."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from passim.arrays import Floats, Indices, Ints

MOST_POINTS: Final = 20_000
# So many passes can be told apart by eye; a day of a large fleet holds thousands.
MOST_PASSES: Final = 60
# A point every 20 s of so many passes; `as_line` leads a curve through them.
_ENOUGH_POINTS: Final = 1800
# Its points lie so many degrees of azimuth or elevation apart at most, eight pixels on a desk.
_STEP_DEG: Final = (4.0, 2.0)
_MOST_BETWEEN: Final = 40.0


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
        retained = begins[np.unique(np.linspace(0, len(begins) - 1, most).round().astype(np.intp))]
        track = track[track["piece"].isin(number.index[number.isin(retained)])]
    return track, len(begins)


def smoothed(track: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of a track that a picture needs, of which a track may hold more than can be seen."""
    return thinned(track, max(_ENOUGH_POINTS, 2 * track["piece"].nunique()))


def thinned(track: pd.DataFrame, most: int) -> pd.DataFrame:
    """Return at most about `most` rows of a track: fewer along each piece, whose two ends stay."""
    piece = track["piece"].to_numpy()
    new = np.append(True, piece[1:] != piece[:-1])[: len(piece)]
    ends = new | np.append(new[1:], True)[: len(piece)]
    place = np.arange(len(piece)) - np.maximum.accumulate(np.where(new, np.arange(len(piece)), 0))
    inner = max(int((~ends).sum()), 1)
    every = max(int(np.ceil(inner / max(most - int(ends.sum()), 1))), 1)
    retained: pd.DataFrame = track[ends | (place % every == 0)]
    return retained


def as_line(track: pd.DataFrame) -> tuple[Floats, Floats]:
    """Return azimuths and elevations to draw: a smooth curve through the samples of each piece, broken between pieces.

    A break also stands where a pass goes through north, because there the picture ends; the line reaches the edge on
    both sides of it.
    """
    azimuth = track["azimuth_deg"].to_numpy(dtype=np.float64)
    elevation = track["elevation_deg"].to_numpy(dtype=np.float64)
    piece = track["piece"].to_numpy()
    turn = np.abs((np.diff(azimuth) + 180.0) % 360.0 - 180.0)
    steps = np.maximum(turn / _STEP_DEG[0], np.abs(np.diff(elevation)) / _STEP_DEG[1])
    more = np.where(piece[1:] == piece[:-1], np.clip(np.ceil(steps), 1.0, _MOST_BETWEEN), 1.0).astype(np.intp)
    if len(track) + int((more - 1).sum()) > MOST_POINTS - 4 * track["piece"].nunique():
        more[:] = 1
    first = np.repeat(np.arange(len(more)), more)
    share = (np.arange(len(first)) - np.repeat(np.cumsum(more) - more, more)) / np.repeat(more, more)
    a, e = np.radians(azimuth), np.radians(elevation)
    way = np.stack([np.cos(e) * np.sin(a), np.cos(e) * np.cos(a), np.sin(e)])
    between = _curve(way, track["time"].to_numpy("datetime64[us]").astype(np.float64), piece, first, share)
    line = np.concatenate([between, way[:, -1:]], axis=1)
    whose = np.append(piece[first], piece[-1:])
    azimuth = np.degrees(np.arctan2(line[0], line[1])) % 360.0
    elevation = np.degrees(np.arctan2(line[2], np.hypot(line[0], line[1])))
    return _broken(azimuth, elevation, whose)


def _curve(way: Floats, time_us: Floats, piece: Ints, first: Indices, share: Floats) -> Floats:
    """Return points on the cubic (Hermite's) from sample `first` to the next, a `share` of the way; shape (3, points).

    How fast the direction turns at a sample follows from its neighbours in the piece; `way` has shape (3, samples).
    """
    if not len(first):
        return way[:, :0]
    same = piece[1:] == piece[:-1]
    step_us, move = np.where(same, np.diff(time_us), 0.0), np.where(same, np.diff(way, axis=1), 0.0)
    around_us = np.append(step_us, 0.0) + np.append(0.0, step_us)
    nothing = np.zeros((3, 1))
    speed = (np.hstack([move, nothing]) + np.hstack([nothing, move])) / np.maximum(around_us, 1.0)
    s = share
    straight = way[:, first] * (1.0 + 2.0 * s) * (1.0 - s) ** 2 + way[:, first + 1] * s**2 * (3.0 - 2.0 * s)
    bend = speed[:, first] * (s * (1.0 - s) ** 2) - speed[:, first + 1] * (s**2 * (1.0 - s))
    curve: Floats = straight + step_us[first] * bend
    return curve


def _broken(azimuth: Floats, elevation: Floats, whose: Ints) -> tuple[Floats, Floats]:
    """Return a line broken between pieces and at north, where each side is led to the edge of the picture."""
    other = whose[1:] != whose[:-1]
    through = ~other & (np.abs(np.diff(azimuth)) > 180.0)
    north = np.flatnonzero(through)
    # How far along the step from one point to the next north lies, and how high the pass stands there.
    towards_360 = azimuth[north] > 180.0
    before = np.where(towards_360, 360.0 - azimuth[north], azimuth[north])
    after = np.where(towards_360, azimuth[north + 1], 360.0 - azimuth[north + 1])
    share = before / np.maximum(before + after, 1e-9)
    height = elevation[north] + share * (elevation[north + 1] - elevation[north])
    edge, far_edge = np.where(towards_360, 360.0, 0.0), np.where(towards_360, 0.0, 360.0)
    nothing = np.full(len(north), np.nan)
    at = np.concatenate([np.flatnonzero(other) + 1, np.repeat(north + 1, 3)])
    more_azimuth = np.concatenate([np.full(int(other.sum()), np.nan), np.stack([edge, nothing, far_edge], 1).ravel()])
    more_height = np.concatenate([np.full(int(other.sum()), np.nan), np.stack([height, nothing, height], 1).ravel()])
    return np.insert(azimuth, at, more_azimuth), np.insert(elevation, at, more_height)
