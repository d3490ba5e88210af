"""Records of lines whose truth is known: probes sent once a second through invented outages."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from click.testing import CliRunner

from passim import GatewayLimit, LineRecord, Probes, Span, View, find_visibility
from passim.answers.symptom.settings import GatewayPlace
from passim.line.outages import find_outages
from passim.line.targets import Target
from passim.workspace import create
from passim_apps.command_line.main import main
from tests.scenario import MARRAM_LOFT

ROUTER = Target("router", "192.168.1.1:80", "tcp", "house")
FAR = (Target("one", "192.0.2.1:443", "tcp", "far"), Target("two", "192.0.2.2:443", "tcp", "far"))


def recorded(
    gaps: pd.DataFrame,
    span: Span,
    *,
    seed: int,
    offset_s: float = 0.0,
    loss: float = 0.0,
    holes: Sequence[tuple[float, float]] = (),
    house: Sequence[tuple[float, float]] = (),
    every_s: float = 1.0,
) -> LineRecord:
    """Return what a probe tells of a line that is out in `gaps`, its clock ahead by `offset_s`.

    `loss` is the chance that a single packet is lost; `holes` and `house` are times, seconds from the start of `span`,
    in which the probe does not run and the own router does not answer.
    """
    rng = np.random.default_rng(seed)
    start_s = span.start_us / 1e6
    sent = start_s + np.arange(0.37 * every_s, span.duration_s, every_s)
    running = ~_within(sent - start_s, holes)
    sent = sent[running]
    out = [
        (start.timestamp() - start_s, end.timestamp() - start_s)
        for start, end in zip(gaps["start"], gaps["end"], strict=True)
    ]
    house_out, line_out = _within(sent - start_s, house), _within(sent - start_s, out)
    probes = []
    for target in (ROUTER, *FAR):
        lost = house_out | (rng.random(sent.size) < loss)
        if target is not ROUTER:
            lost |= line_out
        answers = rng.gamma(4.0, 0.01, sent.size)
        probes.append(Probes(target, sent + offset_s, np.where(lost, np.nan, answers)))
    walls = np.array([(start_s + low + offset_s, start_s + high + offset_s) for low, high in holes]).reshape(-1, 2)
    table = find_outages(probes, walls)
    return LineRecord(span, tuple(probes), walls, table, "simulated", every_s)


def school_with_another_gateway(folder: Path, span: Span) -> Path:
    """Make the invented workspace in `folder`, with a record over `span` in its journal and in freezes.csv.

    The line of that record has its gateway 700 km to the south, where none is set up. Returns the folder.
    """
    workspace = create(folder, demo=True, at=span.start)
    view = View(MARRAM_LOFT, (GatewayLimit((GatewayPlace(700.0, 180.0).gateway(MARRAM_LOFT),)),))
    gaps = find_visibility(workspace.fleet(at=span.start), view, span).coverage().gaps()
    record = recorded(gaps, span, seed=5, offset_s=-3.0, loss=0.01)
    table = record.outages.loc[record.outages["start"] >= span.start, ["start", "end", "where"]]
    table.to_csv(folder / "freezes.csv", index=False, date_format="%Y-%m-%dT%H:%M:%S.%fZ")
    words = ["journal", "add", str(folder / "freezes.csv"), "--workspace", str(folder), "--name", "freezes",
             "--start", span.start.isoformat(), "--end", span.end.isoformat()]  # fmt: skip
    added = CliRunner().invoke(main, words, prog_name="passim")
    assert added.exit_code == 0, added.stderr
    return folder


def _within(times_s: np.ndarray, stretches: Sequence[tuple[float, float]]) -> np.ndarray:
    inside = np.zeros(times_s.size + 1, dtype=np.int64)
    for low, high in stretches:
        first, past = np.searchsorted(times_s, [low, high])
        inside[first] += 1
        inside[past] -= 1
    return np.cumsum(inside)[:-1] > 0
