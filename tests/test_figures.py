"""Pictures of the dashboard: they show what passim returned, in colours that can be read and told apart."""

from __future__ import annotations

import itertools
import re
from datetime import UTC, datetime, time
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest

from passim import Coverage, Span
from passim.spans import microseconds
from passim_apps.figures import theme as themes
from passim_apps.figures.day_minutes import day_minutes
from passim_apps.figures.fleet import ages, by_status
from passim_apps.figures.gap_clock import gap_clock
from passim_apps.figures.sites import side_by_side
from passim_apps.figures.strip import next_hour
from passim_apps.figures.theme import CONFIG, DARK, LIGHT, Theme
from passim_apps.wording import LocalClock

ZONE = "Atlantic/Azores"
START = datetime(2026, 11, 25, 1, 0, tzinfo=UTC)  # midnight there
BOTH = pytest.mark.parametrize("theme", [LIGHT, DARK], ids=["light", "dark"])


def coverage_with_gaps(span: Span, *gaps: tuple[datetime, datetime], spare_from: datetime | None = None) -> Coverage:
    """Return the coverage of a span by one satellite but for the gaps, and by a second one from some moment on."""
    edges = [span.start, *itertools.chain.from_iterable(gaps), span.end]
    starts, ends = [microseconds(t) for t in edges[::2]], [microseconds(t) for t in edges[1::2]]
    if spare_from is not None:
        starts, ends = [*starts, microseconds(spare_from)], [*ends, span.end_us]
    return Coverage.from_intervals(starts, ends, span)


def at(day: int, hour: int, minute: int = 0, second: int = 0) -> datetime:
    """Return a moment of November 2026 by the clock at the site."""
    return datetime(2026, 11, day, hour, minute, second, tzinfo=ZoneInfo(ZONE)).astimezone(UTC)


def trace(figure: go.Figure, name: str) -> object:
    [found] = [trace for trace in figure.data if trace.name == name]
    return found


@BOTH
def test_the_strip_shows_every_slice_and_every_gap(theme: Theme) -> None:
    span = Span.starting(at(25, 8), 1.0)
    gaps = ((at(25, 8, 10), at(25, 8, 10, 19)), (at(25, 8, 20), at(25, 8, 21, 12)))
    coverage = coverage_with_gaps(span, *gaps, spare_from=span.middle)
    figure = next_hour(coverage, LocalClock(ZONE, span), at(25, 8, 5), theme)
    out, seen = trace(figure, "no service"), trace(figure, "in view")
    assert list(out.x) == ["2026-11-25T09:10:00.000", "2026-11-25T09:20:00.000"]
    assert list(out.width) == [19_000.0, 72_000.0]
    assert [list(row) for row in out.customdata] == [["08:10:00", "19 s"], ["08:20:00", "1 min 12 s"]]
    assert sum(out.width) + sum(seen.width) == 3_600_000.0
    assert list(seen.y) == [1, 1, 1, 2]
    assert list(seen.marker.color) == [theme.single] * 3 + [theme.ramp[0]]
    assert out.marker.color == theme.out
    assert out.marker.pattern.shape == "/"
    assert "08:30" in figure.layout.xaxis.ticktext
    [line] = [shape for shape in figure.layout.shapes if shape.name == "now"]
    assert line.x0 == "2026-11-25T09:05:00.000"


@BOTH
def test_gaps_stand_at_their_day_and_hour(theme: Theme) -> None:
    span = Span(at(25, 0), at(28, 0))
    gaps = ((at(25, 9), at(25, 9, 30)), (at(26, 23, 45), at(27, 0, 15)))
    figure = gap_clock(
        coverage_with_gaps(span, *gaps), LocalClock(ZONE, span), at(26, 12), theme, (time(8), time(18), (0, 1, 2, 3, 4))
    )
    out = trace(figure, "no service")
    # The gap over midnight stands in both rows.
    assert list(out.y) == [0, 1, 2]
    assert list(out.base) == [9.0, 23.75, 0.0]
    assert list(out.x) == [0.5, 0.25, 0.25]
    assert list(figure.layout.yaxis.ticktext) == ["Wed 25", "Thu 26", "Fri 27"]
    assert out.marker.pattern.shape == "/"
    shaded = [shape for shape in figure.layout.shapes if shape.name == "call hours"]
    assert [(s.x0, s.x1) for s in shaded] == [(8.0, 18.0)] * 3
    ends = [note.text for note in figure.layout.annotations if note.xref == "paper"]
    assert ends == ["30 min", "15 min", "15 min"]


def test_call_hours_are_not_shaded_on_days_without_calls() -> None:
    span = Span(at(27, 0), at(29, 0))  # Friday and Saturday
    figure = gap_clock(
        coverage_with_gaps(span), LocalClock(ZONE, span), at(27, 12), LIGHT, (time(8), time(18), (0, 1, 2, 3, 4))
    )
    assert [shape.y0 for shape in figure.layout.shapes if shape.name == "call hours"] == [-0.5]


def test_a_day_of_25_hours_keeps_its_gaps_at_the_hours_of_its_clock() -> None:
    zone = ZoneInfo("Europe/Lisbon")  # clocks went back on 25 October 2026
    span = Span(datetime(2026, 10, 25, tzinfo=zone), datetime(2026, 10, 26, tzinfo=zone))
    assert span.duration_s == 25 * 3600.0
    gap = (datetime(2026, 10, 25, 12, 0, tzinfo=zone), datetime(2026, 10, 25, 12, 30, tzinfo=zone))
    figure = gap_clock(
        coverage_with_gaps(span, (gap[0].astimezone(UTC), gap[1].astimezone(UTC))),
        LocalClock("Europe/Lisbon", span),
        span.start,
        LIGHT,
    )
    out = trace(figure, "no service")
    assert (list(out.base), list(out.x)) == ([12.0], [0.5])


@BOTH
def test_a_day_shows_its_minutes_as_passim_counts_them(theme: Theme) -> None:
    span = Span(at(25, 0), at(26, 0))
    coverage = coverage_with_gaps(span, (at(25, 9), at(25, 9, 1, 30)))
    figure = day_minutes(coverage, LocalClock(ZONE, span), at(25, 12), theme)
    minutes = coverage.minutes(ZONE)
    out = trace(figure, "seconds without service")
    assert list(out.x) == ["2026-11-25T10:00:00.000", "2026-11-25T10:01:00.000"]
    assert list(out.y) == [60.0, 30.0]
    assert list(trace(figure, "mean in view").y) == minutes["satellites_mean"].tolist()
    assert list(trace(figure, "least in view").y) == minutes["satellites_min"].tolist()
    assert list(trace(figure, "most in view").y) == minutes["satellites_max"].tolist()
    assert len(trace(figure, "mean in view").x) == 1440


def test_the_fleet_is_told_by_status_and_age() -> None:
    counts = {"catalogued": 12, "at shell": 9, "drifting": 2, "stale": 0, "decayed": 1, "unjudged": 0}
    bars = trace(by_status(counts, LIGHT), "objects by status")
    assert (list(bars.y), list(bars.x)) == (["at shell", "drifting", "decayed"], [9, 2, 1])
    assert list(bars.marker.color) == [LIGHT.service, LIGHT.single, LIGHT.single]
    histogram = trace(ages([0.5, 0.6, 20.0], LIGHT), "age of the elements")
    assert list(histogram.x) == [0.5, 0.6, 20.0]
    assert histogram.xbins.end >= 20.0


def test_sites_are_drawn_in_the_order_given_and_names_stay_text() -> None:
    figure = side_by_side(["Skerry", "<b>Marram</b> & yard"], [0.0, 0.1], 1, LIGHT)
    bars = trace(figure, "time without service")
    assert list(bars.x) == [0.0, 10.0]
    assert list(bars.text) == ["0 %", "10.0 %"]
    assert list(figure.layout.yaxis.ticktext) == ["Skerry", "<b>&lt;b&gt;Marram&lt;/b&gt; &amp; yard</b>"]


def test_the_button_that_sends_a_chart_away_is_gone() -> None:
    assert CONFIG["modeBarButtons"] == [["toImage"]]
    assert "sendChartToCloud" in CONFIG["modeBarButtonsToRemove"]
    assert CONFIG["plotlyServerURL"] == ""


# --- colours ----------------------------------------------------------------------------------------------------------


def luminance(colour: str) -> float:
    """Return the relative luminance of "#RRGGBB" (WCAG 2.2, definition of relative luminance)."""
    parts = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255.0
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(a: str, b: str) -> float:
    light, dark = sorted((luminance(a), luminance(b)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_measure_of_contrast_can_tell() -> None:
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)
    assert contrast("#777777", "#FFFFFF") == pytest.approx(4.48, abs=0.01)  # the well-known near miss of AA


@BOTH
@pytest.mark.parametrize("ground", ["paper", "shade"])
@pytest.mark.parametrize("name", ["ink", "quiet", "out", "chosen"])
def test_text_can_be_read(theme: Theme, name: str, ground: str) -> None:
    """WCAG 2.2, 1.4.3 (AA): 4.5 to 1 for text."""
    assert contrast(getattr(theme, name), getattr(theme, ground)) >= 4.5


@BOTH
def test_marks_can_be_seen(theme: Theme) -> None:
    """WCAG 2.2, 1.4.11 (AA): 3 to 1 for what carries meaning. Of the ramp its first stands under numbers and steps."""
    for colour in (theme.service, theme.single, theme.out, theme.chosen, *theme.ramp[1:]):
        assert contrast(colour, theme.paper) >= 3.0


# Linear RGB as eyes without one kind of cone see it, full severity (Machado, Oliveira & Fernandes 2009, table of
# simulation matrices, recalled).
VISION = {
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}


@BOTH
@pytest.mark.parametrize("vision", VISION)
def test_no_service_is_told_from_service_by_every_eye(theme: Theme, vision: str) -> None:
    """And hatched besides, so that nothing hangs on colour alone."""

    def seen(colour: str) -> np.ndarray:
        parts = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255.0
        return np.array(VISION[vision]) @ np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)

    for other in (theme.service, theme.single, theme.chosen):
        assert np.linalg.norm(seen(theme.out) - seen(other)) > 0.08


@BOTH
def test_the_style_sheet_has_the_same_colours(theme: Theme) -> None:
    sheet = (Path(themes.__file__).resolve().parent.parent / "assets/passim.css").read_text(encoding="utf-8")
    light, dark = sheet.split("@media (prefers-color-scheme: dark)", 1)
    block = light if theme is LIGHT else dark.split("* {", 1)[0]
    written = dict(re.findall(r"--([a-z]+): (#[0-9A-F]{6});", block))
    names = ("paper", "ink", "quiet", "rule", "service", "single", "out", "chosen", "shade")
    assert written == {name: getattr(theme, name) for name in names}


def test_figures_leave_their_input_alone() -> None:
    span = Span(at(25, 0), at(26, 0))
    coverage = coverage_with_gaps(span, (at(25, 9), at(25, 9, 1)))
    before = coverage.gaps()
    gap_clock(coverage, LocalClock(ZONE, span), at(25, 12), LIGHT)
    pd.testing.assert_frame_equal(coverage.gaps(), before)
