"""Pictures of the dashboard: they show what passim returned, in colours that can be read and told apart."""

from __future__ import annotations

import ast
import itertools
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest

from passim import Coverage, DailyHours, Span
from passim.spans import microseconds
from passim_apps.figures import theme as themes
from passim_apps.figures.day_minutes import day_minutes
from passim_apps.figures.fleet import ages, by_status
from passim_apps.figures.gap_clock import gap_clock
from passim_apps.figures.sites import side_by_side
from passim_apps.figures.strip import next_hour
from passim_apps.figures.theme import CONFIG, DARK, LIGHT, Theme
from passim_apps.text.gaps import days_caption
from passim_apps.text.units import LocalClock

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
def test_a_gap_of_a_few_seconds_is_told_from_a_column_of_three_without_hatch_or_colour(theme: Theme) -> None:
    """At the width of a page four seconds are a pixel: shape and place tell the gap, as a grey it is a column."""
    span = Span.starting(at(25, 8), 1.0)
    gap = at(25, 8, 20), at(25, 8, 20, 4)
    coverage = coverage_with_gaps(span, gap, spare_from=at(25, 8, 40))
    figure = next_hour(coverage, LocalClock(ZONE, span), span.start, theme)
    out, seen, feet, edges = (trace(figure, name) for name in ("no service", "in view", "gap feet", "gap edges"))
    # No column reaches as low or as high as a gap, and only gaps have a foot, which no width makes smaller.
    assert out.base < 0.0
    assert out.base + out.y[0] > max(seen.y)
    assert list(feet.x) == ["2026-11-25T09:20:02.000"]
    assert out.base > feet.y[0] > figure.layout.yaxis.range[0]
    assert feet.marker.size >= 9
    assert contrast(feet.marker.color, theme.paper) >= 3.0
    # The rim of paper is wider than the outline of the gap on it, which lies over it.
    assert edges.marker.color == edges.marker.line.color == theme.paper
    assert (list(edges.x), list(edges.width)) == (list(out.x), list(out.width))
    assert edges.marker.line.width >= out.marker.line.width + 3.0
    assert list(figure.data).index(edges) < list(figure.data).index(out)
    named = dict(zip(figure.layout.yaxis.tickvals, figure.layout.yaxis.ticktext, strict=True))
    assert named == {feet.y[0]: "gap", 0: "0", 1: "1", 2: "2"}


def test_an_hour_without_a_gap_has_no_place_for_any() -> None:
    span = Span.starting(at(25, 8), 1.0)
    figure = next_hour(coverage_with_gaps(span), LocalClock(ZONE, span), span.start, LIGHT)
    assert "gap" not in figure.layout.yaxis.ticktext
    assert not len(trace(figure, "gap feet").x)


def test_a_strip_of_many_satellites_is_few_elements() -> None:
    span = Span.starting(at(25, 8), 1.0)
    starts = [span.start_us + 700_000 * k for k in range(5000)]
    coverage = Coverage.from_intervals(starts, [us + 240_000_000 for us in starts], span)
    seen = trace(next_hour(coverage, LocalClock(ZONE, span), span.start, LIGHT), "in view")
    assert len(seen.x) <= 360
    minutes = coverage.minutes(ZONE)
    ten_s = np.full(360, 0)
    ten_s[-len(seen.y) :] = seen.y
    assert ten_s.reshape(60, 6).min(axis=1).tolist() == minutes["satellites_min"].tolist()


def test_lengths_over_the_strip_never_lie_on_each_other() -> None:
    span = Span.starting(at(25, 8), 1.0)
    gaps = [(at(25, 8, 1 + 2 * k), at(25, 8, 2 + 2 * k, k)) for k in range(29)]
    figure = next_hour(coverage_with_gaps(span, *gaps), LocalClock(ZONE, span), span.start, LIGHT)
    shown = {note.text: note for note in figure.layout.annotations if note.text != "now"}
    # The longest is always told, and of its close neighbours none is; close to the edge it hangs inwards.
    assert shown["1 min 28 s"].xanchor == "right"
    assert "1 min 27 s" not in shown
    assert 3 <= len(shown) <= 6
    assert len(trace(figure, "no service").x) == 29


def regions(drawn: object) -> list[tuple[float, float, float, float]]:
    """Return left, right, low and high of the regions of a trace."""
    places = np.stack([np.asarray(drawn.x, dtype=float), np.asarray(drawn.y, dtype=float)], axis=-1).reshape(-1, 5, 2)
    assert np.isnan(places[:, 4]).all()
    return [(float(each[0, 0]), float(each[2, 0]), *sorted((float(each[0, 1]), float(each[1, 1])))) for each in places]


@BOTH
def test_gaps_stand_at_their_day_and_hour(theme: Theme) -> None:
    span = Span(at(25, 0), at(28, 0))
    gaps = ((at(25, 9), at(25, 9, 30)), (at(26, 23, 45), at(27, 0, 15)))
    figure = gap_clock(
        coverage_with_gaps(span, *gaps),
        LocalClock(ZONE, span),
        at(26, 12),
        theme,
        DailyHours(480, 1080, (0, 1, 2, 3, 4)),
    )
    out = trace(figure, "no service")
    # The gap over midnight stands in both rows.
    assert regions(out) == [(9.0, 9.5, -0.375, 0.375), (23.75, 24.0, 0.625, 1.375), (0.0, 0.25, 1.625, 2.375)]
    assert list(figure.layout.yaxis.ticktext) == ["Wed 25", "Thu 26", "Fri 27"]
    assert (out.fillcolor, out.fillpattern.shape) == (theme.out, "/")
    told = trace(figure, "gaps")
    assert list(told.y) == [0, 0, 1, 2]
    assert list(told.x) == [9.125, 9.375, 23.875, 0.125]
    assert told.customdata[2][1] == told.customdata[3][1] == "30 min"
    [shaded] = [shape for shape in figure.layout.shapes if shape.name == "call hours"]
    assert (shaded.x0, shaded.x1, shaded.y0, shaded.y1) == (8.0, 18.0, -0.5, 2.5)
    assert list(trace(figure, "out").text) == [" 30 min", " 15 min", " 15 min"]


def test_a_gap_thinner_than_a_pixel_has_a_stroke_of_its_own() -> None:
    span = Span(at(25, 0), at(26, 0))
    gaps = ((at(25, 6), at(25, 6, 0, 20)), (at(25, 9), at(25, 9, 30)))
    figure = gap_clock(coverage_with_gaps(span, *gaps), LocalClock(ZONE, span), at(25, 12), LIGHT)
    [stroke] = [shape for shape in figure.layout.shapes if shape.name == "short gaps"]
    assert stroke.path == "M6.0028,-0.375V0.375"
    assert regions(trace(figure, "no service"))[0][1] == pytest.approx(6.0 + 20.0 / 3600.0)


def test_on_a_phone_a_day_is_columns_of_half_hours_as_high_as_they_are_out() -> None:
    span = Span(at(25, 0), at(27, 0))
    gaps = ((at(25, 9), at(25, 9, 6)), (at(25, 9, 12), at(25, 9, 18)), (at(26, 23, 27), at(26, 23, 33)))
    coverage, clock = coverage_with_gaps(span, *gaps), LocalClock(ZONE, span)
    figure = gap_clock(coverage, clock, at(25, 12), LIGHT, DailyHours(480, 1080), by_half_hour=True)
    out = trace(figure, "no service")
    assert [each[:2] for each in regions(out)] == [(9.0, 9.5), (23.0, 23.5), (23.5, 24.0)]
    # Twelve minutes are the worst and fill the row; three are a quarter of that.
    assert [high - low for *_, low, high in regions(out)] == pytest.approx([0.75, 0.1875, 0.1875], abs=1e-6)
    assert out.fillpattern.shape == "/"
    assert list(trace(figure, "gaps").customdata[0]) == ["09:00", "09:30", "12 min"]
    assert not [shape for shape in figure.layout.shapes if shape.name == "short gaps"]
    assert themes.THEMES["dark narrow"].narrow
    assert not themes.THEMES["dark"].narrow
    assert days_caption(coverage.by_local_day(ZONE), clock, by_half_hour=True).startswith("Each column is half an hour")


@pytest.mark.parametrize("hour", [7, 12, 17, 23])
def test_now_and_call_hours_are_labelled_apart(hour: int) -> None:
    span = Span(at(25, 0), at(27, 0))
    figure = gap_clock(coverage_with_gaps(span), LocalClock(ZONE, span), at(25, hour), LIGHT, DailyHours(480, 1080))
    notes = {note.text: note for note in figure.layout.annotations}
    now, hours = notes["now"], notes["call hours"]
    assert (now.x, hours.x) == (hour, 13.0)
    assert abs(now.x - hours.x) >= 5.0 or now.yshift >= 13.0
    assert figure.layout.margin.t >= 2 * 1.3 * 13


def test_hours_that_were_not_computed_are_left_blank() -> None:
    # From 15:00 of one day to 06:00 of the next but one, by the clock of the site.
    span = Span(at(25, 15), at(27, 6))
    coverage = coverage_with_gaps(span, (at(26, 7), at(26, 8)))
    figure = gap_clock(coverage, LocalClock(ZONE, span), at(25, 17), LIGHT)
    day = next(each for each in figure.data if each.name == "day")
    regions = np.array([np.nan if x is None else x for x in day.x], dtype=float).reshape(3, 5)
    assert regions[:, 0].tolist() == [15.0, 0.0, 0.0]
    assert regions[:, 2].tolist() == [24.0, 24.0, 6.0]
    days = coverage.by_local_day(ZONE)
    assert days_caption(days, LocalClock(ZONE, span)) == (
        "Each mark is a gap; where there is none, hours are calm. Blank hours were not computed."
    )
    wide = Span(at(25, 15), at(29, 6))
    days = coverage_with_gaps(wide, (at(25, 20), at(25, 23)), (at(26, 8), at(26, 9))).by_local_day(ZONE)
    # The three hours of the first day do not count: of that day not all is known.
    assert days_caption(days, LocalClock(ZONE, wide)).endswith(
        "Thu 26 Nov is out longest of the whole days, 1 h; Fri 27 Nov least, 0 s."
    )


def test_pictures_of_many_gaps_are_few_elements() -> None:
    """A browser draws a trace of regions as one path, and a stretch of minutes as one: what counts is their number."""
    span = Span(at(25, 0), at(25, 0) + timedelta(days=14))
    gaps = [
        (span.start + timedelta(minutes=10 * k + 1), span.start + timedelta(minutes=10 * k + 2)) for k in range(2000)
    ]
    coverage, clock = coverage_with_gaps(span, *gaps), LocalClock(ZONE, span)
    week = gap_clock(coverage, clock, span.start, LIGHT)
    assert all(drawn.mode in ("none", "text") for drawn in week.data)
    assert len(week.layout.shapes) <= 3
    assert len(week.layout.annotations) <= 2
    assert len(regions(trace(week, "no service"))) == 2000
    assert [drawn.type for drawn in week.data].count("bar") == 0
    first = coverage_with_gaps(Span(span.start, at(26, 0)), *gaps[:144])
    day = day_minutes(first, clock, span.start, LIGHT)
    assert [drawn.type for drawn in day.data].count("bar") == 0
    assert len(day.data) <= 11
    lined = [drawn.name for drawn in day.data if drawn.type == "scatter" and drawn.mode != "none"]
    assert lined == ["minutes without service", "minutes with none in view"]


def test_call_hours_are_not_shaded_on_days_without_calls() -> None:
    span = Span(at(27, 0), at(29, 0))  # Friday and Saturday
    figure = gap_clock(
        coverage_with_gaps(span), LocalClock(ZONE, span), at(27, 12), LIGHT, DailyHours(480, 1080, (0, 1, 2, 3, 4))
    )
    assert [(s.y0, s.y1) for s in figure.layout.shapes if s.name == "call hours"] == [(-0.5, 0.5)]


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
    assert [(left, right) for left, right, *_ in regions(trace(figure, "no service"))] == [(12.0, 12.5)]


@BOTH
def test_a_day_shows_its_minutes_as_passim_counts_them(theme: Theme) -> None:
    span = Span(at(25, 0), at(26, 0))
    gaps = ((at(25, 9), at(25, 9, 1, 30)), (at(25, 21, 0, 15), at(25, 21, 0, 30)))
    coverage = coverage_with_gaps(span, *gaps, spare_from=at(25, 12, 15))
    figure = day_minutes(coverage, LocalClock(ZONE, span), at(25, 12), theme)
    told = trace(figure, "seconds without service")
    assert list(told.customdata) == ["09:00", "09:01"]
    assert list(told.y) == [60.0, 30.0]
    # Minutes side by side are one outline, from zero to zero.
    bars = trace(figure, "minutes without service")
    begin_ms = 1000.0 * at(25, 9).timestamp()
    assert list(bars.x[:-1]) == [begin_ms + 60_000.0 * k for k in (0, 0, 1, 1, 2, 2)]
    assert list(bars.y[:-1]) == [0.0, 60.0, 60.0, 30.0, 30.0, 0.0]
    assert (bars.fillcolor, bars.fillpattern.shape) == (theme.out, "/")
    [calm] = [note for note in figure.layout.annotations if note.name == "calm"]
    assert calm.text == "no gap<br>09:01 to 00:00"


@BOTH
def test_each_minute_stands_in_the_row_of_its_fewest_satellites(theme: Theme) -> None:
    """In grey and at half a pixel a minute a row tells what colour and dots cannot; no minute stands in two."""
    span = Span(at(25, 0), at(26, 0))
    coverage = coverage_with_gaps(span, (at(25, 9), at(25, 9, 1, 30)), spare_from=at(25, 12, 15))
    figure = day_minutes(coverage, LocalClock(ZONE, span), at(25, 12), theme)
    strip = trace(figure, "fewest in view")
    fewest, told = list(strip.y), list(strip.customdata)
    assert len(fewest) == len(told) == 1440
    assert [k for k, number in enumerate(fewest) if number == 0] == [540, 541]
    assert fewest[539] == fewest[734] == 1
    assert set(fewest[735:]) == {2}
    assert told[541] == "09:01: 0 to 1 in view"
    assert dict(zip(figure.layout.yaxis3.ticktext, figure.layout.yaxis3.tickvals, strict=True)) == {
        "none": 0, "one": 1, "two": 2, "more": 3,
    }  # fmt: skip
    begin_ms, found = 1000.0 * span.start.timestamp(), {}
    for number, word in enumerate(figure.layout.yaxis3.ticktext):
        drawn = trace(figure, f"minutes with {word} in view")
        assert drawn.fillcolor == theme.of_count(number)
        places = regions(drawn) if len(drawn.x) else []
        assert all(number - 0.5 < low < high < number + 0.5 for _, _, low, high in places)
        found[word] = [((left - begin_ms) / 6e4, (right - begin_ms) / 6e4) for left, right, *_ in places]
    assert found == {"none": [(540, 542)], "one": [(0, 540), (542, 735)], "two": [(735, 1440)], "more": []}
    # A minute without any is at least a hair, however narrow the picture is.
    assert trace(figure, "minutes with none in view").line.width >= 1.0


def test_the_axis_of_a_day_goes_on_to_its_end() -> None:
    span = Span(at(25, 0), at(26, 0))
    figure = day_minutes(coverage_with_gaps(span), LocalClock(ZONE, span), at(25, 12), LIGHT)
    assert figure.layout.xaxis.ticktext == ("00:00", "06:00", "12:00", "18:00", "24:00")
    assert figure.layout.xaxis.tickvals[-1] == figure.layout.xaxis.range[1]
    # A browser leaves out a label that goes over the edge of the picture.
    assert figure.layout.margin.r >= 20


@BOTH
def test_half_hours_are_told_by_how_many_satellites_there_are(theme: Theme) -> None:
    span = Span(at(25, 0), at(26, 0))
    coverage = coverage_with_gaps(span, (at(25, 9), at(25, 9, 1, 30)), spare_from=at(25, 12, 15))
    figure = day_minutes(coverage, LocalClock(ZONE, span), at(25, 12), theme)
    tops = {}
    for name, colour in (("none", theme.out), ("one", theme.single), ("two or more", theme.service)):
        area = trace(figure, f"{name} in view")
        assert len(area.y) == 4 * 48
        assert area.fillcolor == colour
        assert area.fillpattern.shape == {"none": "/", "one": "."}.get(name)
        tops[name] = list(area.y[:96:2])
    assert tops["none"][18] == pytest.approx(5.0)  # 90 s of 1,800
    assert sum(tops["none"]) == tops["none"][18]
    assert tops["one"][:24] == pytest.approx([100.0] * 24)
    assert tops["one"][24:] == pytest.approx([50.0] + [0.0] * 23)
    assert tops["two or more"] == pytest.approx([100.0] * 48)
    told = trace(figure, "half hours")
    assert list(told.customdata[18]) == ["09:00", "09:30", "5.0 %", "95.0 %", "0 %", "0.9"]


def test_a_day_without_a_gap_says_so_and_one_without_service_does_not() -> None:
    span = Span(at(25, 0), at(26, 0))
    for coverage, words in (
        (coverage_with_gaps(span), ["no gap"]),
        (coverage_with_gaps(span, (span.start, span.end)), []),
    ):
        figure = day_minutes(coverage, LocalClock(ZONE, span), at(25, 12), LIGHT)
        assert [note.text for note in figure.layout.annotations if note.name == "calm"] == words


def test_the_fleet_is_told_by_status_and_age() -> None:
    counts = {"catalogued": 12, "at shell": 9, "drifting": 2, "stale": 0, "decayed": 1, "unjudged": 0}
    bars = trace(by_status(counts, LIGHT), "objects by status")
    # What an axis is of is as small as its numbers.
    assert by_status(counts, LIGHT).layout.xaxis.title.font.size == themes.FONT_SIZE
    assert (list(bars.y), list(bars.x)) == (["on station", "drifting", "decayed"], [9, 2, 1])
    assert list(bars.marker.color) == [LIGHT.service, LIGHT.single, LIGHT.single]
    histogram = trace(ages([0.5, 0.6, 20.0], LIGHT), "age of the elements")
    assert list(histogram.x) == [0.5, 0.6, 20.0]
    assert histogram.xbins.end >= 20.0


def test_ages_are_in_hours_while_all_are_young_and_limits_are_drawn_where_they_fit() -> None:
    limits = (1.0, 3.0, 7.0, 14.0)
    young = ages([0.25, 0.5], LIGHT, limits_days=limits)
    assert list(trace(young, "age of the elements").x) == [6.0, 12.0]
    assert "hours" in young.layout.xaxis.title.text
    assert [(note.text, note.x) for note in young.layout.annotations] == [("1 day", 24.0)]
    old = ages([0.5, 12.0], LIGHT, limits_days=limits)
    assert "days" in old.layout.xaxis.title.text
    assert {note.text: note.x for note in old.layout.annotations} == {"1 day": 1.0, "3 days": 3.0, "7 days": 7.0}
    # Elements of twenty years leave no room to tell the limits apart.
    assert not ages([7000.0], LIGHT, limits_days=limits).layout.annotations


def test_sites_are_drawn_in_the_order_given_and_names_stay_text() -> None:
    figure = side_by_side(["Skerry", "<b>Marram</b> & yard"], [0.0, 0.1], 1, LIGHT)
    bars = trace(figure, "time without service")
    assert list(bars.x) == [0.0, 10.0]
    assert list(bars.text) == ["never without service", "10.0 %"]
    assert list(bars.textfont.color) == [LIGHT.service_text, LIGHT.out]
    assert bars.marker.line.width[0] == 0.0 < bars.marker.line.width[1], "nothing red where service never breaks"
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
def test_text_can_be_read(theme: Theme, subtests: pytest.Subtests) -> None:
    """WCAG 2.2, 1.4.3 (AA): 4.5 to 1 for text."""
    for ground in ["paper", "shade"]:
        for name in ["ink", "quiet", "out", "chosen", "service_text", "single_text"]:
            with subtests.test(ground=ground, name=name):
                assert contrast(getattr(theme, name), getattr(theme, ground)) >= 4.5


@BOTH
def test_marks_can_be_seen(theme: Theme) -> None:
    """WCAG 2.2, 1.4.11 (AA): 3 to 1 for what carries meaning. Of the ramp its first stands under numbers and steps."""
    for colour in (theme.service, theme.single, theme.out, theme.chosen, *theme.ramp[1:]):
        assert contrast(colour, theme.paper) >= 3.0


def lightness(colour: str) -> float:
    """Return L* of CIE 1976, 0 to 100: what a colour is worth as a grey (CIE 15:2004, recalled)."""
    y = luminance(colour)
    return 116.0 * y ** (1.0 / 3.0) - 16.0 if y > 0.008856 else 903.3 * y


@BOTH
def test_states_differ_as_greys_or_by_their_pattern(theme: Theme) -> None:
    """On grey paper no state is another, in either picture that tells how many satellites can serve."""
    span = Span(at(25, 0), at(26, 0))
    coverage = coverage_with_gaps(span, (at(25, 9), at(25, 9, 1, 30)), spare_from=at(25, 12, 15))
    clock = LocalClock(ZONE, span)
    day, hour = day_minutes(coverage, clock, at(25, 12), theme), next_hour(coverage, clock, at(25, 12), theme)
    # In grey the line of now is a line like any gap's: it has its word in both.
    assert all("now" in [note.text for note in figure.layout.annotations] for figure in (day, hour))
    patterns = {}
    for count, names in {
        0: ("none in view", "minutes with none in view"),
        1: ("one in view", "minutes with one in view"),
    }.items():
        drawn = [trace(day, name) for name in names] + ([trace(hour, "one in view")] if count else [])
        assert {each.fillcolor for each in drawn} == {theme.of_count(count)}
        [patterns[count]] = {each.fillpattern.shape for each in drawn}
    assert trace(hour, "no service").marker.pattern.shape == patterns[0]
    looks = [(lightness(theme.of_count(count)), patterns.get(count, "")) for count in range(5)]
    for (one, its), (other, that) in itertools.combinations(dict.fromkeys(looks), 2):
        assert its != that or abs(one - other) >= 12.0


@pytest.mark.parametrize("room", ["text", "dashboard/pages", "report"])
def test_words_about_pictures_name_no_colour(room: str) -> None:
    """Whoever reads a page in grey, or sees few colours, is told what to look for by its shape, pattern or place."""
    apps = Path(themes.__file__).resolve().parent.parent
    named = re.compile(r"\b(teal|sand|oxblood|blue|gr[ea]y|red|green|brown|orange|yellow|purple|violet|pink)\b", re.I)
    read = 0
    for path in sorted((apps / room).rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                read += 1
                assert not named.search(node.value), f"{path.name}: {node.value}"
    assert read > 100


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
    sheet = (Path(themes.__file__).resolve().parent.parent / "dashboard/assets/passim.css").read_text(encoding="utf-8")
    light, dark = sheet.split("@media screen and (prefers-color-scheme: dark)", 1)
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
