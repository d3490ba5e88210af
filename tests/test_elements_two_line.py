"""Two-line sets: what is read, what is refused and how, and what the columns can carry."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from passim.elements import ElementSet, Fleet, SatelliteId, format_two_line, parse_elements, parse_two_line
from passim.elements.two_line import checksum, rounded_fields, rounded_set
from passim.errors import ElementsError

# An invented low orbit; the two checksums were added up by hand.
LINE_1 = "1 99999U 26001A   26060.00000000  .00000000  00000-0  10000-4 0  9993"
LINE_2 = "2 99999  53.0000 120.0000 0001000  90.0000  10.0000 15.05490650    15"


def summed(line: str) -> str:
    """Return the first 68 columns of a line with the checksum they call for."""
    return line[:68] + str(checksum(line))


def changed(line: str, column: int, text: str) -> str:
    """Return a line with `text` put in from `column` (counted from 1) on, and its checksum made right."""
    return summed(line[: column - 1] + text + line[column - 1 + len(text) :])


def read(text: str, **options: bool) -> Fleet:
    return parse_elements(text.encode(), "sets.tle", **options)


def test_the_columns_become_numbers() -> None:
    record = parse_two_line(LINE_1, LINE_2, "PLOVER 1")
    assert record == ElementSet(
        satellite_id=SatelliteId("99999"),
        name="PLOVER 1",
        epoch=datetime(2026, 3, 1, tzinfo=UTC),
        mean_motion_rev_day=15.0549065,
        eccentricity=0.0001,
        inclination_deg=53.0,
        node_deg=120.0,
        perigee_deg=90.0,
        mean_anomaly_deg=10.0,
        bstar=0.1e-4,
        designator="2026-001A",
        element_set_number=999,
        revolution_at_epoch=1,
    )


def test_fields_of_line_1(subtests: pytest.Subtests) -> None:
    for column, text, field, value in [
        (34, "-.00000033", "mean_motion_dot", -0.33e-6),
        (34, "+.99999999", "mean_motion_dot", 0.99999999),
        (45, " 12345-4", "mean_motion_ddot", 0.12345e-4),
        (45, " 00000+0", "mean_motion_ddot", 0.0),
        (54, " 65843-4", "bstar", 0.65843e-4),
        (54, "-11606-4", "bstar", -0.11606e-4),
        (54, "+13519-0", "bstar", 0.13519),
        (54, " 10000+1", "bstar", 1.0),
        (3, "A0000", "satellite_id", "100000"),
        (3, "    5", "satellite_id", "5"),
        (8, "C", "classification", "C"),
        (8, " ", "classification", "U"),
        (10, "98067ABC", "designator", "1998-067ABC"),
        (10, "56001   ", "designator", "2056-001"),
        (10, "        ", "designator", ""),
        (63, "2", "bstar", 0.1e-4),
        (63, " ", "bstar", 0.1e-4),
        (65, "   1", "element_set_number", 1),
    ]:
        with subtests.test(column=column, text=text, field=field, value=value):
            line_2 = changed(LINE_2, 3, text) if column == 3 else LINE_2
            assert getattr(parse_two_line(changed(LINE_1, column, text), line_2), field) == value


SHAPES = {
    "two lines": f"{LINE_1}\n{LINE_2}\n",
    "no last line end": f"{LINE_1}\n{LINE_2}",
    "three lines": f"PLOVER 1\n{LINE_1}\n{LINE_2}\n",
    "zero before the name": f"0 PLOVER 1\n{LINE_1}\n{LINE_2}\n",
    "padded name": f"PLOVER 1                \n{LINE_1}\n{LINE_2}\n",
    "CRLF": f"PLOVER 1\r\n{LINE_1}\r\n{LINE_2}\r\n",
    "CR": f"PLOVER 1\r{LINE_1}\r{LINE_2}\r",
    "mark": f"\ufeffPLOVER 1\n{LINE_1}\n{LINE_2}\n",
    "blanks": f"\n  \n  PLOVER 1 \t\n {LINE_1}  \n\n\t{LINE_2} \n\n",
    "comments": f"# invented\n# 1 comment\nPLOVER 1\n# between\n{LINE_1}\n#\n{LINE_2}\n# end",
}


def test_every_shape_of_file_gives_the_same_set(subtests: pytest.Subtests) -> None:
    for shape in SHAPES:
        with subtests.test(shape=shape):
            fleet = read(SHAPES[shape])
            assert len(fleet) == 1
            assert replace(fleet[0], name="") == parse_two_line(LINE_1, LINE_2)
            assert fleet[0].name == ("" if shape in ("two lines", "no last line end") else "PLOVER 1")


def test_named_and_nameless_sets_may_stand_side_by_side() -> None:
    fleet = read(f"A\n{LINE_1}\n{LINE_2}\n{LINE_1}\n{LINE_2}\n0 B\n{LINE_1}\n{LINE_2}\n0\n{LINE_1}\n{LINE_2}\n")
    assert list(fleet.names) == ["A", "", "B", ""]


# What is wrong, and the whole message behind the file and line.
FAULTS = [
    (LINE_1[:-1] + "4", LINE_2, 1, "checksum of line 1; got '4'; wanted 3"),
    (LINE_1, LINE_2[:-1] + "0", 2, "checksum of line 2; got '0'; wanted 5"),
    (LINE_1[:-1], LINE_2, 1, "length of line 1; got 68 columns; wanted 69"),
    (LINE_1, LINE_2 + "   0.0", 2, "length of line 2; got 75 columns; wanted 69"),
    (LINE_1[:-1] + "x", LINE_2, 1, "checksum (column 69 of line 1); got 'x'; wanted one digit"),
    (
        changed(LINE_1, 3, "I0000"),
        LINE_2,
        1,
        "catalogue number (column 3 to 7 of line 1); got 'I0000'; wanted five digits or Alpha-5 such as A0000",
    ),
    (LINE_1, changed(LINE_2, 3, "99998"), 2, "catalogue number of line 2; got '99998'; wanted 99999 as on line 1"),
    (
        changed(LINE_1, 19, "26366.00000000"),
        LINE_2,
        1,
        "epoch; got '26366.00000000'; wanted a day from 1 to 365, as 2026 has",
    ),
    (
        changed(LINE_1, 34, " 0.0000000"),
        LINE_2,
        1,
        "mean motion dot (column 34 to 43 of line 1); got ' 0.0000000'; "
        "wanted a sign and eight decimals such as -.00000033",
    ),
    (
        changed(LINE_1, 54, " 1.000-4"),
        LINE_2,
        1,
        "drag term (column 54 to 61 of line 1); got ' 1.000-4'; wanted an assumed decimal such as  65843-4",
    ),
    (changed(LINE_1, 63, "4"), LINE_2, 1, "ephemeris type of 99999; got '4'; wanted a set for SGP4 (0, 2 or blank)"),
    (changed(LINE_1, 18, "x"), LINE_2, 1, "column 18 of line 1; got 'x'; wanted a blank between fields"),
    (
        LINE_1,
        changed(LINE_2, 9, "530.000 "),
        2,
        "inclination (column 9 to 16 of line 2); got '530.000 '; wanted degrees such as  53.0000",
    ),
    (LINE_1, changed(LINE_2, 9, "190.0000"), 2, "inclination_deg of object 99999; got 190.0; wanted from 0 to 180 deg"),
    (LINE_1, changed(LINE_2, 18, "360.0001"), 2, "node_deg of object 99999; got 360.0001; wanted from 0 to 360 deg"),
    (
        LINE_1,
        changed(LINE_2, 53, " 0.00000000"),
        2,
        "mean_motion_rev_day of object 99999; got 0.0; wanted from 0.005 to 18 revolutions a day",
    ),
    (
        LINE_1,
        changed(LINE_2, 27, "-001000"),
        2,
        "eccentricity (column 27 to 33 of line 2); got '-001000'; wanted seven digits such as 0001000",
    ),
]


def whose(message: str) -> str:
    """Return how a message names the object, where its own words do not."""
    return "" if "99999" in message.split(";")[0] else ", object 99999"


def test_a_fault_is_named_in_one_line(subtests: pytest.Subtests) -> None:
    for line_1, line_2, number, message in FAULTS:
        with subtests.test(line_1=line_1, line_2=line_2, number=number, message=message):
            with pytest.raises(ElementsError) as raised:
                read(f"{line_1}\n{line_2}\n")
            assert str(raised.value) == (
                f"sets.tle, line {number}{whose(message)}: {message}; try correcting the record, "
                "or lenient=True to skip bad records"
            )


def test_a_lenient_reading_skips_the_set_and_says_so(subtests: pytest.Subtests) -> None:
    for line_1, line_2, number, message in FAULTS:
        with subtests.test(line_1=line_1, line_2=line_2, number=number, message=message):
            fleet = read(f"{line_1}\n{line_2}\n{LINE_1}\n{LINE_2}\n", lenient=True)
            assert len(fleet) == 1
            assert [str(entry) for entry in fleet.skipped] == [f"sets.tle, line {number}{whose(message)}: {message}"]
            assert (fleet.skipped[0].satellite_id, fleet.damaged_count) == ("99999", 1)


def test_half_sets_and_foreign_text_are_refused(subtests: pytest.Subtests) -> None:
    for text, line, message in [
        (f"{LINE_1}\n", 1, "half a set; got '1 99999U"),
        (f"{LINE_2}\n{LINE_1}\n{LINE_2}", 1, "half a set; got '2 99999"),
        (f"{LINE_1}\n{LINE_1}\n{LINE_2}\n", 1, "half a set; got '1 99999U"),
        (f"{LINE_1}\nNAME\n{LINE_2}\n", 1, "half a set; got '1 99999U"),
        (f"{LINE_1}\n{LINE_2}\nNAME\n", 3, "text outside a set; got 'NAME'"),
        (f"NAME\nOTHER\n{LINE_1}\n{LINE_2}\n", 1, "text outside a set; got 'NAME'"),
        (
            f"{LINE_1}\n{LINE_2}\n" + '{"OBJECT_NAME": "X", "OBJECT_ID": "2026-001A", "EPOCH": "2026-03-01T00:00:00"}',
            3,
            "text",
        ),
        (f"{LINE_1}\n{LINE_2}\nA\x1b[2JB\n{LINE_1}\n{LINE_2}", 3, "text outside a set; got 'A"),
        (f"{LINE_1}\n{LINE_2[:40]}", 2, "length of line 2; got 40 columns"),
    ]:
        with subtests.test(text=text, line=line, message=message):
            with pytest.raises(ElementsError) as raised:
                read(text)
            assert str(raised.value).replace(", object 99999:", ":").startswith(f"sets.tle, line {line}: {message}")
            assert str(raised.value).endswith("or lenient=True to skip bad records")


def test_a_damaged_line_1_costs_one_set_only() -> None:
    fleet = read(f"A\n{LINE_1[:30]}\n{LINE_2}\nB\n{LINE_1}\n{LINE_2}\n{LINE_1}\nC\n{LINE_1}\n{LINE_2}\n", lenient=True)
    assert list(fleet.names) == ["B", "C"]
    assert [str(entry).split(";")[0] for entry in fleet.skipped] == [
        "sets.tle, line 2, A (99999): length of line 1",
        "sets.tle, line 7, object 99999: half a set",
    ]


# ---------------------------------------------------------------------------------------------------- writing

ANGLES = st.integers(0, 3_600_000).map(lambda n: n / 10_000)


def powers(largest: int) -> st.SearchStrategy[float]:
    return st.builds(
        lambda digits, power: float(f"{digits}e{power - 5}"), st.integers(-99999, 99999), st.integers(-9, largest)
    )


NAMES = st.text(st.characters(exclude_categories=["C", "Zl", "Zp"]), max_size=24)
TWO_LINE_SETS = st.builds(
    ElementSet,
    satellite_id=st.integers(0, 339999).map(SatelliteId),
    name=NAMES,
    epoch=st.integers(0, 36_524 * 10**8).map(
        lambda n: datetime(1957, 1, 1, tzinfo=UTC) + timedelta(microseconds=n * 864)
    ),
    mean_motion_rev_day=st.integers(500_000, 18 * 10**8).map(lambda n: n / 1e8),
    eccentricity=st.integers(0, 9_999_999).map(lambda n: n / 1e7),
    inclination_deg=st.integers(0, 1_800_000).map(lambda n: n / 1e4),
    node_deg=ANGLES,
    perigee_deg=ANGLES,
    mean_anomaly_deg=ANGLES,
    bstar=powers(3),
    mean_motion_ddot=powers(1),
    mean_motion_dot=st.integers(-99_999_999, 99_999_999).map(lambda n: n / 1e8),
    designator=st.just("") | st.from_regex(r"(19[6-9]|20[0-4])\d-\d{3}[A-Z]{0,3}", fullmatch=True).filter(str.isascii),
    classification=st.sampled_from("UCS"),
    element_set_number=st.integers(0, 9999),
    revolution_at_epoch=st.integers(0, 99999),
)


@settings(max_examples=50)
@given(st.lists(TWO_LINE_SETS, min_size=1, max_size=3))
def test_what_fits_the_columns_comes_back_equal(records: list[ElementSet]) -> None:
    text = "".join(map(format_two_line, records))
    assert parse_elements(text.encode()).records == tuple(records)
    lines = [line for record in records for line in format_two_line(record).split("\n")[-3:-1]]
    assert {len(line) for line in lines} == {69}


def test_names_that_look_like_something_else_survive(subtests: pytest.Subtests) -> None:
    for name in ["0 X", "1 X", "2 X", "# X", "0", "{", "[x]", "<x>", "EPOCH,OBJECT_NAME", "A = B", "1"]:
        with subtests.test(name=name):
            record = replace(parse_two_line(LINE_1, LINE_2), name=name)
            assert parse_elements(format_two_line(record).encode()).records == (record,)


def test_what_does_not_fit_is_rounded_and_named() -> None:
    for field, value, written in [
        ("name", "X" * 25, "X" * 24),
        ("name", "A\nB", "A B"),
        ("node_deg", 120.00005, 120.0001),
        ("mean_motion_rev_day", 15.054906501, 15.0549065),
        ("eccentricity", 0.99999999, 0.9999999),
        ("bstar", 1.23456e-4, 0.12346e-3),
        ("bstar", 1e-20, 0.0),
        ("mean_motion_dot", 1.0, 0.99999999),
        ("mean_motion_dot", -1.0, -0.99999999),
        ("epoch", datetime(2026, 3, 1, 0, 0, 0, 500, tzinfo=UTC), datetime(2026, 3, 1, 0, 0, 0, 864, tzinfo=UTC)),
        ("designator", "26001A", ""),
        ("designator", "1956-001A", ""),
        ("element_set_number", 10007, 7),
        ("revolution_at_epoch", 100007, 7),
    ]:
        record = replace(parse_two_line(LINE_1, LINE_2, "PLOVER 1"), **{field: value})
        back = parse_elements(format_two_line(record).encode())
        assert getattr(back[0], field) == written, field
        assert rounded_fields(Fleet([record]), back) == {field: 1}, field


def test_what_two_lines_cannot_carry_at_all_is_refused() -> None:
    for field, value, shown, wanted in [
        ("satellite_id", SatelliteId(340000), "'340000'", "at most 339999"),
        ("satellite_id", SatelliteId("2026-001A"), "'2026-001A'", "a catalogue number of at most 339999"),
        ("epoch", datetime(2057, 1, 1, tzinfo=UTC), "'2057-01-01T00:00:00.000000'", "a year from 1957 to 2056"),
    ]:
        record = replace(parse_two_line(LINE_1, LINE_2, "PLOVER 1"), **{field: value})
        with pytest.raises(ElementsError) as raised:
            format_two_line(record)
        assert str(raised.value) == (
            f"{field} of {record.label} does not fit a two-line set; got {shown}; wanted {wanted}; "
            "try writing .json, .csv, .xml or .kvn"
        )


@given(
    st.builds(
        replace,
        TWO_LINE_SETS,
        name=st.text(st.characters(exclude_categories=["C", "Zl", "Zp"]), max_size=60),
        epoch=st.datetimes(datetime(1957, 1, 2), datetime(2056, 12, 30), timezones=st.just(UTC)),
        mean_motion_rev_day=st.floats(0.005, 18.0),
        eccentricity=st.floats(0.0, 1.0, exclude_max=True),
        node_deg=st.floats(0.0, 360.0),
        bstar=st.floats(-1000.0, 1000.0),
        mean_motion_dot=st.floats(-0.99999999, 0.99999999),
        revolution_at_epoch=st.integers(0, 10**9),
    )
)
def test_rounding_makes_any_set_fit_and_moves_it_by_half_a_digit(record: ElementSet) -> None:
    rounded = rounded_set(record)
    format_two_line(rounded)
    assert rounded_set(rounded) == rounded
    assert abs(rounded.node_deg - record.node_deg) <= 0.5000001e-4
    assert abs(rounded.mean_motion_rev_day - record.mean_motion_rev_day) <= 0.5000001e-8
    assert abs(rounded.eccentricity - record.eccentricity) <= 1.0000001e-7
    assert abs(rounded.bstar - record.bstar) <= max(0.5000001e-4 * abs(record.bstar), 0.5000001e-14)
    assert rounded.name == record.name[:24].strip() or rounded.name == ""


def test_both_ends_of_every_range_are_legal_and_what_lies_beyond_is_not() -> None:
    record = parse_two_line(LINE_1, LINE_2)
    for field, lowest, highest in (
        ("mean_motion_rev_day", 0.005, 18.0), ("inclination_deg", 0.0, 180.0), ("node_deg", 0.0, 360.0),
        ("perigee_deg", 0.0, 360.0), ("mean_anomaly_deg", 0.0, 360.0), ("bstar", -1000.0, 1000.0),
        ("mean_motion_dot", -1.0, 1.0), ("mean_motion_ddot", -10.0, 10.0),
    ):  # fmt: skip
        for end, way in ((lowest, -math.inf), (highest, math.inf)):
            for number in (end, np.float64(end)):
                kept = getattr(replace(record, **{field: number}), field)
                assert (kept, type(kept)) == (end, float)
            with pytest.raises(ElementsError, match=f"^{field} of object 99999"):
                replace(record, **{field: math.nextafter(end, way)})
    assert replace(record, eccentricity=0.0).eccentricity == 0.0
    with pytest.raises(ElementsError, match=r"^eccentricity of object 99999; got 1\.0; wanted from 0 to below 1"):
        replace(record, eccentricity=1.0)
