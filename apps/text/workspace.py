"""What a workspace lacks before anything can be computed, and what to do next, for the command line and the pages."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from .units import listed

if TYPE_CHECKING:
    from passim.workspace import Assumption

# Said beside whatever is told of an invented fleet in somebody's own workspace.
# And in the head of every page, where nobody scrolls past it: of the demonstration, and where all fleets are invented.
DEMONSTRATION: Final = "Invented demonstration"
ALL_INVENTED: Final = "Invented satellites"
# In the place of a site on a printed page that is about no single one.
ALL_SITES: Final = "All sites"
STANDS_IN = "These satellites are invented: nothing said of them holds for a real service."
_NO_RECORD_OF_IT = (
    "The fleet chosen is invented: the record of your line says nothing about it, and it says nothing about your line."
)
# Said where times of an invented fleet are about to be taken into somebody's own calendar.
INVENTED_TIMES = "These times are of an invented fleet: in your calendar they would look real and mean nothing."
# Said of passim's own invented fleet: its planes come 22 min earlier each day, as any such fleet's do, until they start
# anew; tests/test_scenario.py.
STARTS_ANEW = (
    "Gaps of the invented fleet come some 20 min earlier on each day ahead; at 00:00 UTC it starts anew, and they are "
    "back where they were: it is here to try things with, not to plan tomorrow by."
)
_LACKING = {"sites": "site", "fleets": "satellites"}


def no_record_of_it(*, on_pages: bool = False) -> str:
    """Return that a record judges no invented fleet, and what to do instead."""
    instead = "load real, public elements on the page Elements" if on_pages else "give real, public ones by --elements"
    return f"{_NO_RECORD_OF_IT} To have a forecast judged, {instead}."


def taken_for_granted(assumptions: Sequence[Assumption]) -> str:
    """Return that an answer holds only if what was assumed is right; empty where nothing was."""
    if not assumptions:
        return ""
    return f"This holds only if what nobody measured is right: {listed([a.setting for a in assumptions], 4)}."


def lacking_sentence(missing: Collection[str]) -> str:
    """Return what `Workspace.missing` found, as a sentence."""
    return f"This workspace names no {' and no '.join(_LACKING[section] for section in missing)} yet."


def next_page(missing: Collection[str], here: str, *, gateways: bool = False) -> str:
    """Return what to do next on the pages, whose user is on the page called `here`; `gateways` says there are some."""
    if "sites" in missing and "fleets" in missing:
        begin = "Begin here" if here == "Setup" else "Begin on the page Setup"
        what = "your site, a gateway of its service if you know one, and invented satellites for a start"
        return f"{begin}: {what}. Real ones come {_at('Elements', here)}, from files, or from a feed."
    if "sites" in missing:
        sentences = [f"Next, your site, {_at('Setup', here)}."]
    else:
        upload = f"{_at('Elements', here)}, from a file or invented to begin with"
        sentences = [f"Next, its satellites, {upload}, or from a feed that you name {_at('Setup', here)}."]
    if not gateways:
        # One link to a page is enough.
        there = "there too" if "sites" in missing else "beside your site"
        sentences.append(
            f"If you know where gateways of its service stand, add them {there}; without any, passim goes by the sky "
            "alone."
        )
    return " ".join(sentences)


def _at(page: str, here: str) -> str:
    return "on this page" if page == here else f"on the page {page}"


def next_steps(missing: Collection[str], file: Path, *, on_pages: bool) -> list[str]:
    """Return what to do next by hand, one sentence for each thing that is missing; for pages beside `next_page`."""
    steps = []
    if "sites" in missing:
        by_hand = "a section [[sites]] with its name, latitude_deg and longitude_deg"
        steps.append(
            f"Or write your site into the settings file of the workspace, {file.name}, with any text editor: "
            f"{by_hand}, each on a line of its own."
            if on_pages
            else f"Add a site to {file}: {by_hand}. passim workspace new FOLDER writes one, every setting explained."
        )
    if "fleets" in missing:
        by_hand = f"a section [[fleets]] in {file} with its name and elements, the paths of element files"
        steps.append(
            f"Or name files of satellites in the settings file, {file.name}: a section [[fleets]] with its name and "
            "elements, the paths of the files."
            if on_pages
            else f"Name the satellites: {by_hand}. Public catalogues give them out, as two-line files or as OMM, the "
            "newer form. The page Elements of passim dashboard loads files too, or starts with an invented fleet."
        )
    return steps
