"""One start, one length and one moment have one estimate, whatever question asks for it; an invented line."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pandas as pd
import pytest

import commands
from passim import Horizon, Site, Span, walker, write_elements
from passim.answers.calls.calendar_in import Event
from passim.answers.calls.check import check_calls
from passim.answers.calls.forecast import ServiceForecast, searched_span
from passim.answers.calls.kinds import VIDEO
from passim.answers.calls.now import now
from passim.answers.calls.outlook import good_starts, windows
from passim.answers.calls.plan import plan_of
from passim.coverage.visibility import find_visibility
from passim.elements.records import Fleet
from passim.sky.limits import Gateway, GatewayLimit
from passim.sky.service import Policy, Service
from passim.sky.view import View
from passim_apps.text.calls import chance_of_end, pause_number, pauses

EPOCH = datetime(2026, 11, 28, tzinfo=UTC)
# Elements two days old, at a moment in the middle of a block.
AT = datetime(2026, 11, 30, 7, 23, tzinfo=UTC)
PLACE = Site("Here", 45.0, 9.0, 40.0, "UTC", Horizon.flat(25.0))
GATEWAY = GatewayLimit((Gateway("South", 39.604, 9.0, 0.0, Horizon.flat(25.0)),))
FIGURES = ["expected_pauses", "expected_freezes", "expected_frozen_s", "chance_of_end", "worst_p50_s", "worst_p90_s"]
TOML = """
[terminal]
clock_period_s = 15
clock_offset_s = 12
acquisition_s = 0.5

[[gateways]]
name = "South"
latitude_deg = 39.604
longitude_deg = 9.0

[[fleets]]
name = "invented"
elements = ["invented.json"]

[[sites]]
name = "Office"
latitude_deg = 45.0
longitude_deg = 9.0
zone = "Europe/Zurich"

[[sites.spots]]
name = "roof"
mask_deg = 25.0

[[sites.spots]]
name = "eaves"
mask_deg = 35.0
"""


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return walker(total=360, planes=18, phasing=7, inclination_deg=53.0, altitude_km=550.0, epoch=EPOCH)


@pytest.fixture(scope="module")
def folder(fleet: Fleet, tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("invented")
    write_elements(fleet, made / "invented.json")
    (made / "passim.toml").write_text(TOML, encoding="utf-8")
    return made


def run(folder: Path, *arguments: str) -> Any:
    return commands.run(*arguments, "--workspace", str(folder))


def said(folder: Path, *arguments: str) -> dict[str, Any]:
    result = run(folder, *arguments, "--at", AT.isoformat(), "--format", "json")
    assert result.exit_code == 0, result.stderr
    answer: dict[str, Any] = json.loads(result.stdout)
    return answer


def same(one: pd.Series, other: pd.Series) -> bool:
    """Say whether two outlooks tell the same; the last digit of a mean hangs on the order in which it is added up."""
    return one[FIGURES].tolist() == pytest.approx(other[FIGURES].tolist(), rel=1e-12)


@pytest.mark.parametrize("policy", get_args(Policy))
def test_a_start_has_one_estimate_whatever_the_span(fleet: Fleet, policy: Policy) -> None:
    """Over the edges of blocks and over midnight, with clock, gateway and older elements, and with nothing lost."""
    for service in (Service(policy, 15.0, 12.0, 0.5), Service(policy)):
        view = View(PLACE, (GATEWAY,), service=service)
        tables = []
        starts = pd.date_range("2026-11-30T22:40Z", "2026-12-01T00:25Z", freq="5min")
        start_us = starts.tz_localize(None).to_numpy().astype("datetime64[us]").astype(np.int64)
        for first, last in (("2026-11-30T20:37", "2026-12-01T00:56"), ("2026-11-30T22:39", "2026-12-01T03:10")):
            span = Span(*(datetime.fromisoformat(f"{text}+00:00") for text in (first, last)))
            forecast = ServiceForecast.of(find_visibility(fleet, view, searched_span(span)), span)
            tables.append(windows(forecast, forecast.futures(VIDEO, runs=30), VIDEO, start_us, 30))
        assert tables[0]["expected_pauses"].max() > 0.0
        # The last digit of a mean depends on the order in which it is added up.
        pd.testing.assert_frame_equal(tables[0], tables[1], rtol=1e-12)
        for name in ("expected_pauses", "chance_of_end"):
            assert tables[0][name].tolist() == tables[1][name].tolist()


def test_now_plan_and_check_agree(fleet: Fleet) -> None:
    """The same span: figures of the same starts, the first good start, and the longest call that has one."""
    span = Span.starting(AT, 5.0)
    view = View(PLACE, (GATEWAY,), service=Service(clock_period_s=15.0, clock_offset_s=12.0, acquisition_s=0.5))
    forecast = ServiceForecast.of(find_visibility(fleet, view, searched_span(span)), span)
    for minutes in (2, 30):
        plan, here = plan_of(forecast, VIDEO, minutes=minutes), now(forecast, VIDEO, minutes=minutes)
        ranked = plan.ranked.set_index("start").sort_index()
        assert same(ranked.iloc[0], here.call)
        assert (plan.none_good is None) == (here.none_good is None)
        good = ranked[good_starts(ranked)]
        if here.next_good is not None:
            assert here.next_good["start"] == good.index[0]
            assert same(here.next_good, good.iloc[0])
        if plan.none_good is not None and here.none_good is not None:
            assert plan.none_good.minutes == here.none_good.minutes
            assert (plan.none_good.shorter is None) == (here.none_good.shorter is None)
            if plan.none_good.shorter is not None and here.none_good.shorter is not None:
                assert plan.none_good.shorter["start"] == here.none_good.shorter["start"]
                assert same(plan.none_good.shorter, here.none_good.shorter)
            least = here.none_good.least_bad
            assert same(ranked.loc[least["start"]], least)
            assert plan.none_good.least_bad["start"] == least["start"]
        begins = [AT + timedelta(minutes=m) for m in (0, 40, 95)]
        events = [Event(f"{k}", f"{k}", at, at + timedelta(minutes=minutes)) for k, at in enumerate(begins)]
        for call in check_calls(forecast, VIDEO, events).calls:
            assert same(call.outlook, ranked.loc[pd.Timestamp(call.event.start)])
    # The longer call has no good start here and the shorter has, so that both ways were looked at.
    assert here.none_good is not None


def test_the_least_bad_start_is_one(fleet: Fleet) -> None:
    """Whoever asks, and however many starts are listed: ranked by futures other than those that tell of it."""
    for service, at in ((Service(), AT), (Service(clock_period_s=15.0, acquisition_s=0.5), AT + timedelta(hours=3))):
        span = Span.starting(at, 8.0)
        forecast = ServiceForecast.of(
            find_visibility(fleet, View(PLACE, (GATEWAY,), service=service), searched_span(span)), span
        )
        plans = [plan_of(forecast, VIDEO, minutes=60, most=most, runs=50) for most in (1, 5)]
        here = now(forecast, VIDEO, minutes=60, runs=50)
        assert here.none_good is not None
        for plan in plans:
            assert plan.none_good is not None
            least = plan.none_good.least_bad
            assert least["start"] == plan.least_bad["start"].iloc[0] == here.none_good.least_bad["start"]
            assert same(least, here.none_good.least_bad)


def test_commands_agree(folder: Path) -> None:
    """`now` looks 24 hours on, `calls` over the hours given: a start that both tell of has the same figures."""
    here = said(folder, "now", "--minutes", "30")
    there = said(folder, "calls", "--minutes", "30", "--hours", "24", "--top", "1")
    assert here["none_good"] is not None
    assert here["none_good"] == there["none_good"]
    later = said(folder, "calls", "--minutes", "30", "--days", "0.25", "--top", "30")
    rows = {row["start"]: row for row in later["rows"]}
    told = next(row for row in here["rows"] if row["what"] == "least bad start")
    alone = said(folder, "calls", "--minutes", "30", "--from", told["start"], "--hours", "0.5", "--top", "1")["rows"][0]
    for name in FIGURES[:1] + FIGURES[2:4]:
        assert alone[name] == told[name]
        assert rows.get(told["start"], told)[name] == told[name]


def test_pauses_are_never_rounded_up_to_the_bound() -> None:
    assert [pause_number(x) for x in (0.44, 0.45, 0.494, 0.4951, 0.499999, 0.5, 0.54, 2.06)] == [
        "0.4", "0.45", "0.49", "under 0.5", "under 0.5", "0.5", "0.5", "2.1",
    ]  # fmt: skip
    assert [pauses(x) for x in (0.49, 0.4999, 0.5, 1.0, 0.01)] == [
        "0.49 pauses", "under 0.5 pauses", "0.5 pauses", "1 pause", "no pause",
    ]  # fmt: skip


def test_chances_are_never_rounded_down_to_the_bound() -> None:
    told = [chance_of_end(x) for x in (0.0, 0.05, 0.0504, 0.055, 1.0)]
    assert told == ["0 %", "5.0 %", "over 5 %", "5.5 %", "100 %"]


def test_calendars_of_all_sites_make_their_folder(folder: Path, tmp_path: Path) -> None:
    calendars = tmp_path / "new" / "calendars"
    told = said(folder, "calls", "--all-sites", "--hours", "2", "--minutes", "1", "--ics", str(calendars.parent))
    assert told["rows"]
    assert [path.name for path in calendars.parent.iterdir()] == ["Office.ics"]
    refused = run(folder, "calls", "--all-sites", "--hours", "2", "--ics", str(calendars / "deeper"))
    assert refused.exit_code == 2
    assert "wanted a folder, or a new one in a folder that exists, or a name with {site}" in refused.stderr


def test_a_site_with_its_spot_is_told_apart(folder: Path) -> None:
    for command in ("gaps", "now"):
        refused = run(folder, command, "--site", "office/eaves")
        assert refused.exit_code == 2
        assert "try --site Office --spot eaves" in refused.stderr, refused.stderr
    assert "--spot" not in run(folder, "gaps", "--site", "Offfice/eaves").stderr
