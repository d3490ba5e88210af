"""The pages, in the order of the navigation. To add one, see the docstring of `passim_apps.dashboard`."""

from __future__ import annotations

from typing import Final

from ..answering import Page
from . import calls, clock, elements, growth, now, sites, sky

PAGES: Final[tuple[Page, ...]] = (now.PAGE, clock.PAGE, calls.PAGE, growth.PAGE, sites.PAGE, sky.PAGE, elements.PAGE)
