"""Kills at random instants over every write: a file is the old one or the new one, never half of it.

    python -m tests.soak.kills --count 1000 --seed 1

For each kind of write a forked process writes two contents in turn until it is killed with SIGKILL, a few milliseconds
after it began. Then the file is read by its own reader and must hold one of the two; what the write left beside it must
be gone after the next write, once it is old enough. Ends with 1 where any file was torn.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, Final

from passim import Fleet, Horizon, read_elements, walker, write_elements
from passim.answers.calls.calendar_in import read_calendar
from passim.answers.calls.calendar_out import CallWindow, write_calendar
from passim.elements import SatelliteId, atomic, rounded_to_two_line
from passim.sky.survey_files import write_horizon
from passim.spans import Span
from passim.workspace import Workspace, create, keep_answer, keep_horizon_as, last_answer

NOW: Final = datetime(2026, 3, 1, tzinfo=UTC)
HORIZONS: Final = tuple(Horizon((0.0, 180.0), (10.0, height)) for height in (20.0, 33.5))


class Write:
    """One kind of write: what puts content 0 or 1 in place, and what reads which of the two is there."""

    def __init__(self, put: Callable[[int], Any], look: Callable[[], int]) -> None:
        self.put, self.look = put, look


def numbered_low(fleet: Fleet) -> Fleet:
    """Return a fleet that two-line sets can carry."""
    low = Fleet(replace(record, satellite_id=SatelliteId(90_001 + k)) for k, record in enumerate(fleet))
    return rounded_to_two_line(low)


def writes(folder: Path) -> dict[str, Write]:
    fleets = [
        walker(total=total, planes=4, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=NOW, name="invented")
        for total in (40, 80)
    ]
    found = {}
    for suffix in (".tle", ".json", ".csv", ".xml", ".kvn", ".json.gz"):
        path = folder / f"fleet{suffix}"
        rounded = list(map(numbered_low, fleets)) if suffix == ".tle" else fleets
        found[f"elements {suffix}"] = Write(
            lambda which, path=path, rounded=rounded: write_elements(rounded[which], path),
            lambda path=path: {40: 0, 80: 1}[len(read_elements(path))],
        )
    horizon = folder / "yard.csv"
    found["horizon"] = Write(
        lambda which: write_horizon(HORIZONS[which], horizon), lambda: HORIZONS.index(Horizon.from_csv(horizon))
    )
    kept = folder / "kept"
    kept.mkdir()
    answers: list[dict[str, Any]] = [{"calls": [k] * 2000} for k in range(2)]
    found["kept answer"] = Write(
        lambda which: keep_answer(kept, "a question", answers[which]),
        lambda: answers.index(last_answer(kept, "a question") or {}),
    )
    calendar = folder / "calls.ics"
    windows = [
        [CallWindow(start, start + timedelta(hours=1), date(2026, 3, 2), f"Lesson {k}", "invented") for start in starts]
        for k, starts in enumerate([[NOW + timedelta(hours=9 + n) for n in range(6)] for _ in range(2)])
    ]
    week = Span(NOW, NOW + timedelta(days=7))

    def calendar_holds() -> int:
        titles = {event.title for event in read_calendar(calendar, week, "UTC", suggested=True).events}
        return ["Lesson 0", "Lesson 1"].index(titles.pop()) if len(titles) == 1 else -1

    found["calendar"] = Write(lambda which: write_calendar(calendar, windows[which], "a question", NOW), calendar_holds)
    school = create(folder / "school", demo=True).folder

    def put_horizon(which: int) -> None:
        workspace = Workspace.find(str(school))
        assert workspace is not None
        # Each write keeps the horizon before it as a file; there may be some hundreds.
        for old in list(school.glob("*.csv"))[100:]:
            if old.name not in workspace.file.read_text("utf-8") and old.name != "plan.csv":
                old.unlink()
        keep_horizon_as(workspace, "Marram/yard", HORIZONS[which])

    def school_holds() -> int:
        workspace = Workspace.find(str(school))
        assert workspace is not None
        return HORIZONS.index(workspace.site("Marram", "yard").horizon)

    found["workspace"] = Write(put_horizon, school_holds)
    return found


def killed(write: Write, after_s: float) -> None:
    """Write in turn in another process, and kill it `after_s` later."""
    ready, begun = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.write(begun, b"1")
            turn = 0
            while True:
                turn += 1
                write.put(turn % 2)
        finally:
            os._exit(1)
    os.read(ready, 1)
    time.sleep(after_s)
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    os.close(ready)
    os.close(begun)
    if not os.WIFSIGNALED(status):
        raise RuntimeError("the writer ended by itself")


def main() -> int:
    parser = argparse.ArgumentParser(description="Kills at random instants over every write.")
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    draw = random.Random(given.seed)
    outcomes: Counter[str] = Counter()
    failures = []
    left = 0
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="passim-soak-") as name:
        folder = Path(name)
        kinds = writes(folder)
        for write in kinds.values():
            write.put(0)
        for number in range(given.count):
            kind = draw.choice(list(kinds))
            try:
                killed(kinds[kind], draw.expovariate(1 / 0.02))
                which = kinds[kind].look()
                if which not in (0, 1):
                    raise ValueError("neither the old content nor the new")
                outcomes[f"{kind}: whole"] += 1
            except Exception as error:  # whatever it is, it is a finding
                failures.append(f"kill {number} ({kind}): {type(error).__name__}: {error}")
                kinds[kind].put(0)
        left = len(list(folder.rglob("*.part")))
        atomic._ABANDONED_AFTER_S = -1.0
        for write in kinds.values():
            write.put(0)
        remaining = sorted(str(path.relative_to(folder)) for path in folder.rglob("*.part"))
    for words, times in sorted(outcomes.items()):
        print(f"{times:>8,} {words}")
    print(f"{given.count:,} kills in {time.monotonic() - began_s:.0f} s, seed {given.seed}")
    print(f"{left} halves were left beside the files, {len(remaining)} of them after the next write {remaining[:3]}")
    print(f"{len(failures)} failures")
    for words in failures[:50]:
        print(f"  {words}")
    return 1 if failures or remaining else 0


if __name__ == "__main__":
    sys.exit(main())
