"""One damaged record of a file is counted wherever an answer is shown: commands, pages, report; `strict` refuses it."""

from __future__ import annotations

import gzip
import json
import tracemalloc
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import Result

import commands
from asking import outcome
from passim import walker
from passim.elements import parse_elements, read_elements
from passim.elements.feeds.request_log import Clocks, RequestLog, digest_of
from passim.elements.feeds.snapshots import SnapshotStore
from passim.elements.feeds.sources import Folder
from passim.elements.feeds.update import update_from_folder
from passim.elements.omm_text import write_json
from passim.errors import ElementsError
from passim.workspace import Workspace
from passim_apps.dashboard.address import read_query
from passim_apps.dashboard.pages import clock, elements
from passim_apps.dashboard.state import DashboardState
from passim_apps.dashboard.tasks import passes as work
from passim_apps.figures.theme import LIGHT
from report_outline import Outline

AT = datetime(2026, 3, 1, 6, tzinfo=UTC)
FEW = walker(
    total=120, planes=12, phasing=1, inclination_deg=53.0, altitude_km=550.0, epoch=datetime(2026, 3, 1, tzinfo=UTC),
    name="Tern", first_satellite_id=90001,
)  # fmt: skip
SETTINGS = """
[[sites]]
name = "Office"
latitude_deg = 45.0
longitude_deg = 9.0
zone = "UTC"
spots = [{{ name = "roof", mask_deg = 25.0 }}]
[[fleets]]
name = "few"
elements = ["few.json"]
{strict}
"""
TOLD = "1 of 120 records damaged and left out: "
WHO = "INCLINATION of Tern 03-01 (90021)"


def office(folder: Path, strict: str = "") -> Path:
    folder.mkdir()
    rows = write_json(FEW).splitlines()
    rows[21] = rows[21].replace('"INCLINATION": 53.0', '"INCLINATION": "x"')
    (folder / "few.json").write_text("\n".join(rows))
    (folder / "passim.toml").write_text(SETTINGS.format(strict=strict))
    return folder


def asked(folder: Path, *words: str) -> Result:
    return commands.run(*words, "--workspace", str(folder))


def test_every_face_counts_what_was_left_out(tmp_path: Path) -> None:
    folder = office(tmp_path / "office")
    span = ("--from", "2026-03-01T06:00Z", "--hours", "1")
    for command in ("gaps", "passes", "causes"):
        notes = json.loads(asked(folder, command, *span, "--format", "json").stdout)["notes"]
        assert notes[0].startswith(TOLD), command
        assert WHO in notes[0], command
    # It is a caution, which --quiet does not take away.
    assert TOLD in asked(folder, "gaps", *span, "--quiet").stdout
    listed = json.loads(asked(folder, "elements", "--at", "2026-03-01T06:00Z", "--format", "json").stdout)
    assert (listed["damaged"], listed["objects"], len(listed["skipped"])) == (1, 119, 1)

    page = tmp_path / "page.html"
    made = asked(
        folder,
        "report",
        "--from",
        "2026-03-01T06:00Z",
        "--hours",
        "6",
        "--no-world",
        "--workers",
        "1",
        "--out",
        str(page),
    )
    assert made.exit_code == 0, made.output
    read = Outline(page.read_text(encoding="utf-8"))
    assert sum(TOLD in words for words in [*read.texts["p"], *read.texts["li"]]) == 1

    state = DashboardState(Workspace.load(folder), at=AT)
    try:
        question = state.question(read_query("")[0])
        for answer in (outcome(lambda: clock.PAGE.answer(question, LIGHT)), elements.PAGE.answer(question, LIGHT)):
            (note,) = [each for each in answer.notes if each.about == "damage"]
            assert note.text.startswith(TOLD)
            assert note.weight == "caution"
    finally:
        state.close()


def test_a_strict_fleet_is_refused_on_every_face(tmp_path: Path) -> None:
    folder = office(tmp_path / "office", "strict = true")
    refused = asked(folder, "gaps", "--from", "2026-03-01T06:00Z", "--hours", "1")
    assert refused.exit_code == 2
    assert f"few.json, record 21: {WHO}; got 'x'" in refused.stderr
    assert len(refused.stderr.splitlines()) == 1
    state = DashboardState(Workspace.load(folder), at=AT)
    try:
        with pytest.raises(ElementsError, match=r"record 21: INCLINATION of Tern 03-01 \(90021\)"):
            elements.PAGE.answer(state.question(read_query("")[0]), LIGHT)
    finally:
        state.close()
    # And so it is from the command line where the file does not say so.
    lenient = office(tmp_path / "lenient")
    assert asked(lenient, "gaps", "--strict", "--from", "2026-03-01T06:00Z", "--hours", "1").exit_code == 2


def test_no_more_is_unpacked_than_would_be_read_whoever_hands_it_in(tmp_path: Path) -> None:
    """150 KB of gzip that holds 150 MiB, by every way in; what a feed is sent is in test_feeds."""
    bomb = gzip.compress(bytes(150 * 2**20), 6, mtime=0)
    path = tmp_path / "incoming" / "bomb.json.gz"
    path.parent.mkdir()
    path.write_bytes(bomb)

    def from_folder() -> None:
        store = SnapshotStore(tmp_path / "snapshots")
        update = update_from_folder(Folder(folder=path.parent), store, "few", Clocks())
        assert store.newest() is None
        assert update.error is not None
        raise update.error

    ways: dict[str, Callable[[], object]] = {
        "bytes": lambda: parse_elements(bomb, "x"),
        "a lenient reader": lambda: parse_elements(bomb, "x", lenient=True),
        "a file": lambda: read_elements(path),
        "a folder": lambda: read_elements(path.parent),
        "an upload": lambda: work.objects_of(bomb, "bomb.json.gz"),
        "the folder of a feed": from_folder,
    }
    for name, way in ways.items():
        tracemalloc.start()
        with pytest.raises(ElementsError, match=r"gzip; got .* that unpack to more than 100 times as many"):
            way()
        assert tracemalloc.get_traced_memory()[1] < 60 * 2**20, name
        tracemalloc.stop()
    # What is kept of the last answer of an address is the user's own file, and still nobody's to fill the memory with.
    with RequestLog(tmp_path / "log").turn("https://example.org/x") as turn:
        turn.keep_content(b"[]")
        turn.write(content_digest=digest_of(b"[]"))
        assert turn.content() == b"[]"
        (kept,) = (tmp_path / "log").glob("*.gz")
        kept.write_bytes(gzip.compress(bytes(200 * 2**20), 1, mtime=0))
        tracemalloc.start()
        assert turn.content() is None
        assert tracemalloc.get_traced_memory()[1] < 300 * 2**20
        tracemalloc.stop()
