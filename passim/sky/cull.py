"""Which segments of which orbits can come into reach of a site at all: a cull before SGP4.

A low satellite is within reach of a site in a few short stretches a day. For a near-circular orbit those follow in
closed form. SGP4 at a few coarse nodes a day gives each orbit's plane and phase. In a frame that turns with the
orbit's node, the plane stands still and the site runs around its parallel of latitude, so once in every revolution the
satellite passes the point of its plane nearest the site; the sine of the angle between site and plane, |h . s|, then
says whether that pass can reach the site. Margins cover eccentricity, drag and the oblate Earth; orbits for which they
would not hold are looked at whole, node by node.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import radians

import numpy as np
from numpy.typing import NDArray

from passim.constants import EARTH_RATE_RAD_S
from passim.orbits.arcs import NodeGrid
from passim.orbits.frames import earth_angle_rad, julian_date
from passim.orbits.propagation import Propagator, usable
from passim.sky.site import Site

Floats = NDArray[np.float64]
Index = NDArray[np.intp]

_COARSE_STEP_S = 21_600.0

# What counts as near-circular: the equation of the centre stays within 4 e of the straight line between coarse nodes.
_LARGEST_ECCENTRICITY = 0.01
# Eight turns a day (about 4,200 km up): below that the satellite hardly outruns the ground, and few nodes are saved.
_SLOWEST_RAD_S = 8.0 * 2.0 * np.pi / 86400.0
# Short-period terms of SGP4 move a satellite by up to about 10 km, 0.1 deg; 0.3 deg is kept for them and for drag
# within half a coarse step.
_MARGIN_RAD = radians(0.3)
_MARGIN_KM = 15.0
# The ellipsoid's normal and the geocentric direction differ by up to 0.193 deg.
_DEFLECTION_RAD = radians(0.2)


@dataclass(frozen=True)
class CoarseOrbits:
    """Plane and phase of near-circular orbits at coarse nodes.

    ``satellite`` lists them by index, shape (n,); ``rest`` lists the others, which need every node. ``radial``,
    ``ahead`` and ``normal`` are unit vectors (n, nodes, 3) in TEME: to the satellite, a quarter turn ahead, and along
    the angular momentum.
    """

    satellite: Index
    rest: Index
    node_s: Floats
    half_step_s: float
    site_turn_rad: Floats
    radial: Floats
    ahead: Floats
    normal: Floats

    @property
    def size_bytes(self) -> int:
        """About how much memory it takes."""
        return int(self.radial.nbytes + self.ahead.nbytes + self.normal.nbytes + self.satellite.nbytes)


def coarse_orbits(propagator: Propagator, start_us: int, duration_s: float) -> CoarseOrbits:
    """Return the coarse model of `propagator`'s fleet over `duration_s` seconds from `start_us`."""
    near_circular = (propagator.eccentricity < _LARGEST_ECCENTRICITY) & (propagator.mean_motion_rad_s > _SLOWEST_RAD_S)
    count = max(1, int(np.ceil(duration_s / _COARSE_STEP_S)))
    half_step_s = 0.5 * duration_s / count
    node_s = (2.0 * np.arange(count, dtype=np.float64) + 1.0) * half_step_s
    node_us = start_us + np.round(node_s * 1e6).astype(np.int64)
    chosen = np.flatnonzero(near_circular)
    if len(chosen):
        position, velocity, error = propagator.sweep(chosen, *julian_date(node_us))
        good = usable(position, error).all(axis=1)
        chosen, position, velocity = chosen[good], position[good], velocity[good]
        # The osculating orbit must be near-circular as well: sets that are decaying fast are not.
        radius2 = np.einsum("...i,...i->...", position, position)
        radial_speed = np.abs(np.einsum("...i,...i->...", position, velocity)) / radius2
        calm = np.all(radial_speed < 2.0 * _LARGEST_ECCENTRICITY * propagator.mean_motion_rad_s[chosen, None], axis=1)
        chosen, position, velocity = chosen[calm], position[calm], velocity[calm]
    else:
        position = velocity = np.empty((0, count, 3))
    radial = position / np.linalg.norm(position, axis=-1, keepdims=True)
    normal = np.cross(position, velocity)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    rest = np.setdiff1d(np.arange(len(propagator)), chosen)
    return CoarseOrbits(
        chosen, rest, node_s, half_step_s, earth_angle_rad(node_us), radial, np.cross(normal, radial), normal
    )


def margin_rad(propagator: Propagator, satellites: Index) -> Floats:
    """Return how far satellites may be from where the coarse orbits have them, as an angle, shape (satellites,)."""
    return np.asarray(_MARGIN_RAD + 4.0 * propagator.eccentricity[satellites])


def largest_reach_rad(propagator: Propagator, satellites: Index, site_radius_km: Floats, floor_rad: Floats) -> Floats:
    """Return the farthest ground angle at which satellites can stand above a floor, at their largest radius.

    `site_radius_km` and `floor_rad` have shape (sites,), the result (satellites, sites). The margin is added once.
    """
    eccentricity = propagator.eccentricity[satellites]
    largest_radius_km = propagator.semi_major_axis_km[satellites] * (1.0 + eccentricity) + _MARGIN_KM
    elevation = floor_rad - _DEFLECTION_RAD
    cosine = np.minimum(site_radius_km / largest_radius_km[:, None] * np.cos(elevation), 1.0)
    return np.asarray(np.arccos(cosine) - elevation + margin_rad(propagator, satellites)[:, None])


def segments_within_cull(grid: NodeGrid, coarse: CoarseOrbits, site: Site, floor_deg: float) -> tuple[Index, Index]:
    """Return the (satellite, segment number) pairs that can rise above `floor_deg` at `site`, sorted.

    `coarse` must be of the same stretch of time as `grid`.
    """
    near_satellite, near_number = _near_circular(grid, coarse, site, floor_deg)
    every = grid.segments_per_satellite
    rest_satellite, rest_number = grid.possibly_above(
        coarse.rest, site.position_km, site.east_north_up[2], float(np.sin(radians(floor_deg)))
    )
    if not len(rest_satellite):
        return near_satellite, near_number
    satellite = np.concatenate([near_satellite, rest_satellite])
    number = np.concatenate([near_number, rest_number])
    order = np.argsort(satellite * every + number, kind="stable")
    return satellite[order], number[order]


def _near_circular(grid: NodeGrid, coarse: CoarseOrbits, site: Site, floor_deg: float) -> tuple[Index, Index]:
    """Return the pairs in reach of the near-circular orbits, each pair once."""
    propagator, chosen = grid.propagator, coarse.satellite
    if not len(chosen):
        return np.empty(0, dtype=np.intp), np.empty(0, dtype=np.intp)
    margin = margin_rad(propagator, chosen)
    site_radius_km = float(np.linalg.norm(site.position_km))
    reach = largest_reach_rad(propagator, chosen, np.array([site_radius_km]), np.array([radians(floor_deg)]))[:, 0]

    # The site in the frame that turns with each orbit's node. Rates are relative to that frame.
    rate = propagator.argument_of_latitude_rate_rad_s[chosen]
    site_rate = EARTH_RATE_RAD_S - propagator.node_rate_rad_s[chosen]
    x, y, z = site.position_km / site_radius_km
    across, longitude = np.hypot(x, y), np.arctan2(y, x)

    def site_direction(satellite: Index, node: Index, delay_s: Floats) -> tuple[Floats, Floats]:
        """Return the x and y of the site's direction `delay_s` after a coarse node, in that orbit's frame."""
        angle = coarse.site_turn_rad[node] + longitude + site_rate[satellite] * delay_s
        return across * np.cos(angle), across * np.sin(angle)

    # The satellite passes nearest the site when rate * delay = phase(delay) + 2 pi turn, once for every turn, where the
    # phase is the angle in the plane from the satellite's place at the node to the point nearest the site. It moves by
    # less than 1.5 rad within a coarse step while the site is near the plane, so it is followed from its value at the
    # node. Shape (satellites, nodes).
    angle_at_node = coarse.site_turn_rad + longitude
    s_x, s_y = across * np.cos(angle_at_node), across * np.sin(angle_at_node)
    phase_at_node = np.arctan2(
        s_x * coarse.ahead[..., 0] + s_y * coarse.ahead[..., 1] + z * coarse.ahead[..., 2],
        s_x * coarse.radial[..., 0] + s_y * coarse.radial[..., 1] + z * coarse.radial[..., 2],
    )
    # A pass whose middle lies outside the stretch of time may still reach into it by half its length.
    half_arc = reach + margin
    longest_s = coarse.half_step_s + half_arc / (rate - site_rate)
    slack_rad = 1.5
    first_turn = np.ceil((-(rate * longest_s) - slack_rad)[:, None] / (2.0 * np.pi) - phase_at_node / (2.0 * np.pi))
    turns = int(np.floor(float(np.max(rate * longest_s) + slack_rad) / np.pi)) + 1
    turn_of_all = 2.0 * np.pi * (first_turn[:, :, None] + np.arange(turns))
    delay_of_all = (phase_at_node[:, :, None] + turn_of_all) / rate[:, None, None]
    # Even this first guess tells how far the site is from the plane, to the way it moves in those 1.5 rad: most
    # candidates fall away here.
    normal = coarse.normal
    lean, bearing = np.hypot(normal[..., 0], normal[..., 1]), np.arctan2(normal[..., 1], normal[..., 0])
    angle_of_all = site_rate[:, None, None] * delay_of_all
    angle_of_all += (angle_at_node - bearing)[:, :, None]
    off_track = np.cos(angle_of_all, out=angle_of_all)
    off_track *= (across * lean)[:, :, None]
    off_track += (z * normal[..., 2])[:, :, None]
    unsure = np.sin(np.minimum(reach + slack_rad * site_rate / rate + radians(1.0), 0.5 * np.pi))
    possible = np.abs(off_track, out=off_track) < unsure[:, None, None]
    possible &= delay_of_all < (longest_s + slack_rad / rate)[:, None, None]
    satellite, node, k = np.nonzero(possible)
    reference, turn = phase_at_node[satellite, node], turn_of_all[satellite, node, k]
    delay = delay_of_all[satellite, node, k]
    radial, ahead, normal = (axis[satellite, node] for axis in (coarse.radial, coarse.ahead, coarse.normal))
    for _ in range(3):
        s_x, s_y = site_direction(satellite, node, delay)
        phase = np.arctan2(
            s_x * ahead[:, 0] + s_y * ahead[:, 1] + z * ahead[:, 2],
            s_x * radial[:, 0] + s_y * radial[:, 1] + z * radial[:, 2],
        )
        moved = phase - reference
        moved -= 2.0 * np.pi * np.round(moved / (2.0 * np.pi))
        delay = (reference + moved + turn) / rate[satellite]
    s_x, s_y = site_direction(satellite, node, delay)
    sine = s_x * normal[:, 0] + s_y * normal[:, 1] + z * normal[:, 2]
    off_track = np.maximum(np.abs(np.arcsin(np.clip(sine, -1.0, 1.0))) - margin[satellite], 0.0)
    hit = off_track < reach[satellite]
    satellite, node, delay, off_track = satellite[hit], node[hit], delay[hit], off_track[hit]

    # How long around that moment: the arc of the orbit inside the reach, at the slowest relative speed.
    half_arc = np.arccos(np.clip(np.cos(reach[satellite]) / np.cos(off_track), -1.0, 1.0)) + margin[satellite]
    half_s = half_arc / (rate[satellite] - site_rate[satellite])
    middle_s = coarse.node_s[node] + delay
    first = np.floor((middle_s - half_s) / grid.segment_s).astype(np.intp)
    last = np.floor((middle_s + half_s) / grid.segment_s).astype(np.intp)
    first, last = np.maximum(first, 0), np.minimum(last, grid.segments_per_satellite - 1)
    counts = np.maximum(last - first + 1, 0)
    owner = np.repeat(np.arange(len(first)), counts)
    number = first[owner] + np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
    # Neighbouring candidates share segments: a table of marks leaves each once, in order.
    every = grid.segments_per_satellite
    marked = np.zeros(len(propagator) * every, dtype=bool)
    marked[chosen[satellite[owner]] * every + number] = True
    satellite, number = np.divmod(np.flatnonzero(marked), every)
    return satellite, number
