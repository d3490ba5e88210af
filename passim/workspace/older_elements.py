"""Older elements at hand without a feed: of the same satellites, in another fleet of the workspace or in one file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from passim.constants import SECONDS_PER_DAY
from passim.elements.records import ElementSet, Fleet
from passim.errors import InputError
from passim.workspace.folder import Workspace

# Sets of an object count as about one, three and seven days older than its newest: least, wanted and most days.
_AGES_DAYS: Final = ((0.4, 1.0, 1.7), (1.7, 3.0, 5.0), (5.0, 7.0, 14.0))
# Fewer objects tell no spread (`passim.forecast.hindcast`).
_LEAST_OBJECTS: Final = 5


@dataclass(frozen=True, eq=False)
class OlderElements:
    """The same objects by older and by newer elements, and the names of the fleets that held each."""

    older: Fleet
    newer: Fleet
    older_from: tuple[str, ...]
    newer_from: tuple[str, ...]


def older_elements(workspace: Workspace, name: str | None = None) -> list[OlderElements]:
    """Return what the workspace holds of the objects of a fleet, the first unless named, from some days apart.

    Each object's newest set, among all fleets that are not invented, stands beside one about a day, three and seven
    days older; nothing is returned for fewer than five objects, nor for an invented fleet, which is made anew each day.
    A fleet that cannot be read is passed over, unless it is the one that was named. Raises WorkspaceError,
    ElementsError.
    """
    chosen = workspace.fleet_settings(name)
    if chosen.invented is not None:
        return []
    fleets = [workspace.fleet(chosen.name)]
    for other in workspace.settings.fleets:
        if other.name == chosen.name or other.invented is not None:
            continue
        try:
            fleets.append(workspace.fleet(other.name))
        except InputError:
            continue  # whoever asks of that fleet is told why
    sets: dict[str, list[tuple[ElementSet, str]]] = {record.satellite_id: [] for record in fleets[0].records}
    for fleet in fleets:
        for record in fleet.records:
            if record.satellite_id in sets:
                sets[record.satellite_id].append((record, fleet.name))
    found = []
    for least, wanted, most in _AGES_DAYS:
        older, newer = [], []
        for held in sets.values():
            newest = max(held, key=lambda each: each[0].epoch)
            days = [(newest[0].epoch - record.epoch).total_seconds() / SECONDS_PER_DAY for record, _ in held]
            fits = [index for index, apart in enumerate(days) if least <= apart < most]
            if fits:
                older.append(held[min(fits, key=lambda index: abs(days[index] - wanted))])
                newer.append(newest)
        if len(older) >= _LEAST_OBJECTS:
            sides = (_fleet(older, chosen.name), _fleet(newer, chosen.name))
            found.append(OlderElements(*sides, _names(older), _names(newer)))
    return found


def _fleet(held: Sequence[tuple[ElementSet, str]], name: str) -> Fleet:
    return Fleet((record for record, _ in held), name)


def _names(held: Sequence[tuple[ElementSet, str]]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(name for _, name in held))
