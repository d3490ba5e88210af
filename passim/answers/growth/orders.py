"""Orders in which the satellites of a fleet are counted: what "the first N of them" means.

    as launched     launch group by launch group, oldest first by their designators, then those without one by when
                    the snapshots of the fleet first held them: the curve retells how the fleet came to be
    by plane        whole orbital planes, one beside the other
    at random       seeded draws; each is a fleet that has lost some of its satellites by chance, and no history
    from a file     one catalogue number a line

An order ranks the satellites of a visibility, from 0; one of rank -1 never counts. Satellites that a limit of the fleet
leaves out (not at their shell, without a serving lot, excluded by number) are in no order: N counts those that serve.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from passim.arrays import Bools, Indices
from passim.elements.feeds.history import launch_of
from passim.elements.identifiers import SatelliteId
from passim.elements.records import ElementSet, Fleet
from passim.elements.shells import mean_altitude_km, modes
from passim.elements.slots import node_and_phase_deg, planes_in_turn
from passim.errors import ElementsError, EmptyFleetError, InputError

Ranks = NDArray[np.int32]

MOST_DRAWS: Final = 1_000

_LARGEST_LIST_BYTES: Final = 4_000_000
_DESIGNATOR = re.compile(r"([0-9]{4})-([0-9]{3,4})([A-Z]*)", re.ASCII)


@dataclass(frozen=True, eq=False)
class Order:
    """One or several orders of a fleet's satellites.

    name        "launch", "plane", "random", "plan" or "file"
    ranks       shape (draws, satellites), one row unless drawn; -1 for one that never counts

    What the order was made from, where it has any of it:

    launches    the designators of the launch groups, oldest first; ``undesignated_groups`` came after them
    arrivals    the launches that snapshots saw come, with when they did, the newest last
    undated     (how many, of how many): satellites without a designator, for whose sake planes stand in for launches
    planes, seed, listed_in     how many planes there are; the seed of the draws; the file that lists the order
    unlisted, not_serving       satellites that serve and are not in the list, and listed ones that do not serve
    """

    name: str
    ranks: Ranks
    launches: tuple[str, ...] = ()
    undesignated_groups: int = 0
    arrivals: tuple[tuple[str, datetime], ...] = ()
    undated: tuple[int, int] | None = None
    planes: int = 0
    seed: int = 0
    listed_in: str = ""
    unlisted: int = 0
    not_serving: int = 0

    @property
    def satellites(self) -> int:
        """How many satellites are in the order."""
        return int(self.ranks.max(initial=-1)) + 1

    @property
    def draws(self) -> int:
        """How many orders these are."""
        return len(self.ranks)


def named_order(
    name: str, fleet: Fleet, moment: datetime, counted: Bools | None = None, *, draws: int = 100, seed: int = 1
) -> Order:
    """Return the order called `name`: "launch" (planes where nobody knows the launches), "plane", "random" or a file.

    Raises InputError.
    """
    if name == "launch":
        return launch_or_plane_order(fleet, moment, counted)
    if name == "plane":
        return plane_order(fleet, moment, counted)
    if name == "random":
        return random_orders(fleet, draws=draws, seed=seed, counted=counted)
    return listed_order(fleet, name, counted)


def launch_order(fleet: Fleet, counted: Bools | None = None) -> Order:
    """Return the order of launches: groups by year and number of the international designator, then piece and number.

    A designator tells the year and the turn, and no day. Satellites without one that came into the snapshots of the
    fleet since they are kept (`Fleet.first_seen`) are its newest: they come last, by when they were first seen. Raises
    ElementsError where a satellite that counts has neither.
    """
    indices = _indices(fleet, counted)
    keys: list[tuple[Any, ...]] = []
    unknown = []
    for index in indices.tolist():
        found, number_of = _DESIGNATOR.fullmatch(fleet[index].designator), SatelliteId(fleet[index].satellite_id)
        seen_at = fleet.first_seen.get(str(number_of))
        if found is not None:
            year, number, piece = found.groups()
            # Pieces run A to Z, then AA: the shorter come first.
            keys.append((0, int(year), int(number), len(piece), piece, number_of.order))
        elif seen_at is not None:
            keys.append((1, seen_at, 0, 0, "", number_of.order))
        else:
            unknown.append(index)
    if unknown:
        raise ElementsError(
            "launch order",
            got=f"{len(unknown):,} of {len(indices):,} without, the first {fleet[unknown[0]].label}",
            wanted="an international designator such as 2026-901A for every satellite",
            try_next="the order plane or random, or a file with one catalogue number a line",
        )
    turn = sorted(range(len(keys)), key=keys.__getitem__)
    groups = sorted({key[:3] for key in keys})
    return Order(
        "launch",
        _ranked(len(fleet), [indices[turn]]),
        launches=tuple(f"{year:04d}-{number:03d}" for kind, year, number in groups if kind == 0),
        undesignated_groups=sum(kind == 1 for kind, *_ in groups),
        arrivals=_arrivals(fleet, indices),
    )


def launch_year(record: ElementSet, fleet: Fleet) -> int | None:
    """Return the year in which an object of `fleet` was launched: by its designator, or by when snapshots saw it come.

    None where neither tells.
    """
    found = _DESIGNATOR.fullmatch(record.designator)
    if found is not None:
        return int(found[1])
    seen_at = fleet.first_seen.get(str(record.satellite_id))
    return None if seen_at is None else seen_at.astimezone(UTC).year


def _arrivals(fleet: Fleet, indices: Indices) -> tuple[tuple[str, datetime], ...]:
    """Return the launches that the snapshots of the fleet saw come, and since when each is in the elements."""
    seen: dict[str, list[datetime | None]] = {}
    for index in indices.tolist():
        record = fleet[index]
        launch = launch_of(record.designator)
        if launch:
            seen.setdefault(launch, []).append(fleet.first_seen.get(str(record.satellite_id)))
    # A launch of which anything was there before the first snapshot was not seen to come.
    came = {launch: min(known) for launch, at in seen.items() if len(known := [t for t in at if t]) == len(at)}
    return tuple(sorted(came.items(), key=lambda each: (each[1], each[0])))


def launch_or_plane_order(fleet: Fleet, moment: datetime, counted: Bools | None = None) -> Order:
    """Return the order of launches, or that of planes at `moment` where satellites have no designator.

    The latter says in ``undated`` how many. Raises EmptyFleetError where nobody counts.
    """
    indices = _indices(fleet, counted)
    without = sum(launch_year(fleet[index], fleet) is None for index in indices.tolist())
    if not without:
        return launch_order(fleet, counted)
    return replace(plane_order(fleet, moment, counted), undated=(without, len(indices)))


def plane_order(fleet: Fleet, moment: datetime, counted: Bools | None = None) -> Order:
    """Return the order of whole planes at `moment`, found by the nodes of each shell.

    The shell with most satellites comes first. Its planes follow each other eastward from the far side of the widest
    gap between nodes (of equal gaps: from the lowest node); in a plane the satellites go by argument of latitude.
    """
    indices = _indices(fleet, counted)
    node_deg, phase_deg = node_and_phase_deg(fleet, moment)
    altitude_km = mean_altitude_km(fleet.column("mean_motion_rev_day")[indices])
    order: list[int] = []
    number = 0
    for shell in modes(altitude_km, fleet.column("inclination_deg")[indices]):
        members = indices[shell.members]
        for plane in planes_in_turn(node_deg[members]):
            number += 1
            order += members[plane][np.argsort(phase_deg[members[plane]], kind="stable")].tolist()
    return Order("plane", _ranked(len(fleet), [np.array(order, dtype=np.intp)]), planes=number)


def random_orders(fleet: Fleet, *, draws: int = 100, seed: int = 1, counted: Bools | None = None) -> Order:
    """Return `draws` random orders. Draw k of a seed is the same whatever the number of draws. Raises InputError."""
    indices = _indices(fleet, counted)
    if not 1 <= draws <= MOST_DRAWS:
        raise InputError("random draws", got=draws, wanted=f"a whole number from 1 to {MOST_DRAWS:,}", try_next="100")
    if seed < 0:
        raise InputError("seed of the random draws", got=seed, wanted="a whole number of 0 or more")
    orders = [np.random.default_rng([seed, draw]).permutation(indices) for draw in range(draws)]
    return Order("random", _ranked(len(fleet), orders), seed=seed)


def listed_order(fleet: Fleet, path: str | Path, counted: Bools | None = None) -> Order:
    """Return the order that a file lists: one catalogue number a line; blank lines and lines from # on are passed over.

    Satellites of the fleet that the file leaves out never count, and listed ones that do not serve are passed over; the
    order holds how many. Raises InputError for a file that cannot be read, a line that is no number, a number twice, or
    one that the fleet does not hold.
    """
    indices = _indices(fleet, counted)
    index_of = {number: index for index, number in enumerate(fleet.satellite_ids.tolist())}
    serving = set(indices.tolist())
    seen: dict[int, int] = {}
    order, idle = [], 0
    for line, text in _lines(path):
        try:
            number = SatelliteId(text)
        except ElementsError:
            raise InputError(f"order in {path}, line {line}", got=text, wanted="one catalogue number a line") from None
        index = index_of.get(number)
        if index is None:
            raise InputError(f"order in {path}, line {line}", got=str(number), wanted=f"a satellite of {fleet.words}")
        if index in seen:
            raise InputError(
                f"order in {path}, line {line}", got=f"{number}, as in line {seen[index]}", wanted="each number once"
            )
        seen[index] = line
        if index in serving:
            order.append(index)
        else:
            idle += 1
    if not order:
        raise InputError(f"order in {path}", got="no satellite that serves", wanted="one catalogue number a line")
    return Order(
        "file",
        _ranked(len(fleet), [np.array(order)]),
        listed_in=str(path),
        unlisted=len(serving - set(order)),
        not_serving=idle,
    )


def _indices(fleet: Fleet, counted: Bools | None) -> Indices:
    """Return the indices that count. Raises EmptyFleetError where none does."""
    indices = np.arange(len(fleet)) if counted is None else np.flatnonzero(counted)
    if not len(indices):
        raise EmptyFleetError("satellites to put in an order", got="none that serves", wanted="at least one")
    return indices


def _ranked(satellites: int, orders: list[Indices]) -> Ranks:
    """Return the rank of each satellite in each order, shape (orders, satellites)."""
    ranks = np.full((len(orders), satellites), -1, dtype=np.int32)
    for row, order in zip(ranks, orders, strict=True):
        row[order] = np.arange(len(order))
    ranks.flags.writeable = False
    return ranks


def _lines(path: str | Path) -> list[tuple[int, str]]:
    """Return the lines of a file that say something, with their numbers. Raises InputError."""
    wanted = "launch, plane, random, or a text file with one catalogue number a line"
    try:
        if Path(path).stat().st_size > _LARGEST_LIST_BYTES:
            raise InputError("order of the satellites: the file is too large", got=str(path), wanted=wanted)
        text = Path(path).read_text(encoding="utf-8-sig")
    except OSError as error:
        reason = (error.strerror or "cannot be read").lower()
        raise InputError(f"order of the satellites: {reason}", got=str(path), wanted=wanted) from None
    except ValueError:
        raise InputError("order of the satellites: the file is no text", got=str(path), wanted=wanted) from None
    entries = ((number, line.partition("#")[0].strip()) for number, line in enumerate(text.splitlines(), 1))
    return [(number, line) for number, line in entries if line]
