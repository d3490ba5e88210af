"""What options say, and how their text becomes passim's own objects.

Each group of options arrives in a command as one record: `FleetChoice`, `SiteChoice`, `SpanChoice`, `OutputChoice`.
The records are filled by click and do their reading when the command asks, so that a command's help costs nothing.
Fleet and site may come from a workspace: the one of --workspace, else that of the current folder or the data folder. A
place given by its coordinates has the workspace's terminal and gateways too, unless --without lifts them.
"""

from __future__ import annotations

import dataclasses
import functools
import re
import shlex
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any

import click

from ..text.limits import LIMIT_WORDS, what_it_is
from ..text.notes import Note, background, weighed, without
from ..text.service import floor_note, lifted_note, policy_note
from ..text.setup import workspace_sentences
from ..text.skipped import skipped_notes
from .times import aware_time

if TYPE_CHECKING:
    from passim import Fleet, Horizon, Site, Span, TimingModel
    from passim.coverage import Service
    from passim.sky import limits, view as views
    from passim.spans import DailyHours
    from passim.workspace import History, Workspace

    # A place asked about beside others, and when calls are held there.
    Spotted = tuple[views.View, DailyHours | None]

DEFAULT_MASK_DEG = 25.0
# Marks the fields of a record that belong to another one, which lends them.
LENT = {"lent": True}
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+")


@dataclass(frozen=True)
class FleetChoice:
    """Where the satellites come from."""

    elements: tuple[str, ...]
    strict: bool
    fleet_name: str | None = None
    workspace_dir: str | None = None
    allow_stale: bool = False
    salvage: bool = False

    def fleet(self, at: datetime | None = None) -> tuple[Fleet, list[Note]]:
        """Return the element sets and what the user should be told about them.

        `at` is the moment asked about, to whose day an invented fleet belongs. Raises ElementsError, WorkspaceError.
        """
        if self.elements:
            if self.fleet_name is not None:
                raise click.UsageError("--elements and --fleet both say which satellites: give one of them.")
            from passim import read_elements
            from passim.elements import TOLERATED_SHARE

            lenient = self._lenient()
            return _with_messages(
                read_elements(list(self.elements), lenient=TOLERATED_SHARE if lenient is None else lenient)
            )
        workspace = found_workspace(self.workspace_dir)
        if workspace is None:
            raise click.UsageError(
                "which satellites? Give --elements PATH, a file or a folder of element sets, or work in a workspace: "
                "passim workspace new DIR."
            )
        from passim.workspace import where_from

        from ..text.feeds import origin_words
        from ..text.timing import timing_notes
        from ..text.workspace import STANDS_IN

        fleet, notes = _with_messages(workspace.fleet(self.fleet_name, at, lenient=self._lenient()))
        origin = where_from(workspace, self.fleet_name, at)
        came = "" if origin is None else origin_words(origin)
        # Of a fleet that has no snapshots nothing can be learned, so that nothing need be said.
        errors = () if origin is None else timing_notes(workspace.timing(self.fleet_name), fleet.name)
        return fleet, [
            *([Note(STANDS_IN)] if workspace.stands_in(self.fleet_name) else []),
            background(
                f"Fleet: {fleet.name}, from {came or workspace.file}.",
                to_send=f"Fleet: {fleet.name}, from {came or 'the workspace'}.",
            ),
            *errors,
            *notes,
        ]

    def stands_in(self) -> bool:
        """Say whether the fleet is an invented one in somebody's own workspace."""
        workspace = None if self.elements else found_workspace(self.workspace_dir)
        return workspace is not None and workspace.stands_in(self.fleet_name)

    def fresh_fleet(self, span: Span) -> tuple[Fleet, list[Note]]:
        """Return `fleet` for a span. Raises ElementsError, also where it is too old in the middle of the span."""
        fleet, notes = self.fleet(span.start)
        self.check_age(fleet, span.middle)
        return fleet, notes

    def check_age(
        self, fleet: Fleet, when: datetime, at: str = "the middle of the span", instead: str = "another time"
    ) -> None:
        """Refuse elements over 14 days away from `when`, the moment that `at` names, unless --allow-stale is given.

        `instead` is what to try beside newer elements. Raises ElementsError, EmptyFleetError.
        """
        from passim.forecast import timing

        if not self.allow_stale:
            fresh = timing.band_for(fleet, when, allow_stale=True)
            timing.refuse_stale(fleet, when, fresh.median_s, at=at, instead=instead)

    def over_time(self, at: datetime) -> tuple[Callable[[datetime], Fleet], list[Note]]:
        """Return what gives the elements that were at hand at a moment, and what to tell of those at hand at `at`.

        Files are the same at any moment. Raises what `fleet` raises.
        """
        fleet, notes = self.fleet(at)
        workspace = None if self.elements else found_workspace(self.workspace_dir)
        if workspace is None:
            return lambda _: fleet, notes
        return workspace.fleet_over_time(self.fleet_name, lenient=self._lenient()), notes

    def history(self, at: datetime | None = None) -> History | None:
        """Return what the snapshots of the workspace's fleet tell; None for files and fleets without a feed."""
        workspace = None if self.elements else found_workspace(self.workspace_dir)
        return None if workspace is None else workspace.history(self.fleet_name, at)

    def timing_model(self) -> TimingModel:
        """Return how timing errors grow with the age of elements.

        Those of a fleet of the workspace are its own where they are known; of other elements, those that the workspace
        states, else the usual ones.
        """
        from passim import TimingModel

        workspace = found_workspace(self.workspace_dir)
        if workspace is None:
            return TimingModel()
        if self.elements:
            return workspace.timing_stated or TimingModel()
        return workspace.timing(self.fleet_name).model

    def _lenient(self) -> bool | None:
        """Say whether bad records are refused (False), or skipped however many (True); None where nothing is said."""
        return False if self.strict else True if self.salvage else None


@dataclass(frozen=True)
class ServiceChoice:
    """How the terminal is given its satellites, where that is not as usual."""

    policy: str | None = None
    clock_text: str | None = None
    acquisition_s: float | None = None

    def service(self, usual: Service) -> Service:
        """Return what the options say, and the rest as usual. Raises InputError."""
        given: dict[str, Any] = {"policy": self.policy, "acquisition_s": self.acquisition_s}
        if self.clock_text is not None:
            period_s, *offset_s = _numbers(
                "--clock", self.clock_text, "PERIOD or PERIOD,OFFSET in seconds", (1, 2), "--clock 15 or --clock 15,2"
            )
            given |= {"clock_period_s": period_s, "clock_offset_s": offset_s[0] if offset_s else 0.0}
        return dataclasses.replace(usual, **{name: value for name, value in given.items() if value is not None})


@dataclass(frozen=True)
class SiteChoice:
    """Where the antenna stands, what it can see of the sky, and what else limits its service."""

    site_text: str | None
    mask_text: str | None = None
    zone_name: str | None = None
    spot_name: str | None = None
    workspace_dir: str | None = None
    gateways: tuple[str, ...] = ()
    share_text: str | None = None
    excluded: tuple[str, ...] = ()
    policy: str | None = None
    clock_text: str | None = None
    acquisition_s: float | None = None
    without: tuple[str, ...] = ()
    # Of the limits that a few numbers state: by name, what the option of that name says.
    numbers_of_limits: Mapping[str, str] = dataclasses.field(default_factory=dict)

    def site(self) -> tuple[Site, list[Note]]:
        """Return the site, with its horizon, and what the user should be told about it. Raises InputError."""
        seen, notes = self.view()
        return seen.site, notes

    def view(self) -> tuple[views.View, list[Note]]:
        """Return the site with the limits of its service, and what the user should be told. Raises InputError."""
        if _looks_like_coordinates(self.site_text):
            seen, notes = self._view_at_coordinates()
        else:
            seen, notes = self._view_of_workspace()
        named = {limit.name: limit for limit in seen.limits} | self._given_limits()
        service = ServiceChoice(self.policy, self.clock_text, self.acquisition_s).service(seen.service)
        in_order = sorted(named, key=list(LIMIT_WORDS).index)
        seen = dataclasses.replace(seen, limits=tuple(named[name] for name in in_order), service=service)
        if self.without:
            seen = seen.without(*dict.fromkeys(self.without))
            notes.append(lifted_note(self.without))
        workspace = self.workspace()
        guessed = self.policy is None and (workspace is None or workspace.policy_guessed)
        notes += policy_note(seen, guessed=guessed)
        # The mask has its own note, and the serving filter tells its counts once the fleet is read.
        messages = [what_it_is(limit) for limit in seen.limits if limit.name != "serving"]
        if messages:
            notes.append(background(f"Limits beside the mask: {'; '.join(messages)}.", "limits"))
        notes += floor_note(seen)
        return seen, notes

    def each_spot(self, site_texts: Sequence[str | None]) -> tuple[list[Spotted], list[Note]]:
        """Return the views of several sites, from all their spots, with their call hours, and what the user is told.

        What is told of each place stands in its row; what is told of all of them is told once. Raises InputError.
        """
        workspace = self.workspace()
        found: list[Spotted] = []
        notes: list[Note] = []
        for text in site_texts:
            inside = workspace is not None and text is not None and not _looks_like_coordinates(text)
            for spot in workspace.spot_names(text) if inside and workspace is not None else (None,):
                view, messages = dataclasses.replace(self, site_text=text, spot_name=spot).view()
                hours = workspace.call_hours(text) if inside and workspace is not None else None
                found.append((view, hours))
                notes += without(messages, "place", "horizon", "limits")
        return found, list(dict.fromkeys(notes))

    def workspace(self) -> Workspace | None:
        """Return the workspace whose terminal is meant, at coordinates as at its own sites. Raises InputError."""
        return found_workspace(self.workspace_dir)

    def zone(self) -> str | None:
        """Return the zone of local times at the site; None where nothing says a site. Raises InputError."""
        return zone_of_site(self.site_text, self.zone_name, self.workspace_dir)

    def _view_at_coordinates(self) -> tuple[views.View, list[Note]]:
        """Return the view from a place given by its coordinates: with the workspace's terminal and all its gateways."""
        from passim import Site
        from passim.sky import view

        assert self.site_text is not None  # it looks like coordinates
        latitude_deg, longitude_deg, height_m = coordinates(self.site_text)
        if self.spot_name is not None:
            raise click.UsageError("--spot names a mounting spot of a workspace's site, not of coordinates.")
        horizon, horizon_words = mask(f"{DEFAULT_MASK_DEG:g}" if self.mask_text is None else self.mask_text)
        horizon = dataclasses.replace(horizon, assumed=self.mask_text is None)
        # The site is made once without its zone, because the look-up needs coordinates already known to be sound.
        site = Site(self.site_text.strip(), latitude_deg, longitude_deg, height_m, "UTC", horizon)
        timezone, zone_notes = time_zone(self.zone_name, site.latitude_deg, site.longitude_deg)
        site = dataclasses.replace(site, timezone=timezone)
        notes = [background(horizon_words, "horizon"), *zone_notes]
        workspace = self.workspace()
        if workspace is None:
            return view.View.usual(site), notes
        return workspace.view_from(site), [
            *notes,
            Note(
                f"Terminal and gateways: those of {workspace.file}.",
                to_send="Terminal and gateways: those of the workspace.",
            ),
            *weighed(workspace_sentences(workspace)),
        ]

    def _view_of_workspace(self) -> tuple[views.View, list[Note]]:
        """Return the view from a site of the workspace, the one in use unless named."""
        workspace = found_workspace(self.workspace_dir)
        if workspace is None and self.site_text is None:
            raise click.UsageError(
                "where? Give --site LAT,LON[,HEIGHT_M], such as --site 45.0,-28.0,40, or work in a workspace: passim "
                "workspace new DIR."
            )
        if workspace is None:
            raise click.UsageError(
                f"--site {self.site_text}: the name of a site needs a workspace, and there is none here. Give "
                f"--workspace DIR, or LAT,LON[,HEIGHT_M] such as --site 45.0,-28.0,40."
            )
        _check_no_spot(workspace, self.site_text)
        seen = workspace.view(self.site_text, self.spot_name)
        notes = [background(f"Site: {seen.site.name}, from {workspace.file}.", "place", f"Site: {seen.site.name}.")]
        words = f"{seen.site.horizon.lowest_deg:g}° above the horizon all round"
        if not seen.site.horizon.is_flat:
            words = f"a horizon from {seen.site.horizon.lowest_deg:g}° to {seen.site.horizon.highest_deg:g}°"
        unknown = self.mask_text is None and workspace.horizon_unknown(self.site_text, self.spot_name)
        if unknown:
            words += ", assumed: the workspace says nothing about the horizon there"
        horizon_words = f"Mask: {words}."
        if self.mask_text is not None:
            horizon, horizon_words = mask(self.mask_text)
            # As on the pages: one elevation tried all round is no roof line.
            tried = seen.site.horizon.assumed and len(horizon.azimuths_deg) == 1
            horizon = dataclasses.replace(horizon, assumed=tried)
            seen = dataclasses.replace(seen, site=dataclasses.replace(seen.site, horizon=horizon))
        if self.zone_name is not None:
            timezone, _ = time_zone(self.zone_name, seen.site.latitude_deg, seen.site.longitude_deg)
            seen = dataclasses.replace(seen, site=dataclasses.replace(seen.site, timezone=timezone))
        assumed = [f"{a.setting} (since {a.since}: {a.how})" for a in workspace.assumptions]
        if assumed:
            notes.append(Note(f"Assumed, not measured: {'; '.join(assumed)}."))
        horizon_note = Note(horizon_words, "reading" if unknown else "background", "horizon")
        return seen, [*notes, horizon_note, *weighed(workspace_sentences(workspace))]

    def _given_limits(self) -> dict[str, limits.Limit]:
        """Return the limits that options give, by name; they replace those of the workspace. Raises InputError."""
        from passim.errors import InputError
        from passim.sky import limits

        given = [
            _limit_of(kind, self.numbers_of_limits[kind.name])
            for kind in limits.TERMINAL_LIMITS
            if kind.name in self.numbers_of_limits
        ]
        if self.gateways:
            given.append(limits.GatewayLimit(tuple(gateway(text) for text in self.gateways)))
        if self.share_text is not None:
            percent, *rest = _numbers("--share", self.share_text, "PERCENT or PERCENT,SEED", (1, 2), "--share 80")
            seed = rest[0] if rest else 0.0
            if not (seed.is_integer() and seed >= 0.0):
                raise InputError(
                    "seed of --share",
                    got=self.share_text,
                    wanted="a whole number of 0 or more",
                    try_next=f"--share {percent:g},1",
                )
            given.append(limits.ServingShare(percent, int(seed)))
        if self.excluded:
            given.append(limits.Excluded.of(self.excluded))
        return {limit.name: limit for limit in given}


@dataclass(frozen=True)
class SpanChoice:
    """Which stretch of time the question is about; what says no offset from UTC is local time of the site asked about.

    The last three fields are those of the command's `SiteChoice`, where it has one.
    """

    from_text: str | None
    to_text: str | None
    hours: float | None
    at_text: str | None
    site_text: str | None = dataclasses.field(default=None, metadata=LENT)
    zone_name: str | None = dataclasses.field(default=None, metadata=LENT)
    workspace_dir: str | None = dataclasses.field(default=None, metadata=LENT)

    @functools.cached_property
    def now(self) -> datetime:
        """The time to treat as now: --at, or the clock, to the whole second. Raises SpanError."""
        return now_of(self.at_text, self.zone)

    def zone(self) -> str | None:
        """Return the zone of local times: that of the site asked about, None where no site says one."""
        return zone_of_site(self.site_text, self.zone_name, self.workspace_dir)

    def span(self) -> Span:
        """Return the span. Raises SpanError."""
        from passim import Span

        start = aware_time(self.from_text, "--from", self.zone, self.now) if self.from_text else self.now
        if self.to_text is None:
            return Span.starting(start, 24.0 if self.hours is None else self.hours)
        if self.hours is not None:
            raise click.UsageError("--to and --hours both say where the span ends: give one of them.")
        return Span(start, aware_time(self.to_text, "--to", self.zone, self.now))


@dataclass(frozen=True)
class OutputChoice:
    """How the answer is written, and where to."""

    format_name: str | None
    out: str | None
    show_all: bool
    quiet: bool = False
    all_notes: bool = False

    def __post_init__(self) -> None:
        if self.quiet and self.all_notes:
            raise click.UsageError("--quiet leaves the notes out and --notes shows them all: give one of them.")
        # A table under a name that promises something else would be found out by the program that is to read it.
        suffix = PurePath(self.out or "").suffix.lower()
        if self.format_name is None and suffix not in ("", ".csv", ".json", ".txt"):
            from passim.errors import InputError

            raise InputError(
                "--out",
                got=self.out,
                wanted=".csv or .json, or .txt for the table",
                try_next="passim calls --ics FILE for a calendar" if suffix == ".ics" else "--format to say which",
            )
        check_out(self.out)

    @property
    def format(self) -> str:
        """table, csv or json: what --format says, else what the suffix of --out says, else table."""
        if self.format_name:
            return self.format_name
        suffix = (self.out or "").lower().rpartition(".")[2]
        return suffix if suffix in ("csv", "json") else "table"


def check_out(path: str | None, option: str = "--out") -> None:
    """Refuse the file of an option that cannot be written before the work is done, not after it. Raises InputError."""
    if path is None:
        return
    from passim.errors import InputError

    target = Path(path)
    if target.is_dir():
        raise InputError(option, got=path, wanted="the name of a file", try_next="adding a file name to the folder")
    if not target.absolute().parent.is_dir():
        raise InputError(option, got=path, wanted="a file in a folder that exists", try_next="making the folder first")


def now_of(at_text: str | None, zone: Callable[[], str | None] | None = None) -> datetime:
    """Return what counts as now: what --at says, or the clock, to the whole second. Raises SpanError."""
    clock = datetime.now(UTC).replace(microsecond=0)
    return clock if at_text is None else aware_time(at_text, "--at", zone, clock)


def zone_of_site(site_text: str | None, zone_name: str | None, workspace_dir: str | None) -> str | None:
    """Return the zone in which a site's local times are told; None where nothing says a site. Raises InputError."""
    if zone_name is not None:
        return zone_name
    if site_text is not None and _looks_like_coordinates(site_text):
        from passim import Site

        latitude_deg, longitude_deg, height_m = coordinates(site_text)
        Site("the place", latitude_deg, longitude_deg, height_m)  # refuses what is no place
        return time_zone(None, latitude_deg, longitude_deg)[0]
    workspace = found_workspace(workspace_dir)
    if workspace is None or not workspace.site_names:
        return None
    _check_no_spot(workspace, site_text)
    return workspace.site(site_text).timezone


def _check_no_spot(workspace: Workspace, site_text: str | None) -> None:
    """Refuse SITE/SPOT, as other options take it, where a site is meant. Raises WorkspaceError."""
    from passim.errors import WorkspaceError

    if site_text is None or site_text.casefold() in (name.casefold() for name in workspace.site_names):
        return
    for site in workspace.site_names:
        for spot in workspace.spot_names(site):
            if site_text.casefold() == f"{site}/{spot}".casefold():
                raise WorkspaceError(
                    "site", got=site_text, wanted="the name of a site alone",
                    try_next=shlex.join(["--site", site, "--spot", spot]),
                )  # fmt: skip


def found_workspace(workspace_dir: str | None) -> Workspace | None:
    """Return the workspace of --workspace, else of the current folder or the data folder, else None."""
    from passim.workspace import Workspace

    return Workspace.find(workspace_dir)


def needed_workspace(workspace_dir: str | None) -> Workspace:
    """Return the workspace that `found_workspace` finds. Raises UsageError where there is none."""
    workspace = found_workspace(workspace_dir)
    if workspace is None:
        raise click.UsageError("which workspace? Give --workspace DIR, or work in one: passim workspace new DIR.")
    return workspace


def coordinates(text: str) -> tuple[float, float, float]:
    """Return latitude_deg, longitude_deg and height_m of "LAT,LON" or "LAT,LON,HEIGHT_M". Raises SiteError."""
    wanted = "LAT,LON or LAT,LON,HEIGHT_M in degrees and metres, north and east positive"
    latitude_deg, longitude_deg, *height = _numbers("--site", text, wanted, (2, 3), "--site 45.0,-28.0,40")
    return latitude_deg, longitude_deg, height[0] if height else 0.0


def gateway(text: str) -> limits.Gateway:
    """Return the gateway of "LAT,LON" or "LAT,LON,MASK". Raises SiteError."""
    from passim import Horizon
    from passim.sky import limits

    wanted = "LAT,LON or LAT,LON,MASK in degrees, north and east positive"
    latitude_deg, longitude_deg, *mask_deg = _numbers("--gateway", text, wanted, (2, 3), "--gateway 39.6,-28.0,25")
    horizon = Horizon.flat(mask_deg[0] if mask_deg else DEFAULT_MASK_DEG)
    return limits.Gateway(f"at {latitude_deg:g},{longitude_deg:g}", latitude_deg, longitude_deg, 0.0, horizon)


def mask(text: str) -> tuple[Horizon, str]:
    """Return the horizon of "DEG" or "FILE.csv" and one sentence that says which it is. Raises SiteError."""
    from passim import Horizon

    try:
        elevation_deg = float(text)
    except ValueError:
        refuse_decimal_comma(text, "mask", "degrees")
        return Horizon.from_csv(text), f"Mask: the horizon in {text}."
    return Horizon.flat(elevation_deg), f"Mask: {elevation_deg:g}° above the horizon all round."


def number(text: str, what: str, unit: str, example: str) -> float:
    """Return the number that text says. Raises SiteError, which shows a decimal comma as a point."""
    from passim.errors import SiteError

    try:
        return float(text)
    except ValueError:
        refuse_decimal_comma(text, what, unit)
        raise SiteError(what, got=text, wanted=f"{unit} with a point, such as {example}") from None


def refuse_decimal_comma(text: str, what: str, unit: str) -> None:
    """Refuse a number with a comma for its point, and show it with the point. Raises SiteError."""
    from passim.errors import SiteError

    if _DECIMAL_COMMA.fullmatch(text.strip()):
        mended = text.strip().replace(",", ".")
        raise SiteError(what, got=text, wanted=f"{unit} with a point, such as {mended}")


def time_zone(name: str | None, latitude_deg: float, longitude_deg: float) -> tuple[str, list[Note]]:
    """Return the time zone asked for, or the one at the coordinates; UTC with a note where none is known.

    Raises SiteError for a name that is in no data base of zones.
    """
    from passim.spans import zone

    if name is not None:
        zone(name)
        return name, []
    from passim.workspace import zone_at

    found = zone_at(latitude_deg, longitude_deg)
    if found is None:
        return "UTC", [Note("No time zone is known for these coordinates: times are UTC (--zone NAME changes that).")]
    return found, []


def _with_messages(fleet: Fleet) -> tuple[Fleet, list[Note]]:
    """Return the fleet and a note on what its reader left out."""
    return fleet, skipped_notes(fleet)


def _looks_like_coordinates(text: str | None) -> bool:
    """Say whether --site gives coordinates, if slipped ones, rather than the name of a workspace's site."""
    return text is not None and ("," in text or not any(c.isalpha() or c == "/" for c in text))


def _limit_of(kind: limits.TerminalLimit, text: str) -> limits.Limit:
    """Return the limit that the text of its option states. Raises SiteError."""
    option, words = f"--{kind.name}", LIMIT_WORDS[kind.name].option
    assert words is not None  # else there would be no such option
    if len(kind.numbers) == 1:
        return kind.of([number(text, option, words.wanted, words.example)])
    return kind.of(_numbers(option, text, words.wanted, (len(kind.numbers),), f"{option} {words.example}"))


def _numbers(option: str, text: str, wanted: str, how_many: tuple[int, ...], try_next: str = "") -> list[float]:
    """Return the numbers between the commas of an option's text. Raises SiteError."""
    from passim.errors import SiteError

    try:
        numbers = [float(part) for part in text.split(",")]
    except ValueError:
        numbers = []
    if len(numbers) not in how_many:
        raise SiteError(option, got=text, wanted=wanted, try_next=try_next)
    return numbers
