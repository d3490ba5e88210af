"""One reader for the CSV files that people write by hand: what is refused, with its line and the way out."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from passim.answers.growth.launch_plan import PLAN_COLUMNS, read_plan
from passim.answers.symptom.observations import FreezeRecord
from passim.csv_files import CsvKind, header_of, number, whole_number
from passim.errors import InputError
from passim.sky.horizon import Horizon
from passim.sky.survey_files import read_obstacles, read_sightings

NOW = datetime(2026, 11, 25, tzinfo=UTC)
PLAN_HEADER = ",".join(PLAN_COLUMNS)
PLAN_ROW = "2027-03-01,2,40,550,53,60,5"
# The reader of each kind, its header, a sound row and a cell of it that holds a number.
KINDS: dict[str, tuple[Callable[[Path], Any], str, str, str]] = {
    "horizon file": (Horizon.from_csv, "azimuth_deg,elevation_deg", "10,20", "20"),
    "sightings file": (read_sightings, "azimuth_deg,elevation_deg", "10,20", "20"),
    "obstacles file": (read_obstacles, "bearing_deg,width_m,distance_m,height_m", "10,5,30,8", "30"),
    "plan": (lambda path: read_plan(path, NOW), PLAN_HEADER, PLAN_ROW, "550"),
    "record": (FreezeRecord.from_csv, "start,duration_s", "2026-11-25T08:00:00Z,17", "17"),
}


def refusal(kind: str, path: Path) -> str:
    with pytest.raises(InputError) as refused:
        KINDS[kind][0](path)
    text = str(refused.value)
    assert text.startswith(f"{kind} {path}")
    assert "\n" not in text
    return text


@pytest.mark.parametrize("kind", KINDS)
def test_what_cannot_be_meant_is_refused_with_its_line_and_the_way_out(kind: str, tmp_path: Path) -> None:
    _, header, row, cell = KINDS[kind]
    path = tmp_path / "mine.csv"
    for wrong, line, way_out in (
        (row + ",7", 2, "try decimal points, not commas"),
        (row.replace(cell, f"{cell},5"), 2, "try decimal points, not commas"),
        (row.replace(cell, f'"{cell},5"'), 2, f"try a decimal point: {cell}.5"),
        (row.replace(cell, "1_0"), 2, "wanted "),
        (row.replace(cell, "\u0661\u0662"), 2, "wanted "),
        (row.replace(cell, "nan"), 2, "wanted "),
        (row.rpartition(",")[0], 2, "try one comma between two cells"),
        ("\n\n" + row + ",7", 4, "as in the header"),
    ):
        path.write_text(f"{header}\n{wrong}\n", encoding="utf-8")
        text = refusal(kind, path)
        assert f", line {line}" in text, wrong
        assert way_out in text, text
    path.write_text(header.replace(",", ";") + "\n", encoding="utf-8")
    assert "try commas between the cells" in refusal(kind, path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes and devices as POSIX has them")
@pytest.mark.parametrize("kind", KINDS)
def test_pipes_devices_and_folders_are_no_files(kind: str, tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.csv"
    os.mkfifo(pipe)
    for path in (pipe, Path("/dev/zero")):
        assert "got 'no regular file'" in refusal(kind, path)
    assert "got 'a folder'" in refusal(kind, tmp_path)


def test_a_file_of_the_largest_size_is_read_to_its_last_byte_and_one_byte_more_is_refused(tmp_path: Path) -> None:
    """A megabyte, as files of horizons may have, of which the last digit counts: 20,25 and not 20,2."""
    path = tmp_path / "mine.csv"
    head, last = b"azimuth_deg,elevation_deg\n10,20\n", b"20,25"
    filling = b"\n" * (1_000_000 - len(head) - len(last))
    path.write_bytes(head + filling + last)
    assert Horizon.from_csv(path).elevation_deg(20.0) == 25.0
    path.write_bytes(head + filling + b"\n" + last)
    assert "got '1000001 bytes'; wanted at most 1 MB" in refusal("horizon file", path)


def test_numbers_are_spelled_with_the_digits_0_to_9() -> None:
    for text, value in (("1", 1.0), ("-2.5", -2.5), (".5", 0.5), ("+1e3", 1000.0), ("3.", 3.0)):
        assert number(text) == value
    for text in ("1_0", "\uff11", "nan", "inf", "0x10", "1e9999", "", "1 0", "--1"):
        with pytest.raises(ValueError, match=r"^$"):
            number(text)
    for text in ("1_0", "\uff11", "1.0", "9" * 19):
        with pytest.raises(ValueError, match=r"^$"):
            whole_number(text)


def test_the_header_alone_says_which_kind_a_file_is(tmp_path: Path) -> None:
    kind = CsvKind(what="plan", columns=("date", "planes"), comments=True)
    file = tmp_path / "some.csv"
    for text, header in (
        ('# a remark\n\n date ,"planes",more\n2026-01-01,1,"cut', ["date", "planes", "more"]),
        ("date,planes\n" + "2026-01-01,1\n" * 1000, ["date", "planes"]),
        ("", []),
        ('"never closed', []),
    ):
        file.write_text(text)
        assert header_of(file, kind) == header, text
    file.write_bytes(b"d\xe9tail,planes\n")
    assert header_of(file, kind) == header_of(tmp_path / "none.csv", kind) == header_of(tmp_path, kind) == []
