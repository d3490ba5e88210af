"""``passim causes`` from the command line: the verdict in words, the three lists, the sky map, and what is refused."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import re
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import pytest

import commands
from passim import Coverage, Horizon, Site, Span, read_elements
from passim.answers.sites.horizon_cost import sector_costs, what_if_lowered
from passim.coverage.causes import causes_of
from passim.coverage.visibility import find_visibility
from passim.sky.limits import Gateway, GatewayLimit, ServingFilter
from passim.sky.view import View
from passim_apps.command_line.query import search
from passim_apps.text.causes import NEVER_ADD_UP, cause_words
from tests import scenario

run, done, refused = (partial(each, "causes") for each in (commands.run, commands.done, commands.refused))

FIRS = [(0, 25), (280, 25), (285, 60), (330, 60), (334, 25)]
GATEWAY = ["--gateway", "39.604,-28.0"]
DAY = "2026-03-01T00:00Z"


@pytest.fixture(scope="module")
def fleet_file(tmp_path_factory: pytest.TempPathFactory) -> str:
    path = str(tmp_path_factory.mktemp("fleet") / "invented.json")
    pattern = ["--total", "360", "--planes", "18", "--phasing", "7", "--inclination", "53", "--altitude", "550"]
    commands.finished(commands.run("design", *pattern, "--epoch", "2026-03-01T00:00Z", "--out", path))
    return path


@pytest.fixture(scope="module")
def here(fleet_file: str) -> list[str]:
    """Options for the regular fleet over 45 N, from 06:00 to 12:00 UTC."""
    place = ["--elements", fleet_file, "--site", "45.0,-28.0", "--mask", "25", "--zone", "Atlantic/Azores"]
    return [*place, "--from", "2026-03-01T06:00Z", "--hours", "6"]


@pytest.fixture
def firs(tmp_path: Path) -> str:
    path = tmp_path / "horizon.csv"
    path.write_text("azimuth_deg,elevation_deg\n" + "".join(f"{a},{e}\n" for a, e in FIRS), "utf-8")
    return str(path)


def seen(fleet_file: str, horizon: Horizon, *limits: object):
    span = Span.starting(datetime(2026, 3, 1, 6, tzinfo=UTC), hours=6)
    site = Site("45.0,-28.0", 45.0, -28.0, horizon=horizon)
    return find_visibility(read_elements(fleet_file), View(site, (*limits, ServingFilter())), span)


SOUTH = GatewayLimit((Gateway("South", 39.604, -28.0),))


def test_a_gateway_is_told_from_the_roof_line(here: list[str]) -> None:
    first, second, third, *_ = done(*here, *GATEWAY).stdout.splitlines()
    assert first == ("Your roof line is not the cause: 12 gaps an hour over 6 h, about 20 s each.")
    assert second.startswith(
        "That is 72 in 6 h, 12.0 an hour overall, 6.8 % of the time; the longest, 36 s. "
        "All would close if the satellite did not have to see a gateway. A gateway is "
    )
    assert third.startswith("Service regained by removing one limit: gateway ")
    assert third.endswith("; horizon and satellites out of place nothing.")


def test_the_busy_part_of_the_day_is_named() -> None:
    # The invented fleet fills the sky unevenly: its gateway opens gaps all morning and none from 12:00 to 21:00 local,
    # simulated for the design in steps of 2 s (own arithmetic).
    span = Span.starting(datetime(2026, 3, 1, 0, tzinfo=UTC), hours=24)
    south = GatewayLimit((Gateway("South", 39.6, -28.0, 50.0),))
    view = View(scenario.MARRAM_LOFT, (south,))
    found = search(scenario.plover(span.start), view, span)
    words = cause_words(found, causes_of(found.visibility))
    assert re.fullmatch(
        r"Your roof line is not the cause: "
        r"\d+ gaps an hour in the night and the morning of Sun 1 Mar, about (1[5-9]|2\d) s each\.",
        words.headline,
    )
    # In the large type of a phone that is four lines.
    assert len(words.headline) <= 4 * 28
    assert re.match(
        r"That is \d\d in 24 h, \d\.\d an hour overall, \d\.\d % of the time; the longest, \d\d s\. "
        r"All would close if the satellite did not have to see a gateway\. ",
        words.detail,
    )
    # Over several days all nights count together.
    days = Span.starting(span.start, hours=72)
    found = search(scenario.plover(span.start), view, days)
    over_days = cause_words(found, causes_of(found.visibility))
    assert re.search(r"gaps an hour in the nights, about ", over_days.headline), over_days
    assert re.match(r"That is \d+ in 3 d, ", over_days.detail), over_days


def test_a_roof_line_is_called_one(here: list[str], firs: str) -> None:
    wall = done(*here, "--mask", "42").stdout.splitlines()
    assert wall[0].startswith("It is your roof line: ")
    in_all = "That is 90 in 6 h, 15.0 an hour overall, 7.2 % of the time; the longest, 40 s."
    assert wall[1].startswith(f"{in_all} All would close if the horizon were open down to 25°. ")
    both = done(*here, "--mask", firs, *GATEWAY).stdout.splitlines()
    assert both[0].startswith("Your roof line plays a part: ")
    assert "if the satellite did not have to see a gateway" in both[1]


def test_the_verdict_says_what_helps() -> None:
    span = Span.starting(datetime(2026, 3, 1, 0, tzinfo=UTC), hours=6)
    told = []
    for horizon, *limits in ((Horizon.flat(25.0), SOUTH), (Horizon.flat(45.0),)):
        view = View(dataclasses.replace(scenario.MARRAM_LOFT, horizon=horizon), (*limits, ServingFilter()))
        found = search(scenario.plover(span.start), view, span)
        words = cause_words(found, causes_of(found.visibility))
        told += words.lines
    gateway, its_help, roof, roof_help = told
    assert gateway.startswith("Your roof line is not the cause: ")
    assert its_help.endswith("Nothing on your roof changes that: move calls to calm hours, or ask the provider.")
    assert "injure" not in its_help
    assert roof.startswith("It is your roof line: ")
    # Nobody is sent up without a word of caution, nor told of a gateway that has no part in it.
    assert "A more open or higher spot helps" in roof_help
    assert "can injure and kill" in roof_help
    assert "gateway" not in roof_help


def test_a_pair_is_told_as_one(here: list[str]) -> None:
    result = done(*here, "--mask", "40", "--cone", "0,0,50")
    assert result.stdout.startswith("Your roof line plays a part: ")
    assert "No limit alone closes any of them; horizon with cone together close most." in result.stdout


def test_no_gap_needs_no_cause(here: list[str]) -> None:
    result = done(*here)
    # The verdict itself says whether it is the roof line or the sky.
    neither = "neither your roof line nor the sky costs you any service."
    assert result.stdout.splitlines()[0] == f"No gap in 6 h: by the limits set up here, {neither}"
    assert result.stdout.count("neither your roof line") == 1
    assert "Service regained" not in result.stdout


def test_rows_are_the_librarys(here: list[str], fleet_file: str) -> None:
    answer = json.loads(done(*here, *GATEWAY, "--format", "json").stdout)
    known = causes_of(seen(fleet_file, Horizon.flat(25.0), SOUTH))
    table = known.table
    assert [row["cause"] for row in answer["rows"]] == table["cause"].tolist()
    assert [row["missing_direction"] for row in answer["rows"]] == table["missing_direction"].tolist()
    assert answer["rows"][0]["missing_azimuth_deg"] == pytest.approx(table["missing_azimuth_deg"].iloc[0], abs=1e-3)
    assert answer["rows"][0]["start_local"].endswith("-01:00")
    assert NEVER_ADD_UP in answer["notes"]
    assert answer["lowered"] == []
    given_back = {row["limit"]: row for row in answer["given_back"]}
    assert list(given_back) == ["horizon", "gateway", "serving"]
    assert given_back["gateway"]["given_back_s"] == pytest.approx(table["duration_s"].sum(), abs=1e-3)
    assert given_back["gateway"]["gaps_closed"] == len(table) == answer["summary"]["gap_count"]


def test_limits_and_sectors_as_lists(here: list[str], fleet_file: str, firs: str) -> None:
    limits = list(csv.DictReader(io.StringIO(done(*here, "--mask", firs, "--limits", "--format", "csv").stdout)))
    assert [row["limit"] for row in limits] == ["horizon", "serving"]
    assert "total" not in {row["limit"] for row in limits}

    result = done(*here, "--mask", firs, *GATEWAY, "--sectors", "--format", "json")
    answer = json.loads(result.stdout)
    expected = sector_costs(seen(fleet_file, Horizon.from_points(FIRS), SOUTH))
    assert len(answer["rows"]) == 36
    for row, given_back_s in zip(answer["rows"], expected["given_back_s"], strict=True):
        assert row["given_back_s"] == pytest.approx(given_back_s, abs=0.01)
    assert "The skyline costs most at " in answer["answer"]
    table = done(*here, "--mask", firs, *GATEWAY, "--sectors").stdout
    assert "Skyline up to" in table
    assert "No single sector" in done(*here, *GATEWAY, "--sectors").stdout


def test_lowering_a_row_of_firs(here: list[str], fleet_file: str, firs: str) -> None:
    options = ["--lower", "280-335:20", "--lower", "100-200:5", "--lower", "0-90:-20"]
    answer = json.loads(done(*here, "--mask", firs, *GATEWAY, *options, "--format", "json").stdout)
    expected = what_if_lowered(seen(fleet_file, Horizon.from_points(FIRS), SOUTH), 280.0, 335.0, 20.0)
    lowered = answer["lowered"][0]
    assert lowered["given_back_s"] == pytest.approx(expected.given_back_s, abs=0.01)
    assert lowered["given_back_s"] > 10.0
    assert (lowered["gaps_before"], lowered["gaps_after"]) == (expected.gap_count_before, expected.gap_count_after)
    assert "Lowering the horizon at 280-335° by 20° would regain " in answer["answer"]
    assert "Lowering the horizon at 100-200° by 5° would change nothing." in answer["answer"]
    assert "Raising the horizon at 0-90° by 20° would cost " in answer["answer"]


def test_a_day_or_more_is_told_by_the_day(here: list[str]) -> None:
    day = [*here[:-1], "24"]
    assert " a day (" in done(*day, *GATEWAY).stdout
    assert " in 6 h (" in done(*here, *GATEWAY).stdout


def test_sky_map_as_a_file(here: list[str], tmp_path: Path) -> None:
    path = tmp_path / "sky.csv"
    result = done(*here, *GATEWAY, "--sky", str(path), "--sky-step", "30")
    rows = list(csv.DictReader(io.StringIO(path.read_text("utf-8"))))
    assert f"Wrote {len(rows):,} rows to {path}." in result.stderr
    assert {row["lost_to"] for row in rows} == {"", "gateway"}
    assert {row["can_serve"] for row in rows} == {"true", "false"}
    assert all(float(row["elevation_deg"]) > 24.999 for row in rows)
    # The answer itself is as without the map.
    assert result.stdout == done(*here, *GATEWAY).stdout


def test_what_serves_is_what_gaps_counts(here: list[str], fleet_file: str) -> None:
    joint = seen(fleet_file, Horizon.flat(25.0), SOUTH).joint()
    span = Span.starting(datetime(2026, 3, 1, 6, tzinfo=UTC), hours=6)
    expected = Coverage.from_intervals(joint.start, joint.end, span).gaps()
    rows = list(csv.DictReader(io.StringIO(done(*here, *GATEWAY, "--format", "csv").stdout)))
    assert len(rows) == len(expected)


def test_bad_options_are_refused_in_one_line(here: list[str], tmp_path: Path, subtests: pytest.Subtests) -> None:
    for options, words in [
        (["--lower", "290:5"], "--lower; got '290:5'; wanted FROM-TO:DEG"),
        (["--lower", "1.2.3-20:5"], "--lower; got '1.2.3-20:5'"),
        (["--lower", "100-100:5"], "sector of the horizon"),
        (["--lower", "100-400:5"], "sector of the horizon"),
        (["--limits", "--sectors"], "--limits and --sectors both say what to list"),
        (["--sky", "no/such/folder/sky.csv"], "a file in a folder that exists"),
        (["--sky", "SKY", "--sky-step", "0"], "step of the sky map"),
        (["--gateway", "-45,152"], "none ever sees both"),
        (["--cone", "0,0,95"], "half-angle of the antenna cone"),
        (["--arc", "70"], "keep-out angle around the geostationary arc"),
        (["--without", "roof"], "limit to lift; got 'roof'"),
    ]:
        with subtests.test(options=options, words=words):
            options = [str(tmp_path / "sky.csv") if option == "SKY" else option for option in options]
            assert words in refused(*here, *options)


def test_one_gap_all_day_is_told_as_one_and_blamed_on_what_makes_it(here: list[str]) -> None:
    far = ["--gateway", "45.0,-28.0,89.9"]
    first = done(*here, *far).stdout.splitlines()[0]
    assert first == ("Your roof line is not the cause: 1 gap, all of 6 h.")
    for command in ("gaps", "serving"):
        told = commands.run(command, *here, *far)
        assert told.exit_code == 0, told.output
        assert told.stdout.startswith("No satellite is ever within every limit in 6 h; no service throughout.")


def test_every_row_of_a_file_says_which_site_it_holds_for(here: list[str], tmp_path: Path) -> None:
    sky = tmp_path / "sky.csv"
    for command, more in (
        ("causes", ["--sky", str(sky)]),
        ("gaps", []),
        ("passes", []),
        ("minutes", []),
        ("serving", []),
    ):
        told = commands.run(command, *here, *GATEWAY, *more, "--format", "csv")
        assert told.exit_code == 0, told.output
        for text in (told.stdout, *([sky.read_text()] if more else [])):
            rows = list(csv.DictReader(io.StringIO(text)))
            assert rows
            assert {row["site"] for row in rows} == {"45.0,-28.0"}, command


def test_with_no_gateway_known_a_clear_sky_is_said_to_be_the_sky_alone(fleet_file: str) -> None:
    """No roof line, no gap and no gateway: what freezes then is something that nobody has told passim of."""
    place = ["--elements", fleet_file, "--site", "45.0,-28.0,40"]
    for command in (["causes", "--from", DAY, "--hours", "2"], ["now", "--at", DAY]):
        alone = commands.run(*command, *place, "--mask", "20")
        assert alone.exit_code == 0, alone.stderr
        assert "No gateway counts here, so this is the sky alone" in alone.stdout
        assert "passim symptom" in alone.stdout
        assert "then record the line with passim probe." in " ".join(alone.stdout.split())
        known = commands.run(*command, *place, "--mask", "20", "--gateway", "45.2,-28.0,10")
        assert known.exit_code == 0, known.stderr
        assert "sky alone" not in known.stdout
