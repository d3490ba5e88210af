"""Coverage geometry of a sphere: formulas of a handbook from memory, figures by own arithmetic; no outside check.

Formulas: Larson & Wertz, "Space Mission Analysis and Design", 3rd ed. 1999, sections 5.2 and 5.3 (recalled). All
figures but those of the worked pass are own arithmetic with Re = 6378.137 km and mu = 398600.4418 km^3/s^2. Tolerance:
half of the last digit given.
"""

from __future__ import annotations

import pytest

from passim.sky.closed_forms import pass_duration_s, pass_geometry

# altitude km, mask deg, central angle deg, slant range km, footprint km, period s, longest pass s.
TABLE = [
    (500, 5, 17.5153, 2077.96, 3899.6, 5676.98, 552.41),
    (500, 25, 7.8150, 1031.94, 1739.9, 5676.98, 246.48),
    (550, 10, 14.9566, 1815.65, 3329.9, 5738.99, 476.87),
    (550, 25, 8.4508, 1123.42, 1881.5, 5738.99, 269.44),
    (550, 40, 5.1518, 812.11, 1147.0, 5738.99, 164.26),
    (780, 8.2, 19.9247, 2464.59, 4436.0, 6027.14, 667.16),
    (1000, 10, 21.6432, 2763.23, 4818.6, 6307.12, 758.37),
    (1414, 10, 26.2834, 3503.68, 5851.7, 6845.35, 999.55),
    (1500, 40, 11.6700, 2080.23, 2598.2, 6958.99, 451.18),
]


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row[0]}km-{row[1]}deg")
def test_geometry_table(row):
    altitude_km, mask_deg, central_angle_deg, range_km, footprint_km, period_s, pass_s = row
    geometry = pass_geometry(altitude_km, mask_deg)
    assert geometry.central_angle_deg == pytest.approx(central_angle_deg, abs=0.00005)
    assert geometry.edge_range_km == pytest.approx(range_km, abs=0.005)
    assert geometry.footprint_km == pytest.approx(footprint_km, abs=0.05)
    assert geometry.period_s == pytest.approx(period_s, abs=0.005)
    assert geometry.longest_pass_s == pytest.approx(pass_s, abs=0.005)


@pytest.mark.parametrize(
    ("off_track_deg", "duration_s"), [(0, 269.440), (2, 261.839), (4, 237.540), (6, 190.091), (8, 87.112)]
)
def test_off_track_pass(off_track_deg, duration_s):
    # Recomputed, 550 km and 25 deg.
    assert pass_duration_s(550, 25, off_track_deg) == pytest.approx(duration_s, abs=0.0005)


def test_worked_pass():
    # The book's worked example (recalled, recomputed): 1000 km, 5 deg; it prints 3194.5 km and 12.375 min. Its offset
    # is rounded to 14.62 deg, which alone moves the pass by 0.001 min.
    assert pass_geometry(1000, 5).edge_range_km == pytest.approx(3194.5, abs=0.05)
    assert pass_duration_s(1000, 5, 14.62) / 60.0 == pytest.approx(12.375, abs=0.0015)


def test_plane_drawing_beside_the_sphere():
    # Common practice, no source: for a 550 km fleet at 25 deg the plane drawing gives 2359 km across and 311 s at
    # 7.585 km/s. The sphere gives 1881 km and 269 s (recomputed).
    geometry = pass_geometry(550, 25)
    assert geometry.speed_km_s == pytest.approx(7.585, abs=0.0005)
    assert geometry.flat_footprint_km == pytest.approx(2359, abs=0.5)
    assert geometry.flat_pass_s == pytest.approx(311, abs=0.5)
    assert geometry.footprint_km == pytest.approx(1881, abs=0.5)
    assert geometry.longest_pass_s == pytest.approx(269, abs=0.5)
    assert geometry.flat_footprint_excess_percent == pytest.approx(25, abs=0.5)


def test_delay_of_the_user_link():
    # 550 km and 1123.418 km at the speed of light, 299792.458 km/s (SI): 1.8346 ms and 3.7473 ms, own arithmetic.
    geometry = pass_geometry(550, 25)
    assert geometry.overhead_delay_ms == pytest.approx(1.8346, abs=0.00005)
    assert geometry.edge_delay_ms == pytest.approx(3.7473, abs=0.00005)
