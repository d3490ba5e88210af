"""What worker processes run, and the server itself where it is quick: the searches behind the pages."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from passim import Coverage, Fleet, Span
from passim.coverage import causes, visibility
from passim.elements import TOLERATED_SHARE, Skipped, parse_elements
from passim.sky import view as views

Progress = Callable[[float], None]


@dataclass(frozen=True)
class PlaceVisibility:
    """What a place sees of a fleet in a span: every limit's intervals, and what opens the gaps."""

    visibility: visibility.Visibility
    causes: causes.Causes

    @property
    def coverage(self) -> Coverage:
        """How many satellites can serve when."""
        return self.causes.coverage


def find(fleet: Fleet, view: views.View, span: Span, progress: Progress | None = None) -> PlaceVisibility:
    """Find when the satellites of a fleet can serve a view, and what opens the gaps. Raises InputError."""
    found = visibility.find_visibility(fleet, view, span, progress=progress, warn=False)
    assert isinstance(found, visibility.Visibility)  # one view, one answer
    return PlaceVisibility(found, causes.causes_of(found))


def objects_of(
    data: bytes, file_name: str, progress: Progress | None = None
) -> tuple[frozenset[str], tuple[Skipped, ...]]:
    """Return which objects are in the bytes of one file that was handed in, and what was left out of it.

    Raises ElementsError.
    """
    fleet = parse_elements(data, file_name, lenient=TOLERATED_SHARE)
    return frozenset(map(str, fleet.satellite_ids)), fleet.skipped
