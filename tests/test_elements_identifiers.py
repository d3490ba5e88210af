"""Catalogue numbers, epochs, and the records and fleets that hold them."""

from __future__ import annotations

import pickle
from datetime import UTC, datetime, timedelta, timezone
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, strategies as st

from passim.elements import ElementSet, Fleet, SatelliteId, Skipped, rounded_to_two_line
from passim.elements.epochs import (
    format_iso_epoch,
    format_two_line_epoch,
    parse_iso_epoch,
    parse_two_line_epoch,
    rounded_to_two_line_epoch,
)
from passim.errors import ElementsError

EPOCH = datetime(2026, 3, 1, 6, 0, tzinfo=UTC)
MOMENTS = st.datetimes(datetime(1957, 1, 1), datetime(2056, 12, 31, 23, 59, 59, 999999), timezones=st.just(UTC))


LEFT_OUT = Skipped(kind="record", file="a.json", place="record 2", satellite_id="7", what="BSTAR", records=1)
OTHER = Skipped(kind="record", file="b.json", what="record", records=1)


def invented(**changes: object) -> ElementSet:
    """Return an invented set of a low orbit, with some fields changed."""
    values: dict = {
        "satellite_id": SatelliteId(900000001),
        "name": "PLOVER 1",
        "epoch": EPOCH,
        "mean_motion_rev_day": 15.0549,
        "eccentricity": 0.0001,
        "inclination_deg": 53.0,
        "node_deg": 120.0,
        "perigee_deg": 90.0,
        "mean_anomaly_deg": 10.0,
    }
    return ElementSet(**(values | changes))


# ---------------------------------------------------------------------------------------------------- numbers


# The rule of Alpha-5 as the public catalogue gives it: A is 10, no I, no O, Z is 33 (read: A0000 and Z9999; the
# others by counting letters).
def test_numbers_become_plain_digits(subtests: pytest.Subtests) -> None:
    for written, plain in [
        ("00005", "5"),
        ("    5", "5"),
        (25544, "25544"),
        ("A0000", "100000"),
        ("H9999", "179999"),
        ("J0000", "180000"),
        ("N9999", "229999"),
        ("P0000", "230000"),
        ("Z9999", "339999"),
        ("340000", "340000"),
        (999999999, "999999999"),
    ]:
        with subtests.test(written=written, plain=plain):
            assert SatelliteId(written) == plain
            assert SatelliteId(written).number == int(plain)


@pytest.mark.parametrize(
    "wrong",
    [
        "",
        "I0000",
        "O1234",
        "a0000",
        "AA000",
        "-5",
        "1234567890",
        "12.5",
        "٣٤",
        True,
        pytest.param(10**5000, id="huge"),
        2.5,
        None,
    ],
)
def test_wrong_numbers_are_refused_in_one_line(wrong: object) -> None:
    with pytest.raises(
        ElementsError, match=r"^catalogue number; got .*; wanted one to nine digits, or a capital"
    ) as raised:
        SatelliteId(wrong)  # type: ignore[arg-type]
    assert "\n" not in str(raised.value)


@given(st.integers(0, 339999))
def test_five_columns_and_back(number: int) -> None:
    columns = SatelliteId(number).five_columns()
    assert len(columns) == 5
    assert SatelliteId(columns).number == number


def test_a_number_past_alpha_5_names_the_way_out() -> None:
    with pytest.raises(ElementsError, match=r"wanted at most 339999; try writing \.json"):
        SatelliteId(340000).five_columns()


# ---------------------------------------------------------------------------------------------------- epochs


def test_every_legal_spelling_is_the_same_moment(subtests: pytest.Subtests) -> None:
    for text in [
        "2026-03-01T06:00:00",
        "2026-03-01T06:00:00Z",
        "2026-03-01T06:00:00.0",
        "2026-03-01T06:00:00.000000Z",
        "2026-03-01T06:00:00+00:00",
        "2026-03-01T06:00:00-00:00",
        "2026-03-01T06:00:00+0000",
        "2026-03-01 06:00:00",
        "2026-060T06:00:00",
        "2026-060T06:00:00.000Z",
        "2026-060T06:00:00+00:00",
    ]:
        with subtests.test(text=text):
            assert parse_iso_epoch(text) == EPOCH


@pytest.mark.parametrize(
    ("decimals", "microsecond"),
    [
        ("1", 100000),
        ("000001", 1),
        ("0000014", 1),
        ("0000015", 2),
        ("0000025", 2),
        ("00000250001", 3),
        ("123456789", 123457),
    ],
)
def test_decimals_past_the_sixth_are_rounded_half_to_even(decimals: str, microsecond: int) -> None:
    assert parse_iso_epoch(f"2026-03-01T06:00:00.{decimals}") == EPOCH + timedelta(microseconds=microsecond)


def test_rounding_carries_into_the_next_year() -> None:
    assert parse_iso_epoch("2026-365T23:59:59.9999999Z") == datetime(2027, 1, 1, tzinfo=UTC)


def test_other_epochs_are_refused(subtests: pytest.Subtests) -> None:
    for text, why in [
        ("2026-03-01T06:00:00+01:00", "wanted UTC, without another offset"),
        ("2026-03-01T06:00:00-0030", "wanted UTC, without another offset"),
        ("2016-12-31T23:59:60", "wanted a time outside a leap second"),
        ("2016-12-31T23:59:60.5Z", "wanted a time outside a leap second"),
        ("2026-02-29T00:00:00", "wanted a date and time that exist"),
        ("2026-13-01T00:00:00", "wanted a date and time that exist"),
        ("2026-366T00:00:00", "wanted a date and time that exist"),
        ("2026-000T00:00:00", "wanted a date and time that exist"),
        ("2026-03-01T24:00:00", "wanted a date and time that exist"),
        ("0000-03-01T00:00:00", "wanted a date and time that exist"),
        ("1956-03-01T00:00:00", "wanted a year from 1957 to 2099"),
        ("2100-03-01T00:00:00", "wanted a year from 1957 to 2099"),
        ("2026-03-01", "wanted UTC such as"),
        ("2026-03-01T06:00", "wanted UTC such as"),
        ("2026-03-01T06:00:00.", "wanted UTC such as"),
        ("26060.25", "wanted UTC such as"),
        ("٢٠٢٦-03-01T06:00:00", "wanted UTC such as"),
        ("", "wanted UTC such as"),
    ]:
        with subtests.test(text=text, why=why), pytest.raises(ElementsError, match="^EPOCH; got .*" + why):
            parse_iso_epoch(text)


@given(MOMENTS)
def test_iso_epochs_come_back_exactly(moment: datetime) -> None:
    assert parse_iso_epoch(format_iso_epoch(moment)) == moment
    year_day = moment.strftime("%Y-%jT%H:%M:%S.%fZ").rjust(len("2026-060T06:00:00.000000Z"), "0")
    assert parse_iso_epoch(year_day) == moment


# The 57 rule of two-line sets, and the first epoch of the SGP4 verification file (00179.78495062: 27 June 2000;
# 0.78495062 day is 67819.733568 s by hand).
@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("57001.00000000", datetime(1957, 1, 1, tzinfo=UTC)),
        ("99365.50000000", datetime(1999, 12, 31, 12, tzinfo=UTC)),
        ("00179.78495062", datetime(2000, 6, 27, 18, 50, 19, 733568, tzinfo=UTC)),
        ("24366.00000001", datetime(2024, 12, 31, 0, 0, 0, 864, tzinfo=UTC)),
        ("26  1.00000000", datetime(2026, 1, 1, tzinfo=UTC)),
        ("56366.99999999", datetime(2056, 12, 31, 23, 59, 59, 999136, tzinfo=UTC)),
    ],
)
def test_two_line_epochs(text: str, moment: datetime) -> None:
    assert parse_two_line_epoch(text) == moment


@pytest.mark.parametrize("text", ["26366.00000000", "26000.50000000", "24367.00000000"])
def test_days_that_a_year_has_not_are_refused(text: str) -> None:
    with pytest.raises(ElementsError, match=r"^epoch; got .*; wanted a day from 1 to 36[56], as 202[46] has"):
        parse_two_line_epoch(text)


@pytest.mark.parametrize("text", ["261 1.00000000", "26060.0000000", "26060,00000000", "2606 .00000000"])
def test_misspelt_two_line_epochs_are_refused(text: str) -> None:
    with pytest.raises(ElementsError, match=r"^epoch; got .*; wanted YYDDD\.dddddddd"):
        parse_two_line_epoch(text)


@given(st.integers(1957, 2056), st.integers(1, 365), st.integers(0, 10**8 - 1))
def test_two_line_epochs_are_exact_decimal_arithmetic(year: int, day: int, decimals: int) -> None:
    text = f"{year % 100:02d}{day:03d}.{decimals:08d}"
    moment = parse_two_line_epoch(text)
    since_new_year = moment - datetime(year, 1, 1, tzinfo=UTC)
    days = Fraction(since_new_year // timedelta(microseconds=1), 86_400_000_000)
    assert days == day - 1 + Fraction(decimals, 10**8)
    assert format_two_line_epoch(moment) == text


@given(MOMENTS)
def test_rounding_an_epoch_moves_it_by_half_a_step_at_most(moment: datetime) -> None:
    rounded = rounded_to_two_line_epoch(moment)
    assert abs(rounded - moment) <= timedelta(microseconds=432)
    if rounded.year <= 2056:
        assert parse_two_line_epoch(format_two_line_epoch(rounded)) == rounded


# ---------------------------------------------------------------------------------------------------- records


def test_records_refuse_what_is_not_legal(subtests: pytest.Subtests) -> None:
    for field, value in [
        ("mean_motion_rev_day", 0.0),
        ("mean_motion_rev_day", 1e-300),
        ("mean_motion_rev_day", 18.1),
        ("bstar", 1e300),
        ("mean_motion_dot", -1.1),
        ("mean_motion_ddot", 1e300),
        ("eccentricity", 1.0),
        ("eccentricity", -1e-9),
        ("inclination_deg", 180.1),
        ("node_deg", float("nan")),
        ("perigee_deg", float("inf")),
        ("mean_anomaly_deg", "10.0"),
        ("bstar", float("nan")),
        ("bstar", True),
        ("mean_motion_dot", None),
        ("mean_motion_ddot", 10**400),
        ("element_set_number", -1),
        ("revolution_at_epoch", 1.5),
        ("classification", "UU"),
        ("classification", None),
        ("name", 7),
        ("name", "\ud800"),
        ("epoch", EPOCH.replace(tzinfo=None)),
        ("epoch", "2026-03-01"),
    ]:
        with subtests.test(field=field, value=value):
            with pytest.raises(ElementsError, match=f"^{field} of .*wanted ") as raised:
                invented(**{field: value})
            assert str(raised.value).isprintable()


def test_records_hold_plain_types() -> None:
    record = invented(
        satellite_id="A0001",
        name="  PLOVER 1 ",
        designator="UNKNOWN",
        eccentricity=np.float64(0.001),
        node_deg=np.int64(12),
        element_set_number=np.int32(5),
        epoch=EPOCH.astimezone(timezone(timedelta(hours=-1))),
    )
    assert (record.satellite_id, record.name, record.designator) == ("100001", "PLOVER 1", "")
    assert [type(v) for v in (record.eccentricity, record.node_deg, record.element_set_number)] == [float, float, int]
    assert record.epoch == EPOCH
    assert record.epoch.tzinfo is UTC


def test_a_hostile_name_cannot_write_on_the_terminal() -> None:
    with pytest.raises(ElementsError) as raised:
        invented(name="EVIL\x1b[2J\nNAME", inclination_deg=200.0)
    assert str(raised.value) == (
        "inclination_deg of EVIL\\x1b[2J\\x0aNAME (900000001); got 200.0; wanted from 0 to 180 deg"
    )


def test_records_and_fleets_travel_to_another_process() -> None:
    fleet = Fleet([invented()], "Plover", skipped=[LEFT_OUT])
    again = pickle.loads(pickle.dumps(fleet))
    assert again == fleet
    assert again.skipped == (LEFT_OUT,)
    assert type(again[0].satellite_id) is SatelliteId


def test_what_was_skipped_stays_with_the_fleet() -> None:
    one = Fleet([invented(), invented(epoch=EPOCH + timedelta(days=1))], skipped=[LEFT_OUT])
    other = Fleet([invented(satellite_id=7)], skipped=[OTHER])
    assert (one + other).skipped == (LEFT_OUT, OTHER)
    assert (one + other).select([2]).skipped == (LEFT_OUT, OTHER)
    nearest, set_aside = one.nearest(EPOCH + timedelta(hours=13))
    assert (nearest.skipped, set_aside) == ((LEFT_OUT,), 1)
    assert nearest[0].epoch == EPOCH + timedelta(days=1)
    assert rounded_to_two_line(Fleet([invented(satellite_id=8)], skipped=[LEFT_OUT])).skipped == (LEFT_OUT,)
    assert Fleet([]).skipped == ()


def test_of_two_sets_equally_near_the_later_in_the_fleet_is_kept() -> None:
    first, second = invented(bstar=1e-4), invented(bstar=2e-4)
    assert Fleet([first, second]).nearest(EPOCH)[0].records == (second,)


def test_columns_are_read_only() -> None:
    fleet = Fleet([invented()])
    for column in (fleet.satellite_ids, fleet.names, fleet.epochs, fleet.column("node_deg")):
        assert column.shape == (1,)
        assert not column.flags.writeable
    assert fleet.epochs[0] == np.datetime64("2026-03-01T06:00:00", "us")
