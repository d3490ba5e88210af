"""One set in the two notations of an annex of CCSDS 502.0-B, "Orbit Data Messages", and its rules for fields.

The standard prints a geostationary weather satellite's two-line set as an Orbit Mean-elements Message. Both were seen
as quoted by several open implementations that agree in every digit; the standard itself was not opened.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from sgp4 import omm
from sgp4.api import Satrec

from passim.elements import format_two_line, parse_elements, parse_two_line
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
