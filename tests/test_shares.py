"""Shares alone: counts counted by parallel are those of the exact search, and figures lie within the stated bounds."""

from __future__ import annotations

import json

import numpy as np
import pytest

import passim
from commands import run
from element_sets import EPOCH
from passim import Cone, Gateway, InputError, View
from passim.answers.sites.shares import _RunningShares, find_shares
from passim.answers.sites.sweeps import PlaceSweep, ShareSweep, sweep_latitudes
from passim.coverage.visibility import find_visibility
from passim.parallel.chunks import WorkerConfig
from passim.sky.limits import GatewayLimit
from passim.sky.parallels import Parallels, count_above, moments_of
from passim.spans import Span, moment
from scenario import plover
from soak import places

ALONE = WorkerConfig(processes=1)
SPAN = Span.starting(EPOCH, hours=3)
PARALLELS = Parallels((-60.0, 0.0, 45.0, 58.5, 61.0), 4, -178.0)
ANYWHERE = View(passim.Site("anywhere", 0.0, 0.0, horizon=passim.Horizon.flat(25.0)))


def test_random_fleets_places_and_masks_are_shared_as_each_is_found_alone() -> None:
    assert [wrong for number in range(25) if (wrong := places.case(number))] == []


def test_shares_lie_within_the_errors_that_they_state() -> None:
    fleet = plover(EPOCH)
    exact = [place.figures for place in PlaceSweep(fleet, ANYWHERE, PARALLELS.places_deg(), SPAN, workers=ALONE)]
    found = find_shares(fleet, ANYWHERE, PARALLELS, SPAN, 5.0, workers=ALONE)
    some = found.share_error > 0.0
    assert 3 < some.sum() < len(exact)
    errors = np.array([a.covered_fraction - b.covered_fraction for a, b in zip(found.figures, exact, strict=True)])
    assert np.all(errors[~some] == 0.0)
    assert np.all(np.abs(errors[some]) < 4.0 * found.share_error[some])
    # Standard errors that were too large would pass the line before.
    assert np.sqrt(np.mean((errors[some] / found.share_error[some]) ** 2)) == pytest.approx(1.0, abs=0.6)
    for a, b in zip(found.figures, exact, strict=True):
        assert abs(a.gap_longest_s - b.gap_longest_s) <= 10.0
        assert a.in_view_mean == pytest.approx(b.in_view_mean, abs=0.03)


def test_a_gateway_counts_moment_by_moment() -> None:
    fleet, gateway = plover(EPOCH), Gateway("South", 39.6, -28.0, 50.0)
    parallels = Parallels((45.0,), 8, -28.0)
    span = Span.starting(EPOCH, hours=1)
    counted = count_above(fleet, parallels, 25.0, span, 20_000_000, [gateway]).counts
    view = View(passim.Site("there", 45.0, -28.0, horizon=passim.Horizon.flat(25.0)), (GatewayLimit((gateway,)),))
    _, start_us, end_us = find_visibility(fleet, view, span).joint()
    moments_us = moments_of(span, 20_000_000)
    up = ((start_us <= moments_us[:, None]) & (moments_us[:, None] < end_us)).sum(axis=1)
    assert up.max() > 1
    assert np.count_nonzero(up != counted[:, 0]) <= 1
    # Half way round the Earth no satellite sees the place and the gateway.
    assert not counted[:, 4].any()


def test_gaps_are_told_over_the_edges_of_stretches_by_hand() -> None:
    tally, ones = _RunningShares(2), np.full(4, 1_000_000)
    start_us = round(EPOCH.timestamp() * 1e6)
    #                      place 0: out, in, out, out | out, in, in, out;  place 1: never out, then out to the end
    tally.add(np.array([[1, 0, 1, 1], [0, 0, 0, 0]], dtype=bool), ones, start_us)
    tally.add(np.array([[1, 0, 0, 1], [0, 1, 1, 1]], dtype=bool), ones, start_us + 4_000_000)
    figures, ends = tally.figures(Span(moment(start_us), moment(start_us + 8_000_000)))
    assert [f.gap_count for f in figures] == [3, 1]
    assert [f.covered_fraction for f in figures] == [3.0 / 8.0, 5.0 / 8.0]
    assert [f.gap_longest_s for f in figures] == [3.0, 3.0]
    assert [f.gap_mean_s for f in figures] == [5.0 / 3.0, 3.0]
    assert [round(f.gaps_per_hour * 8 / 3600, 9) for f in figures] == [2, 1]
    # Ends inside the span: of place 0 that of the first gap, both of the second, the beginning of the third.
    assert ends.tolist() == [4, 1]


def test_two_processes_and_any_order_of_places_give_the_same() -> None:
    fleet, backwards = plover(EPOCH), PARALLELS.places_deg()[::-1]
    span = Span.starting(EPOCH, hours=2)
    alone = find_shares(fleet, ANYWHERE, PARALLELS, span, 20.0, workers=ALONE).figures
    shared = list(ShareSweep(fleet, ANYWHERE, backwards, span, 20.0, workers=WorkerConfig(processes=2)))
    assert [place.figures for place in shared[::-1]] == list(alone)
    assert [place[:2] for place in shared] == backwards


def test_a_sweep_by_latitude_says_how_near_its_shares_are() -> None:
    fleet, span = plover(EPOCH), Span.starting(EPOCH, hours=2)
    swept = sweep_latitudes(fleet, ANYWHERE, [0.0, 45.0], span, longitudes=3, step_s=10.0, workers=ALONE)
    exact = sweep_latitudes(fleet, ANYWHERE, [0.0, 45.0], span, longitudes=3, workers=ALONE)
    assert 0.0 < swept.share_error < 0.01
    assert exact.share_error == 0.0
    difference = swept.table["covered_fraction"] - exact.table["covered_fraction"]
    assert difference.abs().max() < 4.0 * swept.share_error


def test_what_counts_alone_cannot_carry_is_refused() -> None:
    fleet = plover(EPOCH)
    tilted = View(ANYWHERE.site, (Cone(0.0, 20.0, 50.0),))
    with pytest.raises(InputError, match="needs the exact search; try leaving shares out, or lifting cone"):
        find_shares(fleet, tilted, PARALLELS, SPAN, 10.0, workers=ALONE)
    with pytest.raises(InputError, match="wanted 1 to 60 s"):
        find_shares(fleet, ANYWHERE, PARALLELS, SPAN, 0.5, workers=ALONE)
    with pytest.raises(InputError, match="latitudes that ascend"):
        Parallels((1.0, 0.0), 4, 0.0)


def test_the_command_maps_a_gateway_and_says_how_near_its_shares_are(tmp_path) -> None:
    file = tmp_path / "fleet.json"
    passim.write_elements(plover(EPOCH), file)
    common = ("sites", "--elements", str(file), "--from", "2026-03-01T00:00Z", "--hours", "2", "--world", "30")
    mapped = run(*common, "--shares", "20", "--gateway", "39.6,-28.0", "--workers", "1", "--format", "json")
    rows = json.loads(mapped.stdout)["rows"]
    served = [row for row in rows if row["covered_fraction"] > 0.0]
    assert len(rows) == 72
    assert {(row["latitude_deg"], abs(row["longitude_deg"] + 28.0) < 20.0) for row in served} <= {
        (45.0, True),
        (15.0, True),
    }
    assert served
    refused = run(*common, "--gateway", "39.6,-28.0")
    assert refused.exit_code == 2
    assert "--gateway goes with a map by shares" in refused.stderr
    plain = run(*common, "--shares", "20", "--workers", "1")
    assert "Shares alone, counted once in every 20 s" in plain.output
