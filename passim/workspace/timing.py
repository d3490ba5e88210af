"""Which timing errors hold for a fleet: those that the file states, those learned from its snapshots, or usual ones.

What was learned lies beside the snapshots, as one small file that is written whole or not at all:

    snapshots/plover/timing.json

It says which snapshots it was learned from, so that it is worked out anew once others are there.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final, Literal

from passim.elements.atomic import write_atomically
from passim.elements.feeds.snapshots import SnapshotStore
from passim.errors import InputError, WorkspaceError
from passim.forecast.learned_timing import LearnedAge, LearnedTiming, chosen_pairs, inputs_of, learn_timing
from passim.forecast.timing import TimingModel

TIMING_NAME: Final = "timing.json"
_VERSION: Final = 1
_LARGEST_BYTES: Final = 100_000


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
    text = json.dumps({"version": _VERSION, **asdict(learned)}, indent=1, allow_nan=False)
    try:
        write_atomically(store.folder / TIMING_NAME, f"{text}\n".encode("ascii"))
    except OSError as error:
        what = f"{store.folder / TIMING_NAME} cannot be written: {error.strerror}"
        raise WorkspaceError(what, try_next="a folder of your own") from None
    return learned


def read_learned(store: SnapshotStore) -> LearnedTiming | None:
    """Return what was learned last, None where nothing was. Raises WorkspaceError where it cannot be read."""
    file = store.folder / TIMING_NAME
    try:
        with file.open("rb") as opened:
            data = opened.read(_LARGEST_BYTES + 1)
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as error:
        raise _damaged(file, error.strerror or "an error of the disk") from None
    if len(data) > _LARGEST_BYTES:
        raise _damaged(file, "more than passim writes")
    try:
        given = json.loads(data, parse_constant=_no_number)
        if given.pop("version") != _VERSION:
            raise _damaged(file, "what another release of passim wrote")
        return _learned(**given)
    except InputError as error:
        if isinstance(error, WorkspaceError):
            raise
        raise _damaged(file, str(error)) from None
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        raise _damaged(file, "other content than passim wrote") from None


def _learned(*, model: Any, ages: Any, snapshots: Any, **rest: Any) -> LearnedTiming:
    """Return what a file holds. Raises ValueError, TypeError, or InputError for numbers that no model can have."""
    found = LearnedTiming(
        model=None if model is None else TimingModel(**model),
        ages=tuple(LearnedAge(**age) for age in ages),
        snapshots=tuple(snapshots),
        **rest,
    )
    numbers = [found.days, found.pairs, found.satellites]
    numbers += [value for age in found.ages for value in asdict(age).values()]
    if not all(type(value) in (int, float) and 0.0 <= value < math.inf for value in numbers):
        raise ValueError("a number")
    if not all(type(text) is str for text in (found.inputs, *found.snapshots)):
        raise ValueError("a text")
    return found


def _no_number(text: str) -> float:
    raise ValueError(text)


def _damaged(file: Path, got: str) -> WorkspaceError:
    what = f"timing errors learned, {file}"
    return WorkspaceError(what, got=got, wanted="what passim wrote", try_next="deleting it: they are learned anew")
