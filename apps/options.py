"""Options that several commands share, and how their text becomes passim's own objects.

Each group of options arrives in a command as one record: `FleetChoice`, `SiteChoice`, `SpanChoice`, `OutputChoice`.
The records are filled by click and do their reading when the command asks, so that a command's help costs nothing.
"""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, TypeVar

import click

from .wording import counted, listed

if TYPE_CHECKING:
    from passim import Fleet, Horizon, Site, Span

Command = TypeVar("Command", bound=Callable[..., Any])

DEFAULT_MASK_DEG = 25.0
_TIME_WORDS = "a time with its offset from UTC, such as 2026-11-25T08:00:00Z or 2026-11-25T08:00+01:00"


@dataclass(frozen=True)
class FleetChoice:
    """Where the satellites come from."""

    elements: tuple[str, ...]
    lenient: bool

    def fleet(self) -> tuple[Fleet, list[str]]:
        """Read the element sets; return them and what the user should be told. Raises ElementsError."""
        if not self.elements:
            raise click.UsageError("which satellites? Give --elements PATH, a file or a folder of element sets.")
        from passim import read_elements

        fleet = read_elements(list(self.elements), lenient=self.lenient)
        if not fleet.skipped:
            return fleet, []
        skipped = counted(len(fleet.skipped), "record or file", "records or files")
        return fleet, [f"{skipped} skipped: {listed(fleet.skipped, between=' | ')}."]


@dataclass(frozen=True)
class SiteChoice:
    """Where the antenna stands and what it can see of the sky."""

    site_text: str | None
    mask_text: str
    zone_name: str | None

    def site(self) -> tuple[Site, list[str]]:
        """Return the site and what the user should be told about it. Raises SiteError."""
        if self.site_text is None:
            raise click.UsageError("where? Give --site LAT,LON[,HEIGHT_M], such as --site 45.0,-28.0,40.")
        from passim import Site

        latitude_deg, longitude_deg, height_m = coordinates(self.site_text)
        horizon, horizon_words = mask(self.mask_text)
        # The site is made once without its zone, because the look-up needs coordinates already known to be sound.
        site = Site(self.site_text.strip(), latitude_deg, longitude_deg, height_m, "UTC", horizon)
        timezone, zone_notes = time_zone(self.zone_name, site.latitude_deg, site.longitude_deg)
        return dataclasses.replace(site, timezone=timezone), [horizon_words, *zone_notes]


@dataclass(frozen=True)
class SpanChoice:
    """Which stretch of time the question is about."""

    from_text: str | None
    to_text: str | None
    hours: float | None
    at_text: str | None

    @functools.cached_property
    def now(self) -> datetime:
        """What counts as now: --at, or the clock, to the whole second."""
        return aware_time(self.at_text, "--at") if self.at_text else datetime.now(UTC).replace(microsecond=0)

    def span(self) -> Span:
        """Return the span. Raises SpanError."""
        from passim import Span

        start = aware_time(self.from_text, "--from") if self.from_text else self.now
        if self.to_text is None:
            return Span.starting(start, 24.0 if self.hours is None else self.hours)
        if self.hours is not None:
            raise click.UsageError("--to and --hours both say where the span ends: give one of them.")
        return Span(start, aware_time(self.to_text, "--to"))


@dataclass(frozen=True)
class OutputChoice:
    """How the answer is written, and where to."""

    format_name: str | None
    out: str | None
    show_all: bool

    @property
    def format(self) -> str:
        """table, csv or json: what --format says, else what the suffix of --out says, else table."""
        if self.format_name:
            return self.format_name
        suffix = (self.out or "").lower().rpartition(".")[2]
        return suffix if suffix in ("csv", "json") else "table"


def coordinates(text: str) -> tuple[float, float, float]:
    """Return latitude_deg, longitude_deg and height_m of "LAT,LON" or "LAT,LON,HEIGHT_M". Raises SiteError."""
    from passim.errors import SiteError

    try:
        numbers = [float(part) for part in text.split(",")]
    except ValueError:
        numbers = []
    if len(numbers) not in (2, 3):
        raise SiteError(
            "--site",
            got=text,
            wanted="LAT,LON or LAT,LON,HEIGHT_M in degrees and metres, north and east positive",
            try_next="--site 45.0,-28.0,40",
        )
    latitude_deg, longitude_deg, *height = numbers
    return latitude_deg, longitude_deg, height[0] if height else 0.0


def mask(text: str) -> tuple[Horizon, str]:
    """Return the horizon of "DEG" or "FILE.csv" and one sentence that says which it is. Raises SiteError."""
    from passim import Horizon

    try:
        elevation_deg = float(text)
    except ValueError:
        return Horizon.from_csv(text), f"Mask: the horizon in {text}."
    return Horizon.flat(elevation_deg), f"Mask: {elevation_deg:g}° above the horizon all round."


def time_zone(name: str | None, latitude_deg: float, longitude_deg: float) -> tuple[str, list[str]]:
    """Return the time zone asked for, or the one at the coordinates; UTC with a note where none is known.

    Raises SiteError for a name that is in no data base of zones.
    """
    from passim.errors import SiteError
    from passim.spans import zone

    if name is not None:
        zone(name)
        return name, []
    from tzfpy import get_tz

    # tzfpy takes longitude first, from -180 to 180, and answers "" where it knows nothing.
    found = get_tz((longitude_deg + 180.0) % 360.0 - 180.0, latitude_deg)
    try:
        zone(found)
    except SiteError:
        return "UTC", ["No time zone is known for these coordinates: times are UTC (--zone NAME changes that)."]
    return found, []


def aware_time(text: str, option: str) -> datetime:
    """Return the UTC datetime of ISO 8601 text that carries its offset. Raises SpanError for anything else."""
    from passim.errors import SpanError
    from passim.spans import aware

    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError:
        raise SpanError(option, got=text, wanted=_TIME_WORDS) from None
    return aware(moment, option)


def _bundle(name: str, record: type[Any], *options: Callable[[Command], Command]) -> Callable[[Command], Command]:
    """Return a decorator that adds `options` to a command and hands their values over as one `record`."""

    def decorate(command: Command) -> Command:
        @functools.wraps(command)
        def bundled(*args: Any, **given: Any) -> Any:
            values = {field.name: given.pop(field.name) for field in dataclasses.fields(record)}
            return command(*args, **{name: record(**values)}, **given)

        for option in reversed(options):
            bundled = option(bundled)
        return bundled  # type: ignore[return-value]

    return decorate


at_option = click.option(
    "--at", "at_text", metavar="ISO", help="What counts as now, with its offset from UTC. Default: the clock."
)
lenient_option = click.option(
    "--lenient", is_flag=True, help="Skip element records that cannot be used, and say how many. Default: refuse them."
)

fleet_options = _bundle(
    "fleet_choice",
    FleetChoice,
    click.option(
        "--elements",
        multiple=True,
        metavar="PATH",
        help="A file or folder of element sets: two-line, or OMM as JSON, CSV, XML or KVN, also .gz. Repeat for more.",
    ),
    lenient_option,
)

site_options = _bundle(
    "site_choice",
    SiteChoice,
    click.option(
        "--site",
        "site_text",
        metavar="LAT,LON[,HEIGHT_M]",
        help="The place in degrees, north and east positive, and its height above the ellipsoid in metres (default 0).",
    ),
    click.option(
        "--mask",
        "mask_text",
        metavar="DEG|FILE.csv",
        default=f"{DEFAULT_MASK_DEG:g}",
        show_default=True,
        help="Height above the horizon from which a satellite is in view: degrees all round, or a horizon file with "
        "the columns azimuth_deg,elevation_deg.",
    ),
    click.option(
        "--zone",
        "zone_name",
        metavar="NAME",
        help="Time zone of local times, such as Atlantic/Azores. Default: the zone at the coordinates.",
    ),
)

span_options = _bundle(
    "span_choice",
    SpanChoice,
    click.option("--from", "from_text", metavar="ISO", help="Start, with its offset: 2026-11-25T08:00Z. Default: now."),
    click.option("--to", "to_text", metavar="ISO", help="End, with its offset; instead of --hours."),
    click.option("--hours", type=float, metavar="N", help="Length in hours, at most 2208 (92 days). Default: 24."),
    at_option,
)

output_options = _bundle(
    "output_choice",
    OutputChoice,
    click.option(
        "--format",
        "format_name",
        type=click.Choice(["table", "csv", "json"]),
        help="Table in local time for people, or csv or json in UTC with local columns. Default: by the suffix of "
        "--out, else table.",
    ),
    click.option("--out", metavar="FILE", help="Write the answer to FILE instead of standard output."),
    click.option("--all", "show_all", is_flag=True, help="Show every row of a long table. Default: the first 40."),
)
