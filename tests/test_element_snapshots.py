"""Snapshots of element sets: kept whole, read back equal, thinned by the rule, passed over where they are damaged."""

from __future__ import annotations

import io
import itertools
import pickle
import random
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from passim import Fleet, walker
from passim.elements.feeds.snapshots import (
    NUMBERS,
    SnapshotStore,
    kept_times,
    read_columns,
    read_origin,
    read_snapshot,
)
from passim.elements.read_log import Skipped
from passim.errors import ElementsError

NOW = datetime(2026, 11, 29, 15, tzinfo=UTC)


def fleet_of(total: int = 24) -> Fleet:
    """A fleet that holds what formats find hard: names of every kind, microseconds, and all the digits of a number."""
    dice = random.Random(7)
    plain = walker(total=total, planes=6, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=NOW)
    names = ["", "Plover 1", 'name, with "marks"', "Ηθος\n2", "日本", "\\x"]
    return Fleet(
        [
            replace(
                record,
                name=names[k % len(names)],
                designator="2026-001A" if k % 2 else "",
                epoch=NOW + timedelta(microseconds=dice.randrange(10**12)),
                node_deg=dice.uniform(0.0, 360.0),
                bstar=dice.gauss(0.0, 1e-4),
                mean_motion_dot=5e-324 if k == 3 else -0.0,
                revolution_at_epoch=dice.randrange(10**6),
                classification="C" if k == 5 else "U",
            )
            for k, record in enumerate(plain)
        ],
        "Plover",
        skipped=[Skipped(kind="record", file="a.json", place="record 3", what="BSTAR", records=1)],
    )


def kept(store: SnapshotStore, at: datetime, total: int = 24) -> None:
    store.keep(fleet_of(total), source="https://example.org/x", content_digest=f"{at}", fetched_at=at)


def test_what_is_kept_is_read_back_equal(tmp_path: Path) -> None:
    store, fleet = SnapshotStore(tmp_path / "snapshots"), fleet_of()
    made = store.keep(fleet, source="https://example.org/x", content_digest="abc", fetched_at=NOW)
    assert made == store.newest()
    again = read_snapshot(made, "Plover")
    assert again == fleet
    assert [str(record.mean_motion_dot) for record in again] == [str(record.mean_motion_dot) for record in fleet]
    assert (again.name, list(map(str, again.skipped))) == ("Plover", ["a.json, record 3: BSTAR"])
    origin = read_origin(made)
    assert (origin.source, origin.fetched_at, origin.content_digest) == ("https://example.org/x", NOW, "abc")
    assert (origin.sets, origin.objects, origin.skipped) == (24, 24, 1)
    columns = read_columns(made)
    assert columns.satellite_ids.tolist() == [str(i) for i in fleet.satellite_ids]
    assert (columns.epoch_us == fleet.epochs.astype(np.int64)).all()
    assert all((columns.numbers[field] == fleet.column(field)).all() for field in NUMBERS)
    # The same fleet from the same place makes the same bytes, and so the same file.
    assert store.keep(fleet, source="https://example.org/x", content_digest="abc", fetched_at=NOW) == made
    assert len(list(store)) == 1


def test_of_two_in_a_second_the_later_is_the_newest(tmp_path: Path) -> None:
    store = SnapshotStore(tmp_path)
    for total in range(6, 60, 6):
        made = store.keep(fleet_of(total), source="x", content_digest=f"{total}", fetched_at=NOW)
        assert store.newest() == made
    assert len(list(store)) == 9


def test_the_archive_is_numpys_own_without_pickles(tmp_path: Path) -> None:
    kept(store := SnapshotStore(tmp_path), NOW)
    (made,) = store
    with np.load(io.BytesIO(made.path.read_bytes()), allow_pickle=False) as arrays:
        assert set(NUMBERS) < set(arrays.files)
        assert arrays["inclination_deg"].tolist() == [53.0] * 24


def test_a_damaged_snapshot_is_passed_over_and_told(tmp_path: Path) -> None:
    store = SnapshotStore(tmp_path)
    for hours in (2, 1, 0):
        kept(store, NOW - timedelta(hours=hours))
    oldest, middle, newest = store
    whole = newest.path.read_bytes()
    for damage in (b"", whole[:-1], whole[:100], whole[:500] + b"x" + whole[501:], whole + b"x", b"PK\x03\x04"):
        newest.path.write_bytes(damage)
        assert store.newest() == middle
        assert store.damaged() == [newest]
        with pytest.raises(ElementsError, match="other bytes than were kept"):
            read_snapshot(newest, "Plover")
    newest.path.unlink()
    middle.path.write_bytes(b"")
    assert store.newest() == oldest
    # What passim did not write does not count, whatever it is called.
    (tmp_path / "20300101T000000Z-xyz.npz").write_bytes(whole)
    (tmp_path / ".half.passim.part").write_bytes(b"half")
    assert store.newest() == oldest
    oldest.path.write_bytes(b"")
    assert store.newest() is None
    assert SnapshotStore(tmp_path / "gone").newest() is None


def test_a_file_of_another_make_is_refused_in_a_line(tmp_path: Path) -> None:
    import hashlib

    store = SnapshotStore(tmp_path)
    for name, arrays in {
        "no head": {"x": np.arange(3)},
        "another version": {"head": np.frombuffer(b'{"version": 99}', dtype=np.uint8)},
        "half of it": {"head": np.frombuffer(b'{"version": 1}', dtype=np.uint8)},
    }.items():
        out = io.BytesIO()
        np.savez_compressed(out, allow_pickle=False, **arrays)
        digest = hashlib.sha256(out.getvalue()).hexdigest()[:16]
        path = tmp_path / f"20261129T000000Z-{digest}.npz"
        path.write_bytes(out.getvalue())
        found = store.newest()
        assert found is not None, name
        for read in (lambda s: read_snapshot(s, "x"), read_columns, read_origin):
            with pytest.raises(ElementsError, match="wanted a snapshot that passim kept"):
                read(found)
        path.unlink()


def test_a_full_disk_leaves_what_was_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kept(store := SnapshotStore(tmp_path), NOW)
    before = store.newest()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("passim.elements.feeds.snapshots.write_atomically", full)
    with pytest.raises(ElementsError, match=r"No space left on device; try making room"):
        kept(store, NOW + timedelta(hours=8))
    assert store.newest() == before


def test_what_ages_is_thinned_by_the_rule() -> None:
    """By hand: two hours apart there are 37 in 3 days (both ends count), then 57 days with one each, then weeks."""
    every = [NOW - timedelta(hours=2 * k) for k in range(12 * 400)]
    found = kept_times(every, NOW)
    ages = {moment: NOW - moment for moment in found}
    assert sum(age <= timedelta(days=3) for age in ages.values()) == 37
    daily = sorted(moment for moment, age in ages.items() if timedelta(days=3) < age <= timedelta(days=60))
    # 30 September 15:00 to 26 November 13:00 are parts of 58 days.
    assert len(daily) == len({moment.date() for moment in daily}) == 58
    assert all(moment.hour == 23 for moment in daily[:-1])
    weekly = [moment for moment, age in ages.items() if age > timedelta(days=60)]
    weeks = {moment.isocalendar()[:2] for moment in every if NOW - moment > timedelta(days=60)}
    assert len(weekly) == len(weeks)
    assert {moment.isocalendar()[:2] for moment in weekly} == weeks
    # Thinned again, at once or day after day, nothing more goes than the rule says.
    assert kept_times(found, NOW) == found
    assert kept_times([], NOW) == set()
    assert kept_times([NOW + timedelta(days=5)], NOW) == {NOW + timedelta(days=5)}


def test_thinning_day_after_day_keeps_a_history(tmp_path: Path) -> None:
    store = SnapshotStore(tmp_path)
    for hours in range(0, 24 * 100, 8):
        kept(store, NOW + timedelta(hours=hours), total=6)
        store.thin(NOW + timedelta(hours=hours))
    times = [snapshot.fetched_at for snapshot in store]
    end = NOW + timedelta(hours=24 * 100 - 8)
    assert times[-1] == end
    assert sum(end - at <= timedelta(days=3) for at in times) == 10
    steps = list(itertools.pairwise(times))
    assert max(b - a for a, b in steps) <= timedelta(days=7, hours=8)
    assert max(b - a for a, b in steps if end - a <= timedelta(days=60)) <= timedelta(days=1, hours=8)
    assert len(times) < 80


def test_the_newest_whole_one_always_stays(tmp_path: Path) -> None:
    store = SnapshotStore(tmp_path)
    for days in (400.0, 399.9, 399.8):
        kept(store, NOW - timedelta(days=days), total=6)
    first, second, third = store
    third.path.write_bytes(b"damaged")
    # By the rule the last of the week would be kept, which is damaged: the newest whole one stays beside it.
    store.thin(NOW)
    assert list(store) == [second, third]
    assert store.newest() == second
    assert not first.path.exists()


def test_when_an_object_was_first_seen_is_handed_on_from_snapshot_to_snapshot(tmp_path: Path) -> None:
    store, fleet = SnapshotStore(tmp_path), fleet_of()
    numbers = [str(each) for each in fleet.satellite_ids]
    for day, total in ((0, 18), (1, 20), (2, 20), (70, 24), (71, 24)):
        at = NOW + timedelta(days=day)
        store.keep(fleet.select(range(total)), source="x", content_digest=f"{day}", fetched_at=at)
        store.thin(at)
    # What came on the first days is remembered, though the snapshots of those days are long gone.
    assert len(list(store)) < 5
    newest = store.newest()
    assert newest is not None
    seen = read_snapshot(newest, "Plover").first_seen
    came = {1: numbers[18:20], 70: numbers[20:]}
    assert seen == {number: NOW + timedelta(days=day) for day, those in came.items() for number in those}
    assert pickle.loads(pickle.dumps(read_snapshot(newest, "Plover"))).select(range(20)).first_seen == seen
