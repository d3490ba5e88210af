"""Tables for people: every command's fits the width there is, whole, and each column is worded alike on every face."""

from __future__ import annotations

import ast
import csv
import io
import re
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click
import pandas as pd
import pytest

import commands
from passim import Span
from passim.workspace import create
from passim_apps.command_line import output
from passim_apps.command_line.main import main
from passim_apps.command_line.table import UNLIMITED, table_lines, width
from passim_apps.dashboard.page_model import Table
from passim_apps.dashboard.parts import csv_text, table_data
from passim_apps.report.parts import table_of
from passim_apps.text import (
    calls,
    causes,
    elements,
    gaps,
    growth,
    hindcast,
    minutes,
    mounting,
    passes,
    serving,
    sites,
    symptom,
)
from passim_apps.text.columns import (
    AGE,
    COUNT,
    DEGREES,
    DURATION,
    SHARE,
    TEXT,
    Column,
    blank_at_zero,
    cells_of,
    number,
    of_row,
    picked,
    with_offset,
    without,
)
from passim_apps.text.units import LocalClock, wrapped

AT = "2026-11-25T08:00-01:00"
SPAN = Span.starting(datetime(2026, 11, 25, tzinfo=UTC), 24.0)
CLOCK = LocalClock("Atlantic/Azores", SPAN)
SITE = ("--site", "45.0,-28.0,40")
LESSONS = """BEGIN:VCALENDAR
VERSION:2.0
PRODID:invented
BEGIN:VEVENT
UID:geometry@invented
DTSTAMP:20261124T000000Z
DTSTART:20261125T100000Z
DTEND:20261125T103000Z
SUMMARY:A lesson in geometry with a rather long name (invented)
END:VEVENT
END:VCALENDAR
"""
# What every command is asked; those without a table are named with nothing to ask, and symptom, which searches for half
# a minute: tests/test_command_symptom.py looks at its table.
ASKED: dict[str, Sequence[tuple[str, ...]]] = {
    "elements": [("--at", AT)],
    "passes": [("--at", AT, "--hours", "1")],
    "minutes": [("--at", AT, "--hours", "1")],
    "gaps": [("--at", AT, "--hours", "2")],
    "causes": [("--at", AT, "--hours", "2", *more) for more in ((), ("--limits",), ("--sectors",), ("--spot", "yard"))],
    "serving": [
        ("--at", AT, "--hours", "1", "--list", listing, "--clock", "15", "--acquisition", "2")
        for listing in ("satellites", "handovers", "freezes", "path")
    ],
    "calls": [
        ("--at", AT, "--days", "1"),
        ("--at", AT, "--days", "1", "--check", "lessons.ics"),
        ("--at", AT, "--days", "1", "--all-sites", "--top", "2"),
    ],
    "now": [("--at", AT)],
    "hindcast": [
        ("old.json", "new.json", "--hours", "6", "--step", "10", "--list", listing)
        for listing in ("scores", "ages", "satellites")
    ],
    "geometry": [("--altitude", "550", "--mask", "25", "--latitude", "45", "--inclination", "53")],
    "growth": [
        ("--at", AT, "--hours", "2", "--order", "launch"),
        ("--at", AT, "--hours", "2", "--order", "random", "--quantiles"),
        ("--at", AT, "--hours", "2", "--plan", "plan.csv"),
    ],
    "sites": [
        ("--at", AT, "--hours", "2"),
        ("--at", AT, "--hours", "1", "--latitudes", "0:60:30", "--longitudes", "2"),
        ("--at", AT, "--hours", "1", "--world", "60"),
        ("--at", AT, "--hours", "1", "--fleets", "--site", "Marram"),
    ],
    "demo": [("--at", AT)],
    "journal add": [("seen.csv", "--dry-run")],
    "journal backup": [("--switch-over", "5s", "--cost", "15", "--at", AT, "--forecast-hours", "1")],
    "journal check": [()],
    "journal uses": [()],
    "reconcile": [("--list", listing) for listing in ("events", "scores", "reliability")],
    "workspace show": [()],
    "survey record": [()],
    "survey mast": [
        ("--at", AT, "--hours", "1", "--file", "obstacles.csv", "--from-height", "2", "--to-height", "3"),
    ],
    "survey spots": [("--at", AT, "--hours", "1")],
    "survey portable": [("--at", AT, "--hours", "1", *SITE)],
    **dict.fromkeys(
        [
            "symptom", "design", "report", "dashboard", "workspace add", "workspace check", "workspace new",
            "workspace undo", "workspace calendar", "survey obstacles", "survey sheet", "survey sighted",
            "survey stretches", "journal export", "probe",
            "update",  # wants a server: see test_command_update
            "fit",  # wants a record of the sky: see test_fit
        ],
        (),
    ),
}  # fmt: skip


def all_commands(group: click.Group, before: str = "") -> Iterator[str]:
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        if isinstance(command, click.Group) and name != "add":
            yield from all_commands(command, f"{before}{name} ")
        else:
            yield f"{before}{name}"


def run(*arguments: str) -> str:
    return commands.finished(commands.run(*arguments)).stdout


@pytest.fixture(scope="module")
def school(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made") / "school"
    create(folder, demo=True, at=datetime.fromisoformat(AT))
    for name, at in (("old", "2026-11-24T08:00-01:00"), ("new", AT)):
        run("elements", "--workspace", str(folder), "--at", at, "--out", str(folder / f"{name}.json"))
    (folder / "lessons.ics").write_text(LESSONS.replace("\n", "\r\n"), encoding="utf-8")
    freezes = [f"2026-11-25T{8 + k // 12:02d}:{k % 12 * 5:02d}:00-01:00,{8 + k},line" for k in range(40)]
    (folder / "seen.csv").write_text("\n".join(["start,duration_s,where", *freezes]), encoding="utf-8")
    run("journal", "add", str(folder / "seen.csv"), "--workspace", str(folder))
    (folder / "obstacles.csv").write_text("bearing_deg,width_m,distance_m,height_m\n300,8,12,11\n", encoding="utf-8")
    return folder


def rows_of(text: str) -> tuple[list[list[str]], list[str]]:
    """Return the cells of the lines under the rule of a table, up to a blank line, and these lines."""
    lines = text.splitlines()
    rules = [k for k, line in enumerate(lines) if set(line.strip()) == {"─"}]
    if not rules:
        return [], []
    body = lines[rules[0] + 1 :]
    body = body[: body.index("") if "" in body else len(body)]
    return [re.split(r"\s{2,}", line.strip()) for line in body], body


def is_part(few: list[str], many: list[str]) -> bool:
    rest = iter(many)
    return all(cell in rest for cell in few)


def test_every_table_fits_the_width_and_no_cell_is_cut(school: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert set(all_commands(main)) == set(ASKED)
    monkeypatch.chdir(school)
    drawn: list[tuple[output.Answer, Any]] = []
    draw = output._people_text

    def recorded(answer: output.Answer, choice: Any) -> str:
        drawn.append((answer, choice))
        return draw(answer, choice)

    monkeypatch.setattr(output, "_people_text", recorded)
    wrong: list[str] = []
    for command, questions in ASKED.items():
        for question in questions:
            asked = f"passim {command} {' '.join(question)}"
            monkeypatch.setenv("COLUMNS", "80")
            before = len(drawn)
            printed = run(*command.split(), *question)
            assert len(drawn) > before, f"{asked}: no table"
            answer, choice = drawn[-1]
            monkeypatch.setenv("COLUMNS", "4000")
            whole, _ = rows_of(draw(answer, choice))
            assert whole or answer.rows.empty, asked
            for most, text in (("80", printed), ("120", None)):
                monkeypatch.setenv("COLUMNS", most)
                text = draw(answer, choice) if text is None else text
                long = [line for line in text.splitlines() if len(line) > int(most)]
                if long:
                    wrong.append(f"{asked}: at {most} {long[0]}")
                wrong += [f"{asked}: at {most} {fault}" for fault in faults(text, whole)]
    assert not wrong, "\n".join(wrong)


def faults(text: str, whole: list[list[str]]) -> Iterator[str]:
    """Say where the rows of a table are not those of the whole one, but for columns that it says are left out."""
    cells, lines = rows_of(text)
    note = re.search(r"- Left out at a width of \d+: ([^.]*)\.", " ".join(text.split()))
    left_out = len(note[1].split(", ")) if note else 0
    rows: list[tuple[list[str], list[str]]] = []
    for few, line in zip(cells, lines, strict=True):
        if len(rows) < len(whole) and is_part(few, whole[len(rows)]):
            rows.append((few, []))
        elif rows:
            rows[-1][1].append(line.strip())
        else:
            yield f"a row that the whole table has not: {line}"
    if len(rows) != len(whole):
        yield f"{len(rows)} rows of {len(whole)}"
    for (few, prose), many in zip(rows, whole, strict=False):
        under = " ".join(prose)
        missing = [cell for cell in many if cell not in few and " ".join(cell.split()) not in under]
        if len(missing) > left_out:
            yield f"lost {missing} of {many}"


# --- one table at a time ----------------------------------------------------------------------------------------------

FOUR = [
    Column("name", "Name of it", TEXT),
    Column("story", "What it is", TEXT, below=True),
    Column("count", "How many there are of it", COUNT, 2),
    Column("share", "Share", SHARE, 1),
    Column("nothing", "Never filled", TEXT),
]
ROWS = pd.DataFrame(
    {
        "name": ["Marram", "Skerry"],
        "story": ["a word, " * 5 + "a word", "b"],
        "count": [12345, 7],
        "share": [0.5, 1.0],
        "nothing": "",
    }
)


def test_a_table_gives_way_step_by_step() -> None:
    cells = cells_of(FOUR, ROWS)
    wide, left_out = table_lines(cells, 200)
    assert not left_out
    assert "How many there are of it" in wide[1], "the heading in one line where there is room"
    assert "Never filled" not in "".join(wide)
    kept = [
        (most, max(map(len, lines)), [column.key for column in out])
        for most in range(200, 9, -1)
        for lines, out in [table_lines(cells, most)]
    ]
    assert all(longest <= most for most, longest, _ in kept if most > 20)
    # Headings are broken first, then the story goes below, then the columns go, the least important first.
    assert [out for k, (_, _, out) in enumerate(kept) if not k or out != kept[k - 1][2]] == [
        [],
        ["count"],
        ["count", "share"],
    ]
    most = next(most for most, _, out in kept if out)
    narrow, _ = table_lines(cells, most)
    assert sum("a word" in line for line in narrow) > 1
    assert any("Marram" in line and "a word" not in line for line in narrow)
    # What always stays is never cut, however narrow the window.
    tiny, left_out = table_lines(cells, 3)
    assert any(line.strip() == "Marram" for line in tiny)
    assert [column.key for column in left_out] == ["count", "share"]


def test_the_width_is_that_of_columns_and_a_pipe_without_it_has_none(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    assert width() == 80
    for nothing in ("", "0", "-5", "wide", "٣"):
        monkeypatch.setenv("COLUMNS", nothing)
        assert width() == UNLIMITED
    monkeypatch.delenv("COLUMNS")
    assert width() == UNLIMITED


def test_lines_break_between_words_but_not_between_a_number_and_its_unit() -> None:
    words = "the longest 2 min 11 s, covered 87.0 % of the time, in /a/path/that/is/longer/than/a/line"
    assert wrapped(words, 22) == [
        "the longest", "2 min 11 s, covered", "87.0 % of the time, in", "/a/path/that/is/longer/than/a/line"
    ]  # fmt: skip
    assert wrapped("one two three four five", 20, "- ", "  ") == ["- one two three four", "  five"]


def test_columns_are_picked_by_their_keys_in_the_order_declared() -> None:
    assert [column.key for column in picked(FOUR, "share", "name")] == ["name", "share"]
    assert [column.key for column in without(FOUR, "share", "nothing")] == ["name", "story", "count"]
    for choose in (picked, without):
        with pytest.raises(KeyError):
            choose(FOUR, "elsewhere")


def test_offsets_stand_in_the_headings_that_carry_them() -> None:
    headings = [column.heading for column in with_offset(gaps.gap_columns(CLOCK), CLOCK)]
    assert headings == ["Day", "Start (UTC-01:00)", "End", "Length", "Cut"]
    assert [c.heading for c in with_offset(gaps.gap_columns(CLOCK), None)][1] == "Start"


def test_values_that_are_not_known_leave_their_cell_empty() -> None:
    row = pd.DataFrame({"a": [float("nan")], "b": [None], "c": [0.0], "d": [-0.21]}).itertuples(index=False)
    (known,) = row
    formats = {"a": DURATION, "b": TEXT, "c": blank_at_zero(DURATION), "d": number(2, " s")}
    assert [Column(key, key, each).cell(known) for key, each in formats.items()] == ["", "", "", "-0.21 s"]
    assert Column("x", "x", of_row(lambda row: f"{row.c:g}\x1b")).cell(known) == "0\\x1b"
    assert Column("c", "c", AGE).cell(known) == "0 min"


# --- all faces, all columns -------------------------------------------------------------------------------------------

GROWN = ["satellites", "gap_fraction", "gap_count", "mean_gap_s", "longest_gap_s", "median_gap_s", "p90_gap_s"]
DECLARED: dict[str, list[Column]] = {
    "calls": [*calls.plan_columns(CLOCK), *calls.HOUR_COLUMNS, *calls.GAIN_COLUMNS, *calls.check_columns(CLOCK)],
    "causes": [*causes.cause_gap_columns(CLOCK), *causes.limit_columns(86400.0), *causes.sector_columns(86400.0)],
    "elements": [
        *elements.SHELL_COLUMNS,
        *elements.STATUS_COLUMNS,
        *elements.object_columns(SPAN.start),
        *elements.change_columns(),
    ],
    "passes": passes.pass_columns(CLOCK),
    "gaps": [*gaps.day_columns(CLOCK), *gaps.hour_columns(CLOCK), *minutes.minute_columns(CLOCK)],
    "growth": [*growth.growth_columns(GROWN), *growth.AHEAD_COLUMNS, *growth.NEEDED_COLUMNS],
    "hindcast": [*hindcast.SCORE_COLUMNS, *hindcast.AGE_COLUMNS, *hindcast.SATELLITE_COLUMNS],
    "mounting": [*mounting.MAST_COLUMNS, *mounting.SPOT_COLUMNS, *mounting.PORTABLE_COLUMNS],
    "serving": [*serving.turn_columns(CLOCK), *serving.handover_columns(CLOCK), *serving.path_columns(CLOCK)],
    "sites": [*sites.SITE_COLUMNS, *sites.LATITUDE_COLUMNS, *sites.WORLD_COLUMNS, *sites.FLEET_COLUMNS],
    "symptom": list(symptom.COLUMNS),
}


def test_thousands_stand_apart_in_every_column() -> None:
    wrong, looked_at = [], 0
    for question, columns in DECLARED.items():
        for column in columns:
            worded = column.format.numeric and not column.format.of_row and column.format not in (SHARE, DEGREES)
            if not worded or column.key in ("date", "epoch"):
                continue
            looked_at += 1
            for value in (12345, 12345.0, 1234567890):
                words = column.format.words(value)
                if re.search(r"(?<![.\d])\d{4}", words):
                    wrong.append(f"{question} {column.heading}: {words}")
    assert looked_at > 40
    assert not wrong, "\n".join(wrong)


def test_no_text_tells_a_length_without_its_thousands() -> None:
    root = Path(__file__).resolve().parent.parent
    wrong = []
    rooms = ("text", "report", "figures", "commands", "command_line")
    for path in sorted(path for room in rooms for path in (root / "apps" / room).glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.JoinedStr):
                wrong += [f"{path.relative_to(root)}:{node.lineno}" for _ in bare_lengths(node)]
    assert not wrong, "\n".join(wrong)


def bare_lengths(text: ast.JoinedStr) -> Iterator[ast.FormattedValue]:
    """Give the lengths in an f-string that stand as words of their own, without thousands set apart."""
    before = " "
    for part in text.values:
        if isinstance(part, ast.Constant):
            before = str(part.value)
        elif isinstance(part, ast.FormattedValue):
            is_length = isinstance(part.value, ast.Call) and getattr(part.value.func, "id", "") == "len"
            if is_length and part.format_spec is None and not before[-1:].isalnum():
                yield part
            before = "x"


def test_every_face_words_a_table_alike() -> None:
    lines, left_out = table_lines(cells_of(FOUR, ROWS), UNLIMITED)
    page, report = table_data(Table(ROWS, FOUR), "Four"), table_of("four", "Four", FOUR, ROWS)
    assert not left_out
    headings = [column.heading for column in report.cells.columns]
    assert page["headings"] == headings == re.split(r"\s{2,}", lines[1].strip())
    assert page["numeric"] == [False, False, True, True]
    on_terminal, _ = rows_of("\n".join(lines))
    assert page["rows"] == report.cells.rows == on_terminal
    assert page["rows"][0][2:] == ["12,345", "50.0 %"]
    assert (page["printed"], page["paper"]) == (len(ROWS), "")
    # Of a long table the page may print a few rows, and says where the others are.
    few = table_data(Table(ROWS, FOUR, on_paper=1), "Four")
    assert few["rows"] == page["rows"]
    left = len(ROWS) - 1
    assert few["paper"] == f"1 of {len(ROWS)} rows are printed; the other {left} are on the page."
    # A page gives a browser so many rows of a table at most, or as many as its kind needs.
    many = pd.concat([ROWS] * 40, ignore_index=True)
    for most, printed in ((None, 60), (70, 70), (10_000, len(many))):
        long = table_data(Table(many, FOUR, most_rows=most), "Four")
        left = len(many) - printed
        assert (len(long["rows"]), long["printed"]) == (printed, printed)
        assert long["paper"].startswith(f"{printed} of {len(many)} rows are printed; the other {left} " if left else "")
        assert bool(long["paper"]) == bool(left)
    # Control characters of a file reach no face.
    evil = cells_of([Column("name", "Name", TEXT)], pd.DataFrame({"name": ["A\x1b[2J"]}))
    assert evil.rows == [["A\\x1b[2J"]]


def test_files_that_hold_for_one_site_name_it_in_each_row(school: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(school)
    for question in (
        ("growth", "--at", AT, "--hours", "1", "--plan", "plan.csv"),
        ("growth", "--at", AT, "--hours", "1", "--order", "launch"),
        ("gaps", "--at", AT, "--hours", "2"),
        ("survey", "spots", "--at", AT, "--hours", "1"),
        ("sites", "--fleets", "--site", "Marram", "--at", AT, "--hours", "1"),
    ):
        rows = list(csv.DictReader(io.StringIO(run(*question, "--format", "csv"))))
        assert rows, question
        assert {row["site"].partition(" ")[0] for row in rows} == {"Marram"}, question
    # The same on a page, but for what holds for the whole Earth or for the elements alone.
    assert csv_text(Table(ROWS, FOUR), "Marram loft").splitlines()[0].endswith(",site")
    assert csv_text(Table(ROWS, FOUR), "Marram loft").splitlines()[2].endswith(",Marram loft")
    assert not csv_text(Table(ROWS, FOUR, of_site=False), "Marram loft").splitlines()[0].endswith(",site")
    named = csv_text(Table(ROWS.assign(site="Skerry"), FOUR), "Marram loft")
    assert "Marram loft" not in named
