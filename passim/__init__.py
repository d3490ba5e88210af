"""passim: which satellites clear a site's horizon, and when none does.

The rooms, each of which may use those above it:

    errors, constants   what can go wrong; numbers with their source
    spans, intervals    stretches of time; half-open interval algebra
    search              crossings and peaks of smooth functions
    csv_files           one reader for the CSV files that people write by hand
    parallel            work on as many cores or machines as there are
    elements            public element sets: read, check, write, invent
    orbits              SGP4 to arrays, Earth-fixed frame, smooth arcs
    sky                 site, horizon, passes, closed forms
    coverage            how many are in view when, and the gaps
    forecast            timing errors by age, odds, scores, hindcast
    answers             one folder a question that a user asks
    workspace           the folder a user works in, as one TOML file

The way of the data: text -> ElementSet -> Fleet -> arcs -> passes (a table) -> Coverage (a step function) -> answers.

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

from passim.coverage import Coverage
from passim.coverage.causes import find_causes
from passim.coverage.visibility import find_visibility
from passim.elements import read_elements, walker, write_elements
from passim.elements.records import ElementSet, Fleet
from passim.errors import (
    ElementsError,
    EmptyFleetError,
    InputError,
    InternalError,
    NotServingWarning,
    PassimError,
    PassimWarning,
    SiteError,
    SpanError,
    StaleElementsWarning,
)
from passim.sky.horizon import Horizon
from passim.sky.passes import find_passes
from passim.sky.search_report import SearchReport
from passim.sky.site import Site
from passim.sky.view import View
from passim.spans import Span

__all__ = [
    "Coverage",
    "ElementSet",
    "ElementsError",
    "EmptyFleetError",
    "Fleet",
    "Horizon",
    "InputError",
    "InternalError",
    "NotServingWarning",
    "PassimError",
    "PassimWarning",
    "SearchReport",
    "Site",
    "SiteError",
    "Span",
    "SpanError",
    "StaleElementsWarning",
    "View",
    "find_causes",
    "find_passes",
    "find_visibility",
    "read_elements",
    "walker",
    "write_elements",
]
