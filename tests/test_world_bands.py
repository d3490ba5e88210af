"""A grid of the world by latitude: means, extremes, and the bands in which service never breaks or never is."""

from __future__ import annotations

import pandas as pd
import pytest

from passim.answers.sites.sweeps import world_places
from passim.answers.sites.world_bands import world_bands
from passim.errors import InputError

COLUMNS = ["latitude_deg", "longitude_deg", "covered_fraction", "gaps_per_hour", "gap_longest_s", "in_view_mean"]


def grid(covered: dict[float, tuple[float, ...]], step_deg: float = 30.0) -> pd.DataFrame:
    """Return a table of a grid whose rows have these shares in turn along the longitudes."""
    rows = []
    for k, (latitude, longitude) in enumerate(world_places(step_deg)):
        share = covered[latitude][k % len(covered[latitude])]
        rows.append((latitude, longitude, share, 2.0 * (1.0 - share), 100.0 * (1.0 - share), 3.0 * share))
    return pd.DataFrame(rows, columns=COLUMNS)


def test_a_row_has_mean_and_extremes_of_its_places() -> None:
    rows = world_bands(
        grid({75.0: (0.0,), 45.0: (1.0, 0.5), 15.0: (0.9,), -15.0: (1.0,), -45.0: (1.0,), -75.0: (0.0,)})
    )
    assert rows.table["latitude_deg"].tolist() == [75.0, 45.0, 15.0, -15.0, -45.0, -75.0]
    row = rows.table.iloc[1]
    assert (row.places, row.covered_fraction, row.covered_fraction_min, row.covered_fraction_max) == (
        12,
        0.75,
        0.5,
        1.0,
    )
    assert (row.gaps_per_hour, row.gap_longest_s, row.in_view_mean) == (0.5, 50.0, 2.25)
    # Half of the places at 45 N are out now and then, so that no band of unbroken service holds it.
    assert rows.always == ((-45.0, -15.0),)
    assert rows.never == ((-75.0, -75.0), (75.0, 75.0))
    assert rows.table["latitude_deg"].iloc[rows.best] == -15.0


def test_one_place_with_a_little_service_ends_a_band_without() -> None:
    rows = world_bands(grid({45.0: (0.0, 0.0, 0.0, 0.001), -45.0: (0.0,)}, 90.0))
    assert (rows.always, rows.never) == ((), ((-45.0, -45.0),))
    assert rows.best == 0


def test_of_two_that_are_level_the_northern_is_best() -> None:
    rows = world_bands(grid({45.0: (1.0,), -45.0: (1.0,)}, 90.0))
    assert rows.table["latitude_deg"].iloc[rows.best] == 45.0
    assert rows.always == ((-45.0, 45.0),)


def test_no_place_is_told() -> None:
    with pytest.raises(InputError, match="places of the world; got 'none'"):
        world_bands(pd.DataFrame(columns=COLUMNS))
