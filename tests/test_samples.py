"""The sample files: what their README says of them is true, and the script that makes them makes these."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

import make_samples
from passim import NotServingWarning, Site, Span, find_passes, read_elements, write_elements
from passim.elements import rounded_to_two_line
from passim.errors import ElementsError
from tests.scenario import plover

SAMPLES = Path(__file__).resolve().parent.parent / "tle_samples"
README = (SAMPLES / "README.md").read_text(encoding="utf-8")
COUNTS = {name: int(count) for name, count in re.findall(r"^\| `([^`/]+)` \| (\d+) \|", README, re.MULTILINE)}
REFUSED = set(re.findall(r"^\| `bad/([^`]+)` \|", README, re.MULTILINE))

# What the error of each bad file must speak of.
REASONS = {
    "checksum.tle": ("line 2", "checksum of line 1"),
    "numbers-differ.tle": ("line 3", "catalogue number of line 2", "90302", "wanted 90301"),
    "shifted.tle": ("line 3", "inclination", "column 9"),
    "half-record.tle": ("line 5", "half a set"),
    "half-record.json": ("wanted a whole JSON document",),
    "page.tle": ("an HTML page",),
    "no-data.json": ("No GP data found",),
    "other-theory.json": ("record 1", "MEAN_ELEMENT_THEORY", "SGP4-XP"),
    "not-a-number.json": ("record 1", "MEAN_MOTION", "NaN"),
    "entities.xml": ("<!DOCTYPE", "entities"),
    "empty.tle": ("empty file",),
}


def files_in(folder):
    return {path.name for path in folder.iterdir() if path.is_file() and path.name != "README.md"}


def passes_over_marram(name):
    fleet = read_elements(SAMPLES / name)
    span = Span.starting(make_samples.EPOCH, hours=24)
    return find_passes(fleet, Site("Marram", 45.0, -28.0, 40.0), span)


def test_readme_names_every_file():
    assert set(COUNTS) == files_in(SAMPLES)
    assert REFUSED == set(REASONS) == files_in(SAMPLES / "bad")


def test_samples_are_small():
    assert sum(path.stat().st_size for path in SAMPLES.rglob("*") if path.is_file()) < 200_000


def test_script_makes_these_files(tmp_path):
    make_samples.make(tmp_path)
    made = {path.relative_to(tmp_path) for path in tmp_path.rglob("*") if path.is_file()}
    kept = {path.relative_to(SAMPLES) for path in SAMPLES.rglob("*") if path.is_file()}
    assert made == kept - {Path("README.md")}
    for path in made - {Path("plover.json.gz")}:
        assert (tmp_path / path).read_bytes() == (SAMPLES / path).read_bytes(), path
    # Plover's nodes count from Greenwich, whose angle changes in its last digits with every table of UT1: 1e-4 deg is
    # 0.02 s of it, far more than such a table is ever revised.
    again, before = read_elements(tmp_path / "plover.json.gz"), read_elements(SAMPLES / "plover.json.gz")
    assert list(again.satellite_ids) == list(before.satellite_ids)
    turned_deg = again.column("node_deg") - before.column("node_deg")
    np.testing.assert_allclose((turned_deg + 180.0) % 360.0, 180.0, atol=1e-4)


@pytest.mark.parametrize("name", sorted(COUNTS))
def test_good_file_is_read_whole(name):
    fleet = read_elements(SAMPLES / name)
    assert len(fleet) == COUNTS[name]
    assert fleet.skipped == ()


def test_bad_file_is_refused_for_its_reason(subtests: pytest.Subtests) -> None:
    for name in sorted(REASONS):
        with subtests.test(name=name):
            with pytest.raises(ElementsError) as refusal:
                read_elements(SAMPLES / "bad" / name)
            message = str(refusal.value)
            for phrase in (name, *REASONS[name]):
                assert phrase in message
            assert "\n" not in message


@pytest.mark.parametrize(("name", "kept"), [("half-record.tle", 1), ("half-record.json", 2)])
def test_lenient_reading_keeps_what_is_whole(name, kept):
    fleet = read_elements(SAMPLES / "bad" / name, lenient=True)
    assert len(fleet) == kept
    assert len(fleet.skipped) == 1


def test_folder_is_read_as_one_fleet():
    fleet = read_elements(SAMPLES)
    assert len(fleet) == sum(COUNTS.values())
    assert any("bad" in str(entry) for entry in fleet.skipped)


def test_fleets_come_back_as_they_were_designed():
    nodes_deg = read_elements(SAMPLES / "plover.json.gz").column("node_deg")
    np.testing.assert_allclose(
        (nodes_deg - plover(make_samples.EPOCH).column("node_deg") + 180.0) % 360.0, 180.0, atol=1e-4
    )
    assert read_elements(SAMPLES / "navigation-24.xml") == make_samples.navigation_pattern()
    assert read_elements(SAMPLES / "polar-star-66.tle") == make_samples.polar_star()
    assert read_elements(SAMPLES / "eccentric.json") == make_samples.eccentric()
    assert read_elements(SAMPLES / "geostationary.json") == make_samples.geostationary()
    assert read_elements(SAMPLES / "stale.csv") == make_samples.stale()


def test_text_shapes_hold_the_same_fleet():
    plain = read_elements(SAMPLES / "three-line.tle")
    assert read_elements(SAMPLES / "zero-named.txt") == plain
    assert read_elements(SAMPLES / "windows.tle") == plain
    nameless = read_elements(SAMPLES / "two-line.txt")
    assert list(nameless.names) == ["", "", ""]
    for field in ("mean_anomaly_deg", "node_deg", "mean_motion_rev_day"):
        np.testing.assert_array_equal(nameless.column(field), plain.column(field))


def test_large_catalogue_numbers():
    # Alpha-5: 179999 is H9999 and 180000 J0000 (no I), 230000 is P0000 (no O).
    fleet = read_elements(SAMPLES / "alpha-5.tle")
    assert list(fleet.satellite_ids) == ["99999", "100000", "179999", "180000", "230000", "339999"]
    columns = re.findall(r"^1 (\w{5})U", (SAMPLES / "alpha-5.tle").read_text("ascii"), re.MULTILINE)
    assert columns == ["99999", "A0000", "H9999", "J0000", "P0000", "Z9999"]


def test_nine_digit_numbers_do_not_fit_two_lines(tmp_path):
    fleet = read_elements(SAMPLES / "nine-digit.json")
    assert fleet.satellite_ids[-1] == "999999999"
    with pytest.raises(ElementsError, match=r"340000.* wanted at most 339999"):
        write_elements(rounded_to_two_line(fleet), tmp_path / "never.tle")


def test_epochs_written_in_four_ways_are_one_moment():
    fleet = read_elements(SAMPLES / "as-strings.json")
    assert {record.epoch for record in fleet} == {make_samples.EPOCH}
    assert list(fleet.column("mean_anomaly_deg")) == [0.0, 90.0, 180.0, 270.0]


def test_one_set_of_each_object_is_used():
    assert passes_over_marram("two-epochs.tle").attrs["report"].sets_set_aside == 2


def test_the_two_epochs_describe_one_orbit():
    # The older sets, carried two days on, give the passes of the newer ones to within half a second.
    fleet = read_elements(SAMPLES / "two-epochs.tle")
    site, span = Site("Marram", 45.0, -28.0, 40.0), Span.starting(make_samples.EPOCH, hours=24)
    newer, older = (find_passes(fleet.select(which), site, span) for which in ([0, 1], [2, 3]))
    assert len(newer) == len(older) > 5
    assert np.max(np.abs((newer["rise"] - older["rise"]).dt.total_seconds())) < 0.5


def test_decayed_sets_are_named_with_their_moment():
    with pytest.warns(NotServingWarning, match="4 decayed"):
        passes = passes_over_marram("decayed.tle")
    report = passes.attrs["report"]
    reasons = {satellite_id: reason for satellite_id, _, reason in report.unusable}
    assert set(reasons) == {"90101", "90102", "90103"}
    assert re.search(r"SGP4 error 6: .*decayed.* 00:00", reasons["90101"])
    assert re.search(r"02:25", reasons["90102"])
    assert re.search(r"decayed or its elements are damaged.* 10:15", reasons["90103"])
    assert "90104" in report.never_up
    assert set(passes["satellite_id"]) == {"90102"}


def test_geostationary_satellites_stand_still():
    report = passes_over_marram("geostationary.json").attrs["report"]
    assert report.always_up == ("900003001", "900003003")
    assert report.never_up == ("900003002",)


def test_eccentric_orbits_pass_for_hours():
    passes = passes_over_marram("eccentric.json")
    assert len(passes) == 3
    assert passes["duration_s"].max() > 3.0 * 3600.0
