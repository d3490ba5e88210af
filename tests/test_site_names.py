"""A site's name may hold a "/", a quote or a space: in commands that are printed to be pasted, tables and addresses."""

from __future__ import annotations

import csv
import io
import shlex
from pathlib import Path

import pytest

from passim_apps.dashboard.address import Choices, changed, place_value, query_of, read_query
from test_command_line import done, refused

NAME = "Depot 24/7 'north'"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A workspace in a folder whose name needs quotes, with a site and a spot that have a slash in their names."""
    path = tmp_path_factory.mktemp("names") / "my depot"
    fleet = str(path.parent / "fleet.json")
    pattern = ["--total", "60", "--planes", "6", "--phasing", "1", "--inclination", "53", "--altitude", "550"]
    done("design", *pattern, "--epoch", "2026-11-25T00:00Z", "--out", fleet)
    place = ["--name", NAME, "--latitude", "45.0", "--longitude", "-28.0", "--spot", "mast/top", "--elements", fleet]
    made = done("workspace", "new", str(path), *place)
    # The command that is printed can be pasted: a shell reads it as these words.
    (line,) = [line for line in made.stderr.splitlines() if line.startswith("Next: ")]
    assert shlex.split(line.removeprefix("Next: ")) == ["passim", "gaps", "--workspace", str(path)]
    return str(path)


@pytest.mark.parametrize("command", ["gaps", "causes", "sites", "now", "calls"])
def test_commands_take_and_tell_the_name(command: str, folder: str) -> None:
    at = ["--at", "2026-11-25T00:00Z", "--format", "csv"]
    only = [] if command == "sites" else ["--site", NAME, "--spot", "mast/top"]
    found = done(command, "--workspace", folder, *only, *at)
    if command == "sites":
        assert next(csv.DictReader(io.StringIO(found.stdout)))["site"].startswith(NAME)


def test_a_name_of_digits_and_a_slash_is_no_place(folder: str) -> None:
    line = refused("gaps", "--workspace", folder, "--site", "24/7")
    assert NAME in line.replace("\\", "")


def test_a_command_to_try_is_quoted(tmp_path: Path) -> None:
    line = refused("gaps", "--workspace", str(tmp_path / "my depot"))
    assert f"passim workspace new {shlex.quote(str(tmp_path / 'my depot'))}" in line
    horizon = str(tmp_path / "roof line.csv")
    told = done("survey", "sighted", "--points", "0:12,90:38,180:30", "--out", horizon)
    assert f"--mask {shlex.quote(horizon)}" in told.stderr


def test_addresses_of_pages_keep_the_name() -> None:
    value = place_value(NAME, "mast/top")
    assert value.count("/") == 1
    picked = changed(Choices(), {"place": value})
    assert (picked.site, picked.spot) == (NAME, "mast/top")
    assert read_query(query_of(picked)) == (picked, ())
    assert place_value("Marram", "yard") == "Marram/yard"
