"""What a pass search tells of its fleet: who was never or always up, what could not be used, when nothing is left."""

from __future__ import annotations

from datetime import timedelta

import pandas as pd
import pytest

from element_sets import DAY, EPOCH, SITE, element_set, report
from passim import ElementSet, Fleet, Horizon, Site, find_passes, read_elements
from passim.errors import EmptyFleetError

# Decayed satellites are what these tests are about.
pytestmark = pytest.mark.filterwarnings("ignore::passim.NotServingWarning")


def geostationary(number: int, longitude_deg: float) -> ElementSet:
    """Return a set that stands above `longitude_deg` at the epoch: sidereal time was 158.71 deg then (skyfield)."""
    return element_set(
        number,
        mean_motion_rev_day=1.00273,
        inclination_deg=0.01,
        node_deg=0.0,
        mean_anomaly_deg=(158.71 + longitude_deg) % 360.0,
        bstar=0.0,
    )


def test_never_up_and_always_up_are_told_apart() -> None:
    fleet = Fleet(
        [
            geostationary(1, -28.0),
            geostationary(2, 152.0),
            element_set(3),
            element_set(4, inclination_deg=5.0),
        ]
    )
    passes = find_passes(fleet, SITE, DAY)
    found = report(passes)
    assert found.always_up == ("1",)
    assert found.never_up == ("2", "4")
    assert found.objects_searched == 4
    (row,) = passes[passes["satellite_id"] == "1"].itertuples()
    assert (row.cut_at_start, row.cut_at_end) == (True, True)
    assert row.duration_s == 86_400.0
    # From 45 N due south, 38.2 deg high (ITU-R S.1503-2, read; geometry recomputed: 38.1699 on a sphere).
    assert row.peak_elevation_deg == pytest.approx(38.2, abs=0.3)
    assert row.peak_azimuth_deg == pytest.approx(180.0, abs=0.5)


def test_of_an_object_the_set_nearest_the_middle_of_the_span_is_used() -> None:
    old = element_set(1, epoch=EPOCH - timedelta(days=3), mean_anomaly_deg=200.0)
    new = element_set(1, epoch=EPOCH + timedelta(hours=3))
    other = element_set(2)
    passes = find_passes(Fleet([old, other, new]), SITE, DAY)
    found = report(passes)
    assert found.objects_searched == 2
    assert found.sets_set_aside == 1
    assert (found.epoch_oldest, found.epoch_newest) == (EPOCH, EPOCH + timedelta(hours=3))
    pd.testing.assert_frame_equal(passes, find_passes(Fleet([other, new]), SITE, DAY))


def test_unusable_satellites_are_named_with_the_moment_and_keep_their_earlier_passes() -> None:
    # Invented sets that SGP4 cannot follow for a day: see tle_samples/README.md.
    fleet = read_elements("tle_samples/decayed.tle")
    found = report(find_passes(fleet, SITE, DAY))
    assert [(i, name) for i, name, _ in found.unusable] == [
        ("90101", "Gone at epoch"),
        ("90102", "Gone within hours"),
        ("90103", "Sinking unreported"),
    ]
    reasons = [reason for _, _, reason in found.unusable]
    assert reasons[0] == (
        "SGP4 error 6: mrt is less than 1.0 which indicates the satellite has decayed, from 2026-03-01 00:00Z on"
    )
    assert reasons[1].endswith("it has decayed or its elements are damaged, from 2026-03-01 02:25Z on")
    assert reasons[2].endswith("it has decayed or its elements are damaged, from 2026-03-01 10:15Z on")
    # They are not called never up: nobody knows.
    assert found.never_up == ("90104",)
    # An object that decays at 02:25 has passes before, at sites under its path.
    ring = [Site(f"{k}", 30.0, 30.0 * k, horizon=Horizon.flat(0.0)) for k in range(12)]
    early = find_passes(fleet, ring, DAY)
    gone = early[early["satellite_id"] == "90102"]
    assert len(gone)
    assert (gone["set"] <= pd.Timestamp(EPOCH + timedelta(hours=2, minutes=25))).all()


def test_a_fleet_without_a_usable_satellite_is_an_error() -> None:
    dead = read_elements("tle_samples/decayed.tle").select([0])
    twice = dead + Fleet([element_set(7, mean_motion_rev_day=17.5)])
    for fleet, count in ((dead, 1), (twice, 2)):
        with pytest.raises(EmptyFleetError) as caught:
            find_passes(fleet, [SITE, Site("other", 0.0, 0.0)], DAY)
        assert str(caught.value) == (
            f"no satellite left of {count}: Gone at epoch (90101): SGP4 error 6: mrt is less than 1.0 which indicates "
            "the satellite has decayed; wanted at least one that SGP4 can follow in the span; "
            "try newer elements or an earlier span"
        )
    # One good satellite is enough, even one that never rises here.
    passes = find_passes(dead + Fleet([geostationary(2, 152.0)]), SITE, DAY)
    assert len(passes) == 0
    assert report(passes).never_up == ("2",)


def test_an_empty_fleet_is_an_error() -> None:
    with pytest.raises(
        EmptyFleetError, match="fleet; got 'no element set'; wanted at least one; try another element file"
    ):
        find_passes(Fleet([]), SITE, DAY)


def test_where_nothing_rises_the_table_is_empty_and_typed() -> None:
    table = find_passes(Fleet([element_set(3)]), SITE, DAY)
    assert len(table)
    nothing = find_passes(Fleet([element_set(4, inclination_deg=5.0)]), SITE, DAY)
    assert len(nothing) == 0
    assert nothing.dtypes.to_dict() == table.dtypes.to_dict()
    both = find_passes(Fleet([element_set(4, inclination_deg=5.0)]), [SITE, Site("other", 80.0, 0.0)], DAY)
    assert len(both) == 0
    assert both.columns[0] == "site"
