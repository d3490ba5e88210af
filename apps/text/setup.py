"""Setting up in words: what can be changed in a workspace, each field with its unit, and what a change does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from .columns import TEXT, Column, Format
from .limits import descriptions
from .units import counted, listed

if TYPE_CHECKING:
    import pandas as pd

    from passim.line import MachinesHere
    from passim.workspace import Workspace

KINDS: Final = {
    "site": "Site", "spot": "Mounting spot", "gateway": "Gateway", "fleet": "Fleet", "terminal": "Terminal",
    "target": "Whom a recording asks",
}  # fmt: skip
NEW: Final = {"site": "Add a site", "spot": "Add a spot", "gateway": "Add a gateway", "target": "Add a host to ask"}
ADD_FLEET: Final = "Add a fleet (upload)"
HOW: Final = "Choose what to change. Nothing is written before you have seen which lines of the file change."
UNTOUCHED: Final = "Change a field, and the lines of passim.toml that would change appear here."
NOTHING: Final = "Nothing changes: the file says that already."
WOULD: Final = "These lines of passim.toml would change:"
GOES: Final = "These lines would go; element files and horizon files stay where they are:"
WRITE, REMOVE, REMOVE_NOW, UNDO = "Write this change", "Remove…", "Remove it", "Undo the last change"
WRITTEN: Final = "Written. Every page goes by it from now on."
UNDONE: Final = "Taken back: the file is as it was before the last change. The same button brings the change back."
TARGET_WRITTEN: Final = "Written. A recording under way goes on asking the hosts that it began with."
INVENTED: Final = "This is the invented demonstration: what you change is lost when it ends."


@dataclass(frozen=True, slots=True)
class Field:
    """A field of a form: the setting it is for, its label with the unit, how to fill it, and whether it is a number.

    With `options`, each a value and its words, one of them is chosen.
    """

    key: str
    label: str
    hint: str = ""
    number: bool = True
    options: tuple[tuple[str, str], ...] = ()


_NAME: Final = Field("name", "Name", number=False)
_PLACE: Final = (
    Field("latitude_deg", "Latitude, °", "north positive"),
    Field("longitude_deg", "Longitude, °", "east positive"),
    Field("height_m", "Height, m", "the height on a map will do: 50 m either way move an edge by 0.02 s"),
)
_MASK: Final = Field("mask_deg", "Minimum elevation all round, °", "25 is usual; a roof line is drawn on the page Sky")
_SPOT_NAME: Final = Field("spot", "Its first mounting spot", number=False)
ARC_KEEP_OUT: Final = (
    "television satellites stand in this arc over the equator, and some terminals must not point near it; empty: no "
    "such rule"
)
POLICIES: Final = (
    "keep-then-highest keeps a satellite until it is lost, then takes the highest; keep-then-longest then takes the "
    "one that stays longest; highest takes the highest at any time"
)
HANDED_OUT: Final = (
    "some services give every terminal a satellite anew at fixed times, such as every 15 s; empty: it changes only "
    "when it must"
)
TARGET_ADDRESS: Final = "192.168.1.1:80, with the port behind a colon; a ping and a name server need no port"
ASKED: Final = (
    "passim sees freezes by asking a few machines, once a second unless the file says otherwise, whether they answer: "
    "your own router first, then two beyond your line, such as a name server below and the host of your calls, at port "
    "443. Nobody is asked before a recording is begun. With freezes every few minutes an hour of record is enough to "
    "learn from."
)
METHODS: Final = (
    ("tcp", "by calling at a port, as a browser does: the usual way"),
    ("icmp", "by a ping"),
    ("dns", "as a name server, by looking up a name"),
)
FIELDS: Final = {
    "site": (
        _NAME,
        *_PLACE,
        Field("zone", "Time zone", "empty: the zone at the coordinates", number=False),
        Field("gateways", "Gateways", "names with commas between; empty: every gateway counts", number=False),
        Field("call_hours", "Hours for calls", "08:00-18:00,mon-fri; empty: any hour", number=False),
    ),
    "spot": (_NAME, _MASK),
    "gateway": (_NAME, *_PLACE, Field("mask_deg", "Minimum elevation of its antennas, °", "not known: 25 is usual")),
    "fleet": (
        _NAME,
        Field(
            "feed.address",
            "Address of a feed",
            "https://example.org/elements.json, asked for fresh elements from the page Elements; then it takes the "
            "place of files",
            number=False,
        ),
        Field(
            "feed.folder",
            "Or a folder that something fills",
            "beside passim.toml, such as incoming; one of the two, or neither",
            number=False,
        ),
    ),
    "terminal": (
        Field("lowest_elevation_deg", "Works from this elevation up, °", "25 is usual; empty: the horizon alone"),
        Field("cone.half_angle_deg", "Half-angle of the antenna's cone, °", "empty: it steers everywhere"),
        Field("cone.tilt_deg", "Tilt of the cone from straight up, °"),
        Field("cone.azimuth_deg", "Towards this azimuth, °", "clockwise from north"),
        Field("arc_keep_out_deg", "Angle kept to the geostationary arc, °", ARC_KEEP_OUT),
        Field("policy", "Which satellite is taken", POLICIES, number=False),
        Field("clock_period_s", "Handed out every so many seconds", HANDED_OUT),
        Field("clock_offset_s", "Offset of that clock, s"),
        Field("acquisition_s", "The picture stands still at each change, s"),
    ),
    "target": (
        Field("name", "Name", "such as router", number=False),
        Field(
            "method",
            "How it is asked whether it answers",
            number=False,
            options=METHODS,
        ),
        Field("address", "Host and port", TARGET_ADDRESS, number=False),
        Field("place", "Place in the list", "1 is the nearest, your own router; then two hosts beyond your line"),
    ),
}
# What a new part has besides.
NEW_FIELDS: Final = {
    "site": (*FIELDS["site"], _SPOT_NAME, _MASK), "spot": FIELDS["spot"], "gateway": FIELDS["gateway"],
    "target": FIELDS["target"],
}  # fmt: skip
KEEPS_HORIZON: Final = "empty: it keeps the horizon it has, from a file or by points"

PLACE_COLUMNS: Final = (
    Column("site", "Site", TEXT),
    Column("spot", "Spot", TEXT),
    Column("latitude_deg", "Latitude °", Format(lambda value: f"{value:g}")),
    Column("longitude_deg", "Longitude °", Format(lambda value: f"{value:g}")),
    Column("height_m", "Height m", Format(lambda height_m: f"{height_m:,g}")),
    Column("timezone", "Zone", TEXT, 1),
    Column("horizon", "Horizon", TEXT, below=True),
    Column("limits", "Other limits", TEXT, below=True),
)


def suggested_targets(here: MachinesHere) -> list[tuple[str, str]]:
    """Return addresses that may be asked, as this machine's own settings name them, each with what it is."""
    router = [(f"{here.router}:80", "the router of this machine")] if here.router else []
    resolvers = (f"[{each}]" if ":" in each else each for each in here.resolvers)
    return [*router, *((f"{each}:53", "a name server that this machine uses") for each in resolvers)]


def suggested_sentence(suggested: Sequence[tuple[str, str]]) -> str:
    """Say which addresses this machine's settings name; empty where they name none."""
    if not suggested:
        return ""
    named = "; ".join(f"{address}, {what}" for address, what in suggested)
    return f"From the settings of the machine that serves this page, without asking anybody: {named}."


def place_rows(workspace: Workspace) -> pd.DataFrame:
    """Return one row a mounting spot: site, spot, latitude_deg, longitude_deg, height_m, timezone, horizon, limits."""
    import pandas as pd

    rows = []
    for name in workspace.site_names:
        for spot in workspace.spot_names(name):
            view = workspace.view(name, spot)
            horizon, *others = descriptions(view).values()
            place = view.site
            where = (place.latitude_deg, place.longitude_deg, place.height_m, place.timezone)
            rows.append((name, spot, *where, horizon, "; ".join(others)))
    columns = ["site", "spot", "latitude_deg", "longitude_deg", "height_m", "timezone", "horizon", "limits"]
    return pd.DataFrame(rows, columns=columns)


def workspace_sentence(workspace: Workspace) -> str:
    """Return what is in a workspace."""
    fleets = ", ".join(workspace.fleet_names)
    what = [
        counted(len(workspace.site_names), "site"),
        counted(len(workspace.settings.gateways), "gateway"),
        f"{counted(len(workspace.fleet_names), 'fleet')}{f' ({fleets})' if fleets else ''}",
    ]
    return f"{workspace.settings.name or 'Your workspace'}: {what[0]}, {what[1]} and {what[2]}."


def map_caption(lists: Sequence[str]) -> str:
    """Say what to see in the picture; `lists` are the sites that use no gateway."""
    words = "A line leads from each site to the gateways that count for it."
    return words if not lists else f"{words} None counts for {', '.join(lists)}."


def lower_than_terminal(workspace: Workspace) -> str:
    """Say at which spots the horizon goes lower than the terminal works, which changes nothing; empty where at none."""
    lower = [
        f"{site} {spot}"
        for site in workspace.site_names
        for spot in workspace.spot_names(site)
        if workspace.view(site, spot).stops_above_horizon
    ]
    if not lower:
        return ""
    floor = f"The terminal works from {workspace.settings.terminal.lowest_elevation_deg:g}° up"
    return f"{floor}: the horizon counts only where it is higher. It is lower at {listed(lower)}."


def workspace_sentences(workspace: Workspace) -> list[str]:
    """Say what in a workspace file contradicts itself, or is written as an older passim wrote it."""
    sentences = [
        f"The zone of {one.site} is {one.zone}, and its coordinates lie in {one.there}, up to {one.apart_h:g} h apart: "
        "one of the two is wrong."
        for one in workspace.zone_mismatches
    ]
    for fleet in workspace.settings.fleets:
        if fleet.lenient is not None:
            instead = "leave that line out" if fleet.lenient else "write strict = true in its place"
            sentences.append(
                f"The fleet {fleet.name} says lenient, the word of an older passim: now 1 damaged record in 100 is "
                f"left out unless strict = true refuses it; {instead}."
            )
    return sentences
