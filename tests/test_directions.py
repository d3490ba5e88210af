"""A roof line out of the record alone: what it says of each direction, against the roof that made the record."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

import commands
from passim import Horizon, InputError, Span, View, Workspace, find_visibility
from passim.line.directions import CELL_COLUMNS, SECTOR_COLUMNS, horizon_evidence
from passim.line.fitting.settings import Sector
from passim.workspace import create
from passim_apps.figures.directions import record_sky
from passim_apps.figures.theme import LIGHT
from passim_apps.text.directions import evidence_sentences
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
    sectors = found.sectors
    assert list(sectors.columns) == list(SECTOR_COLUMNS)
    gable = sectors[(sectors["azimuth_from_deg"] >= 120.0) & (sectors["azimuth_to_deg"] <= 180.0)]
    assert gable["blocked_below_deg"].max() == 60.0
    assert gable["blocked_below_deg"].min() >= 35.0
    assert not (sectors["blocked_below_deg"] > sectors["clear_above_deg"]).any()
    assert sectors["not_known"].sum() == (~settled).sum()
    # A roof line is told where blocked and clear lie within a direction of each other, and nowhere else.
    low = sectors["blocked_below_deg"].fillna(cells["elevation_from_deg"].min())
    settled = sectors["clear_above_deg"] - low <= 5.0
    assert 0 < settled.sum() < 24
    assert (sectors["days_to_settle"][settled] == 0.0).all()
    # Below the terminal's own floor there is no roof line to tell.
    told_roof = settled & (low > found.floor_deg)
    assert (sectors["horizon_deg"].notna() == told_roof).all()
    line = next(trace for trace in record_sky(found, LIGHT).data if trace.name == "roof line")
    assert (~np.isnan(np.asarray(line.y, dtype=float)[::2]) == told_roof.to_numpy()).all()
    known = int((sectors["days_to_settle"] == 0.0).sum())
    told = f"How far down the sky is clear is known to within 5° in {known} of 24 directions"
    assert any(words.startswith(told) for words in evidence_sentences(found))
    # Elsewhere stands what the spot has, 25 degrees, as far as the record leaves it open.
    at = found.horizon.elevation_deg((sectors["azimuth_from_deg"] + 7.5).to_numpy())
    assert np.allclose(at[~settled], np.maximum(low, 25.0)[~settled])
    assert "surely blocked" in evidence_sentences(found)[0]
    assert evidence_sentences(found)[1].startswith("The sky is blocked highest towards the ")


def test_the_command_writes_the_roof_line_and_gives_every_direction(tmp_path: Path) -> None:
    """A school of invented elements, and a record of its own night behind a roof, in a file."""
    school = create(tmp_path / "school", demo=True, at=EPOCH)
    night = Span.starting(EPOCH, hours=10)
    view = school.view()
    gaps = find_visibility(school.fleet(at=EPOCH), View(replace(view.site, horizon=ROOF)), night).coverage().gaps()
    table = recorded(gaps, night, seed=4).outages
    table = table.loc[table["start"] > EPOCH, ["start", "end", "where"]]
    table.to_csv(tmp_path / "freezes.csv", index=False, date_format="%Y-%m-%dT%H:%M:%S.%fZ")
    roof = tmp_path / "roof.csv"
    words = ["survey", "record", "--workspace", str(school.folder), "--record", str(tmp_path / "freezes.csv"),
             "--from", night.start.isoformat(), "--to", night.end.isoformat(), "--at", night.end.isoformat(),
             "--without", "gateway", "--horizon-out", str(roof), "--keep-as", "Marram/attic"]  # fmt: skip
    answered = commands.run(*words, "--format", "json")
    assert answered.exit_code == 0, answered.stderr
    found = json.loads(answered.stdout)
    assert len(found["rows"]) == 24
    assert found["clear"] + found["blocked"] + found["not_known"] == len(found["cells"])
    assert found["held"] == []
    # As the roof stands: over the firs clear, under the gable blocked.
    verdicts = {(cell["azimuth_from_deg"], cell["elevation_from_deg"]): cell["verdict"] for cell in found["cells"]}
    assert verdicts[345.0, 45.0] == verdicts[240.0, 60.0] == "clear"
    assert verdicts[135.0, 30.0] == "blocked"
    kept = Workspace.load(school.folder).site("Marram", "attic").horizon
    assert kept.elevation_deg(150.0) == pytest.approx(Horizon.from_csv(roof).elevation_deg(150.0), abs=0.01)


def test_the_horizon_cannot_be_held_while_it_is_looked_for() -> None:
    gaps = find_visibility(FLEET, View(replace(MARRAM_LOFT, horizon=ROOF)), SPAN).coverage().gaps()
    with pytest.raises(InputError, match="clock of the record; got 1000000000"):
        horizon_evidence(FLEET, View(MARRAM_LOFT), recorded(gaps, SPAN, seed=2), clock_offset_s=1e9)
    with pytest.raises(InputError, match="the horizon is what is looked for"):
        horizon_evidence(FLEET, View(MARRAM_LOFT), recorded(gaps, SPAN, seed=2), hold=("horizon",))
