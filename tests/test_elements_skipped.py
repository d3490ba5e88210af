"""What readers leave out: which object and field, how much is too much, and a file that ends too soon."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from passim.elements import TOLERATED_SHARE, Fleet, SatelliteId, parse_elements, read_elements, walker
from passim.elements.omm import message_of
from passim.elements.omm_text import write_csv, write_json, write_kvn
from passim.elements.omm_xml import write_xml
from passim.elements.two_line import format_two_line, rounded_to_two_line
from passim.errors import ElementsError

EPOCH = datetime(2026, 3, 1, tzinfo=UTC)


def fleet_of(count: int) -> Fleet:
    return rounded_to_two_line(
        walker(
            total=count, planes=1, phasing=0, inclination_deg=53, altitude_km=550, epoch=EPOCH, name="Tern",
            first_satellite_id=90001,
        )
    )  # fmt: skip


def texts(fleet: Fleet) -> dict[str, str]:
    return {
        "json": write_json(fleet),
        "csv": write_csv(fleet),
        "kvn": write_kvn(fleet, EPOCH),
        "xml": write_xml(fleet, EPOCH),
        "tle": "".join(map(format_two_line, fleet)),
    }


def test_one_damaged_record_of_a_hundred_is_left_out_and_named() -> None:
    fleet = fleet_of(100)
    bad = fleet[50]
    for form, text in texts(fleet).items():
        if form == "tle":
            line = format_two_line(bad).splitlines()[2]
            text = text.replace(line, line.replace(" 53.0000", " 53.x000"))
        else:
            damaged = texts(Fleet([*fleet[:50], replace(bad, inclination_deg=53.0625), *fleet[51:]]))[form]
            text = damaged.replace("53.0625", '"x"' if form == "json" else "x")
        found = parse_elements(text.encode(), "sets", lenient=TOLERATED_SHARE)
        assert found.records == fleet.records[:50] + fleet.records[51:], form
        (entry,) = found.skipped
        told = (entry.kind, entry.satellite_id, entry.name, entry.field, entry.records)
        assert told == ("record", bad.satellite_id, bad.name, "inclination_deg", 1), form
        assert bad.satellite_id in str(entry), form
        with pytest.raises(ElementsError, match=r"lenient=True to skip bad records$"):
            parse_elements(text.encode(), "sets")


def test_more_than_one_in_a_hundred_is_refused_with_the_way_out() -> None:
    for count in (3, 99):
        rows = write_json(fleet_of(count)).replace("53.0", '"x"', 1)
        with pytest.raises(ElementsError) as raised:
            parse_elements(rows.encode(), "sets", lenient=TOLERATED_SHARE)
        message = str(raised.value)
        assert message.startswith(
            f"sets: 1 of {count} records is damaged, more than 1 in 100: record 1: INCLINATION of"
        )
        assert message.endswith("try fetching the file again, or lenient=True to keep what is whole")
        assert len(parse_elements(rows.encode(), "sets", lenient=True)) == count - 1


def test_json_that_is_damaged_within_a_record_costs_that_record_alone() -> None:
    fleet = fleet_of(300)
    rows = write_json(fleet)
    at = rows.index('"MEAN_MOTION"', len(rows) // 2)
    found = parse_elements((rows[:at] + rows[at + 1 :]).encode(), "sets", lenient=TOLERATED_SHARE)
    (entry,) = found.skipped
    assert (len(found), entry.kind, entry.name[:4], found.damaged_count) == (299, "record", "Tern", 1)
    assert entry.satellite_id in {str(record.satellite_id) for record in fleet}


def test_a_file_that_is_cut_is_told_wherever_it_is_cut() -> None:
    fleet = fleet_of(150)
    for form, text in texts(fleet).items():
        ends = {"json": ("\n]\n", "]\n"), "xml": ("</ndm>\n", "ndm>\n"), "csv": ("\n", ",0.0\n", "5\n")}
        ends |= {"kvn": ("\n", "MEAN_MOTION_DDOT = 0.0\n", "_MOTION_DDOT = 0.0\n"), "tle": (text[-20:], text[-80:])}
        for end in ends[form]:
            cut = text[: -len(end)]
            found = parse_elements(cut.encode(), "sets", lenient=TOLERATED_SHARE)
            kinds = {entry.kind for entry in found.skipped}
            assert kinds in ({"cut"}, {"open end"}), (form, end, found.skipped)
            assert len(found) + found.damaged_count == 150, (form, end)


def test_an_object_without_a_number_goes_by_its_designator(tmp_path: Path) -> None:
    record = replace(fleet_of(3)[0], satellite_id=SatelliteId("2026-901A"))
    other = replace(fleet_of(3)[1], designator="2026-901B")
    writers = {"json": write_json, "csv": write_csv, "kvn": lambda fleet: write_kvn(fleet, EPOCH)}
    for form, write in {**writers, "xml": lambda fleet: write_xml(fleet, EPOCH)}.items():
        found = parse_elements(write(Fleet([record, other])).encode())
        assert found.records == (record, other), form
        assert (found[0].satellite_id.number, found[0].designator) == (None, "2026-901A"), form
    message = message_of(record) | {"OBJECT_ID": "TERN"}
    with pytest.raises(ElementsError, match="got 'TERN'; wanted a catalogue number, or in OBJECT_ID a designator"):
        parse_elements(json.dumps(message).encode())
    # Where another message tells its number, the two are one object.
    both = parse_elements(write_json([record, replace(other, designator="2026-901A")]).encode())
    assert both.object_count == 1
    for k, each in enumerate((record, replace(other, designator="2026-901A"))):
        (tmp_path / f"{k}.json").write_text(write_json([each]))
    assert read_elements(tmp_path).object_count == 1


def test_numbers_are_spelt_as_the_standard_allows() -> None:
    # CCSDS 502.0-B-3, section 7.5: a sign is optional. Digits on one side of the point alone go beyond it.
    record = replace(fleet_of(1)[0], bstar=0.5e-4)
    for spelt in (".5E-4", "+.5E-4", "5.E-5", "5.e-05", "0.00005", "+0.5E-04"):
        kvn = write_kvn([record], EPOCH).replace("BSTAR = 5.0e-05", f"BSTAR = {spelt}")
        kvn = kvn.replace("NORAD_CAT_ID = 9", "NORAD_CAT_ID = +9").replace("TYPE = 0", "TYPE = +0")
        assert parse_elements(kvn.encode()).records == (record,), spelt


def test_a_name_is_kept_as_it_is_given() -> None:
    unknown = replace(fleet_of(1)[0], name="UNKNOWN")
    for form, text in texts(Fleet([unknown])).items():
        assert parse_elements(text.encode())[0].name == "UNKNOWN", form


def test_xml_that_is_damaged_in_the_middle_costs_that_record_alone() -> None:
    fleet = fleet_of(300)
    text = write_xml(fleet, EPOCH)
    at = text.index("<omm", len(text) // 2)
    number = fleet_of(300).satellite_ids.tolist().index(text.split("<NORAD_CAT_ID>")[text[:at].count("<omm") + 1][:5])
    end = text.index("</omm>", at) + len("</omm>")
    message = text[at:end]
    damages = {
        "no end of an element": message.replace("</INCLINATION>", ""),
        "an element cut": message.replace("<INCLINATION>", "<INCLINATION"),
        "a stray mark": message.replace("<OBJECT_NAME>", "<OBJECT_NAME>a & b < c"),
        "half of it gone": message[: len(message) // 2],
        "its end gone": message.replace("</omm>", ""),
        "its end misspelt": message.replace("</omm>", "</om>"),
        "its beginning broken": message.replace('id="CCSDS', 'id="CCSDS" id="CCSDS'),
        "its beginning misspelt": message.replace("<omm ", "<omx "),
        "an entity": message.replace("<OBJECT_NAME>", "<OBJECT_NAME>&nosuch;"),
        "a control character": message.replace("<OBJECT_NAME>", "<OBJECT_NAME>\x01"),
    }
    for name, damaged in damages.items():
        assert damaged != message, name
        found = parse_elements((text[:at] + damaged + text[end:]).encode(), "sets", lenient=TOLERATED_SHARE)
        assert found.records == fleet.records[:number] + fleet.records[number + 1 :], name
        assert found.damaged_count == 1, (name, found.skipped)
        first = found.skipped[0]
        line = text[:at].count("\n") + 1
        assert line <= int(first.place.split()[1]) <= line + message.count("\n") + 1, (name, first)
    # Two of them, and a message that is well-formed and wrong behind them.
    second = text.index("<omm", at + 5000)
    twice = text[:at] + damages["an element cut"] + text[end:second] + text[second:].replace("</EPOCH>", "", 1)
    wrong = twice[: second + 5000] + twice[second + 5000 :].replace("<BSTAR>0.0", "<BSTAR>x", 1)
    found = parse_elements(wrong.encode(), "sets", lenient=TOLERATED_SHARE)
    assert (len(found), found.damaged_count) == (297, 3)
    assert [entry.kind for entry in found.skipped] == ["record"] * 3
    at_line = wrong[: wrong.index("<BSTAR>x")].count("\n") + 1
    assert found.skipped[2].place == f"line {at_line}"
    # Strictly read, the file is refused at the place of the damage, as ever.
    with pytest.raises(ElementsError, match=r"^sets: XML at line \d+; got "):
        parse_elements(wrong.encode(), "sets")


def test_xml_in_utf_16_recovers_as_xml_in_utf_8_does() -> None:
    fleet = fleet_of(300)
    text = write_xml(fleet, EPOCH).replace('encoding="UTF-8"', 'encoding="UTF-16"')
    at = text.index("<omm", len(text) // 2)
    number = text[:at].count("<omm")
    broken = text[:at] + text[at:].replace("</INCLINATION>", "", 1)
    marks = {"utf-16-le": b"\xff\xfe", "utf-16-be": b"\xfe\xff"}
    for encoding, mark in marks.items():
        assert parse_elements(mark + text.encode(encoding)).records == fleet.records
        found = parse_elements(mark + broken.encode(encoding), "sets", lenient=TOLERATED_SHARE)
        assert found.records == fleet.records[:number] + fleet.records[number + 1 :]
        line = text[:at].count("\n") + 1
        assert line <= int(found.skipped[0].place.split()[1]) <= line + 8
        # Half a pair of a name's letter, and a file that ends within a letter.
        half = text[:at] + text[at:].replace("<OBJECT_NAME>", "<OBJECT_NAME>\ud800", 1)
        found = parse_elements(mark + half.encode(encoding, "surrogatepass"), "sets", lenient=TOLERATED_SHARE)
        assert (len(found), found.damaged_count) == (299, 1)
        cut = parse_elements(mark + text.encode(encoding)[:-9], "sets", lenient=TOLERATED_SHARE)
        assert cut.records == fleet.records
        assert cut.skipped


def test_xml_that_is_damaged_everywhere_is_refused_soon() -> None:
    text = write_xml(fleet_of(400), EPOCH).replace("</INCLINATION>", "")
    with pytest.raises(ElementsError, match=r"^sets: no usable record; got 400 bad, the first "):
        parse_elements(text.encode(), "sets", lenient=True)
    with pytest.raises(ElementsError):
        parse_elements(text.encode(), "sets", lenient=TOLERATED_SHARE)
