"""Two snapshots of an invented fleet whose timing errors are known: what a hindcast has to find again."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

import passim
from passim.orbits.propagation import Propagator


def older_snapshot(newer: passim.Fleet, days: float, late_s: NDArray[np.float64]) -> passim.Fleet:
    """Return element sets `days` older than those of `newer`, by which each satellite is forecast `late_s` too early.

    Without drag SGP4's mean elements move at steady rates, so the same orbit has known elements at any epoch. The
    satellite is then put forward by what its mean anomaly does in `late_s` seconds, shape (satellites,).
    """
    minutes = days * 1440.0
    records = []
    for record, model, late in zip(newer, Propagator.of(newer).models, late_s.tolist(), strict=True):
        back_deg = [np.degrees(rate) * minutes for rate in (model.nodedot, model.argpdot, model.mdot)]
        along_deg = np.degrees(model.mdot) * late / 60.0
        records.append(
            replace(
                record,
                epoch=record.epoch - timedelta(days=days),
                node_deg=(record.node_deg - back_deg[0]) % 360.0,
                perigee_deg=(record.perigee_deg - back_deg[1]) % 360.0,
                mean_anomaly_deg=(record.mean_anomaly_deg - back_deg[2] + along_deg) % 360.0,
            )
        )
    return passim.Fleet(records, newer.name)
