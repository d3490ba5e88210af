"""Snapshots of an invented fleet whose timing errors are known: what a hindcast has to find again."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

import passim
from passim.elements.feeds.snapshots import SnapshotStore
from passim.orbits.propagation import Propagator


def older_snapshot(newer: passim.Fleet, days: float | NDArray[np.float64], late_s: NDArray[np.float64]) -> passim.Fleet:
    """Return element sets `days` older than those of `newer`, by which each satellite is forecast `late_s` too early.

    `days` is one number for all, or shape (satellites,).

    Without drag SGP4's mean elements move at steady rates, so the same orbit has known elements at any epoch. The
    satellite is then put forward by what its mean anomaly does in `late_s` seconds, shape (satellites,).
    """
    records = []
    each_days = np.broadcast_to(np.asarray(days, dtype=np.float64), len(newer)).tolist()
    for record, model, late, old in zip(newer, Propagator.of(newer).models, late_s.tolist(), each_days, strict=True):
        back_deg = [np.degrees(rate) * old * 1440.0 for rate in (model.nodedot, model.argpdot, model.mdot)]
        along_deg = np.degrees(model.mdot) * late / 60.0
        records.append(
            replace(
                record,
                epoch=record.epoch - timedelta(days=old),
                node_deg=(record.node_deg - back_deg[0]) % 360.0,
                perigee_deg=(record.perigee_deg - back_deg[1]) % 360.0,
                mean_anomaly_deg=(record.mean_anomaly_deg - back_deg[2] + along_deg) % 360.0,
            )
        )
    return passim.Fleet(records, newer.name)


@dataclass(frozen=True)
class Truth:
    """The timing errors that go into an invented history: normal, of each satellite's and each snapshot's own.

    ``at_epoch_s`` at the epoch, ``per_day_s`` a day by an error of the mean motion, and ``bstar`` by one of the drag
    term, whose part grows with the square of the days. ``moved_share`` of the satellites had their elements of each day
    off by a further 40 ``per_day_s``, as after a manoeuvre.
    """

    at_epoch_s: float
    per_day_s: float
    bstar: float = 0.0
    moved_share: float = 0.0

    def sigma_s(self, age_days: float, per_day2_s: float = 0.0) -> float:
        """Return the spread between elements of that age and new ones, which are off at their epoch as well."""
        parts = (2.0 * self.at_epoch_s**2, (self.per_day_s * age_days) ** 2, (per_day2_s * age_days**2) ** 2)
        return float(np.sqrt(sum(parts)))


def keep_history(
    store: SnapshotStore, true: passim.Fleet, days: Iterable[float], truth: Truth, now: datetime, seed: int = 1
) -> None:
    """Keep a snapshot for each of `days` before `now`, of elements up to 6 h old by then, with the errors of `truth`.

    `true` holds the orbits as they really are, without drag.
    """
    dice = np.random.Generator(np.random.PCG64(seed))
    count = len(true)
    epoch_days = np.array([(now - record.epoch).total_seconds() / 86400.0 for record in true])
    for day in sorted(days, reverse=True):
        back = day - epoch_days + dice.uniform(0.0, 0.25, count)
        found = older_snapshot(true, back, dice.normal(0.0, truth.at_epoch_s, count))
        rate_s = dice.normal(0.0, truth.per_day_s, count)
        rate_s[dice.random(count) < truth.moved_share] += 40.0 * truth.per_day_s
        bstar = dice.normal(0.0, truth.bstar, count)
        records = [
            replace(record, mean_motion_rev_day=record.mean_motion_rev_day * (1.0 + rate / 86400.0), bstar=drag)
            for record, rate, drag in zip(found, rate_s.tolist(), bstar.tolist(), strict=True)
        ]
        store.keep(
            passim.Fleet(records, true.name), source="invented", content_digest=f"{day}",
            fetched_at=now - timedelta(days=day),
        )  # fmt: skip
