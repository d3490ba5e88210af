"""Elevations that many terminals read off a curve: what stands at the knots and the parabola between them, by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from passim.sky.side_by_side import Elevations

KNOT_S = 20
# Sines at the knots of three rows, of 5, 3 and 4 knots; invented, and no parabola goes through more than three.
SINES = [[0.5, 0.1, 0.9, 0.2, 0.7], [0.0, 0.0, 1.0], [0.3, 0.8, 0.4, 0.6]]
FIRST_S = [100, 40, 0]


def elevations() -> Elevations:
    def look(satellite: np.ndarray, time_us: np.ndarray) -> SimpleNamespace:
        knot = (time_us // 1_000_000 - 7_000 - np.array(FIRST_S)[satellite]) // KNOT_S
        sine = [SINES[s][k] for s, k in zip(satellite, knot, strict=True)]
        return SimpleNamespace(elevation_deg=np.degrees(np.arcsin(sine)))

    first_us = np.array(FIRST_S) * 1e6
    last_us = first_us + (np.array([5, 3, 4]) - 1) * KNOT_S * 1e6
    return Elevations.of(np.arange(3), first_us, last_us, look, 7_000_000_000)


def test_at_every_knot_stands_what_was_seen_there() -> None:
    found = elevations()
    for row, sines in enumerate(SINES):
        time_us = (FIRST_S[row] + KNOT_S * np.arange(len(sines))) * 1e6
        assert np.allclose(found.of_row(row, time_us), sines, rtol=0.0, atol=1e-12)
        assert np.allclose(found.at(np.full(len(sines), row), time_us), sines, rtol=0.0, atol=1e-12)


def test_between_knots_stands_the_parabola_through_three() -> None:
    """Through (-1, 0), (0, 0) and (1, 1) goes x (x + 1) / 2: 0.375 at 1/2 and -0.125 at -1/2.

    Through (-1, 0.5), (0, 0.1) and (1, 0.9) goes 0.1 + 0.2 x + 0.6 x^2: at 0.4 that is 0.276. Through (-1, 0.9),
    (0, 0.2) and (1, 0.7) goes 0.2 - 0.1 x + 0.6 x^2: at 0.6, nearer to the last knot but with none beyond, 0.356.
    """
    found = elevations()
    row = np.array([1, 1, 0, 0])
    time_us = np.array([40 + 30, 40 + 10, 100 + 28, 100 + 72]) * 1e6
    wanted = [0.375, -0.125, 0.276, 0.356]
    assert np.allclose(found.at(row, time_us), wanted, rtol=0.0, atol=1e-12)
    for r, t, sine in zip(row, time_us, wanted, strict=True):
        assert np.allclose(found.of_row(int(r), np.array([t])), sine, rtol=0.0, atol=1e-12)
