"""A roof line out of the record alone: what it says of each direction, against the roof that made the record."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from passim import InputError, Span, View, find_visibility
from passim.line.fitting.settings import Sector
from passim.line.horizon_evidence import CELL_COLUMNS, horizon_evidence
from tests.scenario import MARRAM_LOFT, plover
from tests.simulated_line import recorded

EPOCH = datetime(2026, 3, 2, tzinfo=UTC)
SPAN = Span.starting(EPOCH, hours=36)
FLEET = plover(EPOCH)
# A gable to the south-east, and firs all round.
ROOF = Sector(105.0, 195.0, 60.0).horizon(36.0)


def test_directions_come_out_as_the_roof_stands() -> None:
    gaps = find_visibility(FLEET, View(replace(MARRAM_LOFT, horizon=ROOF)), SPAN).coverage().gaps()
    record = recorded(gaps, SPAN, seed=2, offset_s=7.4, loss=0.02, holes=[(7000.0, 9000.0)])
    found = horizon_evidence(FLEET, View(MARRAM_LOFT), record, clock_offset_s=7.4)
    cells = found.cells
    assert list(cells.columns) == list(CELL_COLUMNS)
    middle = (cells["azimuth_from_deg"] + cells["azimuth_to_deg"]) / 2.0
    roof = ROOF.elevation_deg(middle.to_numpy())
    # No cell that lies wholly on one side of the roof is told to lie on the other.
    wholly_under, wholly_over = cells["elevation_to_deg"] <= roof, cells["elevation_from_deg"] >= roof
    assert not (wholly_under & (cells["verdict"] == "clear")).any()
    assert not (wholly_over & (cells["verdict"] == "blocked")).any()
    assert (cells.loc[wholly_over, "verdict"] == "clear").mean() > 0.9
    assert (cells.loc[wholly_under, "verdict"] == "blocked").mean() > 0.7
    # The firs' line is found within a cell, the gable's height where anything passes behind it.
    away = np.abs(found.horizon.elevation_deg(middle.to_numpy()) - roof)
    assert np.median(away) < 5.0
    open_side = (middle < 100.0) | (middle > 200.0)
    assert away[open_side].max() <= 6.0
    assert found.horizon.elevation_deg(180.0) >= 50.0
    assert 0.0 < found.days_to_settle < 10.0
    settled = cells["verdict"] != "not known"
    assert (cells.loc[settled, "days_to_settle"] == 0.0).all()
    assert "clear" in repr(found)


def test_the_horizon_cannot_be_held_while_it_is_looked_for() -> None:
    gaps = find_visibility(FLEET, View(replace(MARRAM_LOFT, horizon=ROOF)), SPAN).coverage().gaps()
    with pytest.raises(InputError, match="the horizon is what is looked for"):
        horizon_evidence(FLEET, View(MARRAM_LOFT), recorded(gaps, SPAN, seed=2), hold=("horizon",))
