"""One set in the two notations of an annex of CCSDS 502.0-B, "Orbit Data Messages", and its rules for fields.

The standard prints a geostationary weather satellite's two-line set as an Orbit Mean-elements Message. Both were seen
as quoted by several open implementations that agree in every digit. The rules for fields were read in 502.0-B-3 of
April 2023, as an open library of messages carries it among its documents (odm.rst): tables 4-2 and 4-3, 4.2.4.6 and
4.2.4.7, and sections 7.3 to 7.8. JSON and CSV are no forms of the standard; what holds for the fields holds there too.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from sgp4 import omm
from sgp4.api import Satrec

from passim.elements import format_two_line, parse_elements, parse_two_line
from passim.elements.omm import UNITS
from passim.elements.omm_text import write_kvn
from passim.errors import ElementsError
from passim.orbits.propagation import Propagator

LINE_1 = "1 23581U 95025A   07064.44075725 -.00000113  00000-0  10000-3 0  9250"
LINE_2 = "2 23581   3.0539  81.7939 0005013 249.2363 150.1602  1.00273272 43169"
MESSAGE = """CCSDS_OMM_VERS = 2.0
CREATION_DATE = 2007-065T16:00:00
ORIGINATOR = NOAA/USA
OBJECT_NAME = GOES 9
OBJECT_ID = 1995-025A
CENTER_NAME = EARTH
REF_FRAME = TEME
TIME_SYSTEM = UTC
MEAN_ELEMENT_THEORY = SGP/SGP4
EPOCH = 2007-064T10:34:41.4264
MEAN_MOTION = 1.00273272
ECCENTRICITY = 0.0005013
INCLINATION = 3.0539
RA_OF_ASC_NODE = 81.7939
ARG_OF_PERICENTER = 249.2363
MEAN_ANOMALY = 150.1602
GM = 398600.8
EPHEMERIS_TYPE = 0
CLASSIFICATION_TYPE = U
NORAD_CAT_ID = 23581
ELEMENT_SET_NO = 0925
REV_AT_EPOCH = 4316
BSTAR = 0.0001
MEAN_MOTION_DOT = -0.00000113
MEAN_MOTION_DDOT = 0.0
"""


def test_the_message_and_the_two_lines_are_one_set() -> None:
    (message,) = parse_elements(MESSAGE.encode())
    lines = parse_two_line(LINE_1, LINE_2)
    for field in (
        "satellite_id", "mean_motion_rev_day", "eccentricity", "inclination_deg", "node_deg", "perigee_deg",
        "mean_anomaly_deg", "bstar",
    ):  # fmt: skip
        assert getattr(message, field) == getattr(lines, field), field
    # The eighth decimal of a day is 0.9 ms.
    assert abs(message.epoch - lines.epoch) < timedelta(milliseconds=1)


def test_a_day_of_the_year_is_the_date_it_stands_for() -> None:
    (message,) = parse_elements(MESSAGE.encode())
    assert message.epoch == datetime(2007, 3, 5, 10, 34, 41, 426400, tzinfo=UTC)


def test_the_message_is_written_as_those_two_lines() -> None:
    (message,) = parse_elements(MESSAGE.encode())
    first, second = [line for line in format_two_line(message).splitlines() if line[:2] in ("1 ", "2 ")]
    # A zero's exponent may be written +0 or -0; columns 19 to 63 hold the epoch, the drag terms and the kind of set.
    assert first[18:63].replace("00000+0", "00000-0") == LINE_1[18:63]
    assert second[:63] == LINE_2[:63]


def test_the_check_digits_are_those_that_the_standard_prints() -> None:
    for line, other in ((LINE_1[:-1] + "1", LINE_2), (LINE_1, LINE_2[:-1] + "0")):
        with pytest.raises(ElementsError, match="checksum"):
            parse_two_line(line if line[0] == "1" else LINE_1, other)
    assert parse_two_line(LINE_1, LINE_2).satellite_id == "23581"


def test_sgp4s_own_reader_of_messages_gives_the_same_states() -> None:
    fields = dict(line.split(" = ") for line in MESSAGE.splitlines())
    fields["EPOCH"] = "2007-03-05T10:34:41.426400"
    theirs = Satrec()
    omm.initialize(theirs, fields)
    (ours,) = Propagator.of(parse_elements(MESSAGE.encode())).models
    for minutes in (0.0, 90.0, 1440.0):
        _, position, velocity = theirs.sgp4_tsince(minutes)
        _, our_position, our_velocity = ours.sgp4_tsince(minutes)
        assert our_position == pytest.approx(position, abs=1e-6)
        assert our_velocity == pytest.approx(velocity, abs=1e-9)


@pytest.mark.parametrize(
    ("line", "instead"),
    [
        ("TIME_SYSTEM = UTC", "TIME_SYSTEM = GPS"),
        ("CENTER_NAME = EARTH", "CENTER_NAME = MARS"),
        ("REF_FRAME = TEME", "REF_FRAME = ICRF"),
        ("MEAN_ELEMENT_THEORY = SGP/SGP4", "MEAN_ELEMENT_THEORY = DSST"),
        ("ECCENTRICITY = 0.0005013\n", ""),
    ],
)
def test_a_message_that_sgp4_must_not_take_is_refused(line: str, instead: str) -> None:
    # The standard's words for other theories, frames, times and bodies; an element that it calls mandatory.
    assert line in MESSAGE
    with pytest.raises(ElementsError):
        parse_elements(MESSAGE.replace(line, instead).encode())


# The message of the annex as its fields, in the order of tables 4-2 and 4-3.
FIELDS = dict(line.split(" = ") for line in MESSAGE.splitlines())
HEADER = ("CCSDS_OMM_VERS", "CREATION_DATE", "ORIGINATOR")
METADATA = ("OBJECT_NAME", "OBJECT_ID", "CENTER_NAME", "REF_FRAME", "TIME_SYSTEM", "MEAN_ELEMENT_THEORY")
FORMS: dict[str, Callable[[dict[str, str]], str]] = {
    "KVN": lambda fields: "\n".join(f"{key} = {value}" for key, value in fields.items()),
    "JSON": lambda fields: json.dumps([fields]),
    "CSV": lambda fields: f"{','.join(fields)}\n{','.join(fields.values())}\n",
    "XML": lambda fields: (
        f'<omm id="CCSDS_OMM_VERS" version="3.0"><header/><body><segment><metadata>{tags(fields, True)}</metadata>'
        f"<data><meanElements>{tags(fields, False)}</meanElements></data></segment></body></omm>"
    ),
}


def tags(fields: dict[str, str], metadata: bool) -> str:
    chosen = {key: value for key, value in fields.items() if key not in HEADER and (key in METADATA) is metadata}
    return "".join(f"<{key}>{value}</{key}>" for key, value in chosen.items())


# What a field may say, and what is then read of the set.
ALLOWED: list[tuple[str, dict[str, str | None], dict[str, object]]] = [
    ("4.2.4.7: the ephemeris type defaults to 0", {"EPHEMERIS_TYPE": None}, {}),
    ("4.2.4.7: 2 is SGP4", {"EPHEMERIS_TYPE": "2"}, {}),
    ("4.2.4.7: the class defaults to U", {"CLASSIFICATION_TYPE": None}, {"classification": "U"}),
    ("4.2.4.7: S is secret", {"CLASSIFICATION_TYPE": "S"}, {"classification": "S"}),
    ("table 4-3: optional", {"ELEMENT_SET_NO": None, "REV_AT_EPOCH": None, "GM": None}, {"revolution_at_epoch": 0}),
    (
        "table 4-3: the derivatives belong to SGP and PPT3",
        {"MEAN_MOTION_DOT": None, "MEAN_MOTION_DDOT": None},
        {"mean_motion_dot": 0.0, "mean_motion_ddot": 0.0},
    ),
    ("table 4-3: up to nine digits", {"NORAD_CAT_ID": "999999999"}, {"satellite_id": "999999999"}),
    ("table 4-3: optional", {"NORAD_CAT_ID": None}, {"satellite_id": "1995-025A"}),
    ("table 4-2: UNKNOWN", {"OBJECT_ID": "UNKNOWN"}, {"designator": ""}),
    ("table 4-2: UNKNOWN", {"OBJECT_NAME": "UNKNOWN"}, {"name": "UNKNOWN"}),
    ("table 4-2: SGP4", {"MEAN_ELEMENT_THEORY": "SGP4"}, {}),
    ("7.5.3: all upper or all lower case", {"CENTER_NAME": "earth", "REF_FRAME": "teme", "TIME_SYSTEM": "utc"}, {}),
    ("7.5.4: a sign and leading zeros", {"REV_AT_EPOCH": "+0004316"}, {"revolution_at_epoch": 4316}),
    ("7.5.4: a sign", {"NORAD_CAT_ID": "+23581", "EPHEMERIS_TYPE": "+0"}, {"satellite_id": "23581"}),
    ("7.5.6: fixed point, zeros before and behind", {"INCLINATION": "+003.05390"}, {"inclination_deg": 3.0539}),
    ("7.5.7: floating point", {"BSTAR": "1.0E-4"}, {"bstar": 1e-4}),
    ("7.5.7: a small e, signs", {"BSTAR": "+1.0e-04", "MEAN_MOTION_DOT": "-1.13e-6"}, {"mean_motion_dot": -1.13e-6}),
    ("7.5.7: an exponent without a sign", {"MEAN_ANOMALY": "1.501602E2"}, {"mean_anomaly_deg": 150.1602}),
    ("7.5.10: the date", {"EPOCH": "2007-03-05T10:34:41.4264"}, {}),
    ("7.5.10: Z", {"EPOCH": "2007-064T10:34:41.4264Z"}, {}),
    ("7.5.10: no fraction", {"EPOCH": "2007-03-05T10:34:41"}, {"epoch": datetime(2007, 3, 5, 10, 34, 41, tzinfo=UTC)}),
    ("7.5.10: as many digits as required", {"EPOCH": "2007-03-05T10:34:41.426400000"}, {}),
    ("4.2.4.10: parameters of the user's own", {"USER_DEFINED_EARTH_MODEL": "WGS-84"}, {}),
    ("table 4-3: spacecraft parameters, covariance", {"MASS": "500.0", "CX_X": "1.0", "COV_REF_FRAME": "RTN"}, {}),
]
# What passim must not take for a set of SGP4, or not take at all.
REFUSED: list[tuple[str, dict[str, str | None]]] = [
    *((f"table 4-3: {key} is mandatory", {key: None}) for key in (
        "EPOCH", "MEAN_MOTION", "ECCENTRICITY", "INCLINATION", "RA_OF_ASC_NODE", "ARG_OF_PERICENTER", "MEAN_ANOMALY",
    )),
    ("table 4-3: BSTAR is required for SGP4", {"BSTAR": None}),
    ("7.5.1: a mandatory value is not empty", {"INCLINATION": ""}),
    ("table 4-3: BTERM is of SGP4-XP", {"BTERM": "0.02"}),
    ("table 4-3: AGOM is of SGP4-XP", {"AGOM": "0.01"}),
    *(("4.2.4.7: another propagator", {"EPHEMERIS_TYPE": kind}) for kind in ("3", "4", "6")),
    *(("table 4-2: another theory", {"MEAN_ELEMENT_THEORY": name}) for name in ("SGP4-XP", "DSST", "USM", "PPT3")),
    *(("4.2.4.6: TEME", {"REF_FRAME": frame}) for frame in ("EME2000", "ITRF2000", "ICRF")),
    ("4.2.4.6: UTC", {"TIME_SYSTEM": "TDB"}),
    ("4.2.4.6: EARTH", {"CENTER_NAME": "MOON"}),
    ("7.5.8: no blanks within numbers", {"INCLINATION": "3. 0539"}),
    ("7.5.8: no blanks within times", {"EPOCH": "2007-064 T10:34:41"}),
    ("7.5.6: a decimal point", {"INCLINATION": "3;0539"}),
    ("7.5.7: E or e", {"BSTAR": "1.0D-4"}),
    ("7.5.7: the exponent is an integer", {"BSTAR": "1.0E-4.0"}),
    ("7.5.10: leading zeros", {"EPOCH": "2007-3-5T10:34:41"}),
    ("7.5.10: Z is the only terminator", {"EPOCH": "2007-064T10:34:41+01:00"}),
    ("table 4-3: up to nine digits", {"NORAD_CAT_ID": "1000000000"}),
]  # fmt: skip


def changed(changes: dict[str, str | None]) -> dict[str, str]:
    """Return the annex's fields with some changed, added, or taken away where the change is None."""
    return {key: value for key, value in (FIELDS | changes).items() if value is not None}


def test_fields_are_read_in_every_form_as_the_standard_allows(subtests: pytest.Subtests) -> None:
    (plain,) = parse_elements(MESSAGE.encode())
    for rule, changes, wanted in ALLOWED:
        for form, write in FORMS.items():
            with subtests.test(rule=rule, form=form):
                (found,) = parse_elements(write(changed(changes)).encode())
                for field in ("epoch", "mean_motion_rev_day", "inclination_deg", "bstar", "satellite_id", "designator"):
                    if field not in wanted:
                        assert getattr(found, field) == getattr(plain, field), field
                for field, value in wanted.items():
                    assert getattr(found, field) == value, field


def test_fields_beyond_the_standard_are_refused_in_every_form(subtests: pytest.Subtests) -> None:
    for rule, changes in REFUSED:
        for form, write in FORMS.items():
            with subtests.test(rule=rule, form=form):
                with pytest.raises(ElementsError) as raised:
                    parse_elements(write(changed(changes)).encode())
                # One line, which names the field.
                assert any(key in str(raised.value) for key in changes)


def test_lines_of_a_message_are_as_the_standard_has_them() -> None:
    plain = parse_elements(MESSAGE.encode()).records
    spelt = {
        "7.3.5 blank lines": MESSAGE.replace("\n", "\n\n"),
        "7.3.7 carriage returns": MESSAGE.replace("\n", "\r"),
        "7.3.7 both": MESSAGE.replace("\n", "\r\n"),
        "7.4.5 to 7.4.7 blanks": MESSAGE.replace(" = ", "=").replace("\n", "  \n  "),
        "7.7.1.1 units": MESSAGE.replace("3.0539", "3.0539 [deg]").replace("1.00273272", "1.00273272 [rev/day]"),
        "7.8 comments": MESSAGE.replace("\nEPOCH =", "\nCOMMENT of the set\nEPOCH =").replace(
            "\nGM", "\nCOMMENT GM = 1\nGM"
        ),
    }
    for rule, text in spelt.items():
        assert parse_elements(text.strip(" ").encode()).records == plain, rule
    for units in ("[rad]", "[DEGREE]", "[n/a]"):
        with pytest.raises(ElementsError, match="INCLINATION"):
            parse_elements(MESSAGE.replace("3.0539", f"3.0539 {units}").encode())


def test_what_is_written_has_the_order_and_spelling_of_the_standard() -> None:
    (record,) = parse_elements(MESSAGE.encode())
    awkward = replace(record, bstar=5e-5, mean_motion_dot=-1e-7, inclination_deg=100.0)
    lines = [line for line in write_kvn([awkward], datetime(2026, 3, 1, tzinfo=UTC)).splitlines() if line]
    keys = [line.partition(" = ")[0] for line in lines]
    known = [key for key in FIELDS if key != "GM"]
    assert keys == known
    assert max(map(len, lines)) <= 254
    number = re.compile(r"[+-]?(\d\.\d+[Ee][+-]?\d+|\d+\.\d+)")
    for line in lines:
        key, _, value = line.partition(" = ")
        if key in UNITS or key == "ECCENTRICITY":
            assert number.fullmatch(value), line
