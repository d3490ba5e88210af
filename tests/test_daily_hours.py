"""Hours of the day that count alone: where they lie in a span, what is left of coverage, and --between."""

from __future__ import annotations

import csv
import io
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from passim import Coverage, Span
from passim.errors import SpanError
from passim.spans import DailyHours
from test_command_line import done, refused

H, AZORES = 3_600_000_000, "Atlantic/Azores"


def hours_of(span: Span, hours: DailyHours, zone: str = "UTC") -> list[tuple[float, float]]:
    """Return the stretches in hours since the start of the span."""
    start, end = hours.within(span, zone)
    return [
        ((a - span.start_us) / H, (b - span.start_us) / H) for a, b in zip(start.tolist(), end.tolist(), strict=True)
    ]


def test_hours_may_go_over_midnight() -> None:
    span = Span(datetime(2026, 11, 25, 1, tzinfo=UTC), datetime(2026, 11, 26, 23, tzinfo=UTC))
    assert hours_of(span, DailyHours(22 * 60, 4 * 60)) == [(0.0, 3.0), (21.0, 27.0), (45.0, 46.0)]
    assert hours_of(span, DailyHours(8 * 60, 10 * 60)) == [(7.0, 9.0), (31.0, 33.0)]
    # A whole day from noon to noon leaves no seam.
    assert hours_of(span, DailyHours(0, 24 * 60)) == [(0.0, 46.0)]
    assert hours_of(span, DailyHours(22 * 60, 4 * 60), AZORES)[0] == (0.0, 4.0)
    short = Span.starting(datetime(2026, 11, 25, 12, tzinfo=UTC), 1.0)
    assert hours_of(short, DailyHours(22 * 60, 4 * 60)) == []


def test_a_repeated_hour_counts_twice_and_a_skipped_one_not_at_all() -> None:
    # Azores: back at 01:00 UTC on 25 October, forward at 01:00 UTC on 29 March (IANA data base).
    back = Span.starting(datetime(2026, 10, 24, 12, tzinfo=UTC), 24.0)
    assert hours_of(back, DailyHours(23 * 60, 2 * 60), AZORES) == [(11.0, 15.0)]
    # The hour from 00:00 to 01:00 on that night is shown twice, one right after the other.
    assert hours_of(back, DailyHours(0, 60), AZORES) == [(12.0, 14.0)]
    forward = Span.starting(datetime(2026, 3, 28, 12, tzinfo=UTC), 24.0)
    assert hours_of(forward, DailyHours(0, 60), AZORES) == []
    # By the clock on the wall, minute by minute: the slow way to the same.
    for span in (back, forward):
        for hours in (DailyHours(23 * 60, 90), DailyHours(30, 200)):
            wanted = [minute for minute in range(24 * 60) if _holds(hours, span.start + timedelta(minutes=minute))]
            found = [m for a, b in hours_of(span, hours, AZORES) for m in range(round(a * 60), round(b * 60))]
            assert found == wanted


def _holds(hours: DailyHours, moment: datetime) -> bool:
    from zoneinfo import ZoneInfo

    local = moment.astimezone(ZoneInfo(AZORES))
    minute = local.hour * 60 + local.minute
    if hours.from_minute < hours.to_minute:
        return hours.from_minute <= minute < hours.to_minute
    return minute >= hours.from_minute or minute < hours.to_minute


def test_coverage_within_hours_counts_nothing_outside_them() -> None:
    span = Span.starting(datetime(2026, 11, 25, tzinfo=UTC), 24.0)
    # Gaps from 3 to 5 h, 7 to 8 h and 20 to 23 h.
    at = np.array([0, 5, 8]) * H + span.start_us, np.array([3, 7, 20]) * H + span.start_us
    late = np.array([23]) * H + span.start_us, np.array([24]) * H + span.start_us
    whole = Coverage.from_intervals(np.append(at[0], late[0]), np.append(at[1], late[1]), span)
    night = whole.within(DailyHours(22 * 60, 4 * 60).within(span, "UTC"))
    gaps = night.gaps()
    assert gaps["duration_s"].tolist() == [3600.0, 3600.0]
    assert gaps["cut_at_start"].tolist() == [False, True]
    assert gaps["cut_at_end"].tolist() == [True, False]
    assert night.counted_us == 6 * H
    assert night.covered_fraction() == pytest.approx(4 / 6)
    summary = night.summary()
    assert (summary["span_s"], summary["gap_count"], summary["gap_mean_s"]) == (6 * 3600.0, 2, 3600.0)
    assert summary["in_view_mean"] == pytest.approx(4 / 6)
    assert night.gaps_per_hour() == pytest.approx(1 / 6)
    assert len(night.minutes()) == 6 * 60
    assert night.by_local_hour()["hour"].tolist() == [0, 1, 2, 3, 22, 23]
    assert night.by_local_hour()["gap_s"].sum() == 7200.0
    # Laws: the hours and their complement add up to the whole.
    day = whole.within(DailyHours(4 * 60, 22 * 60).within(span, "UTC"))
    assert day.gaps()["duration_s"].sum() + gaps["duration_s"].sum() == whole.gaps()["duration_s"].sum()
    assert len(whole.gaps()) == 3
    with pytest.raises(SpanError, match="hours of the day"):
        whole.within((np.array([0]), np.array([1])))


def test_between_on_the_command_line(tmp_path: Path) -> None:
    fleet = str(tmp_path / "fleet.json")
    pattern = ["--total", "60", "--planes", "6", "--phasing", "1", "--inclination", "53", "--altitude", "550"]
    done("design", *pattern, "--epoch", "2026-11-25T00:00Z", "--out", fleet)
    asked = ["--elements", fleet, "--site", "45.0,-28.0", "--zone", AZORES, "--from", "2026-11-25T00:00Z"]
    night, all_day = [*asked, "--between", "22:00-04:00"], [*asked, "--between", "00:00-24:00"]
    for command in ("gaps", "minutes", "passes", "causes"):
        rows = list(csv.DictReader(io.StringIO(done(command, *night, "--format", "csv").stdout)))
        column = next(name for name in rows[0] if name.endswith("_local"))
        hours = {datetime.fromisoformat(row[column]).hour for row in rows}
        # A pass is listed whole, and may begin before the hours do.
        assert hours <= {22, 23, 0, 1, 2, 3} | ({21} if command == "passes" else set()), command
        assert {23, 2} <= hours
        if command != "passes":
            whole = json.loads(done(command, *all_day, "--format", "json").stdout)
            assert whole["rows"] == json.loads(done(command, *asked, "--format", "json").stdout)["rows"]
            assert whole["hours_s"] == 86400.0
    answer = done("gaps", *night).stdout
    assert "in 6 h (22:00 to 04:00)" in answer
    assert "6 h (22:00 to 04:00)" in done("causes", *night, "--lower", "0-90:5").stdout
    assert "two times of the day" in refused("gaps", *asked, "--between", "night")
    assert "two different times" in refused("gaps", *asked, "--between", "8-8")
    assert "some of the span" in refused("gaps", *asked, "--hours", "1", "--between", "8-9")
