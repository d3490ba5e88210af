"""`Workspace`: the folder a user works in, and what it gives to the rest of passim."""

from __future__ import annotations

import difflib
import hashlib
import re
import shlex
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, Final, TypeVar

import platformdirs
import tomlkit
from tomlkit.items import AoT, Table

from passim.answers.calls.kinds import CALL_KINDS, CallKind
from passim.elements.feeds.history import History, read_history, recent_climbs
from passim.elements.feeds.snapshots import SnapshotStore, read_snapshot
from passim.elements.files import read_elements
from passim.elements.read_log import TOLERATED_SHARE
from passim.elements.records import Fleet
from passim.errors import WayOut, WorkspaceError
from passim.forecast.timing import TimingModel
from passim.line.journal.schema import FILE_NAME as JOURNAL_NAME
from passim.sky.limits import Gateway, GatewayLimit, Limit
from passim.sky.service import Service
from passim.sky.site import Site
from passim.sky.view import View
from passim.spans import DailyHours
from passim.workspace import saving
from passim.workspace.checking import ZoneMismatch, read_settings, zone_at, zone_mismatch
from passim.workspace.plover import plover
from passim.workspace.settings import (
    Assumption,
    FleetSettings,
    GatewaySettings,
    LineSettings,
    SiteSettings,
    SpotSettings,
    WorkspaceSettings,
)
from passim.workspace.timing import Timing, timing_of

FILE_NAME: Final = "passim.toml"
_LONGEST_FOLDER: Final = 40
_DEMO_FOLDER: Final = Path(__file__).with_name("demo")

_Named = TypeVar("_Named", SiteSettings, GatewaySettings, FleetSettings, SpotSettings)


@dataclass(frozen=True)
class Workspace:
    """A folder with a checked `passim.toml`. Open one with `load` or `find`; it does not follow later changes.

    ``zone_mismatches`` are sites whose zone contradicts their coordinates. ``unwritten`` is the text of a file that is
    not there yet, which the first change writes; see `passim.workspace.begin`.
    """

    folder: Path
    settings: WorkspaceSettings
    zone_mismatches: tuple[ZoneMismatch, ...] = ()
    unwritten: str | None = None

    @classmethod
    def load(cls, path: str | Path) -> Workspace:
        """Open the workspace in the folder `path`, or the one whose file `path` is. Raises WorkspaceError."""
        file = _file_of(Path(path))
        if not file.is_file():
            raise WorkspaceError(
                "workspace",
                got=str(path),
                wanted=f"a folder that holds {FILE_NAME}",
                try_next=shlex.join(["passim", "workspace", "new", str(path)]),
            )
        settings = read_settings(saving.read_text(file), file)
        year = datetime.now(UTC).year
        found = [zone_mismatch(site, year) for site in settings.sites]
        return cls(file.parent, settings, tuple(one for one in found if one is not None))

    @classmethod
    def find(cls, path: str | Path | None = None) -> Workspace | None:
        """Open the workspace at `path`; without one that of the current folder, else that of the user's data folder.

        Returns None where no path is given and neither folder holds one. Raises WorkspaceError.
        """
        if path is not None:
            return cls.load(path)
        for folder in (Path.cwd(), home_folder()):
            if (folder / FILE_NAME).is_file():
                return cls.load(folder)
        return None

    @classmethod
    def demo(cls) -> Workspace:
        """Open the invented scenario as passim ships it; `create` writes one that may be changed."""
        return cls.load(_DEMO_FOLDER)

    @property
    def file(self) -> Path:
        """The workspace's file."""
        return self.folder / FILE_NAME

    @property
    def site_names(self) -> tuple[str, ...]:
        """The names of the sites, in the order of the file."""
        return tuple(site.name for site in self.settings.sites)

    def other_site_names(self, name: str | None) -> tuple[str, ...]:
        """Return the names of the sites but that of `name`, the first where it is None; all where it names none."""
        own = (self.site_names[0] if name is None and self.site_names else name or "").strip().casefold()
        return tuple(other for other in self.site_names if other.casefold() != own)

    @property
    def fleet_names(self) -> tuple[str, ...]:
        """The names of the fleets, in the order of the file."""
        return tuple(fleet.name for fleet in self.settings.fleets)

    @property
    def missing(self) -> tuple[str, ...]:
        """The sections of the file that are empty and without which nothing can be computed: sites, fleets."""
        return tuple(name for name in ("sites", "fleets") if not getattr(self.settings, name))

    @property
    def service(self) -> Service:
        """How the terminal is given its satellites."""
        return self.settings.terminal.service()

    @property
    def policy_guessed(self) -> bool:
        """Whether the file does not say which satellite is taken: passim's own guess then stands in for it."""
        return "policy" not in self.settings.terminal.model_fields_set

    def timing(self, fleet_name: str | None = None) -> Timing:
        """Return how the timing error of a fleet's satellites grows with the age of their elements.

        It is that of the first fleet unless named. What the file states comes first, then what was learned from the
        fleet's own snapshots, then the usual model. Raises WorkspaceError for a name that is not in the file.
        """
        settings = self.fleet_settings(fleet_name) if fleet_name is not None or self.settings.fleets else None
        store = self.snapshots(settings.name) if settings is not None and settings.feed is not None else None
        return timing_of(self.timing_stated, store)

    @property
    def line(self) -> LineSettings:
        """What the probe asks, how often, and whose clock it trusts."""
        return self.settings.line

    @property
    def journal_file(self) -> Path:
        """Where the journal of the line is kept."""
        return self.folder / JOURNAL_NAME

    @property
    def timing_stated(self) -> TimingModel | None:
        """The timing errors that the file states for whatever elements, None where it states none."""
        return self.settings.timing.model() if self.settings.timing.model_fields_set else None

    @property
    def call_kinds(self) -> tuple[CallKind, ...]:
        """The kinds of call, the one in use first: passim's own, as the file changes them, then those that it adds."""
        given = {settings.name.casefold(): settings.kind() for settings in self.settings.calls.kinds}
        own = [given.pop(kind.name.casefold(), kind) for kind in CALL_KINDS]
        usual = self.settings.calls.kind.casefold()
        # Sorting is stable: all but the one in use stay in their order.
        return tuple(sorted((*own, *given.values()), key=lambda kind: kind.name.casefold() != usual))

    @property
    def assumptions(self) -> tuple[Assumption, ...]:
        """The settings that nobody measured."""
        return tuple(self.settings.assumptions)

    def site_settings(self, name: str | None = None) -> SiteSettings:
        """Return what the file says of a site: the first unless named. Raises WorkspaceError."""
        if not self.settings.sites:
            raise WorkspaceError(f"site of {self.file}", got="none", wanted="a [[sites]] section")
        return self.settings.sites[0] if name is None else _named(self.settings.sites, name, "site")

    def spot_settings(self, site_name: str | None = None, spot: str | None = None) -> SpotSettings:
        """Return what the file says of a mounting spot: the first unless named. Raises WorkspaceError."""
        site = self.site_settings(site_name)
        return site.spots[0] if spot is None else _named(site.spots, spot, f"mounting spot of {site.name}")

    def spot_names(self, site_name: str | None = None) -> tuple[str, ...]:
        """Return the names of a site's mounting spots, the one in use first. Raises WorkspaceError."""
        return tuple(spot.name for spot in self.site_settings(site_name).spots)

    def horizon_unknown(self, site_name: str | None = None, spot: str | None = None) -> bool:
        """Whether the file says nothing of the horizon of a spot: a flat one of 25 deg then stands in for it."""
        return self.spot_settings(site_name, spot).horizon_unknown

    def call_hours(self, site_name: str | None = None) -> DailyHours | None:
        """Return when calls are held at a site, in its own time; None if the file is silent. Raises WorkspaceError."""
        settings = self.site_settings(site_name).call_hours
        return None if settings is None else settings.hours()

    def site(self, site_name: str | None = None, spot: str | None = None) -> Site:
        """Return a site as seen from one of its mounting spots.

        Without names the first site and its first spot: the ones in use. Case does not matter. Raises WorkspaceError
        for a name that is not in the file, SiteError for a horizon file that has changed for the worse.
        """
        settings, place = self.site_settings(site_name), self.spot_settings(site_name, spot)
        name = settings.name if len(settings.spots) == 1 else f"{settings.name} {place.name}"
        zone = settings.zone or zone_at(settings.latitude_deg, settings.longitude_deg) or "UTC"
        return Site(
            name,
            settings.latitude_deg,
            settings.longitude_deg,
            settings.height_m,
            zone,
            place.skyline(self.folder),
        )

    def view(self, site_name: str | None = None, spot: str | None = None) -> View:
        """Return what the terminal can use of the sky at a site and spot: all limits of the file. Raises as `site`."""
        settings = self.site_settings(site_name)
        return self.view_from(self.site(site_name, spot), self.gateways(settings.name))

    def view_from(self, site: Site, gateways: Iterable[Gateway] | None = None) -> View:
        """Return what this terminal could use at a place that is not in the file, by `gateways` or else all of them."""
        counted = tuple(self.gateways() if gateways is None else gateways)
        terminal, serving = self.settings.terminal, self.settings.serving
        limits: list[Limit] = terminal.limits()
        if counted and not self.settings.relay_between_satellites:
            limits.append(GatewayLimit(counted))
        limits += serving.limits()
        relayed = self.settings.relay_between_satellites
        return View(site, tuple(limits), terminal.lowest_elevation_deg, service=self.service, relayed=relayed)

    def gateways(self, site_name: str | None = None) -> tuple[Gateway, ...]:
        """Return the gateways that count for a site: those it names, or all; all of the file where no site is given."""
        every = self.settings.gateways
        chosen = None if site_name is None else self.site_settings(site_name).gateways
        return tuple(g.gateway(self.folder) for g in every if chosen is None or g.name in chosen)

    def fleet(self, name: str | None = None, at: datetime | None = None, *, lenient: bool | None = None) -> Fleet:
        """Return a fleet: the first of the file unless named.

        An invented fleet has its elements at 00:00 UTC of the day of `at` (default: now), so that it is always fresh;
        one with a feed is its newest whole snapshot that was there by `at`. `lenient` is that of `read_elements`;
        without it one damaged record in a hundred is left out, or none where the file says ``strict = true``.

        Raises WorkspaceError for a name that is not in the file and a feed without snapshots, ElementsError for files
        that cannot be used.
        """
        settings = self.fleet_settings(name)
        if settings.feed is not None:
            store = self.snapshots(settings.name)
            snapshot = store.newest(at)
            if snapshot is None:
                raise WorkspaceError(
                    f"fleet {settings.name}", got="a feed that has brought nothing yet", way_out=WayOut.UPDATE
                )
            return read_snapshot(snapshot, settings.name, recent_climbs(store, snapshot))
        if settings.invented is not None:
            day = (at or datetime.now(UTC)).astimezone(UTC)
            return plover(day.replace(hour=0, minute=0, second=0, microsecond=0))
        paths = [self.folder / element for element in settings.elements or ()]
        usual = False if settings.strict else TOLERATED_SHARE
        found = read_elements(paths, lenient=usual if lenient is None else lenient)
        return Fleet(found.records, settings.name, skipped=found.skipped)

    def fleet_over_time(self, name: str | None = None, *, lenient: bool | None = None) -> Callable[[datetime], Fleet]:
        """Return what gives the elements of a fleet that were at hand at a moment, each list read once.

        It raises what `fleet` raises.
        """
        settings, read = self.fleet_settings(name), {}

        def at_hand(at: datetime) -> Fleet:
            key: object = None
            if settings.feed is not None:
                snapshot = self.snapshots(settings.name).newest(at)
                key = None if snapshot is None else snapshot.path
            elif settings.invented is not None:
                key = at.astimezone(UTC).date()
            if key not in read:
                read[key] = self.fleet(settings.name, at, lenient=lenient)
            return read[key]

        return at_hand

    def fleet_settings(self, name: str | None = None) -> FleetSettings:
        """Return what the file says of a fleet: the first unless named. Raises WorkspaceError."""
        if not self.settings.fleets:
            raise WorkspaceError(
                f"fleet of {self.file}",
                got="none",
                wanted="a [[fleets]] section",
                try_next="naming element files in it",
            )
        return self.settings.fleets[0] if name is None else _named(self.settings.fleets, name, "fleet")

    def stands_in(self, name: str | None = None) -> bool:
        """Say whether a fleet is invented although the workspace is not: it stands in for satellites yet to come."""
        return self.fleet_settings(name).invented is not None and "invented" not in self.settings.name.casefold()

    def snapshots(self, name: str | None = None) -> SnapshotStore:
        """Return the snapshots of a fleet that has a feed: the first unless named. Raises WorkspaceError."""
        fleet = self.fleet_settings(name).kept_under.casefold()
        plain = re.sub(r"[^a-z0-9]+", "-", fleet).strip("-")
        # Names that differ in what a file name cannot carry stay apart.
        mark = "" if plain == fleet else f"-{hashlib.sha256(fleet.encode('utf-8')).hexdigest()[:8]}"
        return SnapshotStore(self.folder / "snapshots" / f"{plain[:_LONGEST_FOLDER]}{mark}")

    def history(self, name: str | None = None, at: datetime | None = None) -> History | None:
        """Return what the snapshots of a fleet tell up to `at` (default: now); None for one without snapshots.

        Raises WorkspaceError for a name that is not in the file.
        """
        settings = self.fleet_settings(name)
        return None if settings.feed is None else read_history(self.snapshots(settings.name), at)

    def edit(self, change: Callable[[tomlkit.TOMLDocument], None]) -> Workspace:
        """Change the file by what `change` does to its document, and return the workspace as it then is.

        Comments stay, and so does what other programs wrote meanwhile. Raises WorkspaceError and leaves the file as it
        was where the file is damaged or would be.
        """
        saving.edit(self.file, change, self.unwritten)
        return type(self).load(self.folder)

    @property
    def text(self) -> str:
        """The text of the file as it stands now. Raises WorkspaceError."""
        return saving.read_text(self.file)

    def changes_since(self, text: str) -> list[str]:
        """Return the lines of the file that went since it was `text`, after "- ", and those that came, after "+ "."""
        return saving.differences(text, self.text)

    @property
    def can_undo(self) -> bool:
        """Whether passim has changed the file, so that `undo` has something to take back."""
        return saving.has_change(self.file)

    def undo(self) -> tuple[Workspace, list[str]]:
        """Take back the last change that passim made to the file; return the workspace as it then is and what changed.

        Once more brings the change back. Raises WorkspaceError where there is none, or the file changed by hand since.
        """
        before, _ = saving.undo(self.file)
        undone = type(self).load(self.folder)
        return undone, undone.changes_since(before)

    def assume(
        self,
        values: Mapping[str, Any],
        how: str,
        on: date,
        gateway: Gateway | None = None,
        site_name: str | None = None,
    ) -> Workspace:
        """Put settings into the file that nobody measured, marked as assumptions: by whom, how and when.

        `values` maps settings of the file to their new values: ``terminal.clock_period_s``, or with names
        ``sites.Marram.spots.loft.mask_deg``. None takes a setting away. `gateway`, with a flat horizon, is added or
        put in the place of the one of its name. It counts for every site that lists no gateways; where `site_name` is
        one that does, it becomes the only one of its list. `how` is one sentence. Raises WorkspaceError.
        """
        return self.edit(self.assuming(values, how, on, gateway, site_name))

    def would_assume(
        self,
        values: Mapping[str, Any],
        how: str,
        on: date,
        gateway: Gateway | None = None,
        site_name: str | None = None,
    ) -> list[str]:
        """Return the lines of the file that `assume` would change, as `changes_since` has them. Raises as it does."""
        return saving.preview(self.file, self.assuming(values, how, on, gateway, site_name))

    def assuming(
        self,
        values: Mapping[str, Any],
        how: str,
        on: date,
        gateway: Gateway | None = None,
        site_name: str | None = None,
    ) -> Callable[[tomlkit.TOMLDocument], None]:
        """Return what `assume` does to the document of the file."""

        def change(document: tomlkit.TOMLDocument) -> None:
            marked = [setting for setting, value in values.items() if value is not None]
            for setting, value in values.items():
                _set(document, setting, value)
            if gateway is not None:
                _put_gateway(document, gateway)
                marked.append(f"gateways.{gateway.name}")
                lists = site_name is not None and self.site_settings(site_name).gateways is not None
                if site_name is not None and lists:
                    setting = f"sites.{self.site_settings(site_name).name}.gateways"
                    _set(document, setting, [gateway.name])
                    marked.append(setting)
            _mark(document, set(values), list(dict.fromkeys(marked)), how, on)

        return change


def home_folder() -> Path:
    """Return the folder that holds the user's own workspace where none is named: the platform's data folder."""
    return Path(platformdirs.user_data_dir("passim", appauthor=False))


def _file_of(path: Path) -> Path:
    """Return the workspace file that a folder, or the file itself, stands for."""
    return path if path.name == FILE_NAME and not path.is_dir() else path / FILE_NAME


def _named(entries: Iterable[_Named], name: str, what: str) -> _Named:
    """Return the entry of that name. Raises WorkspaceError."""
    every = list(entries)
    for entry in every:
        if entry.name.casefold() == name.strip().casefold():
            return entry
    if not every:
        raise WorkspaceError(what, got=name, wanted="none is in the file", try_next="adding one to passim.toml")
    known = [entry.name for entry in every]
    near = difflib.get_close_matches(name, known, n=1)
    raise WorkspaceError(what, got=name, wanted=f"one of {', '.join(known)}", try_next=near[0] if near else known[0])


def _set(document: tomlkit.TOMLDocument, setting: str, value: Any) -> None:
    """Put a value at a setting written with names, making its section where there is none; None takes it away."""
    here: Any = document
    *sections, key = _steps(document, setting)
    for section in sections:
        if isinstance(here, AoT | list):
            here = here[section]
        else:
            if section not in here:
                if value is None:
                    return
                here[section] = tomlkit.table()
            here = here[section]
    if value is None:
        if key in here:
            del here[key]
    else:
        here[key] = value


def _steps(document: Mapping[str, Any], setting: str) -> list[Any]:
    """Return the keys on the way to a setting, positions for entries that it calls by name. Raises WorkspaceError."""
    here: Any = document
    steps: list[Any] = []
    rest = setting
    while rest:
        if isinstance(here, list):
            named = [(str(entry.get("name", "")), k) for k, entry in enumerate(here)]
            fitting = [(name, k) for name, k in named if name and (rest == name or rest.startswith(f"{name}."))]
            if not fitting:
                known = ", ".join(name for name, _ in named) or "none"
                raise WorkspaceError("setting to assume", got=setting, wanted=f"one of the names in the file: {known}")
            word, position = max(fitting, key=lambda pair: len(pair[0]))
            here, rest = here[position], rest[len(word) + 1 :]
            steps.append(position)
        else:
            key, _, rest = rest.partition(".")
            here = here.get(key) if isinstance(here, Mapping) else None
            steps.append(key)
    return steps


def _put_gateway(document: tomlkit.TOMLDocument, gateway: Gateway) -> None:
    """Add a gateway, or put it in the place of the one of its name. Its horizon must be flat."""
    table = tomlkit.table()
    table["name"] = gateway.name
    table["latitude_deg"], table["longitude_deg"] = gateway.latitude_deg, gateway.longitude_deg
    table["height_m"], table["mask_deg"] = gateway.height_m, gateway.horizon.lowest_deg
    table.add(tomlkit.nl())
    entries = _array(document, "gateways")
    for k, entry in enumerate(entries):
        if str(entry.get("name", "")).casefold() == gateway.name.casefold():
            entries[k] = table
            return
    entries.append(table)


def _mark(document: tomlkit.TOMLDocument, touched: set[str], marked: list[str], how: str, on: date) -> None:
    """Put one assumption for each setting of `marked` in the place of those for anything in `touched`."""
    entries = _array(document, "assumptions")
    for k in reversed(range(len(entries))):
        if entries[k].get("setting") in touched | set(marked):
            del entries[k]
    for setting in marked:
        table = tomlkit.table()
        table["setting"], table["since"], table["how"] = setting, on, how
        table.add(tomlkit.nl())
        entries.append(table)
    if not len(entries):
        del document["assumptions"]


def _array(document: tomlkit.TOMLDocument, key: str) -> AoT:
    """Return the array of tables of that name, a new one where the file has none or writes it in one line."""
    given = document.get(key)
    if isinstance(given, AoT):
        return given
    tables = tomlkit.aot()
    for entry in given or ():
        table: Table = tomlkit.table()
        table.update(entry)
        tables.append(table)
    if given is not None:
        del document[key]
    else:
        document.add(tomlkit.nl())
    document[key] = tables
    made = document[key]
    assert isinstance(made, AoT)
    return made
