"""A record of freezes that was handed in on the Sky page: read whole or not at all, kept as plain numbers."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from passim import Span
from passim.answers.symptom.match import FreezeRecord
from passim.errors import InputError
from passim_apps.dashboard.pages.sky import record as sky_record
from tests import scenario

START = datetime(2026, 11, 25, 8, 2, 10, tzinfo=UTC)


def text_of(freezes: int, minutes: float = 8.0) -> str:
    starts = [START + timedelta(minutes=minutes * k) for k in range(freezes)]
    return "\n".join(["start,duration_s", *(f"{start.isoformat()},{20 + k % 5}" for k, start in enumerate(starts))])


def test_a_record_is_what_the_command_reads(tmp_path: Any) -> None:
    data = b"\xef\xbb\xbf" + text_of(12).encode()
    (tmp_path / "freezes.csv").write_bytes(data)
    own = FreezeRecord.from_csv(tmp_path / "freezes.csv")
    found = sky_record.read("C:\\notes\\freezes.csv", data)
    assert found.name == "freezes.csv"
    np.testing.assert_array_equal(found.freezes.start_us, own.start_us)
    np.testing.assert_array_equal(found.freezes.end_us, own.end_us)
    assert sky_record.words(found) == "freezes.csv: 12 freezes, 20 to 24 s long, in 88 min"


def test_a_browser_gives_back_what_it_kept() -> None:
    found = sky_record.read("freezes.csv", text_of(12).encode())
    again = sky_record.sound(json.loads(json.dumps(found.retained())))
    assert again is not None
    assert again.key == found.key
    assert again.name == found.name


def test_what_cannot_be_used_is_named_in_one_line(subtests: pytest.Subtests) -> None:
    for data, message in [
        (b"", "record freezes.csv, line 1; got 'nothing'; wanted the header start,end or start,duration_s"),
        (text_of(9).replace(",23", ",long").encode(), "record freezes.csv, line 5; got 'long'; wanted a length"),
        (
            b"start,end\n2026-11-25T08:00,2026-11-25T08:01\n",
            "record freezes.csv, line 2; got 2026-11-25 08:00:00; wanted a time with",
        ),
        (text_of(4).encode(), "record of freezes; got '4 freezes'; wanted at least 5"),
        (b"\xff\xfe", "record freezes.csv; got 'text that is not UTF-8'"),
        (text_of(2001).encode(), "record freezes.csv; got '2,001 freezes'; wanted at most 2,000"),
        (
            text_of(20, 1440.0).encode(),
            "record freezes.csv; got '19.0 days from first to last'; wanted at most 14 days",
        ),
        (b"x" * 1_000_001, "record freezes.csv; got '1,000,001 bytes'; wanted at most 1 MB"),
        (b"start,duration_s\n9999-12-31T23:59:59Z,20\n", "record freezes.csv, line 2; got 9999-12-31 23:59:59+00:00"),
        (b"start,end\n" + b"9" * 200_000, "record freezes.csv; got"),
        (text_of(9).replace("2026", "1966").encode(), "record freezes.csv; got '9 freezes, "),
        (text_of(9).replace("2026", "1926").encode(), "record freezes.csv, line 2; got 1926-11-25 08:02:10+00:00"),
    ]:
        with subtests.test(data=data, message=message):
            with pytest.raises(InputError) as caught:
                sky_record.read("freezes.csv", data)
            assert str(caught.value).startswith(message)
            assert "\n" not in str(caught.value)
            # Neither the place where it was read nor an option of the command line is told.
            assert "passim-record" not in str(caught.value)
            assert "--" not in str(caught.value)


def test_what_a_browser_kept_is_looked_at_before_it_is_used() -> None:
    kept = sky_record.read("freezes.csv", text_of(12).encode()).retained()
    for damaged in (
        None, [], {}, "x", {**kept, "start_ms": kept["start_ms"][1:]}, {**kept, "end_ms": None},
        {**kept, "start_ms": [0.5] * 12}, {**kept, "start_ms": [True] * 12}, {**kept, "end_ms": [1e300] * 12},
        {**kept, "start_ms": kept["end_ms"], "end_ms": kept["start_ms"]}, {**kept, "end_ms": [10**15] * 12},
        {"name": "x", "start_ms": kept["start_ms"] * 500, "end_ms": kept["end_ms"] * 500},
    ):  # fmt: skip
        assert sky_record.sound(damaged) is None
    assert sky_record.sound({**kept, "name": "a\x1b" * 200}).name == ("a\\x1b" * 200)[:80]


def test_elements_far_from_a_record_are_refused() -> None:
    fleet, span = scenario.plover(START.replace(hour=0, minute=0, second=0)), Span.starting(START, 3.0)
    sky_record.check_age(fleet, span)
    with pytest.raises(
        InputError, match=r"^elements are 25.4 days old at the middle of the record .*; wanted at most 14 days"
    ):
        sky_record.check_age(fleet, Span.starting(START + timedelta(days=25), 3.0))
