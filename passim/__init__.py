"""passim: which satellites clear a site's horizon, and when none does.

The rooms, each of which may use those above it:

    errors, constants   what can go wrong; numbers with their source
    arrays              the kinds of array that signatures speak of
    spans, intervals    stretches of time; half-open interval algebra
    search              crossings and peaks of smooth functions
    csv_files           one reader for the CSV files that people write by hand
    parallel            work on as many cores or machines as there are
    elements            public element sets: read, check, write, invent
    orbits              SGP4 to arrays, Earth-fixed frame, smooth arcs
    sky                 site, horizon, limits of service, passes, closed forms
    coverage            who can serve when, the gaps, and what opens them
    forecast            timing errors by age, odds, scores, hindcast
    answers             one folder a question that a user asks
    line                what the line really did: its probe and its journal
    workspace           the folder a user works in, as one TOML file

The way of the data: text -> ElementSet -> Fleet -> arcs -> passes (a table) -> Coverage (a step function) -> answers.

Questions are asked of a fleet, a view and a span, in this order, and everything else by name. A view is a site with its
horizon, the limits of its service and how its terminal is given satellites; `View.usual` has the command line's
defaults, `Workspace.view` those of a folder. Every answer is a frozen record: single facts are its fields, and each
table that it has is a DataFrame, whose columns its docstring states. Times are aware and in UTC, lengths in seconds.

    >>> from datetime import UTC, datetime
    >>> import passim
    >>> fleet = passim.walker(total=360, planes=18, phasing=7, inclination_deg=53.0, altitude_km=550.0,
    ...                       epoch=datetime(2026, 3, 1, tzinfo=UTC), name="invented")
    >>> site = passim.Site("Marram", 45.0, -28.0, 40.0, "Atlantic/Azores", passim.Horizon.flat(35.0))
    >>> span = passim.Span.starting(datetime(2026, 3, 1, tzinfo=UTC), hours=24)
    >>> coverage = passim.Coverage.from_passes(passim.find_passes(fleet, site, span), span)
    >>> coverage.gaps()                                                          # doctest: +SKIP
"""

from __future__ import annotations

import importlib as _importlib
from typing import TYPE_CHECKING as _TYPE_CHECKING

if _TYPE_CHECKING:
    from passim.answers.calls.forecast import odds as odds
    from passim.answers.calls.kinds import CallKind as CallKind
    from passim.answers.calls.plan import plan_calls as plan_calls
    from passim.answers.growth.find import find_growth as find_growth
    from passim.answers.sites.compare import compare_sites as compare_sites
    from passim.answers.symptom.match import match_symptom as match_symptom
    from passim.answers.symptom.observations import FreezeRanges as FreezeRanges, FreezeRecord as FreezeRecord
    from passim.coverage import Coverage as Coverage
    from passim.coverage.causes import Causes as Causes, find_causes as find_causes
    from passim.coverage.visibility import (
        Visibility as Visibility,
        find_visibilities as find_visibilities,
        find_visibility as find_visibility,
    )
    from passim.elements import read_elements as read_elements, walker as walker, write_elements as write_elements
    from passim.elements.records import ElementSet as ElementSet, Fleet as Fleet
    from passim.errors import (
        ElementsError as ElementsError,
        EmptyFleetError as EmptyFleetError,
        InputError as InputError,
        InternalError as InternalError,
        JournalBusyError as JournalBusyError,
        JournalError as JournalError,
        NotServingWarning as NotServingWarning,
        PassimError as PassimError,
        PassimWarning as PassimWarning,
        RoundedElementsWarning as RoundedElementsWarning,
        SiteError as SiteError,
        SpanError as SpanError,
        StaleElementsWarning as StaleElementsWarning,
        WorkspaceError as WorkspaceError,
    )
    from passim.forecast.hindcast import hindcast as hindcast
    from passim.forecast.timing import TimingModel as TimingModel
    from passim.line.comparing import LineComparison as LineComparison, compare_record as compare_record
    from passim.line.fitting.fit import fit_line as fit_line
    from passim.line.journal.file import Journal as Journal
    from passim.line.record import LineRecord as LineRecord, Probes as Probes
    from passim.line.targets import Target as Target
    from passim.sky.horizon import Horizon as Horizon
    from passim.sky.limits import (
        ArcKeepOut as ArcKeepOut,
        Cone as Cone,
        Excluded as Excluded,
        Gateway as Gateway,
        GatewayLimit as GatewayLimit,
        ServingFilter as ServingFilter,
        ServingShare as ServingShare,
    )
    from passim.sky.passes import find_passes as find_passes
    from passim.sky.search_report import SearchReport as SearchReport
    from passim.sky.service import Service as Service
    from passim.sky.site import Site as Site
    from passim.sky.view import View as View
    from passim.spans import DailyHours as DailyHours, Span as Span
    from passim.workspace import (
        Workspace as Workspace,
        learn_fleet_timing as learn_fleet_timing,
        update_fleet as update_fleet,
    )

# Everything is loaded when it is asked for: whoever wants one room, such as the probe, does not pay for all of them.
_WHERE = {
    name: module
    for module, names in {
        "passim.answers.calls.forecast": ("odds",),
        "passim.answers.calls.kinds": ("CallKind",),
        "passim.answers.calls.plan": ("plan_calls",),
        "passim.answers.growth.find": ("find_growth",),
        "passim.answers.sites.compare": ("compare_sites",),
        "passim.answers.symptom.match": ("match_symptom",),
        "passim.answers.symptom.observations": ("FreezeRanges", "FreezeRecord"),
        "passim.coverage": ("Coverage",),
        "passim.coverage.causes": ("Causes", "find_causes"),
        "passim.coverage.visibility": ("Visibility", "find_visibilities", "find_visibility"),
        "passim.elements": ("read_elements", "walker", "write_elements"),
        "passim.elements.records": ("ElementSet", "Fleet"),
        "passim.errors": (
            "ElementsError",
            "EmptyFleetError",
            "InputError",
            "InternalError",
            "JournalBusyError",
            "JournalError",
            "NotServingWarning",
            "PassimError",
            "PassimWarning",
            "RoundedElementsWarning",
            "SiteError",
            "SpanError",
            "StaleElementsWarning",
            "WorkspaceError",
        ),
        "passim.forecast.hindcast": ("hindcast",),
        "passim.forecast.timing": ("TimingModel",),
        "passim.line.comparing": ("LineComparison", "compare_record"),
        "passim.line.fitting.fit": ("fit_line",),
        "passim.line.journal.file": ("Journal",),
        "passim.line.record": ("LineRecord", "Probes"),
        "passim.line.targets": ("Target",),
        "passim.sky.horizon": ("Horizon",),
        "passim.sky.limits": (
            "ArcKeepOut",
            "Cone",
            "Excluded",
            "Gateway",
            "GatewayLimit",
            "ServingFilter",
            "ServingShare",
        ),
        "passim.sky.passes": ("find_passes",),
        "passim.sky.search_report": ("SearchReport",),
        "passim.sky.service": ("Service",),
        "passim.sky.site": ("Site",),
        "passim.sky.view": ("View",),
        "passim.spans": ("DailyHours", "Span"),
        "passim.workspace": ("Workspace", "learn_fleet_timing", "update_fleet"),
    }.items()
    for name in names
}
__all__ = sorted(_WHERE)


def __getattr__(name: str) -> object:
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(_importlib.import_module(_WHERE[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
