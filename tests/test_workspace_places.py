"""Sites, spots and gateways added to a workspace file, horizons kept as spots, and the last change taken back."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from passim import Horizon
from passim.errors import WorkspaceError
from passim.sky.limits import Gateway
from passim.workspace import Workspace, add_gateway, add_site, add_spot, create, keep_horizon_as, new_site
from test_command_line import done, refused


@pytest.fixture
def school(tmp_path: Path) -> Workspace:
    return create(tmp_path / "school", demo=True)


def remarks(text: str) -> list[str]:
    return [line for line in text.splitlines() if line.lstrip().startswith("#")]


def test_what_is_added_stands_beside_its_like_and_every_remark_stays(school: Workspace) -> None:
    before = school.text
    found = add_gateway(school, Gateway(name="West", latitude_deg=45.0, longitude_deg=-33.5), ["marram"])
    found = add_spot(found, "Marram", "mast", mask_deg=20.0)
    found = add_site(
        found, new_site(name="Depot 24/7", latitude_deg=50.0, longitude_deg=-10.0, zone="UTC", mask_deg=25.0)
    )
    assert found.site_names == ("Marram", "Skerry", "Lantern", "Depot 24/7")
    assert found.spot_names("Marram") == ("loft", "yard", "mast")
    assert found.view("Marram", "mast").site.horizon.lowest_deg == 20.0
    # Marram lists its gateways, and the new one joins them; Skerry's list stays; the depot lists none and takes all.
    assert [g.name for g in found.gateways("Marram")] == ["South", "West"]
    assert [g.name for g in found.gateways("Skerry")] == ["North"]
    assert len(found.gateways("Depot 24/7")) == 3
    assert remarks(found.text) == remarks(before)
    behind_hills = Gateway("Hills", 46.0, -33.5, 5.0, Horizon.from_points([(0.0, 12.0), (180.0, 30.5)]))
    assert add_gateway(found, behind_hills).gateways()[-1] == behind_hills
    # Nothing that was there went but the one list; a heading stays over what it heads.
    assert [line for line in found.changes_since(before) if line[0] == "-"] == ['- gateways = ["South"]']
    text = found.text
    assert text.index('name = "West"') < text.index("# ---- sites") < text.index('name = "mast"')
    assert text.index('name = "mast"') < text.index('name = "Skerry"')
    assert text.index('name = "Depot 24/7"') < text.index("# ---- kinds of call")


def test_a_first_section_and_odd_files_come_out_sound(tmp_path: Path) -> None:
    bare = create(tmp_path / "bare", site=new_site(name="Office", latitude_deg=1.0, longitude_deg=2.0))
    found = add_gateway(bare, Gateway(name="First", latitude_deg=0.0, longitude_deg=0.0))
    assert [g.name for g in found.gateways("Office")] == ["First"]
    # Lists in one line are left alone, and said so.
    odd = tmp_path / "odd"
    odd.mkdir()
    file = odd / "passim.toml"
    text = 'gateways = [{ name = "A", latitude_deg = 1.0, longitude_deg = 2.0 }]\n'
    file.write_text(text)
    with pytest.raises(WorkspaceError, match=r"wanted sections that begin with \[\[gateways\]\]"):
        add_gateway(Workspace.load(odd), Gateway(name="B", latitude_deg=0.0, longitude_deg=0.0))
    assert file.read_text() == text
    # A string that looks like a section misleads nobody.
    file.write_text('name = """\n[[sites]]\n"""\n' + bare.text[bare.text.index("[[sites]]") :])
    found = add_spot(Workspace.load(odd), "Office", "mast")
    assert found.spot_names("Office") == ("roof", "mast")
    assert tomllib.loads(found.text)["name"] == "[[sites]]\n"


def test_what_cannot_be_added_changes_nothing(school: Workspace) -> None:
    before, files = school.text, sorted(school.folder.iterdir())
    ridge = Horizon.from_points([(0.0, 10.0), (180.0, 30.0)])
    with pytest.raises(WorkspaceError, match="second spot of one name; got 'LOFT'"):
        add_spot(school, "Marram", "LOFT", horizon=ridge)
    with pytest.raises(WorkspaceError, match="site; got 'Nowhere'"):
        add_spot(school, "Nowhere", "mast")
    with pytest.raises(WorkspaceError, match="second site of one name"):
        add_site(school, new_site(name="marram", latitude_deg=0.0, longitude_deg=0.0))
    with pytest.raises(WorkspaceError, match="site; got 'Nowhere'"):
        add_gateway(school, Gateway(name="West", latitude_deg=0.0, longitude_deg=0.0), ["Nowhere"])
    assert school.text == before
    # A lock may have come, but no horizon file.
    assert [f for f in sorted(school.folder.iterdir()) if f not in files and not f.name.startswith(".")] == []


def test_undo_takes_the_last_change_back_and_once_more_brings_it_again(school: Workspace) -> None:
    with pytest.raises(WorkspaceError, match="no change by passim"):
        school.undo()
    before = school.text
    changed = add_spot(school, "Marram", "mast")
    after = changed.text
    undone, changes = changed.undo()
    assert undone.text == before
    assert '- name = "mast"' in changes
    assert undone.undo()[0].text == after
    # A change by hand since is never lost.
    changed.file.write_text(f"{after}# mine\n")
    with pytest.raises(WorkspaceError, match="changes by hand since passim changed it"):
        changed.undo()
    assert changed.file.read_text() == f"{after}# mine\n"


def test_a_horizon_is_kept_as_a_spot_old_or_new(school: Workspace) -> None:
    ridge = Horizon.from_points([(0.0, 10.0), (180.0, 30.0)])
    found = keep_horizon_as(school, "Marram/mast", ridge)
    assert found.spot_names("Marram") == ("loft", "yard", "mast")
    assert found.site("Marram", "mast").horizon == ridge
    found = keep_horizon_as(found, "marram/YARD", ridge)
    assert found.spot_names("Marram") == ("loft", "yard", "mast")
    assert found.site("Marram", "yard").horizon == ridge
    for text in ("Marram", "Marram/", "Nowhere/roof"):
        with pytest.raises(WorkspaceError, match="wanted SITE/SPOT"):
            keep_horizon_as(found, text, ridge)


def test_the_same_on_the_command_line(school: Workspace, tmp_path: Path) -> None:
    at = ["--workspace", str(school.folder)]
    place = ["--latitude", "50", "--longitude", "-10", "--call-hours", "9-17", "--mask", "20"]
    told = done("workspace", "add", "site", *at, "--name", "Depot", *place).stdout
    assert '  + name = "Depot"' in told
    told = done("workspace", "add", "gateway", *at, "--name", "West", "--", "45.0,-33.5,30")
    assert "  + mask_deg = 30.0" in told.stdout
    assert "It is not used by Marram, Skerry, Lantern" in told.stderr
    sighted = ["survey", "sighted", "--points", "0:12,90:38,180:30", "--base", "0", "--keep-as"]
    told = done(*sighted, "Depot/mast", *at)
    assert '  + horizon_file = "horizon-depot-mast.csv"' in told.stdout
    assert "fall protection" in told.stderr
    walls = tmp_path / "walls.csv"
    walls.write_text("bearing_deg,width_m,distance_m,height_m\n180,10,20,9\n")
    kept = ["--mount-height", "3", "--keep-as", "Depot/roof", *at]
    assert "  - mask_deg = 20.0" in done("survey", "obstacles", "--file", str(walls), *kept).stdout
    told = done("workspace", "show", *at).stdout
    assert "mast" in told
    told = done("workspace", "undo", *at).stdout
    assert "  + mask_deg = 20.0" in told
    assert "wanted SITE/SPOT" in refused(*sighted, "mast", *at)
    assert "or --keep-as SITE/SPOT" in refused(*sighted[:-1])
    assert "latitude" in refused("workspace", "add", "site", *at, "--name", "X", "--latitude", "95", "--longitude", "0")
    assert done("workspace", "check", *at).stdout.startswith(f"{school.file} is sound: 4 sites")
