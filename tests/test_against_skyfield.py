"""Rises and sets beside skyfield's own altitude of the same element sets.

Most tests hand skyfield the very SGP4 models that passim made, so they check the way from there to the horizon and not
the reading of elements; the last one has skyfield read the two-line sets itself. skyfield takes another way to the same
angle: SGP4 to TEME, TEME to GCRS by precession and nutation, GCRS to the horizon of the site. Its event finder is not
used, since that differs from its own exact root by up to a third of a second (recomputed for this project); its
altitude is asked instead:

* at every step of a dense grid, and at every peak and trough found between the steps: is it above the skyline exactly
  when the table says so?
* at each rise and set of an interval over 60 s: does it pass the skyline within one millisecond to either side?
* at each rise and set of a shorter one, where a satellite grazes the skyline: is it within 0.2 arcsec of it?
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from scipy.optimize import elementwise, minimize_scalar
from skyfield.api import EarthSatellite, load, wgs84

from passim import ElementSet, Fleet, Horizon, Site, Span, find_passes, read_elements, write_elements
from passim.elements import SatelliteId, rounded_to_two_line
from passim.orbits.propagation import Propagator

Floats = NDArray[np.float64]

TIMESCALE = load.timescale(builtin=True)
EPOCH = datetime(2026, 3, 1, tzinfo=UTC)
HOUR = 3  # the search starts at 03:00, away from the epoch

MILLISECOND = 0.001
ARC_SECOND = 1.0 / 3600.0

# How many satellites, and the ranges from which their numbers are drawn: revolutions a day, eccentricity, inclination.
KINDS = {
    "low, 550 km": (6, (15.05, 15.06), (0.0, 0.002), (53.0, 53.0)),
    "very low, 300 km": (6, (15.8, 15.95), (0.0, 0.002), (30.0, 98.0)),
    "1414 km": (6, (12.6, 12.65), (0.0, 0.009), (52.0, 52.0)),
    "eccentric": (6, (11.0, 12.0), (0.02, 0.15), (63.0, 63.0)),
    "navigation": (6, (2.0057, 2.0057), (0.0, 0.01), (55.0, 55.0)),
    "highly elliptical": (6, (2.0057, 2.0057), (0.7, 0.7), (63.4, 63.4)),
    "geosynchronous, tilted": (6, (1.00273, 1.00273), (0.0, 0.1), (20.0, 60.0)),
    "equatorial": (4, (15.05, 15.06), (1e-4, 1e-4), (0.0, 0.0)),
    "retrograde": (6, (14.2, 14.3), (1e-3, 1e-3), (97.0, 150.0)),
    "polar": (6, (15.05, 15.06), (0.0, 0.01), (89.0, 91.0)),
}

# A wood, a roof and a tall tree two degrees wide in the east (invented).
ROUND_ABOUT = [(0, 20), (30, 35), (31, 15), (90, 10), (91, 60), (93, 60), (94, 10), (180, 25), (200, 40), (290, 50)]
ROUND_ABOUT += [(320, 50), (321, 20)]

SITES = {
    "45 N, mask 25": Site("a", 45.0, -28.0, 40.0, horizon=Horizon.flat(25.0)),
    "52 N, mask 0": Site("b", 52.0, -4.0, 100.0, horizon=Horizon.flat(0.0)),
    "equator at the date line, mask 10": Site("c", 0.0, 179.9, 0.0, horizon=Horizon.flat(10.0)),
    "equator at the date line, mask 80": Site("d", 0.0, 179.9, 0.0, horizon=Horizon.flat(80.0)),
    "equator at the date line, mask 89": Site("e", 0.0, 179.9, 0.0, horizon=Horizon.flat(89.0)),
    "pole, mask 5": Site("f", 90.0, 0.0, 0.0, horizon=Horizon.flat(5.0)),
    "pole, mask 80": Site("g", 90.0, 0.0, 0.0, horizon=Horizon.flat(80.0)),
    "pole, mask 89": Site("h", 90.0, 0.0, 0.0, horizon=Horizon.flat(89.0)),
    "48 S at longitude -180, mask 60": Site("i", -48.0, -180.0, 2000.0, horizon=Horizon.flat(60.0)),
    "profile with a tree": Site("j", 47.0, 10.0, 500.0, horizon=Horizon.from_points(ROUND_ABOUT)),
}

SEEN = [
    *((kind, site) for kind in KINDS for site in ("52 N, mask 0", "profile with a tree") if kind != "equatorial"),
    *((kind, "45 N, mask 25") for kind in KINDS if kind not in ("equatorial",)),
    *((kind, "equator at the date line, mask 10") for kind in KINDS),
    *(("equatorial", f"equator at the date line, mask {mask}") for mask in (80, 89)),
    *(("polar", f"pole, mask {mask}") for mask in (5, 80, 89)),
    *((kind, "pole, mask 5") for kind in ("eccentric", "navigation", "retrograde", "very low, 300 km")),
    *((kind, "48 S at longitude -180, mask 60") for kind in ("eccentric", "1414 km", "navigation", "retrograde")),
]

UNSEEN = [
    # Closed form: from the pole a satellite at 550 km and 53 deg stands 20 deg below the horizon at best.
    ("low, 550 km", "pole, mask 5"),
    ("equatorial", "52 N, mask 0"),
    ("geosynchronous, tilted", "equator at the date line, mask 89"),
]


def fleet_of(kind: str) -> Fleet:
    """Return an invented fleet, the same at each call."""
    count, *ranges = KINDS[kind]
    draw = np.random.default_rng(list(KINDS).index(kind))
    records = []
    for number in range(count):
        motion, eccentricity, inclination = (float(draw.uniform(*limits)) for limits in ranges)
        node, perigee, anomaly = (float(a) for a in draw.uniform(0.0, 360.0, 3))
        records.append(
            ElementSet(
                satellite_id=SatelliteId(900000001 + number),
                name=f"{kind} {number}",
                epoch=EPOCH,
                mean_motion_rev_day=motion,
                eccentricity=eccentricity,
                inclination_deg=inclination,
                node_deg=node,
                perigee_deg=270.0 if kind == "highly elliptical" else perigee,
                mean_anomaly_deg=anomaly,
                bstar=1e-5,
            )
        )
    return Fleet(records, kind)


@cache
def grid(hours: float, step_s: float) -> tuple[Floats, object]:
    """Return the seconds of a dense grid and skyfield's times of them, which keep their rotations once computed."""
    seconds = np.arange(0.0, hours * 3600.0 + step_s / 2.0, step_s)
    return seconds, times(seconds)


def times(seconds: Floats) -> object:
    return TIMESCALE.utc(EPOCH.year, EPOCH.month, EPOCH.day, HOUR, 0, seconds)


def height_above_skyline(model: object, site: Site) -> Callable[[object], Floats]:
    """Return skyfield's altitude less the skyline's height below it, degrees, as a function of skyfield's times."""
    place = wgs84.latlon(site.latitude_deg, site.longitude_deg, elevation_m=site.height_m)
    path = EarthSatellite.from_satrec(model, TIMESCALE) - place
    azimuths, heights = zip(
        *(ROUND_ABOUT if not site.horizon.is_flat else [(0.0, site.horizon.lowest_deg)]), strict=True
    )

    def height(when: object) -> Floats:
        altitude, azimuth, _ = path.at(when).altaz()
        return np.asarray(altitude.degrees - np.interp(azimuth.degrees, azimuths, heights, period=360.0))

    return height


def extremes(height: Callable[[object], Floats], seconds: Floats, sampled: Floats) -> Floats:
    """Return the moments of peaks below the skyline and troughs above it that the grid may have stepped over."""
    found = []
    for sign in (1.0, -1.0):
        heights = sign * sampled
        middle = heights[1:-1]
        # Eight degrees are the farthest that a satellite of these kinds moves in half a step, near the zenith.
        peak = np.flatnonzero((middle >= heights[:-2]) & (middle >= heights[2:]) & (middle < 0.0) & (middle > -8.0)) + 1
        if len(peak):
            step_s = seconds[1] - seconds[0]
            result = elementwise.find_minimum(
                lambda offset, at, sign=sign: -sign * height(times(at + offset)),
                (np.full(len(peak), -step_s), np.zeros(len(peak)), np.full(len(peak), step_s)),
                args=(seconds[peak],),
            )
            found.append(seconds[peak] + result.x)
    return np.concatenate([*found, np.empty(0)])


def seconds_of(column: pd.Series, span: Span) -> Floats:
    return (column - pd.Timestamp(span.start)).dt.total_seconds().to_numpy()


def contradictions(kind: str, site: Site) -> tuple[int, list[str]]:
    """Search and ask skyfield. Returns how many intervals were found and what skyfield says against them."""
    slow = kind.startswith(("navigation", "highly", "geosynchronous"))
    hours, step_s = (24.0, 20.0) if slow else (8.0, 5.0)
    if not site.horizon.is_flat:
        step_s /= 5.0
    fleet = fleet_of(kind)
    span = Span.starting(EPOCH.replace(hour=HOUR), hours)
    passes = find_passes(fleet, site, span)
    against = []
    for number, model in enumerate(Propagator.of(fleet).models):
        height = height_above_skyline(model, site)
        own = passes[passes["satellite_id"] == fleet.satellite_ids[number]]
        rise, set_ = seconds_of(own["rise"], span), seconds_of(own["set"], span)
        long = set_ - rise > 60.0

        # Nothing is missed and nothing invented: up on the grid, and at each peak between its steps, when it is up in
        # the table.
        seconds, when = grid(hours, step_s)
        sampled = height(when)
        between = extremes(height, seconds, sampled)
        moments = np.concatenate([seconds, between])
        heights = np.concatenate([sampled, height(times(between))]) if len(between) else sampled
        inside = np.searchsorted(rise, moments, side="right") != np.searchsorted(set_, moments, side="right")
        for wrong in np.flatnonzero(((heights > 0.0) != inside) & (np.abs(heights) > 0.2 * ARC_SECOND)):
            # What lasts a second or less above or below the skyline is beyond the promise.
            near = height(times(moments[wrong] + np.array([-0.5, 0.5])))
            edges = np.concatenate([rise, set_])
            if ((near > 0.0) == (heights[wrong] > 0.0)).any() and np.abs(edges - moments[wrong]).min(initial=9) > 2e-3:
                against.append(f"{number}: at {moments[wrong]:.4f} s it is {heights[wrong]:.6f} deg above the skyline")

        for edges, cut, sign in ((rise, own["cut_at_start"], 1.0), (set_, own["cut_at_end"], -1.0)):
            found = ~cut.to_numpy()
            steep = edges[found & long]
            if len(steep):
                before, after = height(times(steep - MILLISECOND)), height(times(steep + MILLISECOND))
                for place in np.flatnonzero((sign * before > 0.0) | (sign * after < 0.0)):
                    against.append(f"{number}: no crossing within 1 ms of {steep[place]:.6f} s")
            grazing = edges[found & ~long]
            if len(grazing):
                off = np.abs(height(times(grazing)))
                for place in np.flatnonzero(off > 0.2 * ARC_SECOND):
                    against.append(
                        f"{number}: {off[place] * 3600:.3f} arcsec from the skyline at {grazing[place]:.6f} s"
                    )
    return len(passes), against


@pytest.mark.parametrize(("kind", "site"), SEEN)
def test_rises_and_sets_are_those_of_skyfields_altitude(kind: str, site: str) -> None:
    count, against = contradictions(kind, SITES[site])
    assert against == []
    assert count > 0


@pytest.mark.parametrize("kind", ["low, 550 km", "very low, 300 km", "eccentric", "retrograde", "polar"])
def test_passes_that_graze_the_mask(kind: str) -> None:
    fleet = fleet_of(kind)
    span = Span.starting(EPOCH.replace(hour=HOUR), 24.0)
    low = Site("low", 47.0, 10.0, 500.0, horizon=Horizon.flat(5.0))
    passes = find_passes(fleet, low, span)
    whole = passes[~passes["cut_at_start"] & ~passes["cut_at_end"] & passes["peak_elevation_deg"].between(8.0, 75.0)]
    assert len(whole) >= 8
    for row in whole.iloc[:5].itertuples():
        number = fleet.satellite_ids.tolist().index(row.satellite_id)
        one, model = fleet.select([number]), Propagator.of(fleet).models[number]
        altitude = height_above_skyline(model, Site("bare", 47.0, 10.0, 500.0, horizon=Horizon.flat(0.0)))
        about = (row.peak - pd.Timestamp(span.start)) / pd.Timedelta(seconds=1)
        top = minimize_scalar(
            lambda t, f=altitude: -float(f(times(t))),
            bounds=(about - 9.0, about + 9.0),
            method="bounded",
            options={"xatol": 1e-5},
        )
        peak_deg = -top.fun
        assert abs(peak_deg - row.peak_elevation_deg) < 0.4 * ARC_SECOND
        around = Span.starting(row.peak.to_pydatetime() - pd.Timedelta(minutes=10), 1.0 / 3.0)
        offset = (around.start - span.start).total_seconds()
        for below_deg in (-0.1 * ARC_SECOND, 0.1 * ARC_SECOND, 10.0 * ARC_SECOND, 0.1, 0.5, 0.8, 1.2, 2.0):
            mask = Site("mask", 47.0, 10.0, 500.0, horizon=Horizon.flat(peak_deg - below_deg))
            found = find_passes(one, mask, around)
            # A tenth of an arc second above its peak there is nothing; as little below, it is up for an instant.
            assert len(found) == (below_deg > 0.0), (row.satellite_id, top.x, below_deg)
            for edge, sign in (("rise", 1.0), ("set", -1.0)) if len(found) else ():
                second = offset + seconds_of(found[edge], around)
                if found["duration_s"].iloc[0] > 60.0:
                    before, after = altitude(times(second - MILLISECOND)), altitude(times(second + MILLISECOND))
                    assert sign * before < sign * (peak_deg - below_deg) < sign * after
                else:
                    assert abs(altitude(times(second)) - peak_deg + below_deg) < 0.2 * ARC_SECOND


@pytest.mark.parametrize(("kind", "site"), UNSEEN)
def test_where_skyfield_sees_nothing_there_are_no_passes(kind: str, site: str) -> None:
    assert contradictions(kind, SITES[site]) == (0, [])


def test_skyfield_reading_the_two_line_file_itself_sees_the_same_rises_and_sets(tmp_path: Path) -> None:
    # Nothing of passim but the file it writes: skyfield reads it, makes its own models and finds its own altitudes.
    site = SITES["45 N, mask 25"]
    for kind in ("low, 550 km", "1414 km", "retrograde", "navigation"):
        written = tmp_path / f"{kind[:3]}.tle"
        # Five columns carry the number, and Alpha-5 would be a matter of its own.
        fleet = Fleet([replace(r, satellite_id=SatelliteId(80001 + k)) for k, r in enumerate(fleet_of(kind))], kind)
        write_elements(rounded_to_two_line(fleet), written)
        theirs = {s.model.satnum: s for s in load.tle_file(str(written))}
        fleet = read_elements(written)
        assert len(theirs) == len(fleet)
        span = Span.starting(EPOCH.replace(hour=HOUR), 24.0)
        passes = find_passes(fleet, site, span)
        assert len(passes) > 5
        place = wgs84.latlon(site.latitude_deg, site.longitude_deg, elevation_m=site.height_m)
        for row in passes[~passes["cut_at_start"] & ~passes["cut_at_end"]].itertuples():
            path = theirs[int(row.satellite_id)] - place
            for edge, sign in (("rise", 1.0), ("set", -1.0)):
                second = (getattr(row, edge) - pd.Timestamp(span.start)) / pd.Timedelta(seconds=1)
                before, after = path.at(times(second + np.array([-MILLISECOND, MILLISECOND]))).altaz()[0].degrees
                if row.duration_s > 60.0:
                    assert sign * (before - 25.0) < 0.0 < sign * (after - 25.0), (row.satellite_id, edge)
