"""Which timing errors hold for a fleet: those that the file states, those learned from its snapshots, or usual ones.

What was learned lies beside the snapshots, as one small file that is written whole or not at all:

    snapshots/plover/timing.json

It says which snapshots it was learned from, so that it is worked out anew once others are there.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any, Final, Literal

from passim.elements.feeds.snapshots import SnapshotStore
from passim.errors import WorkspaceError
from passim.forecast.learned_timing import LearnedAge, LearnedTiming, chosen_pairs, inputs_of, learn_timing
from passim.forecast.timing import TimingModel
from passim.workspace.kept_files import KeptFile

TIMING_NAME: Final = "timing.json"


@dataclass(frozen=True, kw_only=True)
class Timing:
    """How the timing error of a fleet grows with the age of its elements, and whence that is known.

    ``model`` is the one in force. ``source`` says whose it is: "stated" in the workspace's file, which comes before all
    else, "learned" from the fleet's own snapshots, or "usual". ``learned`` is what the snapshots told, also where they
    are not enough yet; ``fault`` why what was learned cannot be read, empty where nothing is wrong.
    """

    model: TimingModel
    source: Literal["stated", "learned", "usual"]
    learned: LearnedTiming | None = None
    fault: str = ""


def timing_of(stated: TimingModel | None, store: SnapshotStore | None) -> Timing:
    """Return the timing errors in force for a fleet: `stated` where the file has them, and its snapshots in `store`."""
    learned, fault = None, ""
    if store is not None:
        try:
            learned = read_learned(store)
        except WorkspaceError as error:
            fault = str(error)
    if stated is not None:
        return Timing(model=stated, source="stated", learned=learned, fault=fault)
    if learned is not None and learned.model is not None:
        return Timing(model=learned.model, source="learned", learned=learned)
    return Timing(model=TimingModel(), source="usual", learned=learned, fault=fault)


def learning_due(store: SnapshotStore) -> bool:
    """Say whether the snapshots are others than those that were learned from. Reads their names alone.

    Raises ElementsError where the folder cannot be read.
    """
    pairs = chosen_pairs(list(store))
    if not pairs:
        return False
    try:
        learned = read_learned(store)
    except WorkspaceError:
        return True  # written anew
    return learned is None or learned.inputs != inputs_of(pairs)


def learn(store: SnapshotStore) -> LearnedTiming:
    """Learn the timing errors of a fleet from its snapshots, and keep them. Raises ElementsError, WorkspaceError."""
    learned = learn_timing(list(store))
    _FILE.write(store.folder / TIMING_NAME, asdict(learned))
    return learned


def read_learned(store: SnapshotStore) -> LearnedTiming | None:
    """Return what was learned last, None where nothing was. Raises WorkspaceError where it cannot be read."""
    return _FILE.read(store.folder / TIMING_NAME)


def _learned(given: dict[str, Any]) -> LearnedTiming:
    """Return what a file holds. Raises ValueError, TypeError, or InputError for numbers that no model can have."""
    model, ages, snapshots = given.pop("model"), given.pop("ages"), given.pop("snapshots")
    found = LearnedTiming(
        model=None if model is None else TimingModel(**model),
        ages=tuple(LearnedAge(**age) for age in ages),
        snapshots=tuple(snapshots),
        **given,
    )
    numbers = [found.days, found.pairs, found.satellites]
    numbers += [value for age in found.ages for value in asdict(age).values()]
    if not all(type(value) in (int, float) and 0.0 <= value < math.inf for value in numbers):
        raise ValueError("a number")
    if not all(type(text) is str for text in (found.inputs, *found.snapshots)):
        raise ValueError("a text")
    return found


_FILE: Final = KeptFile(
    what="timing errors learned",
    made=_learned,
    version=1,
    largest_bytes=100_000,
    try_next="deleting it: they are learned anew",
)
