"""Many regions without service as one path, hatched: a browser draws it at once, and a printer keeps it small.

A bar for each gap costs a browser two elements, and a printed page a copy of the hatch for each.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import plotly.graph_objects as go
from numpy.typing import ArrayLike

from passim.arrays import Floats

from .theme import DOTS, HATCH, Theme

# A region is open below: its path goes up, across and down, and then the pen is lifted.


def edges_of(left: ArrayLike, right: ArrayLike, bottom: ArrayLike, top: ArrayLike) -> tuple[Any, Any]:
    """Return x (float64) and y (float32) of upright rectangles, shape (5 * regions,) each, with nan between them."""
    left, right = np.asarray(left, dtype=np.float64), np.asarray(right, dtype=np.float64)
    x = np.stack([left, left, right, right, np.full_like(left, np.nan)], axis=-1)
    low, high = (np.broadcast_to(np.asarray(edge, dtype=np.float32), left.shape) for edge in (bottom, top))
    y = np.stack([low, high, high, low, np.full_like(low, np.nan)], axis=-1)
    return x.ravel(), y.ravel()


def steps_of(left: Floats, width: float, top: Floats) -> tuple[Floats, Floats]:
    """Return x and y of columns that stand on zero, in order, all of one width; those that touch are one outline."""
    x, y = [np.zeros(0)], [np.zeros(0)]
    apart = np.flatnonzero(np.abs(np.diff(left) - width) > 1e-6 * width) + 1
    for columns in np.split(np.arange(len(left)), apart):
        if len(columns):
            edges = np.append(left[columns], left[columns[-1]] + width)
            x += [np.repeat(edges, 2), np.array([np.nan])]
            y += [np.concatenate([[0.0], np.repeat(top[columns], 2), [0.0, np.nan]])]
    return np.concatenate(x), np.concatenate(y)


def hatched(theme: Theme) -> dict[str, Any]:
    """Return the hatch of a filled region without service."""
    return {
        "shape": HATCH, "fillmode": "overlay", "bgcolor": theme.out, "fgcolor": theme.paper, "size": 5,
        "solidity": 0.25,
    }  # fmt: skip


def dotted(theme: Theme) -> dict[str, Any]:
    """Return the dots of a filled region in which one satellite alone can serve."""
    return {
        "shape": DOTS, "fillmode": "overlay", "bgcolor": theme.single, "fgcolor": theme.paper, "size": 5,
        "solidity": 0.2,
    }  # fmt: skip


def single_regions(figure: go.Figure, edges: tuple[Any, Any], theme: Theme, name: str, **more: Any) -> None:
    """Draw regions with one satellite alone in their colour, dotted; `edges` as for `out_regions`."""
    figure.add_scatter(
        x=edges[0], y=edges[1], mode="none", fill="toself", fillcolor=theme.single, hoverinfo="skip",
        fillpattern=dotted(theme), name=name, **more,
    )  # fmt: skip


def out_regions(figure: go.Figure, edges: tuple[Any, Any], theme: Theme, name: str, **more: Any) -> None:
    """Draw regions without service in their colour, hatched; `edges` as `edges_of` and `steps_of` give them."""
    looks = {
        "x": edges[0], "y": edges[1], "mode": "none", "fill": "toself", "fillcolor": theme.out, "hoverinfo": "skip",
        "fillpattern": hatched(theme), "name": name,
    }  # fmt: skip
    figure.add_scatter(**(looks | more))


def strokes(figure: go.Figure, x: Floats, bottom: Floats, top: Floats, theme: Theme) -> None:
    """Draw upright strokes a pixel wide, so that what is thinner is seen. The axis of `x` holds plain numbers."""
    if not len(x):
        return
    path = "".join(f"M{at:.4f},{low:g}V{high:g}" for at, low, high in zip(x, bottom, top, strict=True))
    figure.add_shape(type="path", path=path, layer="above", line={"color": theme.out, "width": 1}, name="short gaps")


def labels_at(figure: go.Figure, x: ArrayLike, y: ArrayLike, words: list[Any], template: str, **more: Any) -> None:
    """Put points that are not drawn, and that say what stands there when a pointer comes near."""
    figure.add_scatter(x=x, y=y, mode="none", hoveron="points", customdata=words, hovertemplate=template, **more)
