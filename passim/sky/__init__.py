"""The sky over a site: its horizon, the passes above it, and the closed forms for a quick look."""

from __future__ import annotations

from passim.sky.horizon import Horizon
from passim.sky.passes import find_passes, iterate_passes, passes_within
from passim.sky.search_report import SearchReport
from passim.sky.site import Site

__all__ = ["Horizon", "SearchReport", "Site", "find_passes", "iterate_passes", "passes_within"]
