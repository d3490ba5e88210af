"""Setting up in words: what can be changed in a workspace, each field with its unit, and what a change does."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from .columns import TEXT, Column, Format
from .limits import descriptions
from .units import counted, listed

if TYPE_CHECKING:
    import pandas as pd

    from passim import Fleet
    from passim.line import MachinesHere, Target
    from passim.sky import limits
    from passim.workspace import Workspace

KINDS: Final = {
    "site": "Site", "spot": "Mounting spot", "gateway": "Gateway", "fleet": "Fleet", "terminal": "Terminal",
    "target": "Hosts a recording asks",
}  # fmt: skip
NEW: Final = {
    "site": "Add a site", "spot": "Add a spot", "gateway": "Add a gateway",
    "fleet": "Add a fleet with a feed", "target": "Add a host to ask",
}  # fmt: skip
ADD_FLEET: Final = "Add a fleet (upload)"
RELAYED: Final = "Satellites pass traffic on among themselves here: none has to see a gateway, and no gateway counts."
# Of so many gateways the picture's sentence tells.
_MOST_TOLD: Final = 5
HOW: Final = "Choose what to change. Nothing is written before you have seen which lines of the file change."
READY: Final = "All that an answer needs is here: the page Now gives it."
UNTOUCHED: Final = "Change a field, and the lines of the settings file, passim.toml, that would change appear here."
NOTHING: Final = "Nothing changes: the file says that already."
WOULD: Final = "These lines of the settings file, passim.toml, would change:"
GOES: Final = "These lines would go; element files and horizon files stay where they are:"
WRITE, REMOVE, REMOVE_NOW, UNDO = "Write this change", "Remove…", "Remove it", "Undo the last change"
WRITTEN: Final = "Written. Every page goes by it from now on."
TYPED_SINCE: Final = "The fields have changed since these lines were shown: look at the lines, then press once more."
NEXT_ROOF_LINE: Final = "Next, what stands in the way of the sky here: enter the roof line on the page Sky."
UNDONE: Final = "Taken back: the file is as it was before the last change. The same button brings the change back."
SPOT_WRITTEN: Final = (
    "Written. Every page goes by it from now on: compare it with the others on the page Sites, or draw its roof line "
    "on the page Sky."
)
FEED_WRITTEN: Final = "Written. Its satellites come with its first list: ask for it on the page Elements."
_GOES_ON: Final = " The recording under way goes on asking the hosts that it began with."
_NEXT_HOST: Final = {
    1: "Written. Next comes a host beyond your line: with it, a fault in the house is told from one in the line.",
    2: "Written. One more host beyond your line, and a fault at the far end is told from one in the line.",
}
# The router and two beyond the line: then house, line and far end are told apart.
HOSTS_WANTED: Final = 3
_ENOUGH_HOSTS: Final = "Written. {} hosts are enough: with them house, line and far end are told apart."
BACK_TO_RECORDING: Final = "Go to the page Measured to record."
INVENTED: Final = "This is the invented demonstration: what you change is lost when it ends."


@dataclass(frozen=True, slots=True)
class Field:
    """A field of a form: the setting it is for, its label with the unit, how to fill it, and whether it is a number.

    With `options`, each a value and its words, one of them is chosen. A `heading` stands before the first of a group.
    """

    key: str
    label: str
    hint: str = ""
    number: bool = True
    options: tuple[tuple[str, str], ...] = ()
    heading: str = ""


_NAME: Final = Field("name", "Name", number=False)
_PLACE: Final = (
    Field("latitude_deg", "Latitude, °", "north positive"),
    Field("longitude_deg", "Longitude, °", "east positive"),
    Field("height_m", "Height, m", "the height from a map will do"),
)
_MASK: Final = Field(
    "mask_deg",
    "Minimum elevation all round, °",
    "where nothing stands higher: 25 is usual; empty: 25 is assumed until you know",
)
_SPOT_NAME: Final = Field("spot", "Name of the spot", number=False, heading="Its first mounting spot")
_FEED_EXAMPLE: Final = "https://example.org/elements.json, asked for fresh elements from the page Elements"
_FOLDER: Final = "Or a folder that something fills"
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
    "443. Nobody is asked before a recording is begun."
)
METHODS: Final = (
    ("tcp", "TCP connection to a port: the usual way"),
    ("icmp", "ping (ICMP)"),
    ("dns", "look-up of a name (DNS), for a name server"),
)
_SITE_BESIDES: Final = (
    Field("zone", "Time zone", "empty: the zone at the coordinates", number=False),
    Field("gateways", "Gateways", "names with commas between; empty: every gateway counts", number=False),
    Field("call_hours", "Hours for calls", "08:00-18:00,mon-fri; empty: any hour", number=False),
)
FIELDS: Final = {
    "site": (_NAME, *_PLACE, *_SITE_BESIDES),
    "spot": (_NAME, _MASK),
    "gateway": (_NAME, *_PLACE, Field("mask_deg", "Minimum elevation of its antennas, °", "not known: 25 is usual")),
    "fleet": (
        _NAME,
        Field(
            "feed.address",
            "Address of a feed",
            f"{_FEED_EXAMPLE}; then it takes the place of files",
            number=False,
        ),
        Field("feed.folder", _FOLDER, "in the workspace, such as incoming; one of the two, or neither", number=False),
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
            "How it is asked",
            number=False,
            options=METHODS,
        ),
        Field("address", "Host and port", TARGET_ADDRESS, number=False),
        Field("place", "Place in the list", "1 is the nearest, your own router; then two hosts beyond your line"),
    ),
}
# What a new part has besides.
NEW_FIELDS: Final = {
    "site": (_NAME, *_PLACE, _SPOT_NAME, _MASK), "spot": FIELDS["spot"], "gateway": FIELDS["gateway"],
    "fleet": (
        _NAME,
        Field("feed.address", "Address of a feed", _FEED_EXAMPLE, number=False),
        Field("feed.folder", _FOLDER, "in the workspace, such as incoming", number=False),
    ),
    "target": FIELDS["target"],
}  # fmt: skip
# What a new site may have besides, last in its form.
SITE_BESIDES: Final = (replace(_SITE_BESIDES[0], heading="What may wait"), *_SITE_BESIDES[1:])
# What stands beside a new site where the workspace has no gateway yet, and no satellites.
GATEWAY_LATITUDE, GATEWAY_LONGITUDE, SATELLITES = "gateway.latitude_deg", "gateway.longitude_deg", "satellites"
FIRST_GATEWAY: Final = (
    Field(
        GATEWAY_LATITUDE,
        "Latitude of the gateway, °",
        "the ground station that a satellite must see too; empty: passim goes by the sky alone",
        heading="The nearest gateway, if you know where one stands",
    ),
    Field(GATEWAY_LONGITUDE, "Longitude of the gateway, °", "east positive"),
)
FIRST_RIDGE: Final = (
    Field(
        "ridge.from_deg",
        "It stands from azimuth, °",
        "clockwise from north: 90 is east, 180 south, 270 west",
        heading="What stands in the way there, if you know: a ridge, roof or wall (more of them on the page Sky)",
    ),
    Field("ridge.to_deg", "to azimuth, °", "clockwise from the first; over north too, such as 340 to 20"),
    Field("ridge.elevation_deg", "up to elevation, °", "height above the horizon: a fist at arm's length is about 10°"),
)
INVENTED_FLEET, LATER = "invented", "later"
FIRST_FLEET: Final = Field(
    SATELLITES,
    "Its satellites, to begin with",
    number=False,
    options=(
        (INVENTED_FLEET, "an invented fleet, at once, to see how the pages answer"),
        (LATER, "real ones, next: from element files on the page Elements, or from a feed named here"),
    ),
)
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


def called_by_place(latitude_deg: float, longitude_deg: float) -> str:
    """Return a name for a place that was given none, such as "45.4 N 9.2 E"."""
    south, west = latitude_deg < 0.0, longitude_deg < 0.0
    return f"{abs(latitude_deg):.4g} {'S' if south else 'N'} {abs(longitude_deg):.4g} {'W' if west else 'E'}"


@dataclass(frozen=True, slots=True)
class SuggestedTarget:
    """A host that may be asked: its address, how it is asked, a name for it, and what it is."""

    address: str
    method: str
    name: str
    what: str


def suggested_targets(here: MachinesHere) -> list[SuggestedTarget]:
    """Return hosts that may be asked, as this machine's own settings name them: the router first."""
    router = [SuggestedTarget(f"{here.router}:80", "tcp", "router", "the router of this machine")]
    resolvers = [f"[{each}]" if ":" in each else each for each in here.resolvers]
    what = "a name server that this machine uses"
    return (router if here.router else []) + [
        SuggestedTarget(f"{each}:53", "dns", f"name server{f' {number}' if number > 1 else ''}", what)
        for number, each in enumerate(resolvers, 1)
    ]


def next_target(suggested: Sequence[SuggestedTarget], held: Sequence[Target]) -> SuggestedTarget | None:
    """Return which of the hosts `suggested` to offer after those `held`; None where there is none.

    The first is the router or nobody, since another in its place would be taken for it.
    """
    from passim.line import parse_targets

    read = parse_targets([f"{each.name}={each.method}:{each.address}" for each in suggested])
    taken, names = {each.host for each in held}, {each.name.casefold() for each in held}
    for each, target in zip(suggested, read, strict=True):
        if target.host not in taken and each.name not in names and (held or each.name == "router"):
            return each
    return None


def offered_targets(suggested: Sequence[SuggestedTarget]) -> list[SuggestedTarget]:
    """Return the hosts to offer where none is named yet, at most as many as are wanted; empty without a router."""
    from passim.line import parse_targets

    offered: list[SuggestedTarget] = []
    held: list[Target] = []
    while len(offered) < HOSTS_WANTED and (following := next_target(suggested, held)) is not None:
        offered.append(following)
        held += parse_targets([f"{following.name}={following.method}:{following.address}"])
    return offered


def target_written(count: int, *, added: bool, running: bool) -> str:
    """Say that the hosts in the file changed, and where one was `added` what comes next, `count` of them being there.

    `running` is a recording.
    """
    words = _NEXT_HOST.get(count, _ENOUGH_HOSTS.format(count)) if added else WRITTEN
    return words + (_GOES_ON if running else "")


def suggested_sentence(suggested: Sequence[SuggestedTarget]) -> str:
    """Say which addresses this machine's settings name; empty where they name none."""
    if not suggested:
        return ""
    named = "; ".join(f"{each.address}, {each.what}" for each in suggested)
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


def gateway_sentences(workspace: Workspace, fleet: Fleet | None, only: Collection[str] = ()) -> list[str]:
    """Say of each gateway for which sites it counts, how far it is from them, and from which it is too far.

    With `only`, of the gateways, or for the sites, of these names alone. Without a fleet nothing is too far.
    """
    settings, sentences = workspace.settings, []
    if settings.gateways and settings.relay_between_satellites:
        return [RELAYED]
    wanted = {name.casefold() for name in only}
    distances = {site: gateway_distances(workspace, site, fleet) for site in workspace.site_names}
    for gateway in (each.name for each in settings.gateways):
        near, far, unlisted = [], [], []
        for site, every in distances.items():
            if wanted and not wanted & {gateway.casefold(), site.casefold()}:
                continue
            found = next((each for each in every if each.name == gateway), None)
            if found is None:
                unlisted.append(site)
            elif found.counts:
                near.append(f"{site}, {found.apart_km:,.0f} km away")
            else:
                far.append(f"{gateway} is too far from {site} to count: {found.apart_km:,.0f} km, and beyond about "
                           f"{found.most_km:,.0f} km no satellite here is ever above both.")  # fmt: skip
        if near:
            sentences.append(
                f"{gateway} counts for {listed(near, 5, '; ')}."
                if fleet is not None
                else f"{gateway} is to count for {listed(near, 5, '; ')}: whether satellites see both is known once "
                "there are some."
            )
        sentences += far
        if unlisted and wanted:
            sentences.append(f"{gateway} does not count for {listed(unlisted, 5)}: other gateways are listed there.")
    return sentences


def gateway_distances(workspace: Workspace, site: str, fleet: Fleet | None) -> Sequence[limits.GatewayDistance]:
    """Return how far the gateways that count for a site are, without a fleet as if any could; empty where none does."""
    from passim import GatewayLimit
    from passim.sky import ground, limits

    gateways = workspace.gateways(site)
    if not gateways or workspace.settings.relay_between_satellites:
        return ()
    views = [workspace.view(site, spot) for spot in workspace.spot_names(site)]
    if fleet is None:
        here = views[0].site
        return [
            limits.GatewayDistance(each.name, ground.distance_km(here, each.site), math.inf, True) for each in gateways
        ]
    return GatewayLimit(gateways).distances(views[0].site, min(view.floor_deg for view in views), fleet)


def map_caption(lists: Sequence[str], gateways: Sequence[str] = ()) -> str:
    """Say what to see in the picture; `lists` are the sites that use no gateway, `gateways` what is said of each."""
    words = ["A line leads from each site to the gateways that count for it."]
    words += [f"None counts for {listed(lists, 5)}."] if lists else []
    return " ".join([*words, *gateways[:_MOST_TOLD]])


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
