"""Frozen element sets, and fleets of them.

An `ElementSet` is one mean element set of the SGP4 theory, in the units of the two-line and OMM formats, whatever
file it came from. A `Fleet` is an ordered, immutable collection of them with its columns as arrays.
"""

from __future__ import annotations

import math
import re
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from functools import cached_property
from itertools import repeat
from operator import attrgetter
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from passim.arrays import Floats
from passim.elements.identifiers import SatelliteId
from passim.elements.lines import printable
from passim.elements.read_log import Skipped, label_of
from passim.errors import ElementsError

_Kind = TypeVar("_Kind", bound=np.generic)
_DESIGNATOR = re.compile(r"[0-9]{4}-[0-9]{3}[A-Z]{1,3}", re.ASCII)

# The legal range of each number: (lowest, highest, highest is legal, in words). By physics, with room:
#   mean motion      0.005 a day has its axis at 1.44 million km, where the Sun takes satellites from the Earth (Hill
#                    sphere, recalled: 1.5 million km); at 17.04 a day the axis is as long as the Earth's radius
#   angles           as the formats have them
#   bstar            0.078 times drag coefficient and area over mass, m2/kg (AIAA 2006-6753, recalled): a bare film of
#                    1 micrometre, the lightest thing ever proposed, has about 120
#   mean_motion_dot  half of dn/dt: at 1 the orbit would lose its last 1000 km within the day, which the two-line
#                    columns do not hold either
#   mean_motion_ddot a sixth of the second derivative: at 10 a whole orbit is lost in hours
_RANGES = {
    "mean_motion_rev_day": (0.005, 18.0, True, "from 0.005 to 18 revolutions a day"),
    "eccentricity": (0.0, 1.0, False, "from 0 to below 1"),
    "inclination_deg": (0.0, 180.0, True, "from 0 to 180 deg"),
    "node_deg": (0.0, 360.0, True, "from 0 to 360 deg"),
    "perigee_deg": (0.0, 360.0, True, "from 0 to 360 deg"),
    "mean_anomaly_deg": (0.0, 360.0, True, "from 0 to 360 deg"),
    "bstar": (-1000.0, 1000.0, True, "from -1000 to 1000 per Earth radius"),
    "mean_motion_dot": (-1.0, 1.0, True, "from -1 to 1 revolutions/day**2"),
    "mean_motion_ddot": (-10.0, 10.0, True, "from -10 to 10 revolutions/day**3"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ElementSet:
    """One mean element set for SGP4 (true equator, mean equinox of epoch; WGS 72).

    Angles are degrees, mean motion revolutions a day (Kozai, as in the public sets), ``bstar`` inverse Earth radii,
    ``mean_motion_dot`` revolutions/day**2 and ``mean_motion_ddot`` revolutions/day**3 as the formats carry them
    (already divided by 2 and 6). ``epoch`` is an aware UTC datetime, exact to the microsecond.
    ``satellite_id`` is the catalogue number, or the designator of an object without one. ``designator`` is the
    international designator as ``YYYY-NNNPPP``, or empty; UNKNOWN, the standard's word for none (CCSDS 502.0-B-3, table
    4-2), becomes empty. A name is kept as it is given, but for the blanks around it.

    Raises ElementsError when a number is not finite or no satellite of the Earth can have it, or the epoch is naive.
    """

    satellite_id: SatelliteId
    name: str
    epoch: datetime
    mean_motion_rev_day: float
    eccentricity: float
    inclination_deg: float
    node_deg: float
    perigee_deg: float
    mean_anomaly_deg: float
    bstar: float = 0.0
    mean_motion_dot: float = 0.0
    mean_motion_ddot: float = 0.0
    designator: str = ""
    classification: str = "U"
    element_set_number: int = 999
    revolution_at_epoch: int = 0

    def __post_init__(self) -> None:
        # A fleet has tens of thousands of these: what is plainly in order is looked at once, and no closer. Every
        # bound is that of _RANGES, or lies within it; what is not a number compares false.
        if (
            type(self.satellite_id) is SatelliteId
            and self.satellite_id.isdigit()
            and type(self.name) is str
            and self.name.isascii()
            and self.name == self.name.strip()
            and type(self.designator) is str
            and (self.designator == "" or _DESIGNATOR.fullmatch(self.designator))
            and type(self.epoch) is datetime
            and self.epoch.tzinfo is UTC
            and type(self.mean_motion_rev_day) is float
            and type(self.eccentricity) is float
            and type(self.inclination_deg) is float
            and type(self.node_deg) is float
            and type(self.perigee_deg) is float
            and type(self.mean_anomaly_deg) is float
            and type(self.bstar) is float
            and type(self.mean_motion_dot) is float
            and type(self.mean_motion_ddot) is float
            and 0.005 <= self.mean_motion_rev_day <= 18.0
            and 0.0 <= self.eccentricity < 1.0
            and 0.0 <= self.inclination_deg <= 180.0
            and 0.0 <= self.node_deg <= 360.0
            and 0.0 <= self.perigee_deg <= 360.0
            and 0.0 <= self.mean_anomaly_deg <= 360.0
            and -1000.0 <= self.bstar <= 1000.0
            and -1.0 <= self.mean_motion_dot <= 1.0
            and -10.0 <= self.mean_motion_ddot <= 10.0
            and self.classification == "U"
            and type(self.element_set_number) is int
            and type(self.revolution_at_epoch) is int
            and self.element_set_number >= 0
            and self.revolution_at_epoch >= 0
        ):
            return
        self._settle()

    def _settle(self) -> None:
        """Turn every field into its plain type, or raise ElementsError that names it."""
        # Records are kept in plain Python types: what a writer prints must not depend on who made the number.
        for field in _RANGES:
            value = getattr(self, field)
            if type(value) is not float:
                object.__setattr__(self, field, _float(self, field, value))
        for field in ("element_set_number", "revolution_at_epoch"):
            value = getattr(self, field)
            if type(value) is not int or value < 0:
                object.__setattr__(self, field, _count(self, field, value))
        if type(self.satellite_id) is not SatelliteId:
            object.__setattr__(self, "satellite_id", SatelliteId(self.satellite_id))
        for field in ("name", "designator"):
            object.__setattr__(self, field, _text(self, field, getattr(self, field)))
        if self.satellite_id.number is None:
            object.__setattr__(self, "designator", str(self.satellite_id))
        if self.classification != "U" and not re.fullmatch("[A-Z]", str(self.classification), re.ASCII):
            raise _unfit(self, "classification", self.classification, "U, C or S")

        for field, (lowest, highest, closed, words) in _RANGES.items():
            value = getattr(self, field)
            legal = lowest <= value <= highest if closed else lowest <= value < highest
            if not legal:
                raise _unfit(self, field, value, words)

        if not isinstance(self.epoch, datetime) or self.epoch.utcoffset() is None:
            raise _unfit(self, "epoch", self.epoch, "an aware UTC time")
        if type(self.epoch) is not datetime or self.epoch.tzinfo is not UTC:
            utc = self.epoch.astimezone(UTC)
            clock = (utc.hour, utc.minute, utc.second, utc.microsecond)
            object.__setattr__(self, "epoch", datetime(utc.year, utc.month, utc.day, *clock, tzinfo=UTC))

    @property
    def label(self) -> str:
        """The object as a person would be told of it: its name and number."""
        return label_of(self.satellite_id, printable(self.name))


class Fleet:
    """An ordered, immutable collection of element sets.

    ``name`` names the fleet. ``records`` holds the sets in file order; one object may stand in it with several sets.
    ``skipped`` tells what a reader left out or doubts: bad records where it was lenient, files of a folder that hold no
    elements, and a file that ends too soon. ``climbs`` tells by identifier how fast objects climb (sink, where
    negative), km a day, as earlier snapshots of the fleet show it, and ``first_seen`` when the snapshot was fetched
    that first held an object, of those that came later than the first of all; both are empty where there are none.
    Column properties are arrays of shape (sets,), read-only. Two fleets are equal when their records are.
    """

    def __init__(
        self,
        records: Iterable[ElementSet],
        name: str = "fleet",
        *,
        skipped: Iterable[Skipped] = (),
        climbs: Mapping[str, float] | None = None,
        first_seen: Mapping[str, datetime] | None = None,
    ) -> None:
        self.records: tuple[ElementSet, ...] = tuple(records)
        self.name = name
        self.skipped: tuple[Skipped, ...] = tuple(skipped)
        self.climbs: Mapping[str, float] = climbs or {}
        self.first_seen: Mapping[str, datetime] = first_seen or {}

    def __len__(self) -> int:
        return len(self.records)

    def __iter__(self) -> Iterator[ElementSet]:
        return iter(self.records)

    def __getitem__(self, index: int) -> ElementSet:
        return self.records[index]

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Fleet) and self.records == other.records

    __hash__ = None  # type: ignore[assignment]  # equality is by content, and contents are large

    def __reduce__(self) -> tuple[Any, ...]:
        # Copies in other processes are made anew: what others keep with a fleet, such as SGP4's models, stays here.
        return _fleet_again, (self.records, self.name, self.skipped, dict(self.climbs), dict(self.first_seen))

    def __repr__(self) -> str:
        return f"<Fleet {self.name!r}: {len(self)} element sets of {self.object_count} objects>"

    def __add__(self, other: Fleet) -> Fleet:
        return Fleet(
            self.records + other.records,
            self.name,
            skipped=self.skipped + other.skipped,
            climbs={**self.climbs, **other.climbs},
            first_seen={**self.first_seen, **other.first_seen},
        )

    @cached_property
    def satellite_ids(self) -> NDArray[np.object_]:
        """Identifiers, text, shape (sets,)."""
        return _frozen(np.array([r.satellite_id for r in self.records], dtype=object))

    @cached_property
    def names(self) -> NDArray[np.object_]:
        """Names, text, shape (sets,)."""
        return _frozen(np.array([r.name for r in self.records], dtype=object))

    @property
    def words(self) -> str:
        """What the fleet is called in a sentence: "the fleet Plover"; "the fleet" without a name of its own."""
        return "the fleet" if self.name.strip().casefold() in ("", "fleet") else f"the fleet {self.name}"

    @cached_property
    def object_count(self) -> int:
        """How many different objects the sets describe."""
        return len({r.satellite_id for r in self.records})

    @property
    def damaged_count(self) -> int:
        """How many damaged records its readers left out."""
        return sum(entry.records for entry in self.skipped)

    @cached_property
    def epochs(self) -> NDArray[np.datetime64]:
        """Epochs, UTC, microseconds, shape (sets,)."""
        return _frozen(np.array([r.epoch.replace(tzinfo=None) for r in self.records], dtype="datetime64[us]"))

    def column(self, field: str) -> Floats:
        """Return one number of every set by the name of its `ElementSet` field, shape (sets,); read once and kept."""
        columns: dict[str, Floats] = self.__dict__.setdefault("_columns", {})
        if field not in columns:
            values = map(attrgetter(field), self.records)
            columns[field] = _frozen(np.fromiter(values, dtype=float, count=len(self.records)))
        return columns[field]

    def days_until(self, moment: datetime) -> Floats:
        """Return the days from the epoch of each set to `moment` (aware), negative before the epoch, shape (sets,)."""
        moment_us = np.datetime64(moment.astimezone(UTC).replace(tzinfo=None), "us")
        return np.asarray((moment_us - self.epochs).astype(np.int64) / 1e6 / 86400.0)

    def select(self, indices: Iterable[int]) -> Fleet:
        """Return the fleet of the sets at `indices`, in that order."""
        return self.holding(self.records[int(i)] for i in indices)

    def holding(self, records: Iterable[ElementSet], name: str | None = None) -> Fleet:
        """Return the fleet of other records, with all else that is known of this one; its name too unless given."""
        return Fleet(
            records,
            self.name if name is None else name,
            skipped=self.skipped,
            climbs=self.climbs,
            first_seen=self.first_seen,
        )

    def nearest(self, moment: datetime) -> tuple[Fleet, int]:
        """Keep of each object the set whose epoch is nearest `moment`; of equals, the later in the fleet.

        Returns the kept fleet, objects in order of first appearance, and how many sets were set aside.
        """
        if self.object_count == len(self.records):
            return self, 0
        retained: dict[SatelliteId, tuple[float, ElementSet]] = {}
        for record in self.records:
            distance_s = abs((record.epoch - moment).total_seconds())
            seen = retained.get(record.satellite_id)
            if seen is None or distance_s <= seen[0]:
                retained[record.satellite_id] = (distance_s, record)
        nearest = self.holding(record for _, record in retained.values())
        return nearest, len(self.records) - len(retained)


def _fleet_again(
    records: tuple[ElementSet, ...],
    name: str,
    skipped: tuple[Skipped, ...],
    climbs: dict[str, float],
    first_seen: dict[str, datetime],
) -> Fleet:
    return Fleet(records, name, skipped=skipped, climbs=climbs, first_seen=first_seen)


ELEMENT_FIELDS = tuple(f.name for f in fields(ElementSet))


class _Draft:
    """A record that is being filled: laid out as `ElementSet`, which it becomes, and not yet frozen."""

    __slots__ = ELEMENT_FIELDS


def element_set(
    satellite_id: SatelliteId,
    name: str,
    epoch: datetime,
    numbers: Sequence[float],
    designator: str,
    counts: Sequence[int],
) -> ElementSet:
    """Return the unclassified set of these values: what `ElementSet` gives, in less than half the time.

    `numbers` are the nine from the mean motion to its second derivative, `counts` the set's and the revolution's. A
    frozen record looks every field up by its name when it is made, and readers make tens of thousands.
    """
    record: Any = _Draft()
    record.satellite_id, record.name, record.epoch = satellite_id, name, epoch
    (
        record.mean_motion_rev_day,
        record.eccentricity,
        record.inclination_deg,
        record.node_deg,
        record.perigee_deg,
        record.mean_anomaly_deg,
        record.bstar,
        record.mean_motion_dot,
        record.mean_motion_ddot,
    ) = numbers
    record.designator, record.classification = designator, "U"
    record.element_set_number, record.revolution_at_epoch = counts
    record.__class__ = ElementSet
    made: ElementSet = record
    made.__post_init__()
    return made


# What fills a field of many records that are being made, and are not yet anybody's.
_FILL = {field: getattr(ElementSet, field).__set__ for field in ELEMENT_FIELDS}
_DESIGNATORS = re.compile(rf"(?:(?:{_DESIGNATOR.pattern})?;)*", re.ASCII)


def element_sets(
    satellite_ids: Sequence[SatelliteId],
    names: Sequence[str],
    epochs: Sequence[datetime],
    numbers: Sequence[Sequence[float]],
    designators: Sequence[str],
    counts: Sequence[Sequence[int]],
) -> list[ElementSet] | None:
    """Return the unclassified sets of these columns, as `element_set` of each; None where one is not plainly in order.

    `numbers` are the nine columns from the mean motion to its second derivative, `counts` the set's and the
    revolution's; numbers are catalogue numbers, and epochs in UTC. Raises TypeError for columns of unlike values.
    """
    for column, (lowest, highest, closed, _) in zip(numbers, _RANGES.values(), strict=True):
        # What is no number at all makes a sum that is none; before or behind it a least and a most can stand.
        if set(map(type, column)) != {float} or not math.isfinite(sum(column)):
            return None
        most = max(column)
        if not (lowest <= min(column) and (most <= highest if closed else most < highest)):
            return None
    if any(set(map(type, column)) != {int} or min(column) < 0 for column in counts):
        return None
    if {*map(type, names), *map(type, designators)} != {str} or {epoch.tzinfo for epoch in epochs} != {UTC}:
        return None
    if not "".join(names).isascii() or list(map(str.strip, names)) != list(names):
        return None
    joined = ";".join(designators) + ";"
    if joined.count(";") != len(designators) or _DESIGNATORS.fullmatch(joined) is None:
        return None
    records = list(map(object.__new__, repeat(ElementSet, len(epochs))))
    columns = (satellite_ids, names, epochs, *numbers, designators, repeat("U"), *counts)
    for fill, values in zip(_FILL.values(), columns, strict=True):
        deque(map(fill, records, values), maxlen=0)
    return records


def _float(record: ElementSet, field: str, value: object) -> float:
    """Return `value` as a plain float. Raises ElementsError for text, truth values and everything else."""
    try:
        if isinstance(value, (str, bytes, bool, np.bool_)):
            raise TypeError
        return float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        raise _unfit(record, field, value, "a number") from None


def _count(record: ElementSet, field: str, value: object) -> int:
    """Return `value` as a plain int of 0 or more. Raises ElementsError for anything else."""
    if isinstance(value, (int, np.integer)) and not isinstance(value, bool) and value >= 0:
        return int(value)
    raise _unfit(record, field, value, "a whole number of 0 or more")


def _text(record: ElementSet, field: str, value: object) -> str:
    """Return `value` without blanks around it. Raises ElementsError for what is no text."""
    what = f"{field} of object {record.satellite_id}"
    if not isinstance(value, str):
        raise ElementsError(what, field=field, got=value, wanted="text")
    try:
        value.encode("utf-8")
    except UnicodeEncodeError:
        raise ElementsError(what, field=field, got=ascii(value), wanted="text fit for UTF-8") from None
    text = str(value).strip()
    return "" if field == "designator" and text == "UNKNOWN" else text


def _unfit(record: ElementSet, field: str, value: object, wanted: str) -> ElementsError:
    """Return the error of a value that the field of a record cannot have."""
    return ElementsError(f"{field} of {record.label}", field=field, got=value, wanted=wanted)


def _frozen(array: NDArray[_Kind]) -> NDArray[_Kind]:
    array.flags.writeable = False
    return array
