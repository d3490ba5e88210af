"""The text of a new workspace file, with a plain word beside each setting; the invented scenario's among them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomlkit

from passim.answers import scenario
from passim.errors import InputError, WorkspaceError
from passim.sky.site import Site
from passim.workspace import saving
from passim.workspace.checking import read_settings
from passim.workspace.folder import FILE_NAME, Workspace
from passim.workspace.settings import WEEKDAYS


@dataclass(frozen=True, slots=True, kw_only=True)
class NewGateway:
    """A gateway of a new workspace: place in degrees and metres, flat mask in degrees."""

    name: str
    latitude_deg: float
    longitude_deg: float
    height_m: float = 0.0
    mask_deg: float = 25.0


@dataclass(frozen=True, slots=True, kw_only=True)
class NewSite:
    """A site of a new workspace: its place, its zone, and the one mounting spot in use.

    ``horizon_file`` stands instead of ``mask_deg`` where it is given; it is named from the workspace's folder.
    """

    name: str
    latitude_deg: float
    longitude_deg: float
    height_m: float = 0.0
    zone: str | None = None
    mask_deg: float = 25.0
    horizon_file: str | None = None
    spot: str = "roof"


def create(
    folder: str | Path,
    *,
    demo: bool = False,
    site: NewSite | None = None,
    gateways: Sequence[NewGateway] = (),
    elements: Sequence[str] = (),
    fleet_name: str = "fleet",
) -> Workspace:
    """Write a workspace into `folder`, which is made if need be: the invented scenario, or the user's own site.

    Raises WorkspaceError where the folder holds a workspace already, damaged or not, or cannot be written; and with all
    that is wrong where the file would not be sound.
    """
    if demo == (site is not None):
        raise InputError("new workspace", got="neither or both", wanted="either the demo or a site")
    folder = Path(folder)
    file = folder / FILE_NAME
    text = demo_text() if site is None else own_text(site, gateways, elements, fleet_name)
    # Looked at before the folder is made, so that bad input leaves nothing behind.
    read_settings(text, file)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise WorkspaceError(f"folder {folder} cannot be made: {error.strerror}", try_next="another folder") from None
    saving.create_file(file, text)
    return Workspace.load(folder)


def demo_text() -> str:
    """Return the file of the invented scenario."""
    hours = scenario.CALL_HOURS
    days = ", ".join(_value(WEEKDAYS[day]) for day in hours.weekdays)
    call_hours = f'{{ start = "{hours.start:%H:%M}", end = "{hours.end:%H:%M}", days = [{days}] }}'
    gateways = [
        _gateway(g.name, g.latitude_deg, g.longitude_deg, g.height_m, g.mask_deg, " Invented.")
        for g in scenario.GATEWAYS
    ]
    sites = []
    for station in scenario.STATIONS:
        first = station.spots[0]
        # The scenario names a spot after its station; a station with one spot carries no word for it.
        spots = [
            (_spot_name(station.name, spot), f"mask_deg = {_value(spot.horizon.highest_deg)}") for spot in station.spots
        ]
        sites.append(
            _site(
                station.name,
                first.latitude_deg,
                first.longitude_deg,
                first.height_m,
                first.timezone,
                spots,
                [f"gateways = [{_value(station.gateway.name)}]", f"call_hours = {call_hours}"],
            )
        )
    fleet = (
        "# Invented afresh for each day: its elements are from 00:00 UTC of the day you ask about.\n"
        f'[[fleets]]\nname = {_value(scenario.FLEET_NAME.partition(" (")[0])}\ninvented = "plover"\n'
    )
    return _text(scenario.SCHOOL_NAME, "Everything in this file is invented.", gateways, sites, fleet)


def own_text(site: NewSite, gateways: Sequence[NewGateway], elements: Sequence[str], fleet_name: str) -> str:
    """Return the file of a user's own site."""
    where = [_gateway(g.name, g.latitude_deg, g.longitude_deg, g.height_m, g.mask_deg, "") for g in gateways] or [
        _NO_GATEWAY
    ]
    skyline = f"mask_deg = {_value(site.mask_deg)}"
    if site.horizon_file is not None:
        skyline = f"horizon_file = {_value(site.horizon_file)}"
    hours = '# call_hours = { start = "08:00", end = "18:00", days = ["Mon", "Tue", "Wed", "Thu", "Fri"] }'
    place = _site(
        site.name, site.latitude_deg, site.longitude_deg, site.height_m, site.zone, [(site.spot, skyline)], [hours]
    )
    fleet = _NO_FLEET
    if elements:
        fleet = f"[[fleets]]\nname = {_value(fleet_name)}\nelements = {_value(list(elements))}\n"
    return _text(site.name, "", where, [place], fleet)


_NO_GATEWAY = """\
# None is known yet. Where satellites hand traffic straight down, a gateway decides more than any roof line.
# [[gateways]]
# name = "South"
# latitude_deg = 39.6
# longitude_deg = -28.0
# height_m = 50.0
# mask_deg = 25.0
"""

_NO_FLEET = """\
# Element files or folders, named from this folder: two-line, or OMM as JSON, CSV, XML or KVN, plain or .gz.
# [[fleets]]
# name = "fleet"
# elements = ["elements.json"]
"""


def _text(name: str, remark: str, gateways: Sequence[str], sites: Sequence[str], fleet: str) -> str:
    """Return the whole file."""
    remark = f"# {remark}\n" if remark else ""
    return f"""\
# A passim workspace: where you are, what your terminal can see, and which satellites count.
# Degrees, north and east positive; metres; seconds. What stands behind a # is a remark, or a setting not in use.
# "passim workspace check" says whether the file is sound and where it is not.
{remark}
name = {_value(name)}

# true where satellites pass traffic on among themselves: then no gateway has to be in their view.
relay_between_satellites = false

[terminal]
# Height above the horizon below which the terminal itself does not work. Unset: 25, or a lower roof line.
# lowest_elevation_deg = 25.0
# A flat antenna steers within a cone: tilt from straight up towards an azimuth, and half of its field of view.
# cone = {{ azimuth_deg = 0.0, tilt_deg = 20.0, half_angle_deg = 50.0 }}
# Angle kept to the geostationary arc. No standard fixes one angle for all; unset is off.
# arc_keep_out_deg = 18.0
# Which satellite is taken: "keep-then-highest", "keep-then-longest" or "highest".
policy = "keep-then-highest"
# Where satellites are handed out on a fixed clock: its period, and its offset from 00:00 UTC.
# clock_period_s = 15.0
# clock_offset_s = 0.0
# How long the picture stands still whenever a satellite is taken.
acquisition_s = 0.0

[serving]
# Only satellites that keep their shell serve; climbers, spares, stale and decayed objects do not.
filter = true
# The part of the fleet that serves at all, and the draw that says which.
share_percent = 100.0
seed = 0
# Catalogue numbers of satellites known not to serve.
excluded = []

# ---- gateways: the stations on the ground that a satellite must see while it serves you ----

{chr(10).join(gateways)}
# ---- sites, the one in use first; each with its mounting spots, the one in use first ----
# A spot's horizon is one of: mask_deg = 25.0, a height all round;
#   horizon_file = "roof.csv", a file with the columns azimuth_deg,elevation_deg beside this one;
#   horizon = [[0, 12], [90, 30], [180, 25]], points of azimuth and height.

{chr(10).join(sites)}
# ---- kinds of call: from how many seconds on a freeze is noticed, is a pause, ends the call ----
# "lesson", "voice", "screen" and "stream" are known; what stands here changes them, or adds a kind.
# [[calls.kinds]]
# name = "lesson"
# noticed_from_s = 0.5
# pause_from_s = 5.0
# ends_from_s = 30.0
# buffer_s = 0.0

# ---- fleets, the one in use first ----

{fleet}"""


def _site(
    name: str,
    latitude_deg: float,
    longitude_deg: float,
    height_m: float,
    zone: str | None,
    spots: Sequence[tuple[str, str]],
    more: Sequence[str],
) -> str:
    zone_line = f"zone = {_value(zone)}" if zone else '# zone = "Atlantic/Azores"  # unset: the zone at the coordinates'
    lines = [
        "[[sites]]",
        f"name = {_value(name)}",
        f"latitude_deg = {_value(latitude_deg)}",
        f"longitude_deg = {_value(longitude_deg)}",
        f"height_m = {_value(height_m)}",
        zone_line,
        *more,
    ]
    for spot, skyline in spots:
        lines += ["", "[[sites.spots]]", f"name = {_value(spot)}", skyline]
    return "\n".join(lines) + "\n"


def _gateway(
    name: str, latitude_deg: float, longitude_deg: float, height_m: float, mask_deg: float, remark: str
) -> str:
    head = f"#{remark}\n" if remark else ""
    return (
        f"{head}[[gateways]]\nname = {_value(name)}\nlatitude_deg = {_value(latitude_deg)}\n"
        f"longitude_deg = {_value(longitude_deg)}\nheight_m = {_value(height_m)}\nmask_deg = {_value(mask_deg)}\n"
    )


def _spot_name(station: str, spot: Site) -> str:
    return spot.name.removeprefix(station).strip() or "roof"


def _value(value: Any) -> str:
    """Return a value as TOML writes it."""
    return str(tomlkit.item(value).as_string())
