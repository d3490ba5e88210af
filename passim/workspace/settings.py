"""What a workspace file may say: its sections, their keys, and what each may be.

The models check what a section says for itself; `passim.workspace.checking` checks what the sections say of each
other, and finds all errors at once. Whatever a class of passim checks already is checked by making one.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date, time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ValidationInfo,
    create_model,
    field_validator,
    model_validator,
)

from passim.answers.calls.kinds import CALL_KINDS, VIDEO, CallKind
from passim.elements.feeds.sources import Address, Folder, check_address
from passim.errors import InputError, WorkspaceError
from passim.forecast.timing import TimingModel
from passim.line.targets import check_host, check_interval, parse_targets
from passim.sky.horizon import Horizon
from passim.sky.limits import TERMINAL_LIMITS, Excluded, Gateway, Limit, ServingFilter, ServingShare, TerminalLimit
from passim.sky.service import Policy, Service
from passim.sky.site import Site
from passim.spans import DAY_NAMES, DailyHours, zone

_Made = TypeVar("_Made")
Number = Annotated[float, Field(allow_inf_nan=False)]
_LONGEST_NAME: Final = 60
_NAME_PATTERN: Final = r"^[^\x00-\x1f,]*[^\x00-\x1f,\s][^\x00-\x1f,]*$"
Name = Annotated[str, Field(min_length=1, max_length=_LONGEST_NAME, pattern=_NAME_PATTERN)]


def check_name(name: str, what: str) -> None:
    """Refuse what cannot be the name of `what` in the file. Raises WorkspaceError."""
    if not name.strip():
        raise WorkspaceError(f"{what} is empty", wanted="a word or two", try_next="Marram")
    if len(name) > _LONGEST_NAME or not re.match(_NAME_PATTERN, name):
        raise WorkspaceError(
            what, got=name, wanted=f"at most {_LONGEST_NAME} letters without a comma", try_next="a shorter, plain name"
        )


def made(make: Callable[[], _Made]) -> _Made:
    """Return what `make` makes; its InputError becomes the ValueError that a model reports."""
    try:
        return make()
    except InputError as error:
        raise ValueError(str(error)) from None


def checked(make: Callable[[Any], object]) -> AfterValidator:
    """Return what lets a value through of which `make` makes something; nothing given is let through too."""

    def check(value: Any) -> Any:
        if value is not None:
            made(lambda: make(value))
        return value

    return AfterValidator(check)


ZoneName = Annotated[str, checked(zone)]
HostName = Annotated[str, Field(min_length=1, max_length=253), checked(lambda host: check_host(host, "time server"))]


class Section(BaseModel):
    """A part of the file: unknown keys are refused, and text is not read as a number."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


def _numbers_of(kind: TerminalLimit) -> Any:
    """Return what the file may say of a limit: its one number, or a section with all of them; each made once."""
    entry = checked(lambda value: _limit_of(kind, value))
    if len(kind.numbers) == 1:
        return Annotated[Number, entry]
    numbers: dict[str, Any] = {name: (Number, kind.usual.get(name, ...)) for name in kind.numbers}
    return Annotated[create_model(f"{kind.made.__name__}Settings", __base__=Section, **numbers), entry]


def _limit_of(kind: TerminalLimit, entry: float | Section) -> Limit:
    """Return the limit that the file states. Raises InputError."""
    return kind.of(entry.model_dump().values() if isinstance(entry, Section) else [entry])


class TerminalBase(Section):
    """The terminal: what it can point at, and how it is given its satellites."""

    lowest_elevation_deg: Annotated[Number | None, Field(ge=0.0, lt=90.0)] = None
    policy: Policy = "keep-then-highest"
    clock_period_s: Annotated[Number | None, checked(lambda s: Service(clock_period_s=s))] = None
    clock_offset_s: Number = 0.0
    acquisition_s: Annotated[Number, checked(lambda s: Service(acquisition_s=s))] = 0.0

    @model_validator(mode="after")
    def _a_service(self) -> TerminalBase:
        made(self.service)
        return self

    def service(self) -> Service:
        """Return how the terminal is given its satellites. Raises InputError."""
        return Service(self.policy, self.clock_period_s, self.clock_offset_s, self.acquisition_s)

    def limits(self) -> list[Limit]:
        """Return the limits that the terminal sets."""
        stated = [(kind, getattr(self, kind.key)) for kind in TERMINAL_LIMITS]
        return [_limit_of(kind, entry) for kind, entry in stated if entry is not None]


if TYPE_CHECKING:

    class TerminalSettings(TerminalBase):
        """The same, with a key for every limit that numbers of the terminal state."""

else:
    TerminalSettings = create_model(
        "TerminalSettings",
        __base__=TerminalBase,
        **{kind.key: (_numbers_of(kind) | None, None) for kind in TERMINAL_LIMITS},
    )


class ServingSettings(Section):
    """Which satellites of the catalogue are taken to serve."""

    filter: bool = True
    share_percent: Annotated[Number, checked(ServingShare)] = 100.0
    seed: Annotated[int, Field(ge=0)] = 0
    excluded: Annotated[list[str | int], checked(Excluded.of)] = []

    def limits(self) -> list[Limit]:
        """Return the limits that leave satellites out."""
        found: list[Limit] = [ServingFilter()] if self.filter else []
        if self.share_percent < 100.0:
            found.append(ServingShare(self.share_percent, self.seed))
        if self.excluded:
            found.append(Excluded.of(self.excluded))
        return found


class Skyline(Section):
    """A horizon: one elevation all round, the name of a horizon file, or points of azimuth and elevation."""

    mask_deg: Annotated[Number | None, checked(Horizon.flat)] = None
    horizon_file: str | None = None
    horizon: Annotated[
        list[Annotated[list[Number], Field(min_length=2, max_length=2)]] | None, checked(Horizon.from_points)
    ] = None

    @field_validator("horizon_file")
    @classmethod
    def _a_file(cls, name: str | None, info: ValidationInfo) -> str | None:
        folder = (info.context or {}).get("folder")
        if name is not None and folder is not None:
            made(lambda: Horizon.from_csv(Path(folder) / name))
        return name

    @model_validator(mode="after")
    def _one_of_three(self) -> Skyline:
        given = [key for key in Skyline.model_fields if getattr(self, key) is not None]
        if len(given) > 1:
            raise ValueError(f"{' and '.join(given)} are both given; wanted one of {', '.join(Skyline.model_fields)}")
        return self

    def skyline(self, folder: Path, usual_mask_deg: float = 25.0) -> Horizon:
        """Return the horizon; a flat one of `usual_mask_deg` where nothing is said. Raises SiteError."""
        if self.horizon_file is not None:
            return Horizon.from_csv(folder / self.horizon_file)
        if self.horizon is not None:
            return Horizon.from_points([(azimuth, elevation) for azimuth, elevation in self.horizon])
        return Horizon.flat(usual_mask_deg if self.mask_deg is None else self.mask_deg)


class PlaceSettings(Section):
    """A place on the ground: degrees, north and east positive, and metres above the WGS 84 ellipsoid."""

    name: Name
    latitude_deg: Annotated[Number, checked(lambda deg: Site("the place", deg, 0.0))]
    longitude_deg: Annotated[Number, checked(lambda deg: Site("the place", 0.0, deg))]
    height_m: Annotated[Number, checked(lambda m: Site("the place", 0.0, 0.0, m))] = 0.0


class GatewaySettings(PlaceSettings, Skyline):
    """A gateway: a place and the skyline above which its antennas work."""

    def gateway(self, folder: Path) -> Gateway:
        """Return the gateway."""
        return Gateway(self.name, self.latitude_deg, self.longitude_deg, self.height_m, self.skyline(folder))


class SpotSettings(Skyline):
    """A mounting spot of a site and the horizon seen from there; unknown where the file says nothing of it."""

    name: Name

    def skyline(self, folder: Path, usual_mask_deg: float = 25.0) -> Horizon:
        """Return the horizon; where nothing is said, a flat one that is marked as assumed. Raises SiteError."""
        found = super().skyline(folder, usual_mask_deg)
        return replace(found, assumed=True) if self.horizon_unknown else found

    @property
    def horizon_unknown(self) -> bool:
        """Whether nobody has said yet what the horizon is."""
        return all(getattr(self, key) is None for key in Skyline.model_fields)


class CallHoursSettings(Section):
    """When calls are held, in the site's own time; days are Mon to Sun.

    Hours may go over midnight, 22:00 to 04:00: what comes after it belongs to the day on which they began. An end of
    24:00 or 00:00 is the midnight that ends the day.
    """

    start: time
    end: time
    days: Annotated[list[Literal["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"]], Field(min_length=1)] = [
        "Mon", "Tue", "Wed", "Thu", "Fri",
    ]  # fmt: skip

    @field_validator("start", "end", mode="before")
    @classmethod
    def _clock_time(cls, given: Any) -> Any:
        if not isinstance(given, str):
            return given
        if given.strip() == "24:00":
            return time()
        try:
            return time.fromisoformat(given.strip())
        except ValueError:
            fault = InputError("time of day", got=given, wanted="hours and minutes such as 08:00")
            raise ValueError(str(fault)) from None

    @model_validator(mode="after")
    def _some_hours(self) -> CallHoursSettings:
        made(self.hours)
        return self

    @classmethod
    def of(cls, hours: DailyHours) -> CallHoursSettings:
        """Return the settings that say these hours."""
        start, end = (time(*divmod(minute % 1440, 60)) for minute in (hours.from_minute, hours.to_minute))
        return cls(start=start, end=end, days=[DAY_NAMES[day] for day in hours.weekdays])

    def hours(self) -> DailyHours:
        """Return the hours; an end at 00:00 is the midnight at the end of the day. Raises SpanError."""
        first, end = (at.hour * 60 + at.minute for at in (self.start, self.end))
        return DailyHours(first, end or 1440, tuple(sorted({DAY_NAMES.index(day) for day in self.days})))


class CallKindSettings(Section):
    """A kind of call: one of passim's own with other thresholds, or a new one; lengths of a freeze in seconds."""

    name: Name
    words: Annotated[str, Field(min_length=1, max_length=60)] | None = None
    noticed_from_s: Number | None = None
    pause_from_s: Number | None = None
    ends_from_s: Number | None = None
    buffer_s: Number | None = None

    @model_validator(mode="after")
    def _a_kind(self) -> CallKindSettings:
        made(self.kind)
        return self

    def kind(self) -> CallKind:
        """Return the kind; what is not said is passim's own of that name, or a video call's. Raises InputError."""
        given = {key: getattr(self, key) for key in ("noticed_from_s", "pause_from_s", "ends_from_s", "buffer_s")}
        given = {key: value for key, value in given.items() if value is not None}
        base = next((kind for kind in CALL_KINDS if kind.name.casefold() == self.name.casefold()), None)
        if base is None:
            base = replace(VIDEO, name=self.name, words=self.words or self.name)
        return base.changed("this workspace", words=self.words, **given)


class CallsSettings(Section):
    """What counts in calls: which kind is meant where none is named, and the kinds that are changed or added."""

    kind: Name = VIDEO.name
    kinds: list[CallKindSettings] = []

    @model_validator(mode="after")
    def _a_known_kind(self) -> CallsSettings:
        known = [kind.name for kind in CALL_KINDS] + [kind.name for kind in self.kinds]
        if self.kind.casefold() not in [name.casefold() for name in known]:
            wanted = f"one of {', '.join(dict.fromkeys(known))}"
            raise ValueError(str(InputError("kind of call", got=self.kind, wanted=wanted)))
        return self


class SiteSettings(PlaceSettings):
    """A site: its place, its mounting spots, the gateways that count for it, and when calls are held there."""

    zone: ZoneName | None = None
    gateways: list[str] | None = None
    call_hours: CallHoursSettings | None = None
    spots: Annotated[list[SpotSettings], Field(min_length=1)]


class FeedSettings(Section):
    """Where fresh element sets of a fleet come from: an address that is asked, or a folder that something fills.

    ``minimum_interval_s`` is the least time between two requests of an address, ``every_s`` the usual one.
    ``authorization_from`` names the environment variable that holds what the Authorization header says. ``kept_under``
    is the name that the fleet had when its first snapshot came, where it has another one today.
    """

    address: Annotated[str | None, checked(check_address)] = None
    folder: str | None = None
    minimum_interval_s: Annotated[Number, Field(ge=0.0)] = 7200.0
    every_s: Annotated[Number, Field(gt=0.0)] = 28_800.0
    authorization_from: Annotated[str, Field(pattern=r"^[A-Za-z_][A-Za-z0-9_]*$")] | None = None
    kept_under: Name | None = None

    @model_validator(mode="after")
    def _one_source(self) -> FeedSettings:
        if (self.address is None) == (self.folder is None) or self.folder == "":
            raise ValueError('wanted either address = "https://example.org/elements.json" or folder = "incoming"')
        if self.address is not None and self.every_s < self.minimum_interval_s:
            raise ValueError(
                f"every_s = {self.every_s:g} is less than minimum_interval_s = {self.minimum_interval_s:g}"
            )
        if self.folder is not None and self.authorization_from is not None:
            raise ValueError("authorization_from goes with an address")
        return self

    def feed(self, folder: Path) -> Address | Folder:
        """Return the feed; `folder` is that of the workspace."""
        if self.address is None:
            return Folder(folder=folder / (self.folder or ""), every_s=self.every_s)
        return Address(
            address=self.address,
            minimum_interval_s=self.minimum_interval_s,
            every_s=self.every_s,
            authorization_from=self.authorization_from or "",
        )


class FleetSettings(Section):
    """A fleet: element files or folders beside the workspace file, a feed that brings fresh ones, or one that passim
    invents afresh for each day."""

    name: Name
    elements: list[str] | None = None
    feed: FeedSettings | None = None
    invented: Literal["plover"] | None = None
    strict: bool = False
    # The word of older files, for the opposite.
    lenient: bool | None = None

    @model_validator(mode="after")
    def _from_somewhere(self) -> FleetSettings:
        given = [source for source in (self.elements, self.feed, self.invented) if source is not None]
        if len(given) != 1 or self.elements == []:
            raise ValueError(
                'wanted one of elements = ["file or folder", ...], '
                'feed = { address = "https://example.org/elements.json" } or invented = "plover"'
            )
        return self

    @model_validator(mode="after")
    def _one_word_for_it(self) -> FleetSettings:
        if self.lenient is False:
            self.strict = True
        return self

    @property
    def kept_under(self) -> str:
        """The name under which its snapshots, and what was learned from them, are kept."""
        return (self.feed.kept_under if self.feed is not None else None) or self.name


class UpdatesSettings(Section):
    """Who brings fresh elements by itself: the dashboard, for as long as it runs, or nobody."""

    in_dashboard: bool = False


class LineSettings(Section):
    """What the probe asks to see whether the line answers, nearest first, how often, and whose clock it trusts."""

    targets: Annotated[list[str], checked(parse_targets)] = []
    every_s: Annotated[Number, checked(check_interval)] = 1.0
    ntp_server: HostName | None = None


class Assumption(Section):
    """A setting that nobody measured: which, since when it stands in the file, and how it was chosen."""

    setting: Annotated[str, Field(min_length=1)]
    since: date
    how: Annotated[str, Field(min_length=1, max_length=500)]


class TimingSettings(Section):
    """How the timing error grows with the age of elements; see `passim.forecast.timing` for what each number means."""

    at_epoch_s: Annotated[Number, Field(ge=0.0)] = TimingModel().at_epoch_s
    per_day_s: Annotated[Number, Field(ge=0.0)] = TimingModel().per_day_s
    per_day2_s: Annotated[Number, Field(ge=0.0)] = TimingModel().per_day2_s
    manoeuvre_per_day_s: Annotated[Number, Field(ge=0.0)] = TimingModel().manoeuvre_per_day_s
    shared_per_day2_s: Annotated[Number, Field(ge=0.0)] = TimingModel().shared_per_day2_s

    def model(self) -> TimingModel:
        """Return the timing model of these numbers."""
        return TimingModel(**self.model_dump())


class WorkspaceSettings(Section):
    """The whole file."""

    name: str = ""
    relay_between_satellites: bool = False
    terminal: TerminalSettings = TerminalSettings()
    serving: ServingSettings = ServingSettings()
    gateways: list[GatewaySettings] = []
    sites: list[SiteSettings] = []
    fleets: list[FleetSettings] = []
    calls: CallsSettings = CallsSettings()
    timing: TimingSettings = TimingSettings()
    updates: UpdatesSettings = UpdatesSettings()
    line: LineSettings = LineSettings()
    assumptions: list[Assumption] = []
