"""What a search did with its fleet: the counts and names that must not be lost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from passim.elements.records import Fleet


@dataclass(frozen=True, slots=True)
class SearchReport:
    """What a pass search used, set aside and could not use.

    ``unusable`` holds (satellite_id, name, reason); a satellite in it may still have rows from stretches in
    which its states were usable.
    ``never_up`` and ``always_up`` are identifiers of satellites below or above the horizon for the whole span.
    """

    objects_searched: int
    sets_set_aside: int
    unusable: tuple[tuple[str, str, str], ...]
    never_up: tuple[str, ...]
    always_up: tuple[str, ...]
    epoch_oldest: datetime
    epoch_newest: datetime
    epoch_median: datetime

    def __deepcopy__(self, memo: dict[int, object]) -> SearchReport:
        """Return the report itself: it cannot change, and pandas copies a table's attributes at every step."""
        return self

    @classmethod
    def together(cls, reports: Sequence[SearchReport]) -> SearchReport:
        """Return the report on several sites of one fleet: never up at any, always up at all of them."""
        first = reports[0]
        never = set(first.never_up).intersection(*(r.never_up for r in reports[1:]))
        always = set(first.always_up).intersection(*(r.always_up for r in reports[1:]))
        unusable = {entry[0]: entry for report in reports for entry in report.unusable}
        return cls(
            first.objects_searched,
            first.sets_set_aside,
            tuple(unusable.values()),
            tuple(i for i in first.never_up if i in never),
            tuple(i for i in first.always_up if i in always),
            first.epoch_oldest,
            first.epoch_newest,
            first.epoch_median,
        )


def report_of(
    fleet: Fleet,
    *,
    set_aside: int,
    seen: NDArray[np.intp],
    always: NDArray[np.intp],
    unusable: Sequence[tuple[int, str]],
) -> SearchReport:
    """Return the report on a search of `fleet`, from indices of its satellites; those `seen` may come many times."""
    never_up = np.ones(len(fleet), dtype=bool)
    never_up[seen] = False
    never_up[[index for index, _ in unusable]] = False
    by_epoch = np.argsort(fleet.epochs, kind="stable")
    return SearchReport(
        objects_searched=len(fleet),
        sets_set_aside=set_aside,
        unusable=tuple((fleet[i].satellite_id, fleet[i].name, reason) for i, reason in unusable),
        never_up=tuple(fleet.satellite_ids[never_up].tolist()),
        always_up=tuple(fleet.satellite_ids[always].tolist()),
        epoch_oldest=fleet[int(by_epoch[0])].epoch,
        epoch_newest=fleet[int(by_epoch[-1])].epoch,
        epoch_median=fleet[int(by_epoch[len(by_epoch) // 2])].epoch,
    )
