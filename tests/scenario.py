"""The invented scenario by short names, for tests: what `Workspace.demo` holds, and its fleet."""

from __future__ import annotations

from typing import Final

from passim import Site, View
from passim.sky.limits import Gateway, GatewayLimit
from passim.spans import DailyHours
from passim.workspace import Workspace
from passim.workspace.plover import FLEET_NAME as FLEET_NAME, plover as plover

SCHOOL: Final = Workspace.demo()
SCHOOL_NAME: Final = SCHOOL.settings.name

GATEWAYS: Final[tuple[Gateway, ...]] = SCHOOL.gateways()
SOUTH, NORTH = GATEWAYS

MARRAM_LOFT: Final[Site] = SCHOOL.site("Marram", "loft")
MARRAM_YARD: Final[Site] = SCHOOL.site("Marram", "yard")
SKERRY: Final[Site] = SCHOOL.site("Skerry")
LANTERN: Final[Site] = SCHOOL.site("Lantern")
STATIONS: Final = (("Marram", (MARRAM_LOFT, MARRAM_YARD)), ("Skerry", (SKERRY,)), ("Lantern", (LANTERN,)))

_HOURS: Final = SCHOOL.call_hours()
assert _HOURS is not None
CALL_HOURS: Final[DailyHours] = _HOURS


def view_of(spot: Site) -> View:
    """Return what a terminal at one of the scenario's spots can use: the sky above its horizon, its gateway."""
    name = next(name for name, spots in STATIONS if spot in spots)
    return View(spot, (GatewayLimit(SCHOOL.gateways(name)),))
