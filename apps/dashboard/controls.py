"""What there is to choose from on a page, and what is chosen: site, day, mask, fleet, and the page's own."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any, Final

from passim.errors import InputError, WorkspaceError
from passim.workspace import Workspace

from ..text.units import printable
from ..text.ways_out import in_page_words
from .address import Choices, place_value
from .page_model import Page
from .state import DAYS_AHEAD, PageRequest

TODAY: Final = "today"
OWN: Final = "own"
_MASK: Final = "Mask: least height above the horizon"
_MASKS_DEG: Final = (10, 15, 20, 25, 30, 35, 40, 45, 50, 55, 60)


@dataclass(frozen=True)
class ControlOptions:
    """A choice: its label, (value, words) pairs of which the first is the usual one, and the value chosen."""

    label: str
    options: Sequence[tuple[str, str]]
    value: str

    def plain(self) -> dict[str, Any]:
        """Return what the browser draws the list from."""
        return {"options": [(value, printable(words)) for value, words in self.options], "value": self.value}


def options_of_controls(question: PageRequest, page: Page) -> dict[str, ControlOptions]:
    """Return what a page lets one choose, by key. An unknown name, such as that of a site, reads as the usual."""
    found = {"place": _places(question), "day": _days(question), "mask": _masks(question), "fleet": _fleets(question)}
    found = {key: offer for key, offer in found.items() if key in page.uses}
    for control in page.controls:
        options = list(control.options(question))
        value = question.choices.other(control.key, options[0][0])
        if value not in dict(options):
            options.append((value, value))
        found[control.key] = ControlOptions(control.label, options, value)
    return found


def known(workspace: Workspace, choices: Choices) -> tuple[Choices, tuple[str, ...]]:
    """Return choices without the names that the workspace does not have, and one sentence for each left out."""
    faults = []

    def has(look: Callable[[], object]) -> bool:
        try:
            look()
        except WorkspaceError as error:
            faults.append(f"{in_page_words(error)}; the page goes on without it.")
            return False
        return True

    if choices.site is not None and not has(lambda: workspace.spot_names(choices.site)):
        choices = replace(choices, site=None, spot=None)
    if choices.spot is not None and not has(lambda: workspace.site(choices.site, choices.spot)):
        choices = replace(choices, spot=None)
    if choices.fleet is not None:
        folded = choices.fleet.strip().casefold()
        if folded not in {name.casefold() for name in workspace.fleet_names}:
            has(lambda: workspace.fleet(choices.fleet))
            choices = replace(choices, fleet=None)
    return choices, tuple(faults)


def day_words(day: date, today: date) -> str:
    """Return a day as people say it: "Wed 25 Nov", with today and tomorrow named."""
    words = f"{day:%a} {day.day} {day:%b}"
    if day.year != today.year:
        words += f" {day.year}"
    return words + {0: ", today", 1: ", tomorrow", -1: ", yesterday"}.get((day - today).days, "")


def _places(question: PageRequest) -> ControlOptions:
    workspace = question.workspace
    pairs = [(site, spot) for site in workspace.site_names for spot in workspace.spot_names(site)]
    one_spot = {site for site in workspace.site_names if len(workspace.spot_names(site)) == 1}
    options = [(place_value(site, spot), site if site in one_spot else f"{site}, {spot}") for site, spot in pairs]
    try:
        value = place_value(question.site_name, question.spot)
    except InputError:
        value = options[0][0]
    return ControlOptions("Site", options, value)


def _days(question: PageRequest) -> ControlOptions:
    try:
        today = question.today
    except InputError:
        today = question.now.date()
    days = [today + timedelta(days=k) for k in range(DAYS_AHEAD + 1)]
    options = [(TODAY, day_words(today, today)), *((d.isoformat(), day_words(d, today)) for d in days[1:])]
    day = question.choices.day
    if day is None or day == today:
        return ControlOptions("Day", options, TODAY)
    if day not in days:
        options.append((day.isoformat(), day_words(day, today)))
    return ControlOptions("Day", options, day.isoformat())


def _masks(question: PageRequest) -> ControlOptions:
    mask_deg, floor_deg = question.choices.mask_deg, 0.0
    try:
        view = replace(question, choices=replace(question.choices, mask_deg=None)).view
        # Below what the terminal itself can use a mask changes nothing.
        floor_deg = view.lowest_elevation_deg or 0.0
        horizon = view.site.horizon
        own = f"{horizon.lowest_deg:g}°" if horizon.is_flat else f"{horizon.lowest_deg:g}° to {horizon.highest_deg:g}°"
        words = f"the spot's own: {own}"
    except InputError:
        words = "the spot's own"
    options = [(OWN, words), *((f"{deg:g}", f"{deg:g}° all round") for deg in _MASKS_DEG if deg >= floor_deg)]
    if mask_deg is None:
        return ControlOptions(_MASK, options, OWN)
    value = f"{mask_deg:g}"
    if value not in dict(options):
        counts = f", counts as {floor_deg:g}°" if mask_deg < floor_deg else ""
        options.append((value, f"{value}° all round{counts}"))
    return ControlOptions(_MASK, options, value)


def _fleets(question: PageRequest) -> ControlOptions:
    names = question.workspace.fleet_names
    options = [(name, name) for name in names] or [("", "no fleet")]
    wanted = (question.choices.fleet or options[0][0]).strip().casefold()
    value = next((name for name, _ in options if name.casefold() == wanted), options[0][0])
    return ControlOptions("Fleet", options, value)
