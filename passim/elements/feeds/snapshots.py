"""Snapshots of a fleet: each good fetch of its element sets, kept whole in one folder, and thinned as they age.

A snapshot is one file, an archive of numpy arrays (npz) with a column for each field of `ElementSet`, so that thirty
of ten thousand satellites are read in a moment where only numbers are wanted. Its name says when it was fetched and
begins the digest of its own bytes, so that a damaged one is never taken for good:

    20261129T220000Z-0f343b0931126a20.npz

A file is written whole or not at all; the newest one that is whole is in use. What ages is thinned by one rule:
everything of the last 3 days, then the last of each UTC day up to 60 days, then the last of each ISO week.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
import zipfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from passim.arrays import Floats, Ints
from passim.elements.atomic import write_atomically
from passim.elements.identifiers import SatelliteId
from passim.elements.read_log import Skipped
from passim.elements.records import ElementSet, Fleet
from passim.errors import ElementsError

ALL_FOR: Final = timedelta(days=3)
DAILY_FOR: Final = timedelta(days=60)
_ALMOST_ONE: Final = timedelta(minutes=1)

NUMBERS: Final = (
    "mean_motion_rev_day", "eccentricity", "inclination_deg", "node_deg", "perigee_deg", "mean_anomaly_deg", "bstar",
    "mean_motion_dot", "mean_motion_ddot",
)  # fmt: skip
_COUNTS: Final = ("element_set_number", "revolution_at_epoch")
_TEXTS: Final = ("satellite_id", "name", "designator", "classification")
_VERSION: Final = 1
_SUFFIX: Final = ".npz"
_TIME: Final = "%Y%m%dT%H%M%SZ"
_NAME: Final = re.compile(r"(\d{8}T\d{6}Z)-([0-9a-f]{16})\.npz")
_LARGEST_FILE_BYTES: Final = 256 * 2**20
_LARGEST_UNPACKED_BYTES: Final = 1024 * 2**20


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """One good fetch: its file, when it was fetched (aware, UTC, whole seconds) and the digest that its name holds."""

    path: Path
    fetched_at: datetime
    digest: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """Where a snapshot came from: an address or a file, when, the digest of the bytes it was read from, what they held.

    ``sets`` element sets of ``objects`` objects, and ``skipped`` records that could not be used.
    """

    source: str
    fetched_at: datetime
    content_digest: str
    sets: int
    objects: int
    skipped: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Columns:
    """The numbers of a snapshot, without its text but the identifiers.

    ``satellite_ids`` text, ``epoch_us`` microseconds since 1970 UTC, and ``numbers`` one array for each of `NUMBERS`
    that was asked for; all of shape (sets,).
    """

    fetched_at: datetime
    satellite_ids: NDArray[np.str_]
    epoch_us: Ints
    numbers: dict[str, Floats]


class SnapshotStore:
    """The snapshots of one fleet, in a folder of their own, which is made when the first is kept."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def __iter__(self) -> Iterator[Snapshot]:
        """The snapshots there are, oldest first, told by their names alone."""
        try:
            names = sorted(entry.name for entry in self.folder.iterdir())
        except (FileNotFoundError, NotADirectoryError):
            return
        except OSError as error:
            raise ElementsError(
                f"snapshots in {self.folder}", got=error.strerror, wanted="a folder that can be read"
            ) from None
        for name in names:
            if found := _NAME.fullmatch(name):
                moment = datetime.strptime(found[1], _TIME).replace(tzinfo=UTC)
                yield Snapshot(path=self.folder / name, fetched_at=moment, digest=found[2])

    def newest(self, at: datetime | None = None) -> Snapshot | None:
        """Return the newest snapshot that is whole, None where there is none.

        With `at` (aware) it is the newest fetched by then; where all were fetched later, the oldest.
        """
        every = list(self)
        before = [each for each in every if at is None or each.fetched_at <= at]
        for snapshot in (*reversed(before), *(each for each in every if each not in before)):
            if _is_whole(snapshot):
                return snapshot
        return None

    def damaged(self) -> list[Snapshot]:
        """Return the snapshots whose bytes are not what their names say."""
        return [snapshot for snapshot in self if not _is_whole(snapshot)]

    def keep(self, fleet: Fleet, *, source: str, content_digest: str, fetched_at: datetime) -> Snapshot:
        """Write a snapshot of `fleet`, fetched at `fetched_at` (aware) from `source`, whole or not at all.

        `content_digest` tells the same content again without reading it. Raises ElementsError where it cannot be
        written.
        """
        moment = fetched_at.astimezone(UTC).replace(microsecond=0)
        data = _packed(fleet, source, content_digest, self._first_seen_us(fleet, moment))
        digest = hashlib.sha256(data).hexdigest()[:16]
        # Of two that came within a second the later one has the later name.
        last = max((each.fetched_at for each in self if each.digest != digest), default=moment - _ALMOST_ONE)
        if moment <= last < moment + _ALMOST_ONE:
            moment = last + timedelta(seconds=1)
        path = self.folder / f"{moment:{_TIME}}-{digest}{_SUFFIX}"
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            write_atomically(path, data)
        except OSError as error:
            what = f"snapshot {path} cannot be written: {error.strerror}"
            raise ElementsError(what, try_next="making room, or a folder of your own") from None
        return Snapshot(path=path, fetched_at=moment, digest=digest)

    def _first_seen_us(self, fleet: Fleet, moment: datetime) -> Ints:
        """Return when the first snapshot that held each object was fetched, microseconds since 1970; 0 for the first.

        Each snapshot hands it on to the next, so that it outlives those that are thinned; shape (sets,).
        """
        before = self.newest(moment)
        if before is None or before.fetched_at > moment:
            return np.zeros(len(fleet), dtype=np.int64)
        try:
            known = read_first_seen_us(before)
        except ElementsError:
            return np.zeros(len(fleet), dtype=np.int64)
        now_us = int(moment.timestamp()) * 1_000_000
        return np.array([known.get(str(each), now_us) for each in fleet.satellite_ids], dtype=np.int64)

    def thin(self, now: datetime) -> list[Snapshot]:
        """Delete what the rule no longer keeps at `now` (aware), and return it. The newest whole one always stays."""
        every, newest = list(self), self.newest()
        kept = kept_times([each.fetched_at for each in every], now)
        gone = [each for each in every if each.fetched_at not in kept and each != newest]
        for snapshot in gone:
            snapshot.path.unlink(missing_ok=True)
        return gone


def kept_times(times: Iterable[datetime], now: datetime) -> set[datetime]:
    """Return which of `times` (aware) are still kept at `now`: all of 3 days, one a day to 60 days, one a week after.

    Of a UTC day or an ISO week the last is kept. What seems to come from the future is kept.
    """
    last: dict[Any, datetime] = {}
    kept = set()
    for moment in times:
        age, day = now - moment, moment.astimezone(UTC).date()
        if age <= ALL_FOR:
            kept.add(moment)
            continue
        group = day if age <= DAILY_FOR else tuple(day.isocalendar())[:2]
        last[group] = max(moment, last.get(group, moment))
    return kept | set(last.values())


def read_snapshot(snapshot: Snapshot, name: str, climbs: Mapping[str, float] | None = None) -> Fleet:
    """Return the fleet of a snapshot, equal to the one that was kept, with `climbs` that earlier ones tell.

    Raises ElementsError where it is damaged.
    """
    with _opened(snapshot) as archive:
        columns: dict[str, Sequence[Any]] = {field: json.loads(archive[field].tobytes()) for field in _TEXTS}
        columns |= {field: archive[field].tolist() for field in (*NUMBERS, *_COUNTS)}
        epochs_us, skipped = archive["epoch_us"].tolist(), json.loads(archive["skipped"].tobytes())
        first_us = archive["first_seen_us"].tolist() if "first_seen_us" in archive.files else []
    columns["satellite_id"] = [SatelliteId(text) for text in columns["satellite_id"]]
    origin = datetime(1970, 1, 1, tzinfo=UTC)
    columns["epoch"] = [origin + timedelta(microseconds=each) for each in epochs_us]
    fields = tuple(columns)
    records = [ElementSet(**dict(zip(fields, values, strict=True))) for values in zip(*columns.values(), strict=True)]
    first_seen = {
        str(number): origin + timedelta(microseconds=us)
        for number, us in zip(columns["satellite_id"], first_us, strict=False)
        if us
    }
    entries = [Skipped(**entry) for entry in skipped]
    return Fleet(records, name, skipped=entries, climbs=climbs, first_seen=first_seen)


def read_first_seen_us(snapshot: Snapshot) -> dict[str, int]:
    """Return by identifier when the first snapshot that held an object was fetched, microseconds since 1970.

    0 for those that the first of all snapshots held, of which nobody knows. Raises ElementsError where it is damaged.
    """
    with _opened(snapshot) as archive:
        numbers = json.loads(archive["satellite_id"].tobytes())
        # Snapshots of an earlier passim do not say.
        if "first_seen_us" not in archive.files:
            return dict.fromkeys(numbers, 0)
        return dict(zip(numbers, archive["first_seen_us"].tolist(), strict=True))


def read_columns(snapshot: Snapshot, fields: Sequence[str] = NUMBERS) -> Columns:
    """Return the numbers of a snapshot, those of `fields` alone. Raises ElementsError where it is damaged."""
    with _opened(snapshot) as archive:
        return Columns(
            fetched_at=snapshot.fetched_at,
            satellite_ids=np.array(json.loads(archive["satellite_id"].tobytes()), dtype=np.str_),
            epoch_us=archive["epoch_us"],
            numbers={field: archive[field] for field in fields},
        )


def read_labels(snapshot: Snapshot) -> dict[str, tuple[str, str]]:
    """Return the name and international designator of each object by identifier. Raises ElementsError where damaged."""
    with _opened(snapshot) as archive:
        numbers, names, designators = (
            json.loads(archive[field].tobytes()) for field in ("satellite_id", "name", "designator")
        )
        return dict(zip(numbers, zip(names, designators, strict=True), strict=True))


def read_origin(snapshot: Snapshot) -> Origin:
    """Return where a snapshot came from. Raises ElementsError where it is damaged."""
    with _opened(snapshot) as archive:
        head = json.loads(archive["head"].tobytes())
        return Origin(
            source=str(head["source"]),
            fetched_at=snapshot.fetched_at,
            content_digest=str(head["content_digest"]),
            sets=int(head["sets"]),
            objects=int(head["objects"]),
            skipped=int(head["skipped"]),
        )


def _packed(fleet: Fleet, source: str, content_digest: str, first_seen_us: Ints) -> bytes:
    """Return the bytes of a snapshot; the same fleet, source and history give the same."""
    head = {
        "version": _VERSION, "source": source, "content_digest": content_digest,
        "sets": len(fleet), "objects": fleet.object_count, "skipped": fleet.damaged_count,
    }  # fmt: skip
    arrays: dict[str, Any] = {
        "head": _text_array(head), "epoch_us": fleet.epochs.astype(np.int64), "first_seen_us": first_seen_us,
    }  # fmt: skip
    for field in _TEXTS:
        arrays[field] = _text_array([str(getattr(record, field)) for record in fleet])
    for field in NUMBERS:
        arrays[field] = fleet.column(field)
    for field in _COUNTS:
        arrays[field] = np.array([getattr(record, field) for record in fleet], dtype=np.int64)
    arrays["skipped"] = _text_array([asdict(each) for each in fleet.skipped])
    out = io.BytesIO()
    np.savez_compressed(out, allow_pickle=False, **arrays)
    return out.getvalue()


def _text_array(value: Any) -> NDArray[np.uint8]:
    return np.frombuffer(json.dumps(value, ensure_ascii=True).encode("ascii"), dtype=np.uint8)


def _is_whole(snapshot: Snapshot) -> bool:
    """Say whether the bytes of a snapshot are those that its name was made from."""
    try:
        with snapshot.path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()[:16] == snapshot.digest
    except OSError:
        return False


class _opened:
    """The arrays of a snapshot as a context. Whatever is wrong with it is told as one ElementsError."""

    def __init__(self, snapshot: Snapshot) -> None:
        self._snapshot = snapshot

    def __enter__(self) -> Any:
        path = self._snapshot.path
        try:
            if path.stat().st_size > _LARGEST_FILE_BYTES:
                raise self._damaged("more bytes than passim writes")
            data = path.read_bytes()
            if hashlib.sha256(data).hexdigest()[:16] != self._snapshot.digest:
                raise self._damaged("other bytes than were kept")
            with zipfile.ZipFile(io.BytesIO(data)) as archive:
                if sum(member.file_size for member in archive.infolist()) > _LARGEST_UNPACKED_BYTES:
                    raise self._damaged("more than passim writes")
            arrays = np.load(io.BytesIO(data), allow_pickle=False)
            head = json.loads(arrays["head"].tobytes())
        except OSError as error:
            raise self._damaged(error.strerror or "an error of the disk") from None
        except (ValueError, KeyError, TypeError, zipfile.BadZipFile):
            raise self._damaged("no archive of element sets") from None
        if head.get("version") != _VERSION:
            raise self._damaged(f"version {head.get('version')}, which another passim wrote")
        return arrays

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: object) -> None:
        if isinstance(error, (ValueError, KeyError, TypeError, zipfile.BadZipFile)):
            raise self._damaged("no archive of element sets") from error

    def _damaged(self, got: str) -> ElementsError:
        return ElementsError(
            f"snapshot {self._snapshot.path}", got=got, wanted="a snapshot that passim kept", try_next="an older one"
        )
