"""The state behind the pages: the workspace, the time to treat as now, and what has been computed, within bounds.

There is one `DashboardState` an application, made by the factory; pages meet it as a `PageRequest`, which adds the
choices of one address. What is quick is computed at once; the rest goes to worker processes, and `Pending` says
so to whoever asked.
"""

from __future__ import annotations

import contextlib
import dataclasses
import functools
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterator, Mapping
from datetime import UTC, date, datetime, timedelta
from typing import Any, Final, TypeVar

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from passim import Coverage, Fleet, Horizon, Site, Span
from passim.elements import condition, health
from passim.errors import InputError, SpanError
from passim.forecast import timing
from passim.parallel import Job, WorkerPool
from passim.sky import view as views
from passim.spans import local_days, moment, zone
from passim.workspace import LEARNED_NAME, LineLesson, Timing, Workspace, lesson_of

from ..text.units import LocalClock
from .address import Choices
from .recorder import Recorder
from .reporter import Reporter
from .tasks import WORKERS, passes as work
from .tasks.passes import PlaceVisibility

# What is to be found within this is found at once; a worker takes a moment to hear of it.
_QUICK_S: Final = 0.18
# Of one core, a satellite and day: finding passes, and drawing the futures of what was found.
SEARCH_MS: Final = 0.07
DRAWS_MS: Final = 0.55
_KEPT_BYTES: Final = 96 * 2**20
_KEPT_FAULTS: Final = 32
# What nobody has asked for as long as this is let go: most of what is kept is true for one minute.
_UNUSED_S: Final = 3600.0
# The largest picture of a page weighs about half of this.
_PICTURE_BYTES: Final = 500_000
_SATELLITE_BYTES: Final = 1000
# Days offered to choose from: elements of today say little of single moments further ahead.
DAYS_AHEAD: Final = 13


Found = TypeVar("Found")


class Pending(Exception):
    """What was asked for is being computed; `job` says how far it is."""

    def __init__(self, job: Job) -> None:
        super().__init__("still working")
        self.job = job


class ByteLimitedCache:
    """Results by key: never more than `most_bytes` together, and none that nobody has asked for `unused_s` seconds.

    The least recently used are dropped first. `clock` tells seconds that never go back.
    """

    def __init__(
        self,
        most_bytes: int = _KEPT_BYTES,
        unused_s: float = _UNUSED_S,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.most_bytes, self.unused_s = most_bytes, unused_s
        self.total_bytes = 0
        self._clock = clock
        # The value, its size in bytes and when it was last asked for, in the order of the last.
        self._items: OrderedDict[Hashable, tuple[Any, int, float]] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: Hashable) -> Any:
        """Return what is kept under a key, or None."""
        with self._lock:
            self._drop_unused()
            if key not in self._items:
                return None
            value, size_bytes, _ = self._items.pop(key)
            self._items[key] = (value, size_bytes, self._clock())
            return value

    def put(self, key: Hashable, value: Any, size_bytes: int) -> None:
        """Keep a value; one larger than the whole bound is kept alone until the next comes."""
        with self._lock:
            self._drop_unused()
            if key in self._items:
                self.total_bytes -= self._items.pop(key)[1]
            self._items[key] = (value, size_bytes, self._clock())
            self.total_bytes += size_bytes
            while self.total_bytes > self.most_bytes and len(self._items) > 1:
                self._drop_oldest()

    def _drop_unused(self) -> None:
        since_s = self._clock() - self.unused_s
        while self._items and next(iter(self._items.values()))[2] < since_s:
            self._drop_oldest()

    def _drop_oldest(self) -> None:
        _, (_, size_bytes, _) = self._items.popitem(last=False)
        self.total_bytes -= size_bytes


def memory_bytes(value: Any, *, fleets: bool = True) -> int:
    """Return about how much memory a result takes: its arrays, tables and texts, and a little for all else it holds.

    Without `fleets` those in it count for nothing.
    """
    seen: set[int] = set()

    def size(part: Any) -> int:
        if part is None or isinstance(part, (bool, int, float)):
            return 32
        if id(part) in seen or callable(part):
            return 0
        seen.add(id(part))
        if isinstance(part, Fleet):
            return _SATELLITE_BYTES * len(part) if fleets else 0
        if isinstance(part, go.Figure):
            return _PICTURE_BYTES
        if isinstance(part, np.ndarray):
            return int(part.nbytes)
        if isinstance(part, (pd.DataFrame, pd.Series)):
            return int(np.sum(part.memory_usage(deep=True)))
        if isinstance(part, (str, bytes)):
            return 64 + len(part)
        if isinstance(part, Mapping):
            inside: Any = [*part, *part.values()]
        elif isinstance(part, (tuple, list)) and part and isinstance(part[0], (int, float, str, type(None))):
            return 32 * len(part)  # numbers or short texts, of which a picture has many
        elif isinstance(part, (tuple, list, set, frozenset)):
            inside = part
        elif dataclasses.is_dataclass(part):
            inside = [getattr(part, field.name) for field in dataclasses.fields(part)]
        else:
            inside = getattr(part, "__dict__", {}).values()
        return 64 + sum(map(size, inside))

    return size(value)


class KeyedLocks:
    """A lock a key: who asks for what another is computing waits for it, and holds up nobody else."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._locks: dict[Hashable, tuple[threading.RLock, int]] = {}

    @contextlib.contextmanager
    def of(self, key: Hashable) -> Iterator[None]:
        """Wait for one's turn at a key, and have it."""
        with self._lock:
            turn, waiting = self._locks.get(key) or (threading.RLock(), 0)
            self._locks[key] = (turn, waiting + 1)
        try:
            with turn:
                yield
        finally:
            with self._lock:
                turn, waiting = self._locks[key]
                if waiting > 1:
                    self._locks[key] = (turn, waiting - 1)
                else:
                    del self._locks[key]


class DashboardState:
    """The state of one application.

    `workspace` is the folder that is served; `invented` says that it is the demonstration, which goes away at the end.
    `at` (aware) makes a rehearsal: the clock starts there and goes on from it.
    """

    def __init__(
        self,
        workspace: Workspace,
        *,
        invented: bool = False,
        at: datetime | None = None,
        pool: WorkerPool | None = None,
    ) -> None:
        self.invented = invented
        self._ahead = timedelta() if at is None else at.astimezone(UTC) - datetime.now(UTC)
        self.rehearsal = at is not None
        self.pool = pool or WorkerPool(WORKERS)
        self.recorder = Recorder()
        self.reporter = Reporter()
        self._results = ByteLimitedCache()
        self._turns = KeyedLocks()
        self._faults: OrderedDict[Hashable, Exception] = OrderedDict()
        self._lock = threading.RLock()
        self._workspace = workspace
        self._stamp = _stamp(workspace)

    def now(self) -> datetime:
        """The time to treat as now, to the whole second, UTC."""
        return (datetime.now(UTC) + self._ahead).replace(microsecond=0)

    @property
    def workspace(self) -> Workspace:
        """The workspace as its file is now; the last sound one while the file is damaged, see `workspace_fault`."""
        with self._lock:
            stamp = _stamp(self._workspace)
            if stamp != self._stamp:
                try:
                    self._workspace = Workspace.load(self._workspace.folder)
                except InputError as error:
                    self._faults["workspace"] = error
                else:
                    self._faults.pop("workspace", None)
                self._stamp = stamp
            return self._workspace

    @property
    def workspace_fault(self) -> str:
        """What is wrong with the workspace's file since it was last read, or empty."""
        with self._lock:
            fault = self._faults.get("workspace")
            return "" if fault is None else f"{fault}. What was read before still applies."

    def question(self, choices: Choices) -> PageRequest:
        """Return the state with the choices of one address."""
        return PageRequest(self, choices, self.workspace, self.now())

    def fleet(self, workspace: Workspace, name: str | None, at: datetime) -> tuple[Hashable, Fleet]:
        """Return the key of a fleet as its files are now, and the fleet. Raises InputError."""
        settings = workspace.fleet_settings(name)
        files = tuple(_file_stamp(workspace.folder / path) for path in settings.elements or ())
        # A snapshot's name holds its digest.
        snapshot = workspace.snapshots(settings.name).newest(at) if settings.feed else None
        came = snapshot and snapshot.path.name
        key = ("fleet", settings.name, settings.strict, files, came, at.date() if settings.invented else None)

        return key, self.remember(key, lambda: workspace.fleet(settings.name, at))

    def fleets_key(self, workspace: Workspace) -> Hashable:
        """Return what changes with the elements of any fleet but an invented one."""
        return tuple(
            (
                fleet.name,
                fleet.strict,
                tuple(_file_stamp(workspace.folder / path) for path in fleet.elements or ()),
                tuple(each.path.name for each in workspace.snapshots(fleet.name)) if fleet.feed else (),
            )
            for fleet in workspace.settings.fleets
        )

    def data_key(self, question: PageRequest) -> Hashable:
        """Return what changes with all that pages read: settings, elements and plans. Raises InputError."""
        plans = tuple(_file_stamp(path) for path in sorted(question.workspace.folder.glob("*.csv")))
        fleet = None if question.workspace.missing else (question.fleet_key, question.fleet_timing)
        learned = _file_stamp(question.workspace.folder / LEARNED_NAME)
        return (_stamp(question.workspace), self.workspace_fault, fleet, plans, learned)

    def remember(self, key: Hashable, compute: Callable[[], Found]) -> Found:
        """Return what is kept under `key`, or compute it here and now."""
        found: Found | None = self._results.get(key)
        if found is None:
            # Two browsers that ask the same thing at once wait for one answer.
            with self._turns.of(key):
                found = self._results.get(key)
                if found is None:
                    found = compute()
                    # The fleet that it was found for is kept by itself, and shared.
                    self._results.put(key, found, memory_bytes(found, fleets=isinstance(found, Fleet)))
        return found

    def retained(self, key: Hashable) -> Any:
        """Return what is kept under `key`, or None."""
        return self._results.get(key)

    def work_out(
        self, key: Hashable, function: Callable[..., Found], *arguments: Any, deadline_s: float = 600.0
    ) -> Found:
        """Return what a worker process found under `key`. Raises Pending until it is there, or its error, once."""
        found: Found | None = self._results.get(key)
        if found is not None:
            return found
        with self._lock:
            fault = self._faults.pop(key, None)
        if fault is not None:
            raise fault
        raise Pending(self.pool.submit(key, function, *arguments, deadline_s=deadline_s, when_done=self._put_away))

    def _put_away(self, job: Job) -> None:
        """Keep what a job found, or why it found nothing until somebody asks for it."""
        if job.error is None:
            self._results.put(job.key, job.result, memory_bytes(job.result))
            return
        with self._lock:
            self._faults[job.key] = job.error
            while len(self._faults) > _KEPT_FAULTS:
                self._faults.popitem(last=False)

    def close(self) -> None:
        """Stop the workers, a report under way, and the probe if one was switched on."""
        self.recorder.stop()
        self.reporter.stop()
        self.pool.close()


@dataclasses.dataclass(frozen=True)
class PageRequest:
    """The state with the choices of one address, at one moment. Its properties raise InputError for unknown names."""

    state: DashboardState
    choices: Choices
    workspace: Workspace
    now: datetime

    @functools.cached_property
    def site_name(self) -> str:
        """The site's name in the workspace, without its spot."""
        return self.workspace.site_settings(self.choices.site).name

    @functools.cached_property
    def spot(self) -> str:
        """The mounting spot's name."""
        return self.workspace.spot_settings(self.site_name, self.choices.spot).name

    @functools.cached_property
    def view(self) -> views.View:
        """What the terminal can use of the sky there, under the mask chosen."""
        return self.with_mask(self.workspace.view(self.site_name, self.spot))

    def with_mask(self, view: views.View) -> views.View:
        """Return a view with the mask of the address in place of its own horizon, where one is chosen."""
        if self.choices.mask_deg is None:
            return view
        mask = Horizon.flat(self.choices.mask_deg, assumed=view.site.horizon.assumed)
        return dataclasses.replace(view, site=dataclasses.replace(view.site, horizon=mask))

    @property
    def site(self) -> Site:
        """The site."""
        return self.view.site

    @functools.cached_property
    def _fleet(self) -> tuple[Hashable, Fleet]:
        return self.state.fleet(self.workspace, self.choices.fleet, self.now)

    @property
    def fleet(self) -> Fleet:
        """The fleet."""
        return self._fleet[1]

    @property
    def fleet_key(self) -> Hashable:
        """What stands for the fleet in the key of a result."""
        return self._fleet[0]

    @functools.cached_property
    def health(self) -> health.Health:
        """Who of the fleet serves, as of now."""
        key = ("health", self._fleet[0], self.now.date())
        return self.state.remember(key, lambda: health.assess(self.fleet, self.now))

    @functools.cached_property
    def condition(self) -> condition.Condition:
        """The condition of the fleet, object by object, with what its snapshots tell."""
        name = self.workspace.fleet_settings(self.choices.fleet).name
        key = ("condition", self._fleet[0], self.now.date())

        def find() -> condition.Condition:
            history = self.workspace.history(name, self.now)
            return condition.condition_of(self.fleet, self.now, history, self.health)

        return self.state.remember(key, find)

    @functools.cached_property
    def day(self) -> date:
        """The day chosen, on the site's clocks; today unless chosen."""
        return self.choices.day or self.today

    @functools.cached_property
    def today(self) -> date:
        """The date on the site's clocks now."""
        return self.now.astimezone(zone(self.site.timezone)).date()

    def days(self, count: int, first: date | None = None) -> Span:
        """Return the span of so many whole local days from the day chosen, or from `first`. Raises SpanError."""
        day = self.day if first is None else first
        try:
            noon = datetime(day.year, day.month, day.day, 12, tzinfo=zone(self.site.timezone))
        except (ValueError, OverflowError):
            raise SpanError("day", got=day, wanted="a day of the calendar") from None
        edges_us = local_days(Span.starting(noon, 24.0 * count), self.site.timezone)
        return Span(moment(int(edges_us[0])), moment(int(edges_us[count])))

    def freshness(self, when: datetime) -> timing.Freshness:
        """Return how old the elements are at a moment, and what they are good for by the timing errors in force."""
        return timing.band_for(self.fleet, when, self.fleet_timing.model, allow_stale=True)

    @functools.cached_property
    def lesson(self) -> LineLesson:
        """What the record of the line has taught about the fleet and the view chosen."""
        workspace, fleet_name = self.workspace, self.choices.fleet
        stamp = _file_stamp(workspace.folder / LEARNED_NAME)
        key = ("lesson", str(workspace.folder), stamp, _stamp(workspace), fleet_name, self.view, self.now.date())
        return self.state.remember(key, lambda: lesson_of(workspace, fleet_name, self.view, self.now))

    @functools.cached_property
    def fleet_timing(self) -> Timing:
        """How timing errors grow with the age of the elements of the fleet chosen."""
        return self.workspace.timing(self.choices.fleet)

    def clock(self, span: Span) -> LocalClock:
        """Return the site's clock for times within a span."""
        return LocalClock(self.site.timezone, span)

    def seen(self, span: Span, view: views.View | None = None) -> PlaceVisibility:
        """Return what the place, or another `view`, sees of the fleet in a span. Raises Pending, InputError."""
        view = self.view if view is None else view
        return self.computed(("seen", view, span), span, work.find, self.fleet, view, span)

    def computed(
        self,
        key: tuple[Hashable, ...],
        span: Span,
        function: Callable[..., Found],
        *arguments: Any,
        ms_per_satellite_day: float = SEARCH_MS,
    ) -> Found:
        """Return what `function` of `work` finds for the fleet over `span`: here and now where that is little work.

        `key` stands for everything that the answer depends on but the fleet. Raises Pending, InputError.
        """
        fleet_key, fleet = self._fleet
        whole_key = (*key, fleet_key)
        takes_s = fleet.object_count * span.duration_s / 86400.0 * ms_per_satellite_day / 1000.0
        if takes_s > _QUICK_S:
            return self.state.work_out(whole_key, function, *arguments)
        return self.state.remember(whole_key, lambda: function(*arguments))

    def retained(self, key: tuple[Hashable, ...]) -> Any:
        """Return what `computed` found under a key before, where it is still kept; else None."""
        return self.state.retained((*key, self.fleet_key))

    @property
    def minute(self) -> datetime:
        """Now to the minute: what pictures that mark now are drawn by."""
        return self.now.replace(second=0)

    def drawn(self, key: tuple[Hashable, ...], draw: Callable[[], go.Figure]) -> go.Figure:
        """Return a picture, drawn once: `key` stands for all that it shows but the fleet. Nobody may change it."""
        return self.state.remember(("drawn", *key, self.fleet_key), draw)

    def coverage(self, span: Span, within: Span) -> Coverage:
        """Return the coverage of `span`, cut out of what is seen over `within`, which holds it."""
        return self.seen(within).visibility.coverage(span=span)


def _stamp(workspace: Workspace) -> Hashable:
    return _file_stamp(workspace.file)


def _file_stamp(path: Any) -> Hashable:
    """Return what changes when a file, or what is in a folder, changes."""
    try:
        found = path.stat()
        inside = tuple(_file_stamp(p) for p in sorted(path.iterdir())) if path.is_dir() else ()
    except OSError:
        return (str(path), None)
    return (str(path), found.st_mtime_ns, found.st_size, inside)
