"""A place that is in nobody's workspace yet, with the terminal of a spot, beside the others.

Its skyline is not known, so it stands under a flat horizon as low as the spot's own, or takes the spot's along where
places alone are to be compared. What becomes of the gateways is asked: they stay where they are, move along with the
terminal, each at the same distance in the same direction, or are left out.
"""

from __future__ import annotations

from dataclasses import replace
from enum import Enum

from passim.sky import ground
from passim.sky.horizon import Horizon
from passim.sky.limits import Gateway, GatewayLimit
from passim.sky.site import Site
from passim.sky.view import View


class Gateways(Enum):
    """What becomes of the gateways of a terminal that is taken elsewhere."""

    KEPT = "kept"
    MOVED = "moved"
    DROPPED = "dropped"


class Skyline(Enum):
    """What stands around a terminal that is taken elsewhere: open sky, or the roof line of its spot."""

    OPEN = "open"
    SAME = "same"


def placed(
    view: View,
    name: str,
    latitude_deg: float,
    longitude_deg: float,
    gateways: Gateways,
    skyline: Skyline = Skyline.OPEN,
) -> View:
    """Return the view of the terminal of `view` at another place, called `name`, degrees north and east.

    The place is at the height of the ellipsoid and keeps the clock of the spot. Raises SiteError.
    """
    own = view.site.horizon
    horizon = own if skyline is Skyline.SAME else Horizon.flat(own.lowest_deg)
    site = Site(name, latitude_deg, longitude_deg, 0.0, view.site.timezone, horizon)
    limits = []
    for limit in view.limits:
        if not isinstance(limit, GatewayLimit) or gateways is Gateways.KEPT:
            limits.append(limit)
        elif gateways is Gateways.MOVED:
            moved = tuple(_moved(gateway, view.site, site) for gateway in limit.gateways)
            limits.append(replace(limit, gateways=moved))
    return replace(view, site=site, limits=tuple(limits), label=name)


def gateways_of(view: View) -> tuple[Gateway, ...]:
    """Return the gateways that count for a view."""
    return tuple(each for limit in view.limits if isinstance(limit, GatewayLimit) for each in limit.gateways)


def _moved(gateway: Gateway, old: Site, new: Site) -> Gateway:
    there = gateway.site
    latitude_deg, longitude_deg = ground.reached(new, ground.bearing_deg(old, there), ground.distance_km(old, there))
    return replace(gateway, latitude_deg=latitude_deg, longitude_deg=longitude_deg)
