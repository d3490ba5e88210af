"""Parts of a workspace file added, given other settings, renamed and removed: shown first, then written as shown."""

from __future__ import annotations

import sys
import tomllib
from datetime import UTC, date, datetime
from pathlib import Path
from types import SimpleNamespace

import pytest

from passim import Gateway, Horizon, Span
from passim.coverage.visibility import find_visibility
from passim.errors import InputError, SiteError, WorkspaceError
from passim.line import machines_here, parse_targets
from passim.workspace import Workspace, adding, begin, changing, create
from passim.workspace.changing import Part
from passim_apps.dashboard.address import Choices
from passim_apps.dashboard.notes import age_warning
from passim_apps.dashboard.pages.setup import form, page as setup_page
from passim_apps.dashboard.state import DashboardState
from passim_apps.figures.theme import LIGHT
from passim_apps.text import setup as setup_words
from passim_apps.text.setup import next_target, suggested_sentence, suggested_targets, target_written

MARRAM, LOFT, NORTH = Part("site", "Marram"), Part("spot", "loft", "Marram"), Part("gateway", "North")


@pytest.fixture
def school(tmp_path: Path) -> Workspace:
    return create(tmp_path / "school", demo=True)


def remarks(workspace: Workspace) -> list[str]:
    return [line for line in workspace.text.splitlines() if line.lstrip().startswith("#")]


def test_what_is_shown_is_what_is_written_and_undo_takes_it_back(school: Workspace) -> None:
    before = school.text
    change = changing.alter(LOFT, {"mask_deg": 27.5})
    lines = changing.shown(school, change)
    assert lines == ["- mask_deg = 25.0", "+ mask_deg = 27.5"]
    assert school.text == before
    assert not school.can_undo
    new = changing.write(school, change, lines)
    assert new.can_undo
    assert new.site("Marram", "loft").horizon.lowest_deg == 27.5
    assert new.changes_since(before) == lines
    assert remarks(new) == [line for line in before.splitlines() if line.lstrip().startswith("#")]
    undone, _ = new.undo()
    assert undone.text == before
    # What somebody else wrote meanwhile would be another change than was shown.
    school.file.write_text(before.replace("mask_deg = 25.0", "mask_deg = 26.0"), encoding="utf-8")
    with pytest.raises(WorkspaceError, match="another change since this one was shown"):
        changing.write(school, change, lines)


def test_every_part_can_be_added_renamed_and_removed_and_what_names_it_goes_with_it(school: Workspace) -> None:
    data = tomllib.loads(school.text)
    for change in (
        changing.add(Part("gateway", "West"), {"latitude_deg": 45.0, "longitude_deg": -35.0, "mask_deg": 20.0}),
        changing.add(Part("spot", "mast", "Skerry"), {"mask_deg": 20.0}),
        changing.add(
            Part("site", "Isle"),
            {"latitude_deg": 50.0, "longitude_deg": -30.0, "spots": [{"name": "roof", "mask_deg": 25.0}]},
        ),
        changing.alter(NORTH, {"name": "Far North"}),
        changing.alter(MARRAM, {"name": "Maram", "zone": None}),
        changing.alter(Part("fleet", "Plover"), {"name": "Godwit"}),
        changing.alter(Part("terminal"), {"cone": {"tilt_deg": 10.0, "half_angle_deg": 50.0}, "clock_period_s": 15.0}),
    ):
        school = changing.write(school, change, changing.shown(school, change))
    assert school.site_names == ("Maram", "Skerry", "Lantern", "Isle")
    assert school.spot_names("Skerry") == ("roof", "mast")
    assert [each.name for each in school.gateways("Skerry")] == ["Far North"]
    assert [each.name for each in school.gateways()] == ["South", "Far North", "West"]
    assert (school.fleet_names, school.settings.sites[0].zone) == (("Godwit",), None)
    assert school.settings.terminal.cone is not None
    assert school.settings.terminal.clock_period_s == 15.0
    for part in (Part("site", "Isle"), Part("spot", "mast", "Skerry"), Part("gateway", "West")):
        change = changing.remove(part)
        school = changing.write(school, change, changing.shown(school, change))
    for change in (
        changing.alter(Part("gateway", "Far North"), {"name": "North"}),
        changing.alter(Part("site", "Maram"), {"name": "Marram", "zone": "Atlantic/Azores"}),
        changing.alter(Part("fleet", "Godwit"), {"name": "Plover"}),
        changing.alter(Part("terminal"), {"cone": None, "clock_period_s": None}),
    ):
        school = changing.write(school, change, changing.shown(school, change))
    assert tomllib.loads(school.text) == data
    gone = changing.remove(NORTH)
    school = changing.write(school, gone, changing.shown(school, gone))
    assert school.settings.sites[1].gateways == []
    assert "# ---- kinds of call" in school.text


def test_a_fleet_with_a_feed_keeps_its_snapshots_under_another_name(tmp_path: Path) -> None:
    text = '[[fleets]]\nname = "Plover"\nfeed = { folder = "incoming" }\n'
    (tmp_path / "passim.toml").write_text(text, encoding="utf-8")
    held = Workspace.load(tmp_path)
    where = held.snapshots("Plover").folder
    for old, new in (("Plover", "Godwit"), ("Godwit", "Knot")):
        change = changing.alter(Part("fleet", old), {"name": new})
        held = changing.write(held, change, changing.shown(held, change))
        assert held.fleet_names == (new,)
        assert held.snapshots(new).folder == where
    # Another one of the first name would keep its own among them.
    other = '\n[[fleets]]\nname = "Plover"\nfeed = { folder = "other" }\n'
    alone = held.text
    (tmp_path / "passim.toml").write_text(alone + other, encoding="utf-8")
    with pytest.raises(WorkspaceError) as caught:
        Workspace.load(tmp_path)
    (problem,) = caught.value.problems
    assert problem.endswith("wanted another name: a fleet that was called so keeps its snapshots under Plover")
    (tmp_path / "passim.toml").write_text(alone, encoding="utf-8")
    change = changing.alter(Part("fleet", "Knot"), {"name": "Plover"})
    assert changing.write(held, change, changing.shown(held, change)).text == text


def test_the_first_site_comes_into_an_empty_workspace(tmp_path: Path) -> None:
    (tmp_path / "passim.toml").write_text('name = "Invented"\n', encoding="utf-8")
    empty = Workspace.load(tmp_path)
    item = form.EditedPart.read("new-site")
    assert item is not None
    change = form.change_of(empty, item, {"name": "Isle", "latitude_deg": "50.5", "longitude_deg": "-30"})
    assert change is not None
    made = changing.write(empty, change, changing.shown(empty, change))
    assert (made.site_names, made.spot_names("Isle")) == (("Isle",), ("roof",))


def test_the_first_site_brings_a_gateway_and_satellites_in_one_change(tmp_path: Path) -> None:
    (tmp_path / "passim.toml").write_text('name = "Invented"\n', encoding="utf-8")
    empty = Workspace.load(tmp_path)
    item = form.EditedPart.read("new-site")
    assert item is not None
    place = {"name": "Isle", "latitude_deg": "50.5", "longitude_deg": "-30", "height_m": "450"}
    gateway = {"gateway.latitude_deg": "-45,25", "gateway.longitude_deg": "9.2"}
    change = form.change_of(empty, item, place | gateway)
    assert change is not None
    made = changing.write(empty, change, changing.shown(empty, change))
    (held,) = made.settings.gateways
    assert (held.name, held.latitude_deg, held.longitude_deg, held.mask_deg) == ("45.25 S 9.2 E", -45.25, 9.2, 25.0)
    assert made.fleet_settings(None).invented == "plover"
    assert made.settings.sites[0].height_m == 450.0
    # What stands in the way is not known before anybody has said it.
    assert made.horizon_unknown("Isle")
    assert made.undo()[0].text == empty.text
    # A ridge stands upright above the elevation from which the terminal works, over north too.
    ridge = {"ridge.from_deg": "340", "ridge.to_deg": "20", "ridge.elevation_deg": "40"}
    change = form.change_of(empty, item, place | ridge | gateway)
    assert change is not None
    made = changing.write(empty, change, changing.shown(empty, change))
    horizon = made.site("Isle", "roof").horizon
    assert horizon.elevation_deg([0.0, 340.0, 20.0, 339.9, 20.1, 180.0]).tolist() == [
        40.0,
        40.0,
        40.0,
        25.0,
        25.0,
        25.0,
    ]
    assert not made.horizon_unknown("Isle")
    made.undo()
    with pytest.raises(WorkspaceError, match="2 of its three numbers"):
        form.change_of(empty, item, place | ridge | {"ridge.to_deg": ""})
    with pytest.raises(InputError, match="azimuth from 0 to 360"):
        form.change_of(empty, item, place | ridge | {"ridge.to_deg": "420"})
    # Half a place is refused; a workspace that has gateways and satellites is not asked for them.
    with pytest.raises(WorkspaceError, match="wanted both, or neither"):
        form.change_of(empty, item, place | {"gateway.latitude_deg": "45"})
    keys = [field.key for field, _ in form.fields_of(made, item)]
    assert not {"gateway.latitude_deg", "satellites"} & set(keys)
    later = form.change_of(empty, item, place | {"satellites": "later"})
    assert later is not None
    assert changing.write(empty, later, changing.shown(empty, later)).missing == ("fleets",)


def test_an_assumption_goes_with_its_part_and_ends_where_a_value_is_given(school: Workspace) -> None:
    with school.file.open("a", encoding="utf-8") as file:
        for setting in ("sites.Marram.spots.loft.mask_deg", "gateways.North"):
            file.write(f'\n[[assumptions]]\nsetting = "{setting}"\nsince = 2026-11-25\nhow = "tried"\n')
    school = Workspace.load(school.file)

    def settings() -> list[str]:
        return [each.setting for each in school.assumptions]

    for change, left in (
        (changing.alter(MARRAM, {"name": "Maram"}), ["sites.Maram.spots.loft.mask_deg", "gateways.North"]),
        (changing.alter(Part("spot", "loft", "Maram"), {"mask_deg": 30.0}), ["gateways.North"]),
        (changing.remove(NORTH), []),
    ):
        school = changing.write(school, change, changing.shown(school, change))
        assert settings() == left


def test_what_cannot_be_is_refused_in_one_line(school: Workspace) -> None:
    for change, words in (
        (changing.remove(Part("spot", "roof", "Skerry")), "adding another first"),
        (changing.remove(Part("gateway", "East")), "gateway; got 'East'; wanted one of South, North"),
        (changing.alter(MARRAM, {"latitude_deg": 95.0}), "sites.Marram.latitude_deg"),
        (changing.alter(MARRAM, {"name": "Skerry"}), "Skerry"),
    ):
        with pytest.raises(WorkspaceError) as refusal:
            changing.shown(school, change)
        assert words in str(refusal.value)
    with pytest.raises(WorkspaceError, match="latitude_deg"):
        changing.add(Part("site", "Isle"), {"longitude_deg": 1.0, "spots": [{"name": "roof"}]})


def test_fields_hold_the_settings_and_what_is_typed_becomes_a_change(school: Workspace) -> None:
    for kind, each in form.items(school).items():
        for item in each:
            assert form.EditedPart.read(item.value) == item
            typed = {field.key: text for field, text in form.fields_of(school, item)}
            if not item.new:
                assert form.change_of(school, item, typed) is None, (kind, item)
    for text in ("", "site", "site:a/b", "spot:a", "new-fleet:x", "new-terminal", "else:x"):
        assert form.EditedPart.read(text) is None

    def lines(item: str, **typed: str) -> list[str]:
        found = form.EditedPart.read(item)
        assert found is not None
        change = form.change_of(school, found, typed)
        return [] if change is None else changing.shown(school, change)

    ridge = {"ridge.from_deg": "90", "ridge.to_deg": "120", "ridge.elevation_deg": "35"}
    (name,) = [line for line in lines("new-spot:Marram", name="mast", **ridge) if "horizon" in line]
    assert "[90.0, 35.0], [120.0, 35.0]" in name
    assert lines("site:Marram", call_hours="09:00-17:00,mon-wed", gateways="North, South") == [
        '- gateways = ["South"]',
        '- call_hours = { start = "08:00", end = "18:00", days = ["Mon", "Tue", "Wed", "Thu", "Fri"] }',
        '+ gateways = ["North", "South"]',
        '+ call_hours = {start = "09:00", end = "17:00", days = ["Mon", "Tue", "Wed"]}',
    ]
    added = lines("new-site", name="Isle", latitude_deg="50,5", longitude_deg="-30")
    assert {"+ [[sites]]", '+ name = "Isle"', "+ latitude_deg = 50.5", '+ name = "roof"'} <= set(added)
    # The remark names the zone there, and no other.
    inland = lines("new-site", name="Hill", latitude_deg="47", longitude_deg="8.3")
    assert '+ # zone = "Europe/Zurich"  # unset: the zone at the coordinates' in inland
    assert lines("terminal", **{"cone.half_angle_deg": "50"}) == ["+ cone = {half_angle_deg = 50.0}"]
    for typed, words in (({"mask_deg": "high"}, "wanted a number"), ({"name": ""}, "is empty")):
        with pytest.raises(WorkspaceError, match=words):
            lines("spot:Marram/loft", **typed)


def typed(workspace: Workspace, item: str, **texts: str) -> Workspace:
    """Return the workspace after what is typed into the fields of an item is written."""
    chosen = form.EditedPart.read(item)
    assert chosen is not None
    assert chosen.value == item
    change = form.change_of(workspace, chosen, texts)
    assert change is not None
    return changing.write(workspace, change, changing.shown(workspace, change))


def test_a_feed_takes_the_place_of_what_a_fleet_had_and_keeps_what_else_the_file_says_of_it(school: Workspace) -> None:
    before = school.text
    now = typed(school, "fleet:Plover", **{"feed.folder": "incoming"})
    assert now.changes_since(before) == ['- invented = "plover"', '+ feed = {folder = "incoming"}']
    address = "https://example.org/elements.json"
    first = f'{{address = "{address}", every_s = 9000.0, authorization_from = "TOKEN"}}'
    written = now.text.replace('{folder = "incoming"}', first)
    now.file.write_text(written, encoding="utf-8")
    now = typed(Workspace.load(now.file), "fleet:Plover", **{"feed.address": "https://example.net/other.json"})
    # What lets passim in there is sent nowhere else.
    assert '+ feed = {address = "https://example.net/other.json", every_s = 9000.0}' in now.changes_since(written)
    undone, _ = now.undo()
    assert undone.text == written
    folder = typed(undone, "fleet:Plover", **{"feed.address": "", "feed.folder": "incoming"})
    assert '+ feed = {folder = "incoming"}' in folder.changes_since(written)
    undone, _ = folder.undo()
    for texts, words in (
        ({"feed.address": ""}, "got 'neither'"),
        ({"feed.folder": "incoming"}, "got 'both'"),
        ({"feed.address": "ftp://example.org/a"}, "wanted an address such as https"),
    ):
        with pytest.raises(WorkspaceError, match=words):
            typed(undone, "fleet:Plover", **texts)


def test_a_new_fleet_may_begin_with_a_feed(school: Workspace) -> None:
    before = school.text
    now = typed(school, "new-fleet", **{"name": "Whimbrel", "feed.address": "https://example.org/elements.json"})
    assert now.changes_since(before) == [
        "+ [[fleets]]", '+ name = "Whimbrel"', '+ feed = { address = "https://example.org/elements.json" }',
    ]  # fmt: skip
    assert now.fleet_names == (*school.fleet_names, "Whimbrel")
    folder = typed(now, "new-fleet", **{"name": "Knot", "feed.folder": "incoming"})
    assert folder.fleet_settings("Knot").feed is not None
    assert remarks(folder) == [line for line in before.splitlines() if line.lstrip().startswith("#")]
    for texts, words in (
        ({"feed.folder": "incoming"}, "name of the fleet"),
        ({"name": "Dunlin"}, "feed of the new fleet; got 'neither'"),
        ({"name": "Dunlin", "feed.folder": "a", "feed.address": "https://example.org/a"}, "got 'both'"),
        ({"name": "Dunlin", "feed.address": "ftp://example.org/a"}, "wanted an address such as https"),
        ({"name": "whimbrel", "feed.folder": "incoming"}, "cannot be used"),
    ):
        with pytest.raises(WorkspaceError) as refused:
            typed(folder, "new-fleet", **texts)
        assert words in str(refused.value)
    state = DashboardState(folder, at=datetime(2026, 11, 25, 8, 30, tzinfo=UTC))
    try:
        # What has brought nothing yet is no reason to say nothing here, where it may be mended.
        answer = setup_page.PAGE.answer(state.question(Choices(fleet="Knot")), LIGHT)
        assert answer.sentence.endswith("3 fleets (Plover, Whimbrel, Knot).")
        assert any("a feed that has brought nothing yet" in note.text for note in answer.notes)
        assert age_warning(state.question(Choices(fleet="Knot")), setup_page.PAGE) == ""
    finally:
        state.close()


def test_it_is_told_for_which_sites_a_gateway_counts_and_how_far_it_is(school: Workspace) -> None:
    """600 km are 5.4 degrees of latitude; two reaches of 940 km, 550 km up and 25 deg high, are 1,881 km."""
    at = datetime(2026, 11, 25, tzinfo=UTC)
    fleet = school.fleet(None, at)
    assert setup_words.gateway_sentences(school, fleet) == [
        "South counts for Marram, 600 km away.", "North counts for Skerry, 600 km away; Lantern, 122 km away.",
    ]  # fmt: skip
    assert setup_words.gateway_sentences(school, fleet, ["South"]) == [
        "South counts for Marram, 600 km away.",
        "South does not count for Skerry, Lantern: other gateways are listed there.",
    ]
    far = changing.add(Part("gateway", "Far"), {"latitude_deg": -30.0, "longitude_deg": 60.0, "mask_deg": 25.0})
    now = changing.write(school, far, changing.shown(school, far))
    listed = changing.alter(MARRAM, {"gateways": ["Far"]})
    now = changing.write(now, listed, changing.shown(now, listed))
    said = setup_words.gateway_sentences(now, fleet, ["Far"])
    assert said[0].startswith("Far is too far from Marram to count: 12,165 km, and beyond about 1,9")
    refused = (
        "got '12,165 km apart'; wanted a gateway that a satellite of this fleet can see together with the site, at"
    )
    with pytest.raises(SiteError) as error:
        find_visibility(fleet, now.view("Marram"), Span.starting(at, hours=1))
    assert refused in str(error.value)
    # Without satellites only the distance is known.
    assert "Far is to count for Marram, 12,165 km away: whether satellites see both is known once there are some." in (
        setup_words.gateway_sentences(now, None, ["Far"])
    )
    relayed = now.edit(lambda document: document.update(relay_between_satellites=True))
    assert setup_words.gateway_sentences(relayed, fleet) == [setup_words.RELAYED]


def test_targets_of_the_probe_are_named_moved_and_removed_nearest_first(school: Workspace) -> None:
    before = school.text
    first = typed(school, "new-target", name="far", method="tcp", address="198.51.100.7:443")
    assert first.changes_since(before) == ["+ [line]", '+ targets = ["far=198.51.100.7:443"]']
    now = typed(first, "new-target", name="router", method="icmp", address="192.168.1.1", place="1")
    now = typed(now, "new-target", name="names", method="dns", address="203.0.113.53")
    assert now.line.targets == ["router=icmp:192.168.1.1", "far=198.51.100.7:443", "names=dns:203.0.113.53:53/."]
    item = form.EditedPart(changing.Part("target", "router"))
    assert [text for _, text in form.fields_of(now, item)] == ["router", "icmp", "192.168.1.1", "1"]
    assert form.change_of(now, item, {}) is None
    now = typed(now, "target:router", name="box", method="tcp", address="192.168.1.1:80")
    assert now.line.targets[0] == "box=192.168.1.1:80"
    now = typed(now, "target:box", place="3")
    assert [text.partition("=")[0] for text in now.line.targets] == ["far", "names", "box"]
    for name in ("far", "names", "box"):
        change = changing.remove(Part("target", name))
        now = changing.write(now, change, changing.shown(now, change))
    assert now.text.strip() == before.strip()
    undone, _ = now.undo()
    assert undone.line.targets == ["box=192.168.1.1:80"]


def test_what_may_be_asked_is_suggested_from_the_machines_own_settings(tmp_path: Path) -> None:
    routes, resolvers = tmp_path / "route", tmp_path / "resolv.conf"
    # As the kernel writes 192.168.1.1, a number in the machine's own order of bytes (proc(5)).
    gateway = f"{int.from_bytes(bytes((192, 168, 1, 1)), sys.byteorder):08X}"
    network, mask = (
        f"{int.from_bytes(bytes(each), sys.byteorder):08X}" for each in ((192, 168, 1, 0), (255, 255, 255, 0))
    )
    head = "Iface\tDestination\tGateway\tFlags\tRefCnt\tUse\tMetric\tMask\n"
    near = f"eth0\t{network}\t00000000\t0001\t0\t0\t0\t{mask}\n"
    default = f"eth0\t00000000\t{gateway}\t0003\t0\t0\t0\t00000000\n"
    routes.write_text(head + near + default, encoding="ascii")
    named = ("127.0.0.53", "192.168.1.1", "192.168.1.53", "203.0.113.53", "fd00::53", "2001:db8::53", "none")
    lines = ["# made by hand", *(f"nameserver {each}" for each in named), "search example.org", "options edns0"]
    resolvers.write_text("\n".join(lines), encoding="ascii")
    here = machines_here(routes, resolvers)
    # A resolver on this machine or in its network answers whatever the line does, and the router is named once.
    assert (here.router, here.resolvers) == ("192.168.1.1", ("203.0.113.53", "2001:db8::53"))
    suggested = suggested_targets(here)
    addresses = [each.address for each in suggested]
    assert addresses == ["192.168.1.1:80", "203.0.113.53:53", "[2001:db8::53]:53"]
    assert len(parse_targets([f"{number}={address}" for number, address in enumerate(addresses)])) == 3
    # They are offered one after the other, each as it is asked; without a router nobody takes its place.
    texts: list[str] = []
    for name, method, address in (
        ("router", "tcp", "192.168.1.1:80"),
        ("name server", "dns", "203.0.113.53:53"),
        ("name server 2", "dns", "[2001:db8::53]:53"),
    ):
        offered = next_target(suggested, parse_targets(texts))
        assert offered is not None
        assert (offered.name, offered.method, offered.address) == (name, method, address)
        texts.append(f"{name}={method}:{address}")
    assert next_target(suggested, parse_targets(texts)) is None
    assert next_target(suggested[1:], ()) is None
    # One that is asked already, by whatever name, is not offered again.
    after = next_target(suggested, parse_targets(["a=192.168.1.1:443", "b=icmp:203.0.113.53"]))
    assert after is not None
    assert after.address == "[2001:db8::53]:53"
    nothing = machines_here(tmp_path / "none", tmp_path / "none")
    assert (nothing.router, nothing.resolvers, suggested_sentence(suggested_targets(nothing))) == ("", (), "")


def test_the_suggested_router_may_be_taken_as_it_stands(school: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(setup_page, "machines_here", lambda: SimpleNamespace(router="192.168.1.1", resolvers=()))
    state = DashboardState(school, at=datetime(2026, 11, 25, 8, 30, tzinfo=UTC))
    try:
        question = state.question(Choices(more=(("edit", "new-target"),)))
        parts = {getattr(part, "id", None): part for part in setup_page._form(question)}
    finally:
        state.close()
    assert parts["setup-pending"].data["typed"]["address"] == "192.168.1.1:80"
    (write, _) = parts[None].children
    assert (write.id, write.disabled) == ("setup-write", False)


def test_after_a_host_is_written_it_says_what_comes_next_and_when_there_are_enough() -> None:
    assert "a host beyond your line" in target_written(1, added=True, running=False)
    assert "One more host" in target_written(2, added=True, running=False)
    assert "3 hosts are enough" in target_written(3, added=True, running=False)
    assert "under way" not in target_written(3, added=True, running=False) + target_written(
        2, added=False, running=False
    )
    assert target_written(3, added=False, running=True).endswith("asking the hosts that it began with.")


def test_what_the_probe_can_not_ask_is_refused_in_the_words_of_the_form(school: Workspace) -> None:
    item = form.EditedPart(changing.Part("target"), new=True)
    for texts, words in (
        ({"name": "", "address": "192.168.1.1:80"}, "name of the host asked"),
        (
            {"name": "router", "address": ""},
            "wanted a host, a colon and its port; try 192.168.1.1:80",
        ),
        ({"name": "router", "address": "192.168.1.1"}, "wanted a host, a colon and its port; try 192.168.1.1:80"),
        ({"name": "a", "method": "icmp", "address": "192.168.1.1:80"}, "wanted a host without a port"),
        ({"name": "a", "address": "a.example:80", "place": "none"}, "place in the list; got 'none'; wanted a whole"),
    ):
        with pytest.raises(WorkspaceError) as refused:
            form.change_of(school, item, texts)
        assert words in str(refused.value)
    held = typed(school, "new-target", name="router", address="192.168.1.1:80")
    again = form.change_of(held, item, {"name": "Router", "address": "192.168.1.2:80"})
    assert again is not None
    with pytest.raises(WorkspaceError, match="second target of one name"):
        changing.shown(held, again)
    with pytest.raises(WorkspaceError, match="target; got 'gone'; wanted one of router"):
        changing.shown(held, changing.remove(Part("target", "gone")))


def test_a_setting_is_marked_as_assumed_once(school: Workspace) -> None:
    west = Gateway("West", 45.0, -35.0, 0.0, Horizon.flat(25.0))
    values = {"sites.Marram.gateways": ["West"]}
    held = school.assume(values, "fitted", date(2026, 11, 25), gateway=west, site_name="Marram")
    assert held.text.count('setting = "sites.Marram.gateways"') == 1


def test_a_workspace_that_is_begun_is_written_by_its_first_change(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "office"
    begun = begin(folder)
    assert begun.missing == ("sites", "fleets")
    place = {"latitude_deg": 47.2, "longitude_deg": 9.1, "spots": [{"name": "roof", "mask_deg": 30.0}]}
    site = changing.add(Part("site", "Office"), place)
    lines = changing.shown(begun, site)
    assert lines[:3] == ["+ [[sites]]", '+ name = "Office"', "+ latitude_deg = 47.2"]
    # Showing it, or a change that cannot be made, writes nothing.
    with pytest.raises(WorkspaceError, match="another change since"):
        changing.write(begun, changing.add(Part("site", "Depot"), place), lines)
    assert not (folder / "passim.toml").exists()
    made = changing.write(begun, site, lines)
    assert (made.site_names, made.missing) == (("Office",), ("fleets",))
    # Each section stands under the heading of its kind, so that the remarks there are about it.
    gateway = changing.add(Part("gateway", "South"), {"latitude_deg": 39.6, "longitude_deg": -28.0})
    added = changing.write(made, gateway, changing.shown(made, gateway))
    heads = [line[:12] for line in added.text.splitlines() if line.startswith(("# ---- ", "[[gate", "[[sites]]"))]
    assert heads[:4] == ["# ---- gatew", "[[gateways]]", "# ---- sites", "[[sites]]"]
    # What was begun elsewhere meanwhile counts, and stays.
    assert adding.add_invented_fleet(begun) in Workspace.load(folder).fleet_names
    assert Workspace.load(folder).site_names == ("Office",)
    Workspace.load(folder).undo()
    assert Workspace.load(folder).missing == ("fleets",)


def test_a_workspace_is_not_begun_where_one_is_or_none_can_be(tmp_path: Path) -> None:
    create(tmp_path / "school", demo=True)
    with pytest.raises(WorkspaceError, match="wanted a folder without a workspace"):
        begin(tmp_path / "school")
    with pytest.raises(WorkspaceError, match="is a file"):
        begin(tmp_path / "school" / "passim.toml" / "below")
