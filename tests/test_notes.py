"""Notes beside an answer: what changes how it is read; all with --notes; the caution alone with --quiet."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from passim.answers.symptom import match
from passim.answers.symptom.settings import Grid
from passim.workspace import create
from passim_apps.command_line import query
from passim_apps.dashboard.notes import notes_list
from passim_apps.text.notes import Note, background, beside, led, left_out, shown, without
from test_command_line import done, refused

CAUTION = query.CAUTION.text


def test_what_is_shown_goes_by_weight_and_each_once() -> None:
    plain, beware, lifted = Note("plain"), Note("beware", "caution"), Note("Lifted: gateway.", "left out")
    notes = [plain, background("from a file", "horizon"), beware, plain, Note(""), beware, lifted]
    assert shown(notes) == (["plain", "beware"], 1)
    assert shown(notes, quiet=True) == (["beware"], 2)
    assert shown(notes, every=True) == (["plain", "from a file", "beware"], 0)
    assert beside(notes) == ["plain", "from a file", "beware"]
    assert left_out(notes) == ["Lifted: gateway."]
    assert beside(without(notes, "horizon", "limits")) == ["plain", "beware"]
    assert led([background("old")], "Plover") == [background("Plover: old")]


def test_a_page_keeps_what_changes_nothing_behind_a_row_to_open() -> None:
    notes = [Note("plain"), background("from a file"), background("at shell"), Note("plain")]
    told, rest = notes_list(notes)
    assert [item.children for item in told.children] == ["plain"]
    head, more = rest.children
    assert head.children == "2 more notes: where this comes from"
    assert [item.children for item in more.children] == ["from a file", "at shell"]
    assert len(notes_list(notes[:1])) == 1
    assert notes_list([]) == []


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    folder = str(tmp_path_factory.mktemp("school") / "school")
    done("workspace", "new", folder, "--demo")
    return ["--workspace", folder, "--at", "2026-11-25T08:00Z", "--hours", "2"]


@pytest.mark.parametrize("command", ["gaps", "causes", "serving"])
def test_the_command_line_shows_fewer_notes_and_says_how_to_see_the_rest(command: str, asked: list[str]) -> None:
    usual, quiet, every = (done(command, *asked, *more).stdout for more in ([], ["--quiet"], ["--notes"]))
    told = [[line[2:] for line in text.splitlines() if line.startswith("- ")] for text in (usual, quiet, every)]
    assert told[1] == [CAUTION]
    assert len(told[0]) < len(told[2])
    assert told[0][-1].endswith("more notes: --notes shows all.")
    assert set(told[0][:-1]) < set(told[2])
    assert all(lines.count(CAUTION) == 1 for lines in told)
    # What only says where an answer comes from is kept back; how old the elements are is not.
    assert not any(line.startswith(("Site: ", "Fleet: ", "Mask: ", "Times: ")) for line in told[0])
    assert any(line.startswith("Fleet: ") for line in told[2])
    assert any("at the middle of the span" in line for line in told[0])
    # The answer itself is the same, and JSON always holds them all.
    heads = [text.split("\n- ")[0] for text in (usual, quiet, every)]
    assert heads[0] == heads[1] == heads[2]
    assert json.loads(done(command, *asked, "--quiet", "--format", "json").stdout)["notes"] == told[2]


def test_csv_keeps_its_words_short_too(asked: list[str]) -> None:
    assert done("gaps", *asked, "--quiet", "--format", "csv").stderr.splitlines()[1:] == [CAUTION]
    assert "give one of them" in refused("gaps", *asked, "--quiet", "--notes")


def test_a_note_that_changes_the_reading_is_shown(asked: list[str], tmp_path: Path) -> None:
    # Clocks that change inside the span, and a horizon that nobody has seen.
    at = ["--zone", "Europe/Paris", "--from", "2026-10-24T12:00Z", "--hours", "24", "--allow-stale"]
    assert "- Times: Europe/Paris, UTC+02:00, later UTC+01:00." in done("gaps", *asked[:2], *at).stdout
    folder = create(tmp_path / "school", demo=True).folder
    file = folder / "passim.toml"
    file.write_text(file.read_text().replace('name = "loft"\nmask_deg = 25.0', 'name = "loft"'))
    assert (
        "25° above the horizon all round, assumed: the workspace says nothing about the horizon there"
        in done("gaps", "--workspace", str(folder), *asked[2:]).stdout
    )


MOST_NOTES = 4
USUAL = (
    "gaps", "causes", "minutes", "passes", "serving", "now --minutes 5", "calls --days 0.2", "growth --order launch",
    "sites --site Marram", "survey spots --hours 24", "symptom --without gateway --every 3-12min --length 5-45s",
)  # fmt: skip


def test_no_command_tells_more_than_four_notes_unasked(asked: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    # Of the grid that symptom searches a part: what it tells beside its answer is the same.
    few = Grid(
        masks_deg=(35.0,), gateway_distances_km=(600.0,), cone_half_angles_deg=(50.0,), cone_tilts_deg=(20.0,),
        arcs_deg=(10.0,), slots_s=(), acquisitions_s=(),
    )  # fmt: skip
    monkeypatch.setattr(match, "Grid", lambda: few)
    workspace, at = asked[:2], asked[2:4]
    for line in USUAL:
        command, *options = line.split()
        span = [] if options[-1:] and command in ("now", "calls", "survey") else asked[4:]
        told = [
            text for text in done(command, *options, *workspace, *at, *span).stdout.splitlines() if text[:2] == "- "
        ]
        shown_ones = [text for text in told if not text.endswith(": --notes shows all.")]
        assert len(shown_ones) <= MOST_NOTES, (line, shown_ones)
        assert f"- {CAUTION}" in shown_ones, line


def test_elements_has_notes_to_leave_out_too(asked: list[str]) -> None:
    usual, quiet, every = (done("elements", *asked[:4], *more).stdout for more in ([], ["--quiet"], ["--notes"]))
    assert "- 360 objects catalogued: 360 on station" in usual
    assert "Epochs from" not in usual
    assert usual.rstrip().endswith("3 more notes: --notes shows all.")
    assert "\n- " not in quiet
    assert "- Epochs from " in every
    assert "give one of them" in refused("elements", *asked[:2], "--quiet", "--notes")
