"""Times as people type them: local time of the site, words for days, and hours that clocks show twice or skip.

The changes of the clocks are those of the IANA data base: Atlantic/Azores goes back at 01:00 UTC on 25 October 2026 and
forward at 01:00 UTC on 29 March 2026, as all of Europe does (Directive 2000/84/EC).
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from passim.errors import SpanError
from passim.spans import day_start, wall_readings
from passim.workspace import create
from passim_apps.command_line.times import aware_time
from test_command_line import done, refused

NOW = datetime(2026, 11, 25, 0, 30, tzinfo=UTC)  # 23:30 of the 24th on the Azores


def azores() -> str:
    return "Atlantic/Azores"


def test_local_time_is_that_of_the_site(subtests: pytest.Subtests) -> None:
    for text, moment in [
        ("2026-11-25T08:00Z", "2026-11-25T08:00+00:00"),
        ("2026-11-25T08:00+05:30", "2026-11-25T02:30+00:00"),
        ("2026-11-25 08:00", "2026-11-25T09:00+00:00"),
        (" 2026-07-25T08:00:30 ", "2026-07-25T08:00:30+00:00"),
        ("2026-11-25", "2026-11-25T01:00+00:00"),
        ("today 08:00", "2026-11-24T09:00+00:00"),
        ("Tomorrow", "2026-11-25T01:00+00:00"),
        ("yesterday 23:59:30", "2026-11-24T00:59:30+00:00"),
        ("8:15", "2026-11-24T09:15+00:00"),
    ]:
        with subtests.test(text=text, moment=moment):
            assert aware_time(text, "--from", azores, NOW) == datetime.fromisoformat(moment)


def test_a_zone_is_asked_for_only_where_the_time_has_no_offset() -> None:
    def never() -> str:
        raise AssertionError

    assert aware_time("2026-11-25T08:00Z", "--from", never) == datetime(2026, 11, 25, 8, tzinfo=UTC)


def test_hours_at_a_change_of_the_clocks_are_asked_about_with_both_readings() -> None:
    with pytest.raises(SpanError) as twice:
        aware_time("2026-10-25 00:30", "--from", azores)
    assert "comes twice" in str(twice.value)
    assert "2026-10-25T00:30+00:00 for the first or 2026-10-25T00:30-01:00 for the second" in str(twice.value)
    with pytest.raises(SpanError) as skipped:
        aware_time("2026-03-29 00:30", "--from", azores)
    assert "go forward over this one" in str(skipped.value)
    assert "try 2026-03-28T23:30-01:00 or 2026-03-29T01:30+00:00" in str(skipped.value)
    # Both readings can be pasted: they are an hour apart.
    first, second = (r.astimezone(UTC) for r in wall_readings(datetime(2026, 3, 29, 0, 30), azores()))
    assert (second - first).total_seconds() == 3600.0
    # A day that begins with a skipped midnight begins at its first moment, and nothing is asked.
    assert day_start(date(2026, 3, 29), azores()) == datetime(2026, 3, 29, 1, tzinfo=UTC)


@pytest.mark.parametrize("text", ["", "noon", "2026-13-01 08:00", "today 25:00", "20:61", "today tomorrow"])
def test_what_is_no_time_is_refused_in_one_line(text: str) -> None:
    with pytest.raises(SpanError, match=r"--at; got .* wanted a time such as .* or local time such as"):
        aware_time(text, "--at", azores, NOW)
    with pytest.raises(SpanError, match="wanted a time with its offset from UTC"):
        aware_time(text, "--at", None, NOW)


def test_commands_take_the_zone_of_the_site(tmp_path: Path) -> None:
    fleet = str(tmp_path / "fleet.json")
    pattern = ["--total", "6", "--planes", "2", "--phasing", "1", "--inclination", "53", "--altitude", "550"]
    done("design", *pattern, "--epoch", "2026-11-25T00:00Z", "--out", fleet)
    at_azores = ["--elements", fleet, "--site", "45.0,-28.0", "--format", "json"]
    local = ["--at", "2026-11-25 08:00", "--from", "tomorrow 07:00", "--to", "2026-11-26 08:00"]
    exact = ["--from", "2026-11-26T08:00Z", "--to", "2026-11-26T09:00Z"]
    zone = ["--zone", "Atlantic/Azores"]
    assert done("gaps", *at_azores, *zone, *local).stdout == done("gaps", *at_azores, *zone, *exact).stdout
    assert '"start": "2026-11-26T06:00:00' in done("gaps", *at_azores, "--zone", "Europe/Paris", *local).stdout
    # A workspace's site says its zone, and so does the demonstration's.
    school = ["--workspace", str(create(tmp_path / "school", demo=True).folder)]
    found = done("gaps", *school, "--from", "2026-11-25 08:00", "--hours", "1", "--format", "json")
    assert '"start": "2026-11-25T09:00:00' in found.stdout
    line = refused("now", *school, "--at", "2026-10-25 00:30")
    assert "comes twice" in line
    assert "2026-10-25T00:30-01:00" in line
    # Without a site nothing says the zone.
    assert "with its offset" in refused("design", *pattern, "--epoch", "2026-11-25 00:00", "--out", fleet)


def test_help_says_that_local_time_will_do() -> None:
    for command in ("gaps", "now", "calls", "demo", "dashboard", "hindcast"):
        assert "local time" in done(command, "--help").stdout.lower(), command
