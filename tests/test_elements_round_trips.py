"""What is written comes back equal: two-line sets through every form, any fleet through the forms that carry it."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from sgp4.api import WGS72, Satrec

from passim.elements import (
    ElementSet,
    Fleet,
    SatelliteId,
    format_two_line,
    parse_elements,
    parse_two_line,
    rounded_to_two_line,
    write_elements,
)
from passim.elements.omm_text import read_json, write_csv, write_json, write_kvn
from passim.elements.omm_xml import write_xml
from passim.elements.read_log import ReadLog
from passim.errors import ElementsError

CREATED = datetime(2026, 3, 2, tzinfo=UTC)
LINE_1 = "1 99999U 26001A   26060.00000000  .00000000  00000-0  10000-4 0  9993"
LINE_2 = "2 99999  53.0000 120.0000 0001000  90.0000  10.0000 15.05490650    15"
RECORD = parse_two_line(LINE_1, LINE_2, "PLOVER 1")

WRITERS = {
    "json": write_json,
    "csv": write_csv,
    "kvn": lambda records: write_kvn(records, CREATED),
    "xml": lambda records: write_xml(records, CREATED),
}


def read(text: str, **options: bool) -> Fleet:
    return parse_elements(text.encode(), "sets", **options)


PLAIN_TEXT = st.text(st.characters(exclude_categories=["C", "Zl", "Zp"]), max_size=40)
RECORDS = st.builds(
    ElementSet,
    satellite_id=st.integers(0, 999_999_999).map(SatelliteId),
    name=PLAIN_TEXT,
    epoch=st.datetimes(datetime(1957, 1, 1), datetime(2099, 12, 31), timezones=st.just(UTC)),
    mean_motion_rev_day=st.floats(0.005, 18.0),
    eccentricity=st.floats(0.0, 1.0, exclude_max=True),
    inclination_deg=st.floats(0.0, 180.0),
    node_deg=st.floats(0.0, 360.0),
    perigee_deg=st.floats(0.0, 360.0),
    mean_anomaly_deg=st.floats(0.0, 360.0),
    bstar=st.floats(-1000.0, 1000.0),
    mean_motion_dot=st.floats(-1.0, 1.0),
    mean_motion_ddot=st.floats(-10.0, 10.0),
    designator=PLAIN_TEXT,
    classification=st.sampled_from("UCS"),
    element_set_number=st.integers(0, 10**9),
    revolution_at_epoch=st.integers(0, 10**9),
)
ASCII_TEXT = st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=40)


@settings(max_examples=60)
@given(records=st.lists(RECORDS, min_size=1, max_size=3))
@pytest.mark.parametrize("form", ["json", "csv", "xml"])
def test_any_fleet_comes_back_equal(form: str, records: list[ElementSet]) -> None:
    assert read(WRITERS[form](records)).records == tuple(records if form != "xml" else map(never_nameless, records))


def never_nameless(record: ElementSet) -> ElementSet:
    """Return a record as XML and KVN carry it: they have no empty name, and the standard's word for none is UNKNOWN."""
    return replace(record, name=record.name or "UNKNOWN")


@settings(max_examples=60)
@given(records=st.lists(st.builds(replace, RECORDS, name=ASCII_TEXT, designator=ASCII_TEXT), min_size=1, max_size=3))
def test_any_fleet_with_ascii_names_comes_back_equal_from_kvn(records: list[ElementSet]) -> None:
    assert read(WRITERS["kvn"](records)).records == tuple(map(never_nameless, records))


@given(st.text(max_size=30).filter(lambda text: not any("\ud800" <= c <= "\udfff" for c in text)))
def test_json_carries_every_name(name: str) -> None:
    record = replace(RECORD, name=name)
    assert read_json(write_json([record]), ReadLog("x")) == [record]


def test_other_forms_refuse_names_they_cannot_carry(subtests: pytest.Subtests) -> None:
    for form in ["csv", "kvn", "xml"]:
        for name in ["A\nB", "A\rB", "A\x00B", "A\x1bB", "A\u2028B", "A\x85B", "A\uffffB"]:
            with subtests.test(form=form, name=name):
                record = replace(RECORD, name=name)
                wanted = "wanted no line ends or control characters; try writing"
                message = f"^name of .* does not fit {form.upper()}; got .*; {wanted}"
                with pytest.raises(ElementsError, match=message):
                    WRITERS[form]([record])


@pytest.mark.parametrize("name", ["Möwe", "X" * 250])
def test_kvn_refuses_long_lines_and_other_than_ascii(name: str) -> None:
    with pytest.raises(
        ElementsError, match=r"does not fit KVN; got .*; wanted at most 240 ASCII characters; try writing"
    ):
        WRITERS["kvn"]([replace(RECORD, name=name)])


def test_awkward_names_survive(subtests: pytest.Subtests) -> None:
    for form in WRITERS:
        for name in ['A, "B" & <C>', "A = B [deg]", "'; DROP", "]]>", "a  b", "COMMENT x", "[", "1 X"]:
            with subtests.test(form=form, name=name):
                record = replace(RECORD, name=name)
                assert read(WRITERS[form]([record])).records == (record,)


def states(record: ElementSet) -> np.ndarray:
    """Return positions and velocities every 97 minutes over 7 days from the package's own SGP4."""
    satellite = Satrec()
    days = (record.epoch - datetime(1949, 12, 31, tzinfo=UTC)).total_seconds() / 86400.0
    per_minute = 2.0 * math.pi / 1440.0
    satellite.sgp4init(
        WGS72,
        "i",
        1,
        days,
        record.bstar,
        record.mean_motion_dot,
        record.mean_motion_ddot,
        record.eccentricity,
        *(math.radians(a) for a in (record.perigee_deg, record.inclination_deg, record.mean_anomaly_deg)),
        record.mean_motion_rev_day * per_minute,
        math.radians(record.node_deg),
    )
    return np.array([satellite.sgp4_tsince(float(minute))[1:] for minute in range(0, 7 * 1440, 97)])


def test_a_two_line_set_goes_through_every_form_and_gives_the_same_states(tmp_path: Path) -> None:
    # The identity of AIAA 2006-6753 states through OMM and back: difference 0 over 7 days (recomputed here).
    fleet = Fleet([RECORD])
    truth = states(RECORD)
    assert np.isfinite(truth).all()
    for suffix in (".json", ".csv", ".xml", ".kvn", ".json.gz", ".tle"):
        path = tmp_path / f"sets{suffix}"
        write_elements(fleet, path)
        fleet = parse_elements(path.read_bytes(), path.name)
        assert fleet.records == (RECORD,)
        assert np.array_equal(states(fleet[0]), truth)


def test_the_xml_stands_in_the_order_of_the_standard() -> None:
    text = WRITERS["xml"]([RECORD])
    order = ["<ndm>", "<omm id=", "<header>", "<CREATION_DATE>2026-03-02T00:00:00<", "<ORIGINATOR>", "<metadata>"]
    order += ["<OBJECT_NAME>", "<OBJECT_ID>", "<CENTER_NAME>", "<REF_FRAME>", "<TIME_SYSTEM>", "<MEAN_ELEMENT_THEORY>"]
    order += ["<meanElements>", "<EPOCH>", "<MEAN_MOTION>", "<ECCENTRICITY>", "<INCLINATION>", "<RA_OF_ASC_NODE>"]
    order += ["<ARG_OF_PERICENTER>", "<MEAN_ANOMALY>", "<tleParameters>", "<EPHEMERIS_TYPE>", "<CLASSIFICATION_TYPE>"]
    order += ["<NORAD_CAT_ID>", "<ELEMENT_SET_NO>", "<REV_AT_EPOCH>", "<BSTAR>", "<MEAN_MOTION_DOT>", "</ndm>"]
    places = [text.index(tag) for tag in order]
    assert places == sorted(places)


def test_every_form_leads_to_every_other_and_back() -> None:
    """From each of the five forms into each, and back: what two-line sets can carry comes through all twenty-five."""
    fleet = rounded_to_two_line(
        Fleet(
            [
                replace(
                    RECORD, satellite_id=SatelliteId(90000 + k), name=f"PLOVER {k}", bstar=bstar, mean_motion_dot=dot
                )
                for k, (bstar, dot) in enumerate(
                    [(0.0, 0.0), (1.2345e-4, 1.234e-5), (-9.9999e-8, -0.5), (0.99999, 1e-8)]
                )
            ]
            + [replace(RECORD, satellite_id=SatelliteId(339_999), classification="C", designator="1999-123ABC")]
        )
    )
    writers = WRITERS | {"two-line": lambda records: "".join(map(format_two_line, records))}
    ways = 0
    for first, write_first in writers.items():
        there = read(write_first(list(fleet)))
        assert there == fleet, first
        for second, write_second in writers.items():
            text = write_second(list(there))
            assert read(text) == fleet, (first, second)
            # What is written again is the same text.
            assert write_second(list(read(text))) == text, (first, second)
            ways += 1
    assert ways == 25
