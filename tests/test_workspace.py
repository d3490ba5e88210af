"""The workspace: found, read with all errors at once, turned into views and fleets, and changed without loss."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
import tomllib
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from hypothesis import given, strategies as st

from passim.answers.calls.hours import call_hours_within
from passim.elements import write_elements
from passim.errors import ElementsError, InputError, SiteError, SpanError, WorkspaceError
from passim.forecast.timing import TimingModel
from passim.sky.limits import ArcKeepOut, Cone, Excluded, Gateway, GatewayLimit, ServingFilter, ServingShare
from passim.spans import DailyHours, Span
from passim.workspace import Workspace, create, new_site, plans
from passim.workspace.checking import read_settings
from passim.workspace.lines import LineNumbers
from passim_apps.text.setup import workspace_sentences
from patience import PATIENCE_S
from tests import scenario

TERMINAL = """
[terminal]
lowest_elevation_deg = 20
cone = { tilt_deg = 20, half_angle_deg = 50 }
arc_keep_out_deg = 18
policy = "highest"
clock_period_s = 15
acquisition_s = 0.5

[serving]
share_percent = 80
seed = 3
excluded = [900000007, "900000008"]
"""
SITE = """
[[sites]]
name = "Marram"
latitude_deg = 45.0
longitude_deg = -28.0
[[sites.spots]]
name = "loft"
mask_deg = 30
"""
GATEWAY = """
[[gateways]]
name = "South"
latitude_deg = 39.6
longitude_deg = -28.0
"""


def workspace(folder: Path, text: str) -> Workspace:
    (folder / "passim.toml").write_text(text, encoding="utf-8")
    return Workspace.load(folder)


def problems(folder: Path, text: str) -> list[str]:
    """Load what must be refused, and return what is wrong with it, without the file's name."""
    with pytest.raises(WorkspaceError) as caught:
        workspace(folder, text)
    return list(caught.value.problems)


# --- the invented scenario --------------------------------------------------------------------------------------------


def test_the_demo_is_the_scenario(tmp_path: Path) -> None:
    opened = create(tmp_path / "demo", demo=True)
    assert workspace_sentences(opened) == []
    # The user's copy has every remark of a new file, and says what the shipped one says.
    assert opened.settings.model_dump() == Workspace.demo().settings.model_dump()
    own = create(tmp_path / "own", site=new_site(**PLACE))
    written, new = ([line for line in w.text.splitlines() if line.startswith("# ")] for w in (opened, own))
    assert len([line for line in new if line in written]) > 40
    assert written.count("# Invented.") == 2
    assert opened.site().name == "Marram loft"
    assert opened.site("marram", "YARD").horizon.highest_deg == 35.0


def test_the_demos_plan_begins_two_months_after_the_moment_given(tmp_path: Path) -> None:
    """2028 is a leap year: from 1 January it is 31 + 29 days to 1 March. The moment counts in UTC."""
    for text, first in (("2028-01-01T00:00Z", "2028-03-01"), ("2026-10-31T22:30-03:00", "2026-12-31")):
        folder = tmp_path / first
        create(folder, demo=True, at=datetime.fromisoformat(text))
        rows = [line for line in (folder / plans.DEMO_PLAN).read_text().splitlines() if line[0].isdigit()]
        assert rows[0].startswith(f"{first},")
    with pytest.raises(SpanError):
        create(tmp_path / "naive", demo=True, at=datetime(2028, 1, 1))


def test_the_demos_fleet_is_fresh_on_every_day(tmp_path: Path) -> None:
    opened = create(tmp_path, demo=True)
    for moment in (datetime(2026, 11, 25, 17, 30, tzinfo=UTC), datetime(2031, 2, 3, tzinfo=UTC)):
        fleet = opened.fleet(at=moment)
        assert len(fleet) == 360
        assert {record.epoch for record in fleet} == {moment.replace(hour=0, minute=0)}


def test_a_workspace_of_ones_own(tmp_path: Path) -> None:
    write_elements(scenario.plover(datetime(2026, 11, 25, tzinfo=UTC)).select(range(40)), tmp_path / "some.json")
    opened = create(
        tmp_path / "own",
        site=new_site(name='The "old" mill', latitude_deg=45.0, longitude_deg=7.0, mask_deg=12.5),
        gateways=[Gateway(name="south", latitude_deg=40.0, longitude_deg=7.0)],
        elements=[str(tmp_path / "some.json")],
    )
    assert 'elements = ["../some.json"]' in opened.file.read_text()
    site = opened.site()
    assert (site.name, site.timezone, site.horizon.highest_deg) == ('The "old" mill', "Europe/Rome", 12.5)
    assert [limit.name for limit in opened.view().limits] == ["gateway", "serving"]
    assert len(opened.fleet()) == 40


PLACE = {"name": "Mill", "latitude_deg": 45.0, "longitude_deg": 7.0}
ROOF = "azimuth_deg,elevation_deg\n0,5\n180,40\n"


def test_a_terminal_does_not_get_better_by_a_low_roof_line(tmp_path: Path) -> None:
    (tmp_path / "roof.csv").write_text(ROOF)
    opened = create(tmp_path / "own", site=new_site(**PLACE, horizon_file=str(tmp_path / "roof.csv")))
    assert opened.site().horizon.lowest_deg == 5.0
    assert opened.view().floor_deg == 25.0
    assert opened.view().stops_above_horizon
    assert "\nlowest_elevation_deg = 25" in opened.file.read_text()
    # Its own file may say otherwise.
    opened = opened.edit(lambda document: document["terminal"].update({"lowest_elevation_deg": 5.0}))
    assert (opened.view().floor_deg, opened.view().stops_above_horizon) == (5.0, False)


def test_files_are_named_from_the_current_folder_and_found_from_everywhere(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    here, elsewhere = tmp_path / "here", tmp_path / "far" / "away"
    for folder in (here / "data", elsewhere):
        folder.mkdir(parents=True)
        write_elements(scenario.plover(datetime(2026, 11, 25, tzinfo=UTC)).select(range(3)), folder / "few.json")
    (here / "roof.csv").write_text(ROOF)
    monkeypatch.chdir(here)
    near = create(here / "own", site=new_site(**PLACE, horizon_file="roof.csv"), elements=["data/few.json"])
    far = create(here / "other", site=new_site(**PLACE), elements=[str(elsewhere / "few.json"), "data"])
    monkeypatch.chdir(tmp_path)
    assert near.settings.fleets[0].elements == ["../data/few.json"]
    assert far.settings.fleets[0].elements == [(elsewhere / "few.json").as_posix(), "../data"]
    assert (len(near.fleet()), len(far.fleet())) == (3, 6)
    # The horizon went along: what becomes of the first file does not matter.
    (here / "roof.csv").unlink()
    assert near.settings.sites[0].spots[0].horizon_file == "roof.csv"
    assert near.site().horizon.highest_deg == 40.0


def test_a_horizon_file_that_is_there_already_is_not_written_over(tmp_path: Path) -> None:
    (tmp_path / "roof.csv").write_text(ROOF)
    own = tmp_path / "own"
    own.mkdir()
    (own / "roof.csv").write_text(ROOF.replace("40", "50"))
    opened = create(own, site=new_site(**PLACE, horizon_file=str(tmp_path / "roof.csv")))
    assert opened.settings.sites[0].spots[0].horizon_file == "roof-2.csv"
    assert (opened.site().horizon.highest_deg, (own / "roof.csv").read_text()) == (40.0, ROOF.replace("40", "50"))
    # A file of the workspace's own folder is taken as it is.
    inside = tmp_path / "inside"
    inside.mkdir()
    (inside / "roof.csv").write_text(ROOF)
    create(inside, site=new_site(**PLACE, horizon_file=str(inside / "roof.csv")))
    assert sorted(path.name for path in inside.glob("*.csv")) == ["roof.csv"]


def test_files_that_cannot_be_used_leave_no_folder_behind(tmp_path: Path) -> None:
    (tmp_path / "bad.csv").write_text("azimuth_deg,elevation_deg\n0,95\n9,1\n")
    (tmp_path / "bad.json").write_text("No GP data found")
    for kind, site, elements in (
        (SiteError, new_site(**PLACE, horizon_file=str(tmp_path / "bad.csv")), []),
        (SiteError, new_site(**PLACE, horizon_file=str(tmp_path / "none.csv")), []),
        (ElementsError, new_site(**PLACE), [str(tmp_path / "bad.json")]),
        (ElementsError, new_site(**PLACE), [str(tmp_path / "none.json")]),
    ):
        given = site.spots[0].horizon_file or elements[0]
        with pytest.raises(kind, match=re.escape(given)):
            create(tmp_path / "own", site=site, elements=elements)
    assert not (tmp_path / "own").exists()


def test_call_hours_of_a_new_site_are_kept(tmp_path: Path) -> None:
    for number, text in enumerate(("09:00-17:30,mon,wed", "22:00-04:00", "18:00-24:00,sun")):
        hours = DailyHours.parse(text)
        assert create(tmp_path / str(number), site=new_site(**PLACE, call_hours=hours)).call_hours() == hours


def test_a_decimal_comma_is_told_with_its_point(tmp_path: Path) -> None:
    text = SITE.replace("latitude_deg = 45.0", "latitude_deg = 47,2  # north")
    with pytest.raises(WorkspaceError, match=r"line 4, column 18.*; try a decimal point: 47\.2$"):
        workspace(tmp_path, text)
    with pytest.raises(WorkspaceError, match=r"line 1, column .*; try a decimal point: 47\.2$"):
        workspace(tmp_path, "latitude_deg = 47,2")
    # A comma that is none is left alone.
    with pytest.raises(WorkspaceError, match="try mending that line"):
        workspace(tmp_path, SITE.replace("latitude_deg = 45.0", 'latitude_deg = "47,2'))


# --- finding ----------------------------------------------------------------------------------------------------------


def test_it_is_found_where_one_stands_and_else_in_the_data_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("platformdirs.user_data_dir", lambda *_, **__: str(tmp_path / "data"))
    here = tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    assert Workspace.find() is None
    create(tmp_path / "data", demo=True)
    found = Workspace.find()
    assert found is not None
    assert found.folder == tmp_path / "data"
    create(here, demo=True)
    found = Workspace.find()
    assert found is not None
    assert found.folder.resolve() == here.resolve()
    named = Workspace.find(tmp_path / "data" / "passim.toml")
    assert named is not None
    assert named.folder == tmp_path / "data"
    # A folder below is another folder.
    (here / "below").mkdir()
    monkeypatch.chdir(here / "below")
    found = Workspace.find()
    assert found is not None
    assert found.folder == tmp_path / "data"
    with pytest.raises(WorkspaceError, match=r"try passim workspace new"):
        Workspace.find(tmp_path / "nowhere")


# --- what it gives ----------------------------------------------------------------------------------------------------


def test_a_view_has_every_limit_of_the_file(tmp_path: Path) -> None:
    view = workspace(tmp_path, TERMINAL + GATEWAY + SITE).view()
    assert view.limits == (
        Cone(0.0, 20.0, 50.0),
        ArcKeepOut(18.0),
        GatewayLimit((Gateway("South", 39.6, -28.0),)),
        ServingFilter(),
        ServingShare(80.0, 3),
        Excluded.of(["900000007", "900000008"]),
    )
    assert view.floor_deg == 20.0
    assert view.site.horizon.highest_deg == 30.0


def test_relaying_satellites_need_no_gateway_and_a_site_may_name_none(tmp_path: Path) -> None:
    relaying = workspace(tmp_path, "relay_between_satellites = true\n" + GATEWAY + SITE)
    assert "gateway" not in relaying.view().names
    none = workspace(tmp_path, GATEWAY + SITE.replace("[[sites.spots]]", "gateways = []\n[[sites.spots]]"))
    assert "gateway" not in none.view().names
    assert "gateway" in workspace(tmp_path, GATEWAY + SITE).view().names


def test_the_service_is_that_of_the_terminal(tmp_path: Path) -> None:
    service = workspace(tmp_path, TERMINAL + SITE).service
    assert (service.policy, service.clock_period_s, service.clock_offset_s, service.acquisition_s) == (
        "highest", 15.0, 0.0, 0.5,
    )  # fmt: skip


def test_the_zone_is_looked_up_and_one_that_contradicts_the_place_is_noted(tmp_path: Path) -> None:
    land = SITE.replace("45.0", "45.5").replace("-28.0", "9.2")  # in Lombardy
    assert workspace(tmp_path, land).site().timezone == "Europe/Rome"
    for zone, told in [("Europe/Berlin", False), ("Asia/Tokyo", True), ("Europe/London", True)]:
        opened = workspace(tmp_path, land.replace('"Marram"', f'"Marram"\nzone = "{zone}"'))
        assert opened.site().timezone == zone
        assert bool(opened.zone_mismatches) is told, zone
        assert all("one of the two is wrong" in note for note in workspace_sentences(opened))
    # At sea the table knows nautical bands only, by which no island lives: an hour apart is nothing.
    at_sea = SITE.replace('"Marram"', '"Marram"\nzone = "Atlantic/Azores"')
    assert workspace(tmp_path, at_sea).zone_mismatches == ()
    assert len(workspace(tmp_path, at_sea.replace("Atlantic/Azores", "Asia/Tokyo")).zone_mismatches) == 1


def test_a_horizon_may_be_a_mask_a_file_points_or_unknown(tmp_path: Path) -> None:
    (tmp_path / "roof.csv").write_text("azimuth_deg,elevation_deg\n0,10\n180,40\n")
    spot = 'name = "loft"\nmask_deg = 30'
    for said, low, high in [
        ("mask_deg = 12", 12.0, 12.0),
        ('horizon_file = "roof.csv"', 10.0, 40.0),
        ("horizon = [[0, 5], [90, 25.5]]", 5.0, 25.5),
        ("", 25.0, 25.0),
    ]:
        opened = workspace(tmp_path, SITE.replace(spot, f'name = "loft"\n{said}'))
        horizon = opened.site().horizon
        assert (horizon.lowest_deg, horizon.highest_deg) == (low, high)
        assert opened.horizon_unknown() is (said == "")


def test_names_that_are_not_there_are_refused_with_those_that_are(tmp_path: Path) -> None:
    opened = create(tmp_path, demo=True)
    with pytest.raises(WorkspaceError, match="site; got 'Hilltop'; wanted one of Marram, Skerry, Lantern"):
        opened.view("Hilltop")
    with pytest.raises(WorkspaceError, match="mounting spot of Marram; got 'shed'; wanted one of loft, yard"):
        opened.view("Marram", "shed")
    with pytest.raises(WorkspaceError, match="fleet; got 'Gull'; wanted one of Plover"):
        opened.fleet("Gull")
    empty = workspace(tmp_path, "")
    with pytest.raises(WorkspaceError, match=r"a \[\[sites\]\] section"):
        empty.site()
    with pytest.raises(WorkspaceError, match=r"a \[\[fleets\]\] section"):
        empty.fleet()
    missing = workspace(tmp_path, '[[fleets]]\nname = "x"\nelements = ["nowhere.json"]')
    with pytest.raises(ElementsError, match=r"nowhere\.json"):
        missing.fleet()


def test_a_horizon_file_that_vanished_is_told_of(tmp_path: Path) -> None:
    roof = tmp_path / "roof.csv"
    roof.write_text("azimuth_deg,elevation_deg\n0,10\n180,40\n")
    opened = workspace(tmp_path, SITE.replace("mask_deg = 30", 'horizon_file = "roof.csv"'))
    roof.unlink()
    with pytest.raises(SiteError, match=r"roof\.csv"):
        opened.site()


# --- what is refused --------------------------------------------------------------------------------------------------


def test_a_slip_is_told_with_its_line_and_key(tmp_path: Path, subtests: pytest.Subtests) -> None:
    for text, told in [
        ("colour = 1", r"^line 1, colour: unknown key; wanted one of name, relay_between_satellites, terminal"),
        ("[terminal]\narc_keepout_deg = 3", "^line 2, terminal.arc_keepout_deg: unknown key; try arc_keep_out_deg$"),
        ("[terminal]\narc_keep_out_deg = 75", "^line 2, .*keep-out angle.*got 75.0; wanted more than 0, up to 60 deg"),
        ("[terminal]\ncone = { half_angle_deg = 95 }", "^line 2, terminal.cone: half-angle.*got 95.0.*up to 90 deg"),
        ("[terminal]\ncone = { tilt_deg = 5 }", "^line 2, terminal.cone: half_angle_deg is missing$"),
        ("[terminal]\npolicy = 'best'", "^line 2, terminal.policy: value; got 'best'; wanted 'keep-then-highest', "),
        ("[terminal]\nclock_period_s = 0.1", "^line 2, terminal.clock_period_s: period of the clock; got 0.1"),
        ("[terminal]\nclock_offset_s = 3", "^line 1, terminal: offset of the clock; got 3.0; wanted a period of"),
        ("[terminal]\nacquisition_s = '1'", "^line 2, terminal.acquisition_s: value; got '1'; wanted a valid number"),
        ("[terminal]\nacquisition_s = nan", "^line 2, terminal.acquisition_s: value; got nan; wanted a finite number"),
        ("[serving]\nfilter = 'yes'", "^line 2, serving.filter: value; got 'yes'; wanted a valid boolean"),
        ("[serving]\nshare_percent = 0", "^line 2, serving.share_percent: share of the fleet"),
        ("[serving]\nexcluded = ['abc']", "^line 2, serving.excluded: .*got 'abc'"),
        (SITE + "\n[[sites.spots]]\nname = 'LOFT'", "^line 11, sites.Marram.spots.LOFT.name: second spot of one name"),
        (SITE + SITE, r"^line 11, sites\.Marram\.name: second site of one name; got 'Marram'"),
        (SITE.replace("45.0", "95"), r"^line 4, sites\.Marram\.latitude_deg: .*got 95\.0; wanted from -90 to 90 deg"),
        (SITE.replace("-28.0", "inf"), r"^line 5, .*\.longitude_deg: value; got inf; wanted a finite number"),
        (SITE.replace("mask_deg = 30", "mask_deg = 90"), r"^line 8, .*\.spots\.loft\.mask_deg: mask; got 90"),
        (SITE.replace("mask_deg = 30", "horizon = [[0, 5], [90, 9], [90, 12]]"), "^line 8, .*got '90 after 90'"),
        (SITE.replace("mask_deg = 30", "horizon_file = 'no.csv'"), r"^line 8, .*horizon_file: horizon file .*no\.csv"),
        (SITE + "horizon = [[0, 1], [9, 2]]", "^line 6, .*loft: mask_deg and horizon are both given; wanted one of"),
        (SITE.split("[[sites.spots]]")[0], r"^line 2, sites\.Marram: spots is missing$"),
        (SITE.replace('"Marram"', "'Marram'\nzone = 'Atlantis/Nowhere'"), "^line 4, .*zone: time zone; got 'Atlantis"),
        (SITE.replace('"Marram"', "'a,b'"), "^line 3, .*name: value; got 'a,b'"),
        (SITE.replace("-28.0", "-28.0\ngateways = ['West']"), r"^line 6, sites\.Marram\.gateways: gateway; got 'West'"),
        (SITE.replace("-28.0", "-28.0\ncall_hours = { start = '18:00', end = '18:00' }"), "two different times"),
        (SITE.replace("-28.0", "-28.0\ncall_hours = { start = '8 am', end = '18:00' }"), "such as 08:00"),
        (GATEWAY + GATEWAY, r"^line 8, gateways\.South\.name: second gateway of one name"),
        ("[[fleets]]\nname = 'x'", r'^line 1, fleets\.x: wanted one of elements = \["file or folder", \.\.\.\]'),
        ("[[fleets]]\nname = 'x'\ninvented = 'gull'", r"^line 3, fleets\.x\.invented: value; got 'gull'"),
        ("[[assumptions]]\nsetting = 'terminal.cone'\nsince = 2026-11-25\nhow = 'x'", "a setting that stands in this"),
        ("sites = 3", "^line 1, sites: value; got 3; wanted a valid list"),
        ("[[sites]]\n[[sites]]\nname = 3", r"^line 1, sites\.1: name is missing"),
    ]:  # fmt: skip
        with subtests.test(text=text, told=told):
            found = problems(tmp_path, text)
            assert any(re.search(told, problem) for problem in found), found
            assert all("\n" not in problem and problem.startswith("line ") for problem in found)


def test_all_slips_are_told_at_once_in_the_order_of_the_file(tmp_path: Path) -> None:
    text = (
        TERMINAL.replace("half_angle_deg = 50", "half_angle_deg = 120").replace("seed = 3", "seed = -3")
        + SITE.replace("45.0", "95")
        + SITE.replace("mask_deg", "msak_deg")
    )
    lines = [int(problem.split(",")[0].removeprefix("line ")) for problem in problems(tmp_path, text)]
    assert len(lines) == 5
    assert lines == sorted(lines)
    with pytest.raises(WorkspaceError, match=r"passim\.toml: 5 things cannot be used$"):
        Workspace.load(tmp_path)


def test_what_is_no_toml_is_refused_with_its_line(tmp_path: Path) -> None:
    (problem,) = problems(tmp_path, SITE + "latitude = = 3\n")
    assert "line 9" in problem
    file = tmp_path / "passim.toml"
    file.write_bytes(b"name = '\xff\xfe'\n")
    with pytest.raises(WorkspaceError, match="text that is not UTF-8"):
        Workspace.load(tmp_path)
    file.write_bytes(b"#" * 1_000_001)
    with pytest.raises(WorkspaceError, match="at most 1 MB"):
        Workspace.load(tmp_path)


@given(st.text(alphabet="[]{}=\"'#.,\n -_aé0159\\", max_size=120))
def test_any_text_loads_or_is_refused_by_name(text: str) -> None:
    """Whatever stands in the file, the one error is WorkspaceError."""
    try:
        read_settings(text, Path("passim.toml"))
    except WorkspaceError as error:
        told = error.problems
    else:
        told = ("nothing",)
    assert told


@given(st.data())
def test_the_line_of_a_key_is_the_one_it_stands_on(data: st.DataObject) -> None:
    """Keys get the number of their own line as their value, whatever stands between them."""
    fillers = st.sampled_from(
        ["", "# [x] a = 1", "s{n} = '''\n[[not]]\na = 1\n'''", 's{n} = """\n"a" = [\n"""', 's{n} = "# ]] \\" ["',
         "s{n} = [\n  1, # ]\n  [2, 3],\n]", "s{n} = { a = [1, 2], b = 'x' }", "s{n} = '''one line'''"]
    )  # fmt: skip
    headers = st.sampled_from(["[t{n}]", "[[rows]]", "[[rows.sub]]", "[t{n}.'quoted key'.deep]", '[ t{n} . "b" ]'])
    text, count, rows = "", 0, False
    for n in range(data.draw(st.integers(1, 8))):
        header = data.draw(headers).format(n=n)
        if "rows.sub" in header and not rows:
            header = "[[rows]]"
        rows = rows or header == "[[rows]]"
        text += f"{header}\n"
        for _ in range(data.draw(st.integers(0, 3))):
            count += 1
            filler = data.draw(fillers).replace("{n}", str(count))
            text += f"{filler}\n"
            text += f"key{count} = {len(text.splitlines()) + 1}\n"
    lines = LineNumbers(text)

    def check(here: object, path: tuple[str | int, ...]) -> None:
        if isinstance(here, dict):
            for key, value in here.items():
                if key.startswith("key"):
                    assert lines.of((*path, key)) == value
                elif not key.startswith("s") or key == "sub":
                    check(value, (*path, key))
        elif isinstance(here, list):
            for k, entry in enumerate(here):
                check(entry, (*path, k))

    check(tomllib.loads(text), ())


# --- changing it ------------------------------------------------------------------------------------------------------


def test_an_assumption_changes_one_setting_marks_it_and_keeps_every_comment(tmp_path: Path) -> None:
    opened = create(tmp_path, demo=True)
    before = opened.file.read_text()
    changed = opened.assume(
        {"terminal.clock_period_s": 15.0, "sites.Marram.spots.loft.mask_deg": 28.0},
        "symptom search over two days",
        date(2026, 11, 25),
    )
    after = changed.file.read_text()
    assert [line for line in before.splitlines() if line.startswith("#")] == [
        line for line in after.splitlines() if line.startswith("#")
    ]
    assert changed.service.clock_period_s == 15.0
    assert changed.site("Marram", "loft").horizon.highest_deg == 28.0
    assert changed.site("Marram", "yard").horizon.highest_deg == 35.0
    assert [(a.setting, a.since, a.how) for a in changed.assumptions] == [
        ("terminal.clock_period_s", date(2026, 11, 25), "symptom search over two days"),
        ("sites.Marram.spots.loft.mask_deg", date(2026, 11, 25), "symptom search over two days"),
    ]
    # Assumed anew it is marked once; taken away it is no assumption any more.
    again = changed.assume({"terminal.clock_period_s": 10.0}, "another search", date(2026, 11, 26))
    assert [(a.setting, a.how) for a in again.assumptions] == [
        ("sites.Marram.spots.loft.mask_deg", "symptom search over two days"),
        ("terminal.clock_period_s", "another search"),
    ]
    gone = again.assume({"terminal.clock_period_s": None}, "", date(2026, 11, 27))
    assert gone.service.clock_period_s is None
    assert [a.setting for a in gone.assumptions] == ["sites.Marram.spots.loft.mask_deg"]


def test_an_assumed_gateway_is_added_and_replaced(tmp_path: Path) -> None:
    opened = workspace(tmp_path, SITE)
    for latitude_deg in (40.0, 41.0):
        where = Gateway("assumed", latitude_deg, -28.0)
        opened = opened.assume({"relay_between_satellites": False}, "searched", date(2026, 11, 25), gateway=where)
        assert opened.gateways("Marram") == (where,)
        assert [a.setting for a in opened.assumptions] == ["relay_between_satellites", "gateways.assumed"]


def test_a_change_that_would_damage_the_file_is_refused(tmp_path: Path) -> None:
    opened = create(tmp_path, demo=True)
    before = opened.file.read_bytes()
    for values in ({"terminal.arc_keep_out_deg": 99.0}, {"terminal.arcs": 3.0}, {"sites.Hilltop.height_m": 3.0}):
        with pytest.raises(WorkspaceError):
            opened.assume(values, "tried", date(2026, 11, 25))
        assert opened.file.read_bytes() == before


@pytest.mark.parametrize("damage", [b"name = [", b"\xff\xfe\x00", b"colour = 3\n", b""])
def test_a_damaged_file_is_never_written_over(damage: bytes, tmp_path: Path) -> None:
    opened = create(tmp_path, demo=True)
    opened.file.write_bytes(damage)
    with pytest.raises(WorkspaceError, match="a folder without a workspace"):
        create(tmp_path, demo=True)
    if damage:
        with pytest.raises(WorkspaceError):
            opened.assume({"terminal.acquisition_s": 1.0}, "tried", date(2026, 11, 25))
    assert opened.file.read_bytes() == damage


def test_what_somebody_saved_meanwhile_stays(tmp_path: Path) -> None:
    opened = create(tmp_path, demo=True)

    def slow(document: object) -> None:
        opened.file.write_text("# saved by hand\n")

    with pytest.raises(WorkspaceError, match="another change while this one was made"):
        opened.edit(slow)
    assert opened.file.read_text() == "# saved by hand\n"


def test_a_file_that_cannot_be_sound_leaves_no_folder_behind(tmp_path: Path) -> None:
    with pytest.raises(WorkspaceError, match="latitude"):
        create(tmp_path / "new", site=new_site(name="x", latitude_deg=95.0, longitude_deg=0.0))
    assert not (tmp_path / "new").exists()
    with pytest.raises(InputError, match="either the demo or a site"):
        create(tmp_path / "new")
    (tmp_path / "file").write_text("")
    with pytest.raises(WorkspaceError, match="cannot be made"):
        create(tmp_path / "file" / "new", demo=True)


WRITER = """
import sys
from datetime import date
from passim.spans import DailyHours
from passim.workspace import Workspace
from passim_apps.text.setup import workspace_sentences
from passim.sky.limits import Gateway

who, times = sys.argv[2], int(sys.argv[3])
for k in range(times):
    opened = Workspace.load(sys.argv[1])
    opened.assume({}, "written by a test", date(2026, 11, 25), gateway=Gateway(f"{who} {k}", 40.0, -28.0))
    print(k, flush=True)
"""


def test_two_writers_lose_nothing(tmp_path: Path) -> None:
    workspace(tmp_path, "# a remark\n" + SITE)
    command = [sys.executable, "-c", WRITER, str(tmp_path)]
    both = [subprocess.Popen([*command, who, "5"], stdout=subprocess.DEVNULL) for who in ("left", "right")]
    assert [process.wait(timeout=PATIENCE_S) for process in both] == [0, 0]
    opened = Workspace.load(tmp_path)
    assert {g.name for g in opened.gateways()} == {f"{who} {k}" for who in ("left", "right") for k in range(5)}
    assert opened.file.read_text().startswith("# a remark\n")


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no kill -9 on this system")
def test_kill_9_leaves_the_old_file_or_the_new_one(tmp_path: Path) -> None:
    workspace(tmp_path, SITE)
    for pause_s in (0.0, 0.011):  # tests/soak/kills.py does it a thousand times
        process = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(tmp_path), f"run {pause_s}", "10000"], stdout=subprocess.PIPE
        )
        assert process.stdout is not None
        # Killed in the midst of its writing, at one moment or another.
        process.stdout.readline()
        time.sleep(pause_s)
        os.kill(process.pid, signal.SIGKILL)
        written = process.stdout.read().split()
        process.stdout.close()
        process.wait(timeout=PATIENCE_S)
        opened = Workspace.load(tmp_path)
        names = [g.name for g in opened.gateways() if g.name.startswith(f"run {pause_s}")]
        # Everything that was reported as written is there, and at most the one that was under way besides.
        assert len(names) - (len(written) + 1) in (0, 1)
        # The dead writer's lock holds nobody up.
        opened.edit(lambda document: None)


def test_the_timing_model_is_the_users_to_set(tmp_path: Path) -> None:
    folder = create(tmp_path / "school", demo=True).folder
    assert Workspace.load(folder).timing().model == TimingModel()
    file = folder / "passim.toml"
    file.write_text(file.read_text().replace("# [timing]", "[timing]").replace("# per_day_s = 0.7", "per_day_s = 2.5"))
    assert Workspace.load(folder).timing().model == TimingModel(per_day_s=2.5)
    file.write_text(file.read_text().replace("per_day_s = 2.5", "per_day_s = -1.0"))
    with pytest.raises(WorkspaceError, match="per_day_s"):
        Workspace.load(folder)


def test_call_hours_of_the_file_may_go_over_midnight(tmp_path: Path) -> None:
    """As `--between 22:00-04:00` may: what comes after midnight belongs to the day before."""
    site = SITE.replace(
        "-28.0", "-28.0\nzone = 'UTC'\ncall_hours = {{ start = {start}, end = {end}, days = ['Fri'] }}", 1
    )
    wanted = {
        ("'22:00'", "'04:00'"): (22 * 60, 4 * 60),
        ("22:00:00", "04:00:00"): (22 * 60, 4 * 60),
        ("'22:00'", "'24:00'"): (22 * 60, 24 * 60),
        ("'22:00'", "00:00:00"): (22 * 60, 24 * 60),
    }
    for (start, end), minutes in wanted.items():
        (tmp_path / "passim.toml").write_text(site.format(start=start, end=end), encoding="utf-8")
        kept = Workspace.load(tmp_path).call_hours()
        assert kept is not None
        assert kept == DailyHours(*minutes, (4,))
        # Friday 27 November 2026, and the night that follows.
        friday = Span(datetime(2026, 11, 27, 12, tzinfo=UTC), datetime(2026, 11, 28, 12, tzinfo=UTC))
        begins, ends = call_hours_within(friday, kept, "UTC")
        assert ((ends - begins) / 60_000_000).tolist() == [(minutes[1] - minutes[0]) % 1440]
