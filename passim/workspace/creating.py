"""The text of a new workspace file, with a plain word beside each setting; the invented scenario's among them."""

from __future__ import annotations

import os
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path, PurePath
from typing import Any

import tomlkit

from passim.answers.calls.kinds import VIDEO
from passim.elements.atomic import write_atomically
from passim.elements.files import read_elements
from passim.elements.read_log import TOLERATED_SHARE
from passim.errors import InputError, WorkspaceError
from passim.forecast.timing import TimingModel
from passim.sky.horizon import Horizon
from passim.sky.limits import TERMINAL_LIMITS, Gateway, TerminalLimit
from passim.spans import DailyHours, aware
from passim.workspace import plans, saving
from passim.workspace.checking import read_settings, settings_of, zone_at
from passim.workspace.folder import FILE_NAME, Workspace
from passim.workspace.settings import (
    CallHoursSettings,
    FleetSettings,
    PlaceSettings,
    SiteSettings,
    Skyline,
    SpotSettings,
)

_MOST_COPIES = 100


def new_site(
    name: str,
    latitude_deg: float,
    longitude_deg: float,
    *,
    height_m: float = 0.0,
    zone: str | None = None,
    mask_deg: float | None = None,
    horizon_file: str | None = None,
    spot: str = "roof",
    call_hours: DailyHours | None = None,
) -> SiteSettings:
    """Return a site for a workspace: its place, its zone, the one mounting spot in use, and when calls are held.

    `horizon_file` stands instead of `mask_deg` where it is given; it is named from the current folder. With neither the
    roof line is left open. Raises WorkspaceError with all that is wrong.
    """
    skyline = {"mask_deg": mask_deg} if horizon_file is None else {"horizon_file": horizon_file}
    settings: dict[str, Any] = {
        "name": name,
        "latitude_deg": latitude_deg,
        "longitude_deg": longitude_deg,
        "height_m": height_m,
    }
    hours = None if call_hours is None else CallHoursSettings.of(call_hours)
    settings |= {"zone": zone, "call_hours": hours, "spots": [{"name": spot, **skyline}]}
    return settings_of(SiteSettings, settings, "new site")


def create(
    folder: str | Path,
    *,
    demo: bool = False,
    site: SiteSettings | None = None,
    gateways: Sequence[Gateway] = (),
    elements: Sequence[str] = (),
    fleet_name: str = "fleet",
    at: datetime | None = None,
) -> Workspace:
    """Write a workspace into `folder`, which is made if need be: the invented scenario, or the user's own `new_site`.

    Paths of the site and of `elements` are taken from the current folder. A horizon file is copied into the workspace;
    element files stay where they are, and the workspace names them from its own folder, or in full where they lie far
    from it. The launches of the demo's invented plan begin 60 days after `at` (aware; default: now).

    Raises WorkspaceError where the folder holds a workspace already, damaged or not, or cannot be written; and with all
    that is wrong where the file would not be sound. Raises SiteError or ElementsError, which name the path as it was
    given, for a horizon file or element files that cannot be used.
    """
    if demo == (site is not None):
        raise InputError("new workspace", got="neither or both", wanted="either the demo or a site")
    folder = Path(folder)
    file = folder / FILE_NAME
    # Everything is looked at before the folder is made, so that bad input leaves nothing behind.
    check_folder(folder)
    skyline = None if site is None else site.spots[0].horizon_file
    if skyline is not None:
        Horizon.from_csv(skyline)
    if elements:
        read_elements(list(elements), lenient=TOLERATED_SHARE)
    named = [_seen_from(folder, path) for path in elements]
    fleets = [settings_of(FleetSettings, {"name": fleet_name, "elements": named}, "new fleet")] if named else []

    def text_of(site: SiteSettings | None) -> str:
        return demo_text() if site is None else _text(site.name, gateways, [site], fleets)

    text = text_of(site if site is None or skyline is None else under(site, mask_deg=25.0))
    read_settings(text, file)
    saving.make_folder(folder)
    if site is None or skyline is None:
        saving.create_file(file, text)
        plan = folder / plans.DEMO_PLAN
        if demo and not os.path.lexists(plan):
            first_day = (datetime.now(UTC) if at is None else aware(at)).date() + timedelta(days=60)
            write_atomically(plan, plans.demo_plan(first_day).encode())
        return Workspace.load(folder)
    copy, is_new = _copied(Path(skyline), folder)
    try:
        saving.create_file(file, text_of(under(site, horizon_file=copy.name)))
    except WorkspaceError:
        if is_new:
            copy.unlink()
        raise
    return Workspace.load(folder)


def begin(folder: str | Path) -> Workspace:
    """Return the workspace of a folder that holds none yet, without site or fleet; the first change to it writes it.

    Until then nothing is written, and the folder need not be there. Raises WorkspaceError for one that cannot be made
    or holds a workspace already.
    """
    check_folder(folder)
    text = _text("", (), (), ())
    return Workspace(Path(folder), read_settings(text, Path(folder) / FILE_NAME), unwritten=text)


def check_folder(folder: str | Path) -> None:
    """Refuse a folder for a new workspace that holds one already, or that cannot be one. Raises WorkspaceError."""
    folder = Path(folder)
    file = folder / FILE_NAME
    if os.path.lexists(file):
        raise WorkspaceError(
            "new workspace", got=str(file), wanted="a folder without a workspace", try_next="another folder"
        )
    # What is there of the way to the folder says whether the rest can be made.
    there = next((place for place in (folder.absolute(), *folder.absolute().parents) if place.exists()), None)
    if there is not None and not there.is_dir():
        raise WorkspaceError(f"folder {folder} cannot be made: {there} is a file", try_next="another folder")
    if there is not None and not os.access(there, os.W_OK | os.X_OK):
        raise WorkspaceError(f"folder {folder} cannot be written", try_next="a folder of your own")


def demo_text() -> str:
    """Return the file of the invented scenario as a user's own: what `Workspace.demo` says, with every remark."""
    shipped = Workspace.demo()
    settings = shipped.settings
    return _text(
        settings.name, shipped.gateways(), settings.sites, settings.fleets, kind=settings.calls.kind, invented=True
    )


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


_NO_ROOF_LINE = "# mask_deg = 25.0  # unset: no roof line entered yet, and 25 all round stands in for it\n"
_NO_HOURS = '# call_hours = { start = "08:00", end = "18:00", days = ["Mon", "Tue", "Wed", "Thu", "Fri"] }'


def _text(
    name: str,
    gateways: Sequence[Gateway],
    sites: Sequence[SiteSettings],
    fleets: Sequence[FleetSettings],
    *,
    kind: str = VIDEO.name,
    invented: bool = False,
) -> str:
    """Return the whole file, with a remark at each setting."""
    remark = "# Everything in this file is invented.\n" if invented else ""
    gateway_remark = "# Invented.\n" if invented else ""
    each_gateway = [gateway_remark + gateway_section(gateway) for gateway in gateways] or [_NO_GATEWAY]
    each_site = [site_section(site, without_hours=_NO_HOURS) for site in sites]
    fleet = "\n".join(fleet_section(each) for each in fleets) or _NO_FLEET
    model = TimingModel()
    return f"""\
# A passim workspace: where you are, what your terminal can see, and which satellites count.
# Degrees, north and east positive; metres; seconds. What stands behind a # is a remark, or a setting not in use.
# height_m is the height above the ellipsoid: the height above sea level that a map gives plus the height of the geoid
# there, -105 to +85 m. 50 m either way move an edge by about 0.02 s.
# "passim workspace check" says whether the file is sound and where it is not.
{remark}
name = {_value(name)}

# true where satellites pass traffic on among themselves: then no gateway has to be in their view.
relay_between_satellites = false

[terminal]
# Below this elevation the terminal itself does not work; 25 is usual; lower it only if yours says so.
lowest_elevation_deg = 25.0
{chr(10).join(_terminal_limit(kind) for kind in TERMINAL_LIMITS)}
# Which satellite is taken: "keep-then-highest", which is passim's own guess, "keep-then-longest" or "highest".
# policy = "keep-then-highest"
# Where satellites are handed out on a fixed clock: its period, and its offset. The clock runs through from 1970-01-01
# 00:00 UTC; a period that divides the day, such as 15 s, therefore falls on every midnight of UTC.
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

{chr(10).join(each_gateway)}
# ---- sites, the one in use first; each with its mounting spots, the one in use first ----
# A spot's horizon is one of: mask_deg = 25.0, clear down to the same elevation all round;
#   horizon_file = "roof.csv", a file with the columns azimuth_deg,elevation_deg beside this one;
#   horizon = [[0, 12], [90, 30], [180, 25]], points of azimuth and elevation.

{chr(10).join(each_site)}
# ---- kinds of call: from how many seconds on a freeze is noticed, is a pause, ends the call ----
# "video", "lesson", "voice", "screen" and "stream" are known; [calls] kind is what is meant where none is named, and
# [[calls.kinds]] changes one of them, or adds another.
[calls]
kind = {_value(kind)}
# [[calls.kinds]]
# name = "video"
# noticed_from_s = {VIDEO.noticed_from_s}
# pause_from_s = {VIDEO.pause_from_s}
# ends_from_s = {VIDEO.ends_from_s}
# buffer_s = {VIDEO.buffer_s}

# How the timing error of each satellite grows with the age of its elements: seconds at their epoch, seconds a day, and
# seconds a day squared; what a manoeuvre adds a day, and what all share. Unset, a fleet with a feed has those that
# passim update learns from its snapshots, and other fleets the usual ones, which stand here. What is set comes first.
# [timing]
# at_epoch_s = {model.at_epoch_s}
# per_day_s = {model.per_day_s}
# per_day2_s = {model.per_day2_s}
# manoeuvre_per_day_s = {model.manoeuvre_per_day_s}
# shared_per_day2_s = {model.shared_per_day2_s}

# ---- your line: what passim probe asks to see whether it answers, your own router first, then two far hosts ----
# NAME=HOST:PORT opens a connection, NAME=icmp:HOST asks for an echo, NAME=dns:RESOLVER asks for a name.
# [line]
# targets = ["router=192.168.1.1:80", "far=198.51.100.7:443", "resolver=dns:203.0.113.53"]
# every_s = 1.0
# ntp_server = "203.0.113.123"  # whose clock to compare this machine's with; unset: nobody is asked

# ---- fleets, the one in use first ----

{fleet}"""


def _terminal_limit(kind: TerminalLimit) -> str:
    """Return what a new file says of a limit of the terminal: a remark, and a line not in use."""
    numbers = [f"{name} = {value}" for name, value in zip(kind.numbers, kind.example, strict=True)]
    example = str(kind.example[0]) if len(numbers) == 1 else f"{{ {', '.join(numbers)} }}"
    return f"# {kind.remark}\n# {kind.key} = {example}"


def site_section(site: SiteSettings, without_hours: str | None = None) -> str:
    """Return the section of a site with its spots; `without_hours` stands in it where it has no hours for calls."""
    lines = ["[[sites]]", *_place(site)]
    there = site.zone or zone_at(site.latitude_deg, site.longitude_deg) or "UTC"
    lines.append(
        f"zone = {_value(there)}" if site.zone else f"# zone = {_value(there)}  # unset: the zone at the coordinates"
    )
    if site.gateways is not None:
        lines.append(f"gateways = {_value(site.gateways)}")
    if site.call_hours is not None:
        settings = site.call_hours
        days = ", ".join(_value(day) for day in settings.days)
        lines.append(
            f'call_hours = {{ start = "{settings.start:%H:%M}", end = "{settings.end:%H:%M}", days = [{days}] }}'
        )
    elif without_hours is not None:
        lines.append(without_hours)
    return "\n".join([*lines, *(f"\n{spot_section(spot).rstrip()}" for spot in site.spots)]) + "\n"


def spot_section(spot: SpotSettings) -> str:
    """Return the section of a mounting spot."""
    said = next((key for key in Skyline.model_fields if getattr(spot, key) is not None), None)
    skyline = _NO_ROOF_LINE if said is None else f"{said} = {_value(getattr(spot, said))}\n"
    return f"[[sites.spots]]\nname = {_value(spot.name)}\n{skyline}"


def gateway_section(gateway: Gateway) -> str:
    """Return the section of a gateway."""
    skyline = f"mask_deg = {_value(gateway.horizon.lowest_deg)}"
    if not gateway.horizon.is_flat:
        points = zip(gateway.horizon.azimuths_deg, gateway.horizon.elevations_deg, strict=True)
        skyline = f"horizon = {_value([list(point) for point in points])}"
    return "\n".join(["[[gateways]]", *_place(gateway), skyline]) + "\n"


def _place(place: SiteSettings | Gateway) -> list[str]:
    return [f"{key} = {_value(getattr(place, key))}" for key in PlaceSettings.model_fields]


def fleet_section(fleet: FleetSettings) -> str:
    """Return the section of a fleet: with a feed, with element files, or invented."""
    if fleet.feed is not None:
        feed = ", ".join(f"{key} = {_value(value)}" for key, value in fleet.feed.model_dump(exclude_unset=True).items())
        return f"[[fleets]]\nname = {_value(fleet.name)}\nfeed = {{ {feed} }}\n"
    if fleet.invented is None:
        return f"[[fleets]]\nname = {_value(fleet.name)}\nelements = {_value(fleet.elements)}\n"
    remark = "# Invented afresh for each day: its elements are from 00:00 UTC of the day you ask about."
    return f"{remark}\n[[fleets]]\nname = {_value(fleet.name)}\ninvented = {_value(fleet.invented)}\n"


def under(site: SiteSettings, **skyline: Any) -> SiteSettings:
    """Return a site whose first spot has another horizon."""
    first, *others = site.spots
    return site.model_copy(update={"spots": [SpotSettings(name=first.name, **skyline), *others]})


def _seen_from(folder: Path, path: str) -> str:
    """Return a path of the current folder as it is named from `folder`: in full where it is no near neighbour."""
    whole = Path(path).absolute()
    try:
        # Links are followed on both sides, because ".." does not lead back through one.
        near = PurePath(os.path.relpath(whole.resolve(), folder.absolute().resolve()))
    except ValueError:  # another drive
        return whole.as_posix()
    return whole.as_posix() if near.parts[:2] == ("..", "..") else near.as_posix()


def _copied(source: Path, folder: Path) -> tuple[Path, bool]:
    """Return the copy of a horizon file in `folder`, and whether it is new: a file that is there is not written over.

    Raises WorkspaceError.
    """
    try:
        data = source.read_bytes()
        for number in range(1, _MOST_COPIES):
            copy = folder / (source.name if number == 1 else f"{source.stem}-{number}{source.suffix}")
            if not copy.exists():
                write_atomically(copy, data)
                return copy, True
            if copy.is_file() and copy.read_bytes() == data:
                return copy, False
    except OSError as error:
        raise WorkspaceError(
            f"horizon file {source} cannot be copied to {folder}: {error.strerror}", try_next="a folder of your own"
        ) from None
    raise WorkspaceError(f"horizon files in {folder}", got=f"over {_MOST_COPIES} of that name", wanted="fewer")


def _value(value: Any) -> str:
    """Return a value as TOML writes it."""
    return str(tomlkit.item(value).as_string())
