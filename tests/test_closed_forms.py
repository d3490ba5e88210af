"""The closed forms: their laws, their limits and what they refuse. Figures are in test_closed_form_passes."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, strategies as st
from scipy.integrate import quad

from passim.errors import InputError
from passim.sky.closed_forms import (
    chance_none_in_view,
    earth_central_angle_deg,
    edge_range_km,
    highest_latitude_in_view_deg,
    orbital_period_s,
    orbital_speed_km_s,
    pass_duration_s,
    pass_geometry,
    share_in_view,
)
from rings import ring_gap_train

ALTITUDES_KM = st.floats(150.0, 40_000.0)
MASKS_DEG = st.floats(0.0, 89.0)


@given(ALTITUDES_KM, MASKS_DEG)
def test_the_triangle_site_satellite_centre_closes(altitude_km, mask_deg):
    # Own arithmetic: place the satellite by its central angle and measure range and elevation from the site.
    angle = math.radians(earth_central_angle_deg(altitude_km, mask_deg))
    radius_km = 6378.137 + altitude_km
    along_km, up_km = radius_km * math.sin(angle), radius_km * math.cos(angle) - 6378.137
    assert math.hypot(along_km, up_km) == pytest.approx(edge_range_km(altitude_km, mask_deg), rel=1e-9)
    assert math.degrees(math.atan2(up_km, along_km)) == pytest.approx(mask_deg, abs=1e-7)


@given(ALTITUDES_KM, st.floats(0.0, 88.0))
def test_a_higher_mask_shows_less(altitude_km, mask_deg):
    low, high = pass_geometry(altitude_km, mask_deg), pass_geometry(altitude_km, mask_deg + 1.0)
    assert high.footprint_km < low.footprint_km
    assert high.edge_range_km < low.edge_range_km
    assert high.longest_pass_s < low.longest_pass_s


@given(ALTITUDES_KM, st.floats(1.0, 89.0))
def test_the_plane_drawing_is_always_too_wide(altitude_km, mask_deg):
    geometry = pass_geometry(altitude_km, mask_deg)
    assert geometry.flat_footprint_excess_percent > 0.0
    assert geometry.flat_pass_excess_percent > 0.0


def test_the_plane_drawing_has_no_edge_at_the_horizon():
    geometry = pass_geometry(550.0, 0.0)
    assert math.isinf(geometry.flat_footprint_km)
    assert math.isfinite(geometry.footprint_km)


def test_the_plane_drawing_is_right_for_a_low_orbit_and_a_narrow_cone():
    # The limit of a small Earth central angle (own arithmetic).
    assert pass_geometry(1.0, 85.0).flat_footprint_excess_percent == pytest.approx(0.0, abs=0.02)


def test_speed_times_period_is_the_length_of_the_orbit():
    length_km = 2.0 * math.pi * (6378.137 + 550.0)
    assert orbital_speed_km_s(550.0) * orbital_period_s(550.0) == pytest.approx(length_km, rel=1e-12)


def test_pass_shrinks_to_nothing_at_the_edge_of_the_cap():
    edge_deg = earth_central_angle_deg(550.0, 25.0)
    assert pass_duration_s(550.0, 25.0, edge_deg) == 0.0
    assert pass_duration_s(550.0, 25.0, 90.0) == 0.0
    assert 0.0 < pass_duration_s(550.0, 25.0, edge_deg - 1e-6) < 1.0


@pytest.mark.parametrize("inclination_deg", [0.0, 0.5, 28.5, 53.0, 70.0, 89.9, 90.0, 97.6, 140.0, 180.0])
@pytest.mark.parametrize(("altitude_km", "mask_deg"), [(550.0, 25.0), (1200.0, 5.0), (20_000.0, 0.0)])
def test_mean_over_the_sphere_is_the_area_of_the_cap(altitude_km, mask_deg, inclination_deg):
    # Invariant for every inclination (own arithmetic): each moment a satellite lights one cap of the sphere.
    def weighted(latitude_rad):
        share = share_in_view(altitude_km, mask_deg, inclination_deg, math.degrees(latitude_rad))
        return share * math.cos(latitude_rad)

    central_angle = math.radians(earth_central_angle_deg(altitude_km, mask_deg))
    low_deg = min(inclination_deg, 180.0 - inclination_deg)
    kinks = {abs(side * math.radians(low_deg) + way * central_angle) for side in (-1.0, 1.0) for way in (-1.0, 1.0)} | {
        math.pi / 2.0 - central_angle,
        abs(math.pi - math.radians(low_deg) - central_angle),
    }
    inner = sorted(k for k in kinks if 0.0 < k < math.pi / 2.0)
    edges = [0.0, *inner, math.pi / 2.0]
    mean = sum(quad(weighted, a, b, epsabs=1e-7, limit=100)[0] for a, b in itertools.pairwise(edges))
    assert mean == pytest.approx((1.0 - math.cos(central_angle)) / 2.0, rel=2e-5)


@pytest.mark.parametrize("latitude_deg", [0.0, 12.0, 44.0, 45.0, 53.0, 61.0, 70.0, 88.0, 90.0])
@pytest.mark.parametrize("inclination_deg", [30.0, 53.0, 87.9, 90.0, 98.0])
def test_share_agrees_with_an_adaptive_integral(inclination_deg, latitude_deg):
    # The same integral by QUADPACK with the break points named: an independent integrator (scipy).
    central_angle = math.radians(earth_central_angle_deg(1200.0, 25.0))
    latitude, sine_i = math.radians(latitude_deg), math.sin(math.radians(inclination_deg))

    def half_width(u):
        phi = math.asin(sine_i * math.sin(u))
        across = math.cos(latitude) * math.cos(phi)
        along = math.cos(central_angle) - math.sin(latitude) * math.sin(phi)
        return math.acos(max(-1.0, min(1.0, along / max(across, 1e-300))))

    sines = [math.sin(latitude + way * central_angle) / sine_i for way in (-1.0, 1.0)]
    breaks = sorted(math.asin(s) for s in sines if abs(s) < 1.0)
    edges = [-math.pi / 2.0, *breaks, math.pi / 2.0]
    expected = sum(quad(half_width, a, b, epsabs=1e-12, limit=200)[0] for a, b in itertools.pairwise(edges))
    share = share_in_view(1200.0, 25.0, inclination_deg, latitude_deg)
    assert share == pytest.approx(expected / math.pi**2, abs=1e-9)


def test_share_is_the_same_north_and_south_and_for_the_mirrored_orbit():
    assert share_in_view(550.0, 25.0, 53.0, -45.0) == share_in_view(550.0, 25.0, 53.0, 45.0)
    assert share_in_view(550.0, 25.0, 127.0, 45.0) == pytest.approx(share_in_view(550.0, 25.0, 53.0, 45.0), rel=1e-12)


def test_share_of_an_equatorial_orbit_is_its_arc():
    # One cap of 2 lambda out of the ring's 360 deg: the same law as the ring of one satellite.
    assert share_in_view(550.0, 25.0, 0.0, 0.0) == pytest.approx(ring_gap_train(1, 550.0, 25.0).covered_fraction)


def test_nothing_is_in_view_past_the_highest_latitude_and_something_just_below():
    edge_deg = highest_latitude_in_view_deg(550.0, 25.0, 53.0)
    assert share_in_view(550.0, 25.0, 53.0, edge_deg + 1e-6) == 0.0
    assert share_in_view(550.0, 25.0, 53.0, edge_deg - 0.01) > 0.0
    assert highest_latitude_in_view_deg(550.0, 25.0, 127.0) == edge_deg
    assert highest_latitude_in_view_deg(1200.0, 25.0, 87.9) == 90.0


def test_chance_that_none_is_in_view():
    assert chance_none_in_view(0, 0.3) == 1.0
    assert chance_none_in_view(2, 0.5) == 0.25
    assert chance_none_in_view(5, 1.0) == 0.0


def test_impossible_altitude_is_refused_in_one_line(subtests: pytest.Subtests) -> None:
    for altitude_km in [0.0, -550.0, 100_000.0, math.nan, math.inf]:
        for ask in [
            pass_geometry,
            earth_central_angle_deg,
            edge_range_km,
            pass_duration_s,
            lambda h, e: orbital_period_s(h),
        ]:
            with (
                subtests.test(altitude_km=altitude_km, ask=ask),
                pytest.raises(InputError, match=r"^altitude in km; got \S+; wanted more than 0 and below 100,000 km$"),
            ):
                ask(altitude_km, 25.0)


@pytest.mark.parametrize("mask_deg", [-0.1, 90.0, 91.0, math.nan])
def test_impossible_mask_is_refused_in_one_line(mask_deg):
    with pytest.raises(
        InputError, match=rf"^mask in deg; got {mask_deg}; wanted from 0 to below 90 deg above the horizon$"
    ):
        pass_geometry(550.0, mask_deg)


def test_other_impossible_questions_are_refused(subtests: pytest.Subtests) -> None:
    for ask, words in [
        (lambda: pass_duration_s(550.0, 25.0, -1.0), "off-track angle"),
        (lambda: share_in_view(550.0, 25.0, 181.0, 0.0), "inclination"),
        (lambda: share_in_view(550.0, 25.0, 53.0, 90.5), "latitude"),
        (lambda: share_in_view(550.0, 25.0, 53.0, np.nan), "latitude"),
        (lambda: chance_none_in_view(3, 1.5), "share of time"),
        (lambda: chance_none_in_view(-1, 0.5), "number of satellites"),
        (lambda: chance_none_in_view(2.5, 0.5), "whole number"),
    ]:
        with subtests.test(ask=ask, words=words), pytest.raises(InputError, match=words):
            ask()
