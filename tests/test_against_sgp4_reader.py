"""Our reader beside the one of the sgp4 package, on the verification sets of AIAA 2006-6753 that ship with it.

Vallado, Crawford, Hujsak, Kelso, "Revisiting Spacetrack Report #3": SGP4-VER.TLE (read). Its line 2 carries three
extra numbers behind column 69, the span of the test, which are cut off here.
"""

from __future__ import annotations

import importlib.resources
import math
from datetime import UTC, datetime, timedelta

import pytest
from sgp4.api import WGS72, Satrec

from passim.elements import Fleet, parse_elements, parse_two_line
from passim.errors import ElementsError

TEXT = (importlib.resources.files("sgp4") / "SGP4-VER.TLE").read_text(encoding="ascii")
CUT = "\n".join(line.rstrip()[:69] for line in TEXT.splitlines())

# Three sets were made up by the authors to provoke error codes, with the checksums of the sets they came from.
MADE_UP = ("33333", "33334", "33335")


def repaired(line: str) -> str:
    """Return a line of a made-up set with the checksum it should have, added up digit by digit."""
    if line[2:7] not in MADE_UP:
        return line
    return line[:68] + str(sum(int(c) if c.isdigit() else c == "-" for c in line[:68]) % 10)


# A set of 1e-5 revolutions a day, there to provoke an error code: no orbit of the Earth, and refused at the door.
NO_ORBIT = "33334"
LINES = [repaired(line) for line in CUT.splitlines() if not line.startswith("#") and line[2:7] != NO_ORBIT]
PAIRS = list(zip(LINES[::2], LINES[1::2], strict=True))


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    """The verification file with the extra columns cut off and the made-up sets repaired, comments and all."""
    return parse_elements("\n".join(map(repaired, CUT.splitlines())).encode(), "SGP4-VER.TLE", lenient=True)


def test_the_whole_official_file_is_read(fleet: Fleet) -> None:
    # The paper lists 33 sets; number 20413 stands in the file twice, with two spans.
    assert len(fleet) == len(PAIRS) == 33 - 1
    assert fleet.object_count == 32 - 1
    [refused] = fleet.skipped
    assert f"mean_motion_rev_day of object {NO_ORBIT}" in str(refused)


def test_as_it_stands_the_made_up_sets_are_refused_for_their_checksums() -> None:
    fleet = parse_elements(CUT.encode(), "SGP4-VER.TLE", lenient=True)
    assert len(fleet) == 30
    assert len(fleet.skipped) == 3
    assert all("checksum of line 1" in str(entry) for entry in fleet.skipped)
    assert not set(MADE_UP) & set(fleet.satellite_ids)


def test_every_number_agrees_with_the_other_reader(fleet: Fleet) -> None:
    per_minute = 2.0 * math.pi / 1440.0
    for record, (line_1, line_2) in zip(fleet, PAIRS, strict=True):
        other = Satrec.twoline2rv(line_1, line_2, WGS72)
        assert record.satellite_id.number == other.satnum
        assert record.classification == (other.classification.strip() or "U")
        # A few units in the last place: that reader multiplies by powers of ten, ours reads the decimal number.
        for ours, theirs in [
            (record.mean_motion_rev_day * per_minute, other.no_kozai),
            (record.eccentricity, other.ecco),
            (math.radians(record.inclination_deg), other.inclo),
            (math.radians(record.node_deg), other.nodeo),
            (math.radians(record.perigee_deg), other.argpo),
            (math.radians(record.mean_anomaly_deg), other.mo),
            (record.bstar, other.bstar),
            (record.mean_motion_dot * per_minute / 1440.0, other.ndot),
            (record.mean_motion_ddot * per_minute / 1440.0**2, other.nddot),
        ]:
            assert ours == pytest.approx(theirs, rel=1e-15, abs=0.0)
        assert record.element_set_number == other.elnum
        assert record.revolution_at_epoch == other.revnum
        assert record.designator[2:].replace("-", "") == other.intldesg.strip()
        # The other reader keeps the day as a float, good to some 20 microseconds in year and day of year.
        year = other.epochyr + (1900 if other.epochyr >= 57 else 2000)
        epoch = datetime(year, 1, 1, tzinfo=UTC) + timedelta(days=other.epochdays - 1)
        assert abs(record.epoch - epoch) <= timedelta(microseconds=20)


def test_the_other_reader_takes_what_ours_refuses() -> None:
    # Why the lines are checked here at all: this is the same set with a wrong checksum and another object's line 2.
    line_1, line_2 = PAIRS[0]
    assert Satrec.twoline2rv(line_1[:-1] + "0", PAIRS[1][1]).error == 0
    with pytest.raises(ElementsError, match="checksum of line 1; got '0'; wanted 3"):
        parse_two_line(line_1[:-1] + "0", line_2)
    with pytest.raises(ElementsError, match="catalogue number of line 2; got '04632'; wanted 5 as on line 1"):
        parse_two_line(line_1, PAIRS[1][1])
