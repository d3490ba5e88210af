"""``passim calls`` and ``passim now`` on the invented scenario: words, rows, files, what changed, and bad input."""

from __future__ import annotations

import csv
import io
import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from click.testing import Result

import commands
import passim
from passim.answers.symptom import match
from passim.answers.symptom.settings import Grid
from passim.workspace import create
from passim_apps.text.units import duration
from snapshots import older_snapshot
from tests import scenario

AT = "2026-11-25T08:00:00Z"
# The commands that refuse elements over 14 days old, with what they need here.
COMMANDS_ABOUT_TIMES = [
    ("calls", "--hours", "3"),
    ("now",),
    ("gaps", "--hours", "3"),
    ("minutes", "--hours", "3"),
    ("passes", "--hours", "3"),
    ("causes", "--hours", "3"),
    ("serving", "--hours", "3"),
    ("growth", "--hours", "3"),
    ("sites", "--hours", "3"),
    ("symptom", "--hours", "3", "--every", "3-5min", "--length", "5-30s", "--top", "1"),
]
FROZEN_ANYWAY = (
    "If calls freeze all the same, look at your house network first (try a cable in place of the wireless), then "
    "record the line"
)
ICS = "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//invented//EN\r\n{}END:VCALENDAR\r\n"


def event(uid: str, start: str, end: str, *more: str) -> str:
    lines = [
        "BEGIN:VEVENT",
        f"UID:{uid}",
        f"SUMMARY:{uid}",
        f"DTSTART:{start}",
        f"DTEND:{end}",
        *more,
        "END:VEVENT",
        "",
    ]
    return "\r\n".join(lines)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A workspace with the invented scenario."""
    create(tmp_path / "demo", demo=True)
    return tmp_path / "demo"


def run(folder: Path, command: str, *arguments: str, at: str = AT) -> Result:
    given = [command, "--workspace", str(folder), "--at", at, *arguments]
    return commands.run(*given)


def done(folder: Path, command: str, *arguments: str, at: str = AT) -> Result:
    return commands.finished(run(folder, command, *arguments, at=at))


def refused(folder: Path, command: str, *arguments: str, at: str = AT) -> str:
    return commands.refusal(run(folder, command, *arguments, at=at))


# --- calls ------------------------------------------------------------------------------------------------------------


def test_the_best_start_is_in_the_afternoon(folder: Path) -> None:
    lines = done(folder, "calls", "--days", "1").stdout.splitlines()
    assert lines[0].startswith("Best start for a live video lesson of 30 min: ")
    assert lines[0].endswith(" on Wed 25 Nov, no freeze expected.")
    assert lines[1].startswith("Looked at Wed 25 to Thu 26 Nov, 08:00 to 18:00, Mon to Fri: a random start meets ")
    assert lines[2] == "Every start from noon on is equally good: no freeze expected."
    assert "Start (UTC-01:00)" in lines[4]
    assert "Elements' age" in lines[4]
    (ages,) = [line for line in lines if "Elements: " in line]
    assert ages.startswith("- Elements: 9 h old at the first start, ")
    assert " at the last: " in ages
    assert ": predicted times are good to about a second (timing error " in ages
    text = " ".join(lines)
    assert "a freeze counts from 0.5 s, is a pause from 5 s, and ends the call from 30 s" in text
    assert "not a promise of service" in text


def test_hours_may_be_said_in_whole_hours_and_the_workspace_says_the_kind(folder: Path) -> None:
    told = json.loads(done(folder, "calls", "--days", "1", "--between", "9-17", "--format", "json").stdout)
    assert told["hours"] == "09:00 to 17:00, Mon to Fri"
    assert told["kind"]["name"] == "lesson"
    file = folder / "passim.toml"
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace('kind = "lesson"', 'kind = "video"', 1), encoding="utf-8")
    assert " for a video call of 30 min: " in done(folder, "calls", "--days", "1").stdout.splitlines()[0]
    file.write_text(text.replace('kind = "lesson"', 'kind = "chat"', 1), encoding="utf-8")
    assert "kind of call; got 'chat'; wanted one of video, lesson, voice" in refused(folder, "calls", "--days", "1")


def test_hours_for_calls_may_go_over_midnight(folder: Path) -> None:
    hours = ["--days", "2", "--between", "22:00-04:00", "--weekdays", "wed", "--format", "csv"]
    rows = list(csv.DictReader(io.StringIO(done(folder, "calls", *hours).stdout)))
    local = [row["start_local"][:16] for row in rows]
    assert local
    assert all("2026-11-25T22:00" <= start <= "2026-11-26T03:30" for start in local)
    assert "22:00 to 04:00, Wed" in done(folder, "calls", *hours[:-2]).stdout


def test_an_even_window_is_said_to_be_one(folder: Path) -> None:
    line, beside = done(folder, "calls", "--days", "1", "--between", "13:00-18:00").stdout.splitlines()[:2]
    assert line == "Every start from noon on is equally good: no freeze expected, as far as the sky goes."
    # Whoever sees freezes all the same is told at once where to look for them.
    assert beside == f"{FROZEN_ANYWAY} with passim probe."


def test_csv_and_json_hold_the_same_rows(folder: Path) -> None:
    options = ["--days", "2", "--between", "8:00-12:00", "--weekdays", "wed-fri", "--top", "3", "--minutes", "20"]
    as_json = json.loads(done(folder, "calls", *options, "--format", "json").stdout)
    as_csv = list(csv.DictReader(io.StringIO(done(folder, "calls", *options, "--format", "csv").stdout)))
    assert len(as_json["rows"]) == 3
    assert [row["start"] for row in as_csv] == [row["start"] for row in as_json["rows"]]
    for row in as_json["rows"]:
        assert row["start_local"].endswith("-01:00")
        assert "08:00" <= row["start_local"][11:16] <= "11:40"
        assert row["band"] in ("normal", "odds beside times")
    assert as_json["kind"]["sources"]["ends_from_s"].startswith("RFC 7675")
    assert as_json["hours"] == "08:00 to 12:00, Wed to Fri"
    assert as_json["gain"]["worth_choosing"] is True
    assert as_json["span"] == {"start": "2026-11-25T08:00:00.000Z", "end": "2026-11-27T08:00:00.000Z"}


def test_a_kind_of_the_workspace(folder: Path) -> None:
    file = folder / "passim.toml"
    more = '[[calls.kinds]]\nname = "choir"\nwords = "choir practice"\npause_from_s = 12.0\n\n[[calls.kinds]]\n'
    file.write_text(f'{file.read_text(encoding="utf-8")}\n{more}name = "stream"\nbuffer_s = 60.0\n', encoding="utf-8")
    text = done(folder, "calls", "--days", "1", "--kind", "choir").stdout
    assert "Choir practice: a freeze counts from 0.5 s, is a pause from 12 s, and ends the call from 30 s." in text
    kind = json.loads(done(folder, "now", "--kind", "stream", "--format", "json").stdout)["kind"]
    assert (kind["buffer_s"], kind["sources"]["buffer_s"]) == (60.0, "this workspace")
    # The longest gap of the day is 44 s, so a minute in hand carries a stream through the morning.
    line = done(folder, "calls", "--days", "1", "--kind", "stream", "--between", "8:00-12:00").stdout.splitlines()[0]
    assert line.startswith("Every start before noon is equally good: no freeze expected")
    file.write_text(f"{file.read_text(encoding='utf-8')}ends_from_s = 1.0\n", encoding="utf-8")
    assert "calls.kinds.stream: thresholds of the kind of call stream" in refused(folder, "calls", "--kind", "stream")


def test_busy_times_are_avoided(folder: Path, tmp_path: Path) -> None:
    busy = tmp_path / "busy.ics"
    busy.write_text(ICS.format(event("fair", "20261125T120000Z", "20261125T190000Z")), encoding="utf-8", newline="")
    rows = json.loads(done(folder, "calls", "--days", "1", "--busy", str(busy), "--format", "json").stdout)["rows"]
    assert all(row["end"] <= "2026-11-25T12:00:00.000Z" for row in rows if row["start"] < "2026-11-25T19:00:00.000Z")
    whole = ICS.format(event("camp", "20261124T000000Z", "20261129T000000Z"))
    busy.write_text(whole, encoding="utf-8", newline="")
    text = done(folder, "calls", "--days", "1", "--busy", str(busy)).stdout
    assert text.startswith(
        "No start is free: each one clashes with a busy time. Looked at Wed 25 to Thu 26 Nov, 08:00 to 18:00, Mon to "
        "Fri."
    )


def test_a_calendar_is_written_and_updated(folder: Path, tmp_path: Path) -> None:
    target = tmp_path / "out.ics"
    first = done(folder, "calls", "--days", "1", "--ics", str(target), "--top", "2")
    assert f"Wrote 2 calls to {target}: 2 new." in first.stdout
    text = target.read_bytes().decode().replace("\r\n ", "")
    assert text.count("BEGIN:VEVENT") == 2
    assert "SUMMARY:Good time for a live video lesson (Marram loft)" in text
    assert "DESCRIPTION:Expected freezes: 0.0" in text
    starts = [line[8:] for line in text.split("\r\n") if line.startswith("DTSTART:")]
    rows = json.loads(done(folder, "calls", "--days", "1", "--top", "2", "--format", "json").stdout)["rows"]
    assert starts == sorted(row["start"].replace("-", "").replace(":", "").replace(".000", "") for row in rows)
    again = done(folder, "calls", "--days", "1", "--ics", str(target), "--top", "2")
    assert f"Wrote 2 calls to {target}: 2 as before." in again.stdout
    # What passim wrote itself takes no time away, and is checked all the same.
    checked = done(folder, "calls", "--days", "1", "--check", str(target)).stdout
    assert checked.startswith("2 calls of out.ics: 2 with a good start.")
    free = tmp_path / "free.ics"
    entry = event("Maybe", "20261125T100000Z", "20261125T104500Z", "TRANSP:TRANSPARENT")
    free.write_text(ICS.format(entry), encoding="utf-8", newline="")
    line = done(folder, "calls", "--days", "1", "--check", str(free)).stdout.splitlines()[0]
    assert line == "No call of free.ics could be checked: 1 marked as taking no time."
    assert target.read_bytes().decode().count("BEGIN:VEVENT") == 2


def test_given_calls_are_checked_and_changes_told(folder: Path, tmp_path: Path) -> None:
    lessons = tmp_path / "lessons.ics"
    lessons.write_text(
        ICS.format(
            event("Geometry", "20261125T100000Z", "20261125T104500Z")
            + event("Choir", "20261125T160000Z", "20261125T164500Z")
            + event("Art", "20261125T170000Z", "20261125T174500Z", "STATUS:CANCELLED")
        ),
        encoding="utf-8",
        newline="",
    )
    options = ["--days", "1", "--check", str(lessons)]
    first = done(folder, "calls", *options).stdout.splitlines()
    assert first[0].startswith("2 calls of lessons.ics: 1 with a good start; the worst, Geometry at 09:00 on Wed 25 ")
    assert "; a start at " in first[0]
    row = next(line for line in first if "Geometry" in line and "09:45" in line)
    assert " for " in row
    assert "none" in next(line for line in first if "Choir" in line and "15:00" in line)
    assert f"{lessons}: 1 cancelled, left out." in " ".join(first)
    rows = json.loads(done(folder, "calls", *options, "--format", "json").stdout)["rows"]
    assert [r["freezes"] == "" for r in rows] == [False, True]


def test_every_call_that_the_elements_tell_is_judged_and_the_others_are_named(folder: Path, tmp_path: Path) -> None:
    """Elements of the 25th tell single calls to the 2nd, 7 days on: by hand the daily lesson has 7 from now on."""
    lessons = tmp_path / "lessons.ics"
    given = event("Geometry", "20261123T100000Z", "20261123T104500Z", "RRULE:FREQ=DAILY;UNTIL=20261205T235959Z")
    given += event("Choir", "20261126T160000Z", "20261126T164500Z", "LOCATION:Skerry")
    given += event("Odd", "20261126T160000Z", "20261126T164500Z", "RRULE:FREQ=DAILY;BYMONTH=13")
    lessons.write_text(ICS.format(given), encoding="utf-8", newline="")
    told = json.loads(done(folder, "calls", "--check", str(lessons), "--format", "json").stdout)
    assert [row["start"][:13] for row in told["rows"]] == [f"2026-{day}T10" for day in
        ("11-25", "11-26", "11-27", "11-28", "11-29", "11-30", "12-01")]  # fmt: skip
    notes = " ".join(told["notes"])
    assert "Not checked, because it is already over: Geometry (2 times)." in notes
    assert "Not checked, because it is at another site, Skerry: Choir." in notes
    assert (
        "Not checked, because elements are over 7 days old by then, too old to tell single calls: Geometry (4 times)."
    ) in notes
    assert (
        "Not checked, because the rule by which it repeats cannot be followed (BYMONTH=13 in place of 1 to 12): Odd"
        in notes
    )
    assert "counts as busy" not in notes
    assert told["answer"].startswith("7 calls of lessons.ics (")
    # Asked for fewer days, those after them are named too.
    fewer = json.loads(done(folder, "calls", "--check", str(lessons), "--days", "2", "--format", "json").stdout)
    assert len(fewer["rows"]) == 2
    assert "Not checked, because it comes after the days asked about: Geometry (5 times)." in " ".join(fewer["notes"])
    # At Skerry itself the choir is judged.
    there = json.loads(done(folder, "calls", "--check", str(lessons), "--site", "Skerry", "--format", "json").stdout)
    assert "Choir" in [row["title"] for row in there["rows"]]


def test_the_same_question_asked_the_next_day_tells_what_has_changed(
    folder: Path, tmp_path: Path, two_snapshots: list[str]
) -> None:
    older, newer, _ = (["--elements", path] for path in two_snapshots)
    lessons = tmp_path / "lessons.ics"
    lessons.write_text(
        ICS.format(event("Geometry", "20261127T100000Z", "20261127T104500Z")), encoding="utf-8", newline=""
    )
    news = "ince the last answer"
    for asked in ([], ["--check", str(lessons)]):
        assert news not in done(folder, "calls", *asked, *older, at="2026-11-25T08:00:00Z").stdout
        assert news in done(folder, "calls", *asked, *newer, at="2026-11-26T08:30:00Z").stdout, asked


@pytest.fixture
def two_snapshots(tmp_path: Path) -> list[str]:
    """Files of the same orbits with elements of 18:00 and of midnight; in the second, a few satellites come later."""
    newer = scenario.plover(datetime(2026, 11, 25, tzinfo=UTC))
    late_s = np.zeros(len(newer))
    paths = [str(tmp_path / f"{name}.json") for name in ("older", "newer", "moved")]
    passim.write_elements(older_snapshot(newer, 0.25, late_s), paths[0])
    passim.write_elements(newer, paths[1])
    late_s[:] = np.random.default_rng(5).normal(0.0, 40.0, len(newer))
    passim.write_elements(older_snapshot(newer, -0.05, late_s), paths[2])
    return paths


def test_only_newer_elements_for_the_same_question_have_changed_anything(
    folder: Path, tmp_path: Path, two_snapshots: list[str]
) -> None:
    lessons = tmp_path / "lessons.ics"
    given = event("Geometry", "20261125T100000Z", "20261125T104500Z") + event(
        "Choir", "20261125T160000Z", "20261125T164500Z"
    )
    lessons.write_text(ICS.format(given), encoding="utf-8", newline="")
    options = ["--days", "1", "--check", str(lessons)]
    older, newer, moved = (["--elements", path] for path in two_snapshots)
    nothing, news = "Nothing noticeable has changed since the last answer.", "ince the last answer"
    assert news not in done(folder, "calls", *options, *older).stdout
    assert nothing in done(folder, "calls", *options, *newer).stdout
    # The same elements, or older ones, are no news; and another question has no last answer.
    assert news not in done(folder, "calls", *options, *newer).stdout
    assert news not in done(folder, "calls", *options, *older).stdout
    for other in (
        ["--without", "gateway"],
        ["--mask", "26"],
        ["--kind", "voice"],
        ["--between", "8-17"],
        ["--busy", str(lessons)],
        ["--spot", "yard"],
        ["--hours", "23"],
    ):
        asked = options[2:] if "--hours" in other else options
        assert news not in done(folder, "calls", *asked, *other, *newer).stdout, other
    told = json.loads(done(folder, "calls", *options, *moved, "--format", "json").stdout)
    assert "Since the last answer " in told["answer"]
    assert {change["title"] for change in told["changes"]} <= {"Geometry", "Choir"}
    # A damaged memory is told of and replaced.
    (folder / "last-calls.json").write_text("{", encoding="utf-8")
    damaged = done(folder, "calls", *options, *older).stdout
    assert "The last answer cannot be compared with this one, which takes its place: kept answers, " in damaged
    assert nothing in done(folder, "calls", *options, *newer).stdout


@pytest.fixture
def old(tmp_path: Path) -> str:
    """A file with elements of the 25th."""
    path = tmp_path / "plover.json"
    passim.write_elements(scenario.plover(datetime(2026, 11, 25, tzinfo=UTC)), path)
    return str(path)


# What is said of elements in each band.
BAND_WORDS = {
    "normal": "predicted times are good to about a second",
    "odds beside times": "short gaps may come and go",
    "odds only": "seconds",
    "statistics only": "no longer predictable",
}


@pytest.mark.parametrize(
    ("day", "band"),
    [("11-25", "normal"), ("11-27", "odds beside times"), ("11-30", "odds only"), ("12-04", "statistics only")],
)
def test_each_answer_says_which_band_it_is_in(old: str, folder: Path, day: str, band: str) -> None:
    at = f"2026-{day}T09:00:00Z"
    said = json.loads(done(folder, "now", "--elements", old, "--format", "json", at=at).stdout)
    assert said["band"] == band
    assert (said["next_gap"] is None) == (band not in ("normal", "odds beside times"))
    asked = ["--elements", old, "--hours", "10"]
    text = done(folder, "calls", *asked, at=at).stdout
    assert ("by local hour" in text.splitlines()[1]) == (band == "statistics only")
    assert text.startswith("Elements 9.") == (band == "statistics only")
    assert "days old" in text or " h old" in text
    assert BAND_WORDS[band] in text
    told = done(folder, "now", "--elements", old, at=at).stdout
    assert BAND_WORDS[band] in told
    # What cannot be told is not said to be wise.
    assert (" good moment for a live" in told or told.startswith("No good start for ")) == (band != "statistics only")
    assert ("cannot be told" in told) == (band == "statistics only")
    assert (said["call_is_wise"] is None) == (band == "statistics only")
    # Lists of times say the same of themselves, and put it first where no time can be told.
    for command in ("gaps", "passes", "minutes", "serving", "causes"):
        listed = done(folder, command, *asked, at=at).stdout
        assert listed.startswith("Elements 9.6 days old: totals are reliable, exact times are not.\n") == (
            band == "statistics only"
        )
        assert BAND_WORDS[band] in listed


def test_statistics_in_place_of_times(old: str, folder: Path, tmp_path: Path) -> None:
    target = tmp_path / "out.ics"
    at = "2026-12-04T09:00:00Z"
    given = json.loads(
        done(
            folder, "calls", "--elements", old, "--hours", "10", "--ics", str(target), "--format", "json", at=at
        ).stdout
    )
    assert [row["hour"] for row in given["rows"]] == list(range(8, 18))
    assert not target.exists()
    assert f"Nothing was written to {target}: no single start can be ranked." in given["notes"]


# --- bad input --------------------------------------------------------------------------------------------------------


def test_bad_input_gets_one_line(folder: Path, subtests: pytest.Subtests) -> None:
    for options, message in [
        (["--hours", "1", "--minutes", "90"], "length of the call; got '90 min'; wanted at most the 60 min"),
        (["--minutes", "0"], "length of the call; got 0"),
        (["--minutes", "90", "--between", "08:00-09:00"], "length of the call; got '90 min'; wanted at most"),
        (["--between", "08:00-08:00"], "--between; got '08:00-08:00'; wanted two different times of the day"),
        (["--between", "morning"], "--between; got 'morning'; wanted two times of the day, HH:MM-HH:MM"),
        (["--between", "08:00-24:01"], "--between; got '08:00-24:01'"),
        (["--weekdays", "mon-someday"], "--weekdays; got 'mon-someday'; wanted names of days, mon to sun"),
        (["--weekdays", "sun", "--days", "1"], "hours for calls (08:00 to 18:00, Sun); got "),
        (["--kind", "chat"], "kind of call; got 'chat'; wanted one of lesson, video, voice, screen, stream"),
        (["--days", "1", "--hours", "2"], "--days, --hours and --to all say where the span ends"),
        (["--check", "a.ics", "--ics", "b.ics"], "--ics writes suggested calls, and --check suggests none"),
        (["--busy", "none.ics"], "calendar file cannot be read: No such file or directory; got 'none.ics'"),
        (["--top", "0"], "number of suggestions; got 0"),
        (["--seed", "-1"], "seed; got -1"),
        (["--ics", "no/such/folder.ics"], "calendar file to write; got 'no/such/folder.ics'"),
    ]:  # fmt: skip
        with subtests.test(options=options, message=message):
            assert refused(folder, "calls", *options).startswith(f"passim: {message}")


def test_an_unreadable_calendar_names_its_line(folder: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad.ics"
    bad.write_text(ICS.format(event("Geometry", "20261125T1000", "20261125T104500Z")), encoding="utf-8", newline="")
    for option in ("--busy", "--check"):
        assert refused(folder, "calls", option, str(bad)).startswith(f"passim: calendar file {bad}, line 7; got ")


def test_too_old_elements_say_their_age_and_what_to_do(old: str, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # What symptom searches is all one here.
    masks = Grid(gateway_distances_km=(), cone_half_angles_deg=(), arcs_deg=(), slots_s=(), acquisitions_s=())
    monkeypatch.setattr(match, "Grid", lambda: masks)
    at = "2026-12-21T09:00:00Z"
    for command, *more in COMMANDS_ABOUT_TIMES:
        line = refused(folder, command, "--elements", old, *more, at=at)
        assert line.startswith("passim: elements are 26.")
        assert " days old at the " in line
        assert "wanted at most 14 days; try newer elements, " in line
        assert line.endswith(", or --allow-stale for an answer all the same")
        text = done(folder, command, "--elements", old, "--allow-stale", *more, at=at).stdout
        assert text.startswith("Elements 26.")
        assert " days old: totals are reliable, exact times are not.\n" in text
        assert "satellites may be anywhere along their tracks by then" in text
    spots = ["survey", "spots", "--workspace", str(folder), "--elements", old, "--at", at, "--hours", "3"]
    result = commands.run(*spots)
    assert (result.exit_code, result.stdout) == (2, "")
    assert "or --allow-stale" in result.stderr
    result = commands.run(*spots, "--allow-stale")
    assert result.stdout.startswith("Elements 26.")


def test_the_days_that_the_elements_are_good_for_are_named(old: str, folder: Path) -> None:
    line = refused(folder, "calls", "--elements", old, at="2026-12-06T09:00:00Z")
    assert line == (
        "passim: elements are 14.4 days old at the end of the last day (2026-12-09 09:00 UTC); wanted at most 14 days; "
        "try newer elements, --days 2, or --allow-stale for an answer all the same"
    )
    assert done(folder, "calls", "--elements", old, "--days", "2", at="2026-12-06T09:00:00Z").stdout


# --- now --------------------------------------------------------------------------------------------------------------


def test_now_in_one_screen(folder: Path) -> None:
    lines = done(folder, "now").stdout.splitlines()
    assert lines[0].startswith("Not a good moment for a live video lesson of 30 min: ")
    assert " Better from " in lines[0]
    assert lines[1].startswith("A call now: ")
    assert lines[2].startswith("Next gap: 07:")
    assert lines[3].startswith("Chance of no service this minute: ")
    assert len(lines) < 24
    calm = done(folder, "now", at="2026-11-25T15:00:00Z").stdout.splitlines()
    assert calm[:2] == ["A good moment for a live video lesson of 30 min.", "A call now: no freeze expected."]
    assert calm[4] == ""
    # One row: what is wise now is the next good start.
    assert [line.split()[0] for line in calm[4:] if line.startswith((" now", " next"))] == ["now"]


def test_now_as_json_agrees_with_its_words(folder: Path) -> None:
    said = json.loads(done(folder, "now", "--format", "json").stdout)
    assert said["call_is_wise"] is False
    assert said["served"] is True
    assert f"{duration(said['next_gap']['duration_s'])} (chance" in said["answer"]
    assert [row["what"] for row in said["rows"]] == ["now", "next good start"]
    assert said["rows"][0]["start"] == "2026-11-25T08:00:00.000Z"


def test_now_without_a_workspace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, old: str) -> None:
    monkeypatch.chdir(tmp_path)
    given = ["--elements", old, "--site", "45.0,-28.0,40", "--mask", "35", "--at", AT]
    result = commands.run("now", *given)
    assert result.exit_code == 0, result.stderr
    result = commands.run("calls", *given, "--days", "1", "--notes")
    assert result.exit_code == 0, result.stderr
    assert "Nothing was kept for comparison: that needs a workspace." in result.stdout


# --- all sites --------------------------------------------------------------------------------------------------------


def test_every_site_in_one_table_and_a_calendar_each(folder: Path, tmp_path: Path) -> None:
    file = folder / "passim.toml"
    text = file.read_text(encoding="utf-8")
    calendars = tmp_path / "calendars"
    calendars.mkdir()
    options = ["--all-sites", "--days", "1", "--top", "2"]
    told = json.loads(done(folder, "calls", *options, "--ics", str(calendars), "--format", "json").stdout)
    assert sorted(path.name for path in calendars.iterdir()) == ["Lantern.ics", "Marram.ics", "Skerry.ics"]
    assert [row["site"] for row in told["rows"]] == ["Marram"] * 2 + ["Skerry"] * 2 + ["Lantern"] * 2
    assert "LOCATION:Skerry" in (calendars / "Skerry.ics").read_text(encoding="utf-8")
    alone = json.loads(done(folder, "calls", *options[1:], "--site", "Skerry", "--format", "json").stdout)
    keys = ("start", "start_local", "end_local", "expected_pauses", "chance_of_end")
    assert [[row[k] for k in keys] for row in told["rows"][2:4]] == [[row[k] for k in keys] for row in alone["rows"]]
    # Each site keeps its own zone: the same start reads two hours later by the clocks of another.
    file.write_text(text.replace('zone = "Atlantic/Azores"', 'zone = "Europe/Berlin"', 1), encoding="utf-8")
    rows = json.loads(done(folder, "calls", *options, "--format", "json").stdout)["rows"]
    assert {row["start_local"][-6:] for row in rows} == {"+01:00", "-01:00"}
    named = done(folder, "calls", *options, "--ics", str(tmp_path / "week-{site}.ics")).stdout
    assert (tmp_path / "week-Lantern.ics").exists()
    assert "Lantern: Wrote 2 calls to " in named
    assert named.splitlines()[1].startswith("Skerry: ")
    wanted = "wanted a folder, or a new one in a folder that exists, or a name with {site}"
    assert wanted in refused(folder, "calls", *options, "--ics", "x.ics")
    for more in (["--check", "x.ics"], ["--site", "Skerry"]):
        assert "all-sites" in run(folder, "calls", *options, *more).stderr


def test_every_site_tells_what_has_changed_since_the_last_answer(folder: Path, two_snapshots: list[str]) -> None:
    older, newer, _ = (["--elements", path] for path in two_snapshots)
    options = ["--days", "1", "--top", "2"]
    nothing = "Nothing noticeable has changed since the last answer."
    assert "ince the last answer" not in done(folder, "calls", *options, "--all-sites", *older).stdout
    told = done(folder, "calls", *options, "--all-sites", *newer).stdout.splitlines()
    assert [f"{name}: {nothing}" in told for name in ("Marram", "Skerry", "Lantern")] == [True] * 3
    # One site asked alone is the same question.
    assert "ince the last answer" not in done(folder, "calls", *options, "--site", "Skerry", *newer).stdout
    done(folder, "calls", *options, "--site", "Skerry", *older)
    again = json.loads(done(folder, "calls", *options, "--all-sites", *newer, "--format", "json").stdout)
    assert [site.get("changes") for site in again["sites"]] == [None, [], None]
