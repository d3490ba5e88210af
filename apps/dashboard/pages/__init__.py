"""The pages, in the order of the navigation. To add one, see the docstring of `passim_apps.dashboard`."""

from __future__ import annotations

from typing import Final

from ..page_model import Page
from . import clock, elements, growth, now, why
from .calls import page as calls
from .measured import page as measured
from .setup import page as setup
from .sites import page as sites
from .sky import page as sky

PAGES: Final[tuple[Page, ...]] = (
    now.PAGE, clock.PAGE, calls.PAGE, growth.PAGE, sites.PAGE, sky.PAGE, measured.PAGE, why.PAGE, elements.PAGE,
    setup.PAGE,
)  # fmt: skip
