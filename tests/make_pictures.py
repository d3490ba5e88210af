"""Draw the pictures of the README anew: ``python -m tests.make_pictures [FOLDER]``. Needs the extra ``pictures``.

All show the invented scenario at one moment, so that the same code gives the same files: what plotly numbers at random
is numbered the same, and coordinates keep a tenth of a pixel. Without FOLDER they go to tests/pictures.
"""

from __future__ import annotations

import argparse
import re
import sys
import tempfile
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import plotly.graph_objects as go

from passim import Fleet, Journal, Span
from passim.answers.calls import forecast as call_forecast, kinds as call_kinds, plan as calls
from passim.answers.growth import curves as growth, goals as growth_goals, orders as growth_orders
from passim.answers.sites import horizon_cost as skyline, sweeps
from passim.coverage import Coverage, causes, sky_map, visibility
from passim.elements import shells
from passim.intervals import Intervals
from passim.line import past_forecast, statistics
from passim.parallel import chunks as workers
from passim.sky import outlines
from passim.sky.in_view import serving_satellites
from passim.workspace import create
from passim.workspace.invented_record import INVENTED_RECORD, write_invented_record
from passim_apps.figures.calls import call_days
from passim_apps.figures.day_minutes import day_minutes
from passim_apps.figures.files import write_pictures
from passim_apps.figures.growth import GoalMark, OrderCurve, growth_curves
from passim_apps.figures.measured import record_clock
from passim_apps.figures.places import by_latitude
from passim_apps.figures.sky import panorama
from passim_apps.figures.theme import LIGHT
from passim_apps.text.units import LocalClock
from tests import scenario

AT = datetime(2026, 11, 25, 7, tzinfo=UTC)
# The station's local day: its clocks are an hour behind UTC in winter.
DAY = Span.starting(datetime(2026, 11, 25, 1, tzinfo=UTC), hours=24)
FOLDER = Path(__file__).resolve().parent / "pictures"
LARGEST_BYTES = 60_000
_OFTEN = 5
GOAL = "covered >= 95 %"


def fleet() -> Fleet:
    """Return the invented fleet on the day of the pictures."""
    return scenario.plover(AT.replace(hour=0))


def found(span: Span = DAY) -> visibility.Visibility:
    """Return who can serve the loft, with its gateway, in `span`."""
    seen = visibility.find_visibility(fleet(), scenario.view_of(scenario.MARRAM_LOFT), span)
    assert isinstance(seen, visibility.Visibility)
    return seen


def gaps_of_the_day() -> go.Figure:
    """When: seconds without service in each minute of the day, and satellites in view."""
    joint = found().joint()
    coverage = Coverage.from_intervals(joint.start, joint.end, DAY)
    # No moment of a picture that stays is now.
    return day_minutes(coverage, LocalClock("Atlantic/Azores", DAY), DAY.end, LIGHT)


def sky_of_the_day() -> go.Figure:
    """Why: the panorama of the loft, with what the gateway takes away and where the missing satellites stood."""
    seen = found()
    why = causes.causes_of(seen)
    altitude_km = float(np.median(shells.mean_altitude_km(seen.fleet.column("mean_motion_rev_day"))))
    lines = outlines.outlines(seen.view, 6378.135 + altitude_km)
    costs = skyline.sector_costs(why)
    return panorama(
        sky_map.sky_track(seen), lines, costs, LIGHT, missing=why.table, causes=why.each, passes=80, height_px=440
    )


def starts_of_the_day() -> go.Figure:
    """When to call: what a lesson of 30 minutes meets by its start, in the call hours of three days."""
    span = Span.starting(DAY.start, hours=3 * 24)
    seen = found(call_forecast.searched_span(span))
    plan = calls.plan_of(
        call_forecast.ServiceForecast.of(seen, span),
        call_kinds.LESSON,
        hours=scenario.CALL_HOURS,
        timezone="Atlantic/Azores",
    )
    return call_days(plan, span, LocalClock("Atlantic/Azores", span), DAY.end, LIGHT)


def curve_by_latitude() -> go.Figure:
    """Where: the share of the time with service by latitude, the sky alone, with the school's stations."""
    latitudes_deg = [float(latitude) for latitude in range(0, 71, 2)]
    view = scenario.view_of(scenario.MARRAM_LOFT)
    sweep = sweeps.sweep_latitudes(fleet(), view, latitudes_deg, DAY, workers=workers.WorkerConfig(processes=1))
    stations = [(name, spots[0].latitude_deg) for name, spots in scenario.STATIONS]
    return by_latitude(sweep.table, LIGHT, sites=stations)


def gaps_by_satellites() -> go.Figure:
    """When it gets better: what every number of satellites gives, in three orders, and the goal."""
    seen = found()
    counted = serving_satellites(seen.fleet, seen.view, seen.span)
    orders = {
        "as launched": growth_orders.launch_order(seen.fleet, counted),
        "plane by plane": growth_orders.plane_order(seen.fleet, seen.span.middle, counted),
        "at random, eight draws of ten": growth_orders.random_orders(seen.fleet, draws=40, counted=counted),
    }
    curves = {words: growth.growth_curves(seen, order) for words, order in orders.items()}
    goal = growth_goals.parse_goal(GOAL)
    met = growth_goals.smallest(curves["as launched"], goal)
    mark = GoalMark.of(goal, met.middle if met.reached else None, DAY.duration_s)
    return growth_curves([OrderCurve(words, each.table) for words, each in curves.items()], LIGHT, goal=mark)


def record_of_days() -> go.Figure:
    """Whether it came: four invented days of record, each over what had been forecast for it."""
    span = Span.starting(DAY.start - timedelta(days=4), hours=4 * 24)
    with tempfile.TemporaryDirectory() as folder:
        school = create(Path(folder) / "school", demo=True, at=AT)
        write_invented_record(school, AT)
        with Journal(school.journal_file) as journal:
            record = journal.read(span, INVENTED_RECORD)
        forecast = past_forecast(school.fleet_over_time(), school.view(), span).gaps
    start, end = (forecast[each].to_numpy("datetime64[us]").astype(np.int64) for each in ("start", "end"))
    return record_clock(
        statistics.line_coverage(record), statistics.outages_us(record, "house"), Intervals(start, end),
        LocalClock("Atlantic/Azores", span), span.end, LIGHT, scenario.CALL_HOURS,
    )  # fmt: skip


PICTURES = {
    "gaps": gaps_of_the_day,
    "sky": sky_of_the_day,
    "calls": starts_of_the_day,
    "latitude": curve_by_latitude,
    "growth": gaps_by_satellites,
    "measured": record_of_days,
}


def slimmed(svg: str) -> str:
    """Return the text of an SVG file with the same names on every run and coordinates to a tenth of a pixel."""
    # plotly names clips and patterns after six random digits of its own.
    drawn = re.search(r'id="(?:clip|defs-|topdefs-)([0-9a-f]{6})', svg)
    if drawn is not None:
        svg = svg.replace(drawn[1], "passim")
    svg = re.sub(r"(\d+\.\d)\d+", r"\1", svg)
    svg = re.sub(r"(\d)\.0(?!\d)", r"\1", svg)
    # Lines of no width bound fills; the fills carry their own outline.
    svg = re.sub(r'<path class="js-line"[^>]*stroke-width: 0px;[^>]*/>', "", svg)
    svg = re.sub(r' d="([MLHVZ0-9,.\-]+)"', lambda found: f' d="{by_steps(level_joined(upright(found[1])))}"', svg)
    return with_shared_styles(svg)


def with_shared_styles(svg: str) -> str:
    """Return an SVG in which styles that many elements have stand once, as classes."""
    count = Counter(re.findall(r' style="([^"]+)"', svg))
    names = {style: f"s{number}" for number, style in enumerate(s for s in count if count[s] >= _OFTEN)}

    def shared(found: re.Match[str]) -> str:
        tag = found[0]
        style = re.search(r' style="([^"]+)"', tag)
        if style is None or style[1] not in names:
            return tag
        # What classes the drawing program gave its parts says nothing in a file.
        bare = re.sub(r' class="[^"]*"', "", tag.replace(style[0], ""))
        return re.sub(r"^<[\w:]+", lambda opening: f'{opening[0]} class="{names[style[1]]}"', bare)

    rules = "".join(f".{name}{{{style.replace('&quot;', chr(34))}}}" for style, name in names.items())
    head, _, body = re.sub(r"<[a-zA-Z][^>]*>", shared, svg).partition(">")
    return f"{head}><style>{rules}</style>{body}"


def upright(path: str) -> str:
    """Return a path in which strokes that keep their height or their place across are written as such."""
    kept, x, y = [], "", ""
    for stroke in re.findall(r"[MLHVZ][^MLHVZ]*", path):
        kind, place = stroke[0], stroke[1:]
        if kind == "L":
            to_x, _, to_y = place.partition(",")
            stroke = f"V{to_y}" if to_x == x else f"H{to_x}" if to_y == y else stroke
        if kind in "ML":
            x, _, y = place.partition(",")
        elif kind == "H":
            x = place
        elif kind == "V":
            y = place
        kept.append(stroke)
    return "".join(kept)


def level_joined(path: str) -> str:
    """Return a path of level and upright strokes with each run of level ones as a single stroke."""
    strokes = re.findall(r"[MLHVZ][^MLHVZ]*", path)
    kept: list[str] = []
    height = ""
    for stroke in strokes:
        if stroke[0] == "V":
            if stroke[1:] == height:
                continue
            height = stroke[1:]
        elif stroke[0] in "ML":
            height = stroke.partition(",")[2]
        elif stroke[0] == "H" and kept and kept[-1][0] == "H":
            kept.pop()
        kept.append(stroke)
    return "".join(kept)


def by_steps(path: str) -> str:
    """Return a path of absolute strokes with each that is shorter so written as a step from where the last one ended.

    Steps are counted in tenths of a pixel, so that none of them rounds.
    """
    kept, here, start = [], (0, 0), (0, 0)
    for stroke in re.findall(r"[MLHVZ][^MLHVZ]*", path):
        kind, numbers = stroke[0], [round(10.0 * float(each)) for each in stroke[1:].split(",") if each]
        if kind == "Z":
            there = start
        else:
            there = (here[0] if kind == "V" else numbers[0], here[1] if kind == "H" else numbers[-1])
        if kind == "M":
            start = there
        elif kind != "Z":
            steps = [b - a for a, b in zip(here, there, strict=True)]
            steps = steps if kind == "L" else [steps[kind == "V"]]
            texts = [f"{step / 10:g}".replace("0.", ".", 1) if abs(step) < 10 else f"{step / 10:g}" for step in steps]
            step = kind.lower() + texts[0] + "".join(t if t[0] == "-" else f",{t}" for t in texts[1:])
            stroke = min(stroke, step, key=len)
        kept.append(stroke)
        here = there
    return "".join(kept)


def main(folder: Path) -> None:
    """Draw every picture into `folder`, and refuse one that is too large to be read along with a page."""
    folder.mkdir(parents=True, exist_ok=True)
    figures = {name: make() for name, make in PICTURES.items()}
    for figure in figures.values():
        for number, trace in enumerate(figure.data):
            trace.uid = f"{number:06x}"  # plotly's own would be another on each run
    sizes = {}
    for path in write_pictures(list(figures.items()), str(folder), "svg"):
        path.write_text(slimmed(path.read_text(encoding="utf-8")), encoding="utf-8")
        sizes[path] = path.stat().st_size
        print(f"{path}: {sizes[path]:,} bytes")
    too_large = [str(path) for path, size in sizes.items() if size > LARGEST_BYTES]
    if too_large:
        sys.exit(f"larger than {LARGEST_BYTES:,} bytes: {', '.join(too_large)}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="?", type=Path, default=FOLDER, metavar="FOLDER")
    main(parser.parse_args().folder)
