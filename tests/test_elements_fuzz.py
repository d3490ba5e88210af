"""Damaged files of every form: each ends in a fleet or in one clear line, soon, and never in silence."""

from __future__ import annotations

import gzip
import random
import time
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, strategies as st

from passim.elements import ElementSet, Fleet, SatelliteId, format_two_line, parse_elements
from passim.elements.omm_text import write_csv, write_json, write_kvn
from passim.elements.omm_xml import write_xml
from passim.errors import ElementsError

CREATED = datetime(2026, 3, 2, tzinfo=UTC)
# Five invented sets whose numbers have many digits and signs, so that a wrong byte has something to hit.
RECORDS = [
    ElementSet(
        satellite_id=SatelliteId(90001 + i),
        name=f"PLOVER {i}",
        epoch=datetime(2026, 3, 1, tzinfo=UTC) + timedelta(microseconds=864 * 31_415_926 * i),
        mean_motion_rev_day=15.05490650 + i / 8,
        eccentricity=0.0001234,
        inclination_deg=53.0543,
        node_deg=round(20.1357 + 60 * i, 4),
        perigee_deg=90.2468,
        mean_anomaly_deg=10.9876,
        bstar=-0.12345e-4 if i % 2 else 0.98765e-3,
        mean_motion_dot=-0.00000123,
        mean_motion_ddot=0.4321e-9,
        designator=f"2026-00{i + 1}A",
        revolution_at_epoch=15,
    )
    for i in range(5)
]
TLE = "".join(map(format_two_line, RECORDS)).encode()
FORMS = {
    "two-line": TLE,
    "json": write_json(RECORDS).encode(),
    "csv": write_csv(RECORDS).encode(),
    "kvn": write_kvn(RECORDS, CREATED).encode(),
    "xml": write_xml(RECORDS, CREATED).encode(),
    "gzip": gzip.compress(TLE, mtime=0),
}
ORBIT = ("satellite_id", "epoch", "mean_motion_rev_day", "eccentricity", "inclination_deg", "node_deg", "perigee_deg")
ORBIT += ("mean_anomaly_deg", "bstar", "mean_motion_dot", "mean_motion_ddot")
LONGEST_CPU_S = 5.0


def outcome(data: bytes, *, lenient: bool = False) -> Fleet | str:
    """Return the fleet or the error line of damaged bytes; anything else than these two fails the test."""
    started = time.process_time()
    try:
        fleet = parse_elements(data, "damaged", lenient=lenient)
    except ElementsError as error:
        text = str(error)
        assert text.startswith("damaged")
        assert text.isprintable()
        assert len(text) < 600
        return text
    finally:
        assert time.process_time() - started < LONGEST_CPU_S
    assert len(fleet) > 0
    assert all(line.startswith("damaged") and line.isprintable() for line in map(str, fleet.skipped))
    assert lenient or all(entry.kind == "open end" for entry in fleet.skipped)
    return fleet


def damaged(data: bytes, dice: random.Random) -> bytes:
    """Return bytes with one to four wounds: flipped, cut out, doubled, put in, swapped or cut off."""
    for _ in range(dice.randint(1, 4)):
        at, length = dice.randrange(len(data) + 1), dice.randint(1, 60)
        wound = dice.randrange(6)
        if wound == 0 and data:
            at = min(at, len(data) - 1)
            data = data[:at] + bytes([data[at] ^ (1 << dice.randrange(8))]) + data[at + 1 :]
        elif wound == 1:
            data = data[:at] + data[at + length :]
        elif wound == 2:
            data = data[:at] + data[at : at + length] * dice.randint(2, 5) + data[at + length :]
        elif wound == 3:
            data = data[:at] + dice.choice(SHRAPNEL) + data[at:]
        elif wound == 4:
            other = dice.choice(list(FORMS.values()))
            start = dice.randrange(len(other))
            data = data[:at] + other[start : start + length] + data[at:]
        else:
            data = data[:at]
    return data


SHRAPNEL = (
    b"\0",
    b"\xff",
    b"\n",
    b"\r",
    b'"',
    b"{",
    b"]",
    b"<",
    b"&",
    b"<!DOCTYPE x>",
    b"1 ",
    b"2 ",
    b"0 ",
    b"#",
    b",",
)
SHRAPNEL += (b"nan", b"1e999", b"null", b"\xe2\x80\xa8", b"\x1b[2J", b"-", b"=", b"COMMENT ", b"CCSDS_OMM_VERS = 2.0\n")
SHRAPNEL += (b"\xef\xbb\xbf", b"\xff\xfe", b"\x1f\x8b", b"[" * 3000, b"9" * 5000, b"]]>", b"\xed\xa0\x80", b"\\ud800")


@pytest.mark.parametrize("lenient", [False, True])
@pytest.mark.parametrize("form", FORMS)
def test_damage_ends_in_a_fleet_or_in_one_line(form: str, lenient: bool) -> None:
    dice = random.Random(f"{form} {lenient}")
    ends = [outcome(damaged(FORMS[form], dice), lenient=lenient) for _ in range(400)]
    # Both ends must occur, or the wounds prove nothing.
    assert any(isinstance(end, str) for end in ends)
    if form != "gzip":
        assert any(isinstance(end, Fleet) for end in ends)
        if lenient:
            assert any(isinstance(end, Fleet) and end.skipped for end in ends)


@given(st.binary(max_size=300))
def test_any_bytes_end_in_a_fleet_or_in_one_line(data: bytes) -> None:
    outcome(data)
    outcome(data, lenient=True)


@given(st.integers(0, len(TLE) - 1), st.integers(0, 255))
def test_one_wrong_byte_in_a_two_line_file_never_moves_a_satellite(at: int, byte: int) -> None:
    end = outcome(TLE[:at] + bytes([byte]) + TLE[at + 1 :])
    if isinstance(end, Fleet):
        assert [[getattr(record, field) for field in ORBIT] for record in end] == [
            [getattr(record, field) for field in ORBIT] for record in RECORDS
        ]


@pytest.mark.parametrize("form", ["two-line", "json", "xml", "gzip"])
def test_a_cut_is_noticed_or_falls_between_two_sets(form: str) -> None:
    data = FORMS[form]
    whole = [tuple(RECORDS[:n]) for n in range(1, 6)]
    for at in range(0, len(data.rstrip()), 1 if form == "two-line" else 7):
        end = outcome(data[:at])
        assert isinstance(end, str) or (form == "two-line" and end.records in whole), at


@pytest.mark.parametrize("form", ["csv", "kvn"])
def test_a_cut_in_csv_or_kvn_is_noticed_unless_it_falls_into_the_last_values(form: str) -> None:
    # These two forms have no end mark: a file cut inside the last numbers of a set, the drag terms, still reads.
    data = FORMS[form]
    orbit = ORBIT[:8]
    for at in range(0, len(data), 3):
        end = outcome(data[:at])
        if isinstance(end, Fleet):
            for record, true in zip(end, RECORDS, strict=False):
                assert [getattr(record, field) for field in orbit] == [getattr(true, field) for field in orbit]


@pytest.mark.parametrize(
    "data",
    [
        b"[" * 2_000_000,
        b'{"a":' * 300_000,
        b'{"a":1' + b',"b":1' * 200_000 + b',"a":1}',
        b'{"NORAD_CAT_ID":5,"EPOCH":"2026-03-01T00:00:00","MEAN_MOTION":"' + b"1" * 2_000_000 + b'x"}',
        b"<ndm>" + b"<a>" * 200_000,
        b"<!-- -->" * 200_000,
        b"<ndm>" + b"<a/>" * 100_000 + b"</ndm>",
        b"CCSDS_OMM_VERS = 2.0\nBSTAR = 1" + b" " * 500_000 + b"x]\n",
        b"CCSDS_OMM_VERS = 2.0\nA" + b" " * 1_000_000 + b"\n",
        b"EPOCH,NORAD_CAT_ID" + b"".join(b",c%d" % i for i in range(100_000)) + b"\n",
        b'EPOCH,NORAD_CAT_ID\n"' + b"x" * 1_000_000,
        b"1 " * 1_000_000,
        b"1 \n" * 60_000,
        b"2 x\n" * 60_000,
        b"name\n" * 60_000 + b"1 x",
        b" " * 2_000_000 + b"x",
        gzip.compress(b"a" * 10_000_000),
    ],
    ids=range(17),
)
def test_long_hostile_files_end_soon(data: bytes) -> None:
    assert isinstance(outcome(data), str)
    assert isinstance(outcome(data, lenient=True), str)


def test_the_undamaged_forms_are_whole() -> None:
    for data in FORMS.values():
        assert outcome(data) == Fleet(RECORDS)
