"""The pages, in the order of the navigation. To add one, see the docstring of `passim_apps.dashboard`."""

from __future__ import annotations

from typing import Final

from ..answering import Page
from . import clock, elements, now, sites

PAGES: Final[tuple[Page, ...]] = (now.PAGE, clock.PAGE, sites.PAGE, elements.PAGE)
