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
    from passim.answers.calls.forecast import odds
    from passim.answers.calls.kinds import CallKind
    from passim.answers.calls.plan import plan_calls
    from passim.answers.growth.find import find_growth
    from passim.answers.sites.compare import compare_sites
    from passim.answers.symptom.match import match_symptom
    from passim.answers.symptom.observations import FreezeRanges, FreezeRecord
    from passim.coverage import Coverage
    from passim.coverage.causes import Causes, find_causes
    from passim.coverage.visibility import Visibility, find_visibilities, find_visibility
    from passim.elements import read_elements, walker, write_elements
    from passim.elements.records import ElementSet, Fleet
    from passim.errors import (
        ElementsError,
        EmptyFleetError,
        InputError,
        InternalError,
        JournalBusyError,
        JournalError,
        NotServingWarning,
        PassimError,
        PassimWarning,
        RoundedElementsWarning,
        SiteError,
        SpanError,
        StaleElementsWarning,
        WorkspaceError,
    )
    from passim.forecast.hindcast import hindcast
    from passim.forecast.timing import TimingModel
    from passim.line.comparing import LineComparison, compare_record
    from passim.line.fitting.fit import fit_line
    from passim.line.journal.file import Journal
    from passim.line.record import LineRecord, Probes
    from passim.line.targets import Target
    from passim.sky.horizon import Horizon
    from passim.sky.limits import ArcKeepOut, Cone, Excluded, Gateway, GatewayLimit, ServingFilter, ServingShare
    from passim.sky.passes import find_passes
    from passim.sky.search_report import SearchReport
    from passim.sky.service import Service
    from passim.sky.site import Site
    from passim.sky.view import View
    from passim.spans import DailyHours, Span
    from passim.workspace import Workspace, learn_fleet_timing, update_fleet

__all__ = [
    "ArcKeepOut",
    "CallKind",
    "Causes",
    "Cone",
    "Coverage",
    "DailyHours",
    "ElementSet",
    "ElementsError",
    "EmptyFleetError",
    "Excluded",
    "Fleet",
    "FreezeRanges",
    "FreezeRecord",
    "Gateway",
    "GatewayLimit",
    "Horizon",
    "InputError",
    "InternalError",
    "Journal",
    "JournalBusyError",
    "JournalError",
    "LineComparison",
    "LineRecord",
    "NotServingWarning",
    "PassimError",
    "PassimWarning",
    "Probes",
    "RoundedElementsWarning",
    "SearchReport",
    "Service",
    "ServingFilter",
    "ServingShare",
    "Site",
    "SiteError",
    "Span",
    "SpanError",
    "StaleElementsWarning",
    "Target",
    "TimingModel",
    "View",
    "Visibility",
    "Workspace",
    "WorkspaceError",
    "compare_record",
    "compare_sites",
    "find_causes",
    "find_growth",
    "find_passes",
    "find_visibilities",
    "find_visibility",
    "fit_line",
    "hindcast",
    "learn_fleet_timing",
    "match_symptom",
    "odds",
    "plan_calls",
    "read_elements",
    "update_fleet",
    "walker",
    "write_elements",
]

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


def __getattr__(name: str) -> object:
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(_importlib.import_module(_WHERE[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
