"""A line recorded under later real elements, forecast from those of weeks before: the whole way on real satellites.

No truth is nearer to the sky than elements fitted to it afterwards. The folder named in PASSIM_REAL_ELEMENTS is asked
for pairs of files, ``<fleet>-<date>.txt`` twice; nothing of it belongs to the project. The record is made from the
later elements, with a clock 7.4 s ahead and 1 % of packets lost; forecast and fit have the earlier ones alone.
"""

from __future__ import annotations

import os
import re
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from passim import Horizon, Span, View, find_visibility, fit_line, read_elements
from passim.line import compare_record
from tests.scenario import MARRAM_LOFT
from tests.simulated_line import recorded

FOLDER = os.environ.get("PASSIM_REAL_ELEMENTS")
OFFSET_S = 7.4
# What satellites at 780 to 1414 km are off by after 18 days (`passim.forecast.timing` has the figures), rounded up.
SIGMA_S = 10.0


def pairs(folder: Path) -> list[tuple[Path, Path]]:
    """Return files of one fleet at two dates, the earlier first."""
    named = [(re.fullmatch(r"(.+)-\d{4}-\d{2}-\d{2}", path.stem), path) for path in sorted(folder.glob("*.txt"))]
    known = [(match[1], path) for match, path in named if match]
    return [(a, b) for (fleet, a), (again, b) in pairwise(known) if fleet == again]


@pytest.mark.skipif(FOLDER is None, reason="no folder of real element files named (PASSIM_REAL_ELEMENTS)")
def test_a_line_under_later_elements_is_explained_by_earlier_ones(subtests: pytest.Subtests) -> None:
    assert FOLDER is not None
    found = pairs(Path(FOLDER))
    if not found:
        pytest.skip("the folder holds no fleet at two dates")
    for earlier, later in found:
        with subtests.test(fleet=later.stem):
            old, new = read_elements(earlier), read_elements(later)
            last = max(record.epoch for record in new).replace(hour=0, minute=0, second=0, microsecond=0)
            span = Span.starting(last - timedelta(days=1), hours=48)
            assert last - max(record.epoch for record in old) > timedelta(days=10)
            for mask_deg in np.arange(10.0, 45.0, 2.0):
                view = View(replace(MARRAM_LOFT, horizon=Horizon.flat(float(mask_deg))))
                came = find_visibility(new, view, span, warn=False).coverage().gaps()
                if len(came) >= 30:
                    break
            assert 30 <= len(came) <= 600
            record = recorded(came, span, seed=3, offset_s=OFFSET_S, loss=0.01)
            forecast = find_visibility(old, view, span, warn=False).coverage().gaps()
            judged = compare_record(forecast, record, sigma_s=SIGMA_S)
            assert judged.evidence == "strong"
            assert judged.hits >= 0.8 * judged.recorded
            assert judged.hits >= 5.0 * judged.hits_by_luck
            assert judged.explained_s >= 4.0 * judged.explained_by_luck_s
            # Old elements are all late or early alike by some seconds, and a clock cannot be told from that.
            assert abs(judged.clock_offset_s - OFFSET_S) < 5.0
            fit = fit_line(old, View(MARRAM_LOFT), record, draws=20)
            assert fit.evidence == "strong"
            rows = fit.settings.set_index("setting")
            assert abs(rows.loc["mask_deg", "value"] - mask_deg) <= 1.0
            assert not {"gateway_distance_km", "cone_tilt_deg", "sector_top_deg"} & set(rows.index)
