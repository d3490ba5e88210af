"""What happens exactly on a limit, and one step to either side of it."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from passim import Fleet, Horizon, Site, Span, read_elements, walker, write_elements
from passim.answers.calls import calendar_in
from passim.coverage.visibility import find_visibility
from passim.elements import files, formats, omm_xml, rounded_to_two_line
from passim.errors import ElementsError, InputError, SiteError
from passim.forecast.timing import band_for, band_of
from passim.orbits.propagation import Propagator
from passim.sky.limits import Gateway, GatewayLimit
from passim.sky.view import View

EPOCH = datetime(2026, 3, 1, tzinfo=UTC)
BANDS = {24: "normal", 72: "odds beside times", 168: "odds only", 336: "statistics only"}
AFTER = dict(zip(BANDS, [*list(BANDS.values())[1:], "refuse"], strict=True))


def fleet() -> Fleet:
    return walker(
        total=4,
        planes=2,
        phasing=0,
        inclination_deg=53.0,
        altitude_km=550.0,
        epoch=EPOCH,
        name="invented",
        first_satellite_id=90001,
    )


# --- ages -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("hours", BANDS)
def test_an_age_on_the_limit_of_a_band_is_still_in_it(hours: int) -> None:
    limit_s = hours * 3600.0
    assert band_of(limit_s).name == BANDS[hours] == band_of(-limit_s).name
    assert band_of(limit_s + 1e-6).name == AFTER[hours]


@pytest.mark.parametrize("hours", BANDS)
def test_a_forecast_a_microsecond_past_the_limit_falls_into_the_next_band(hours: int) -> None:
    limit = EPOCH + timedelta(hours=hours)
    for way in (1, -1):
        at = EPOCH + way * (limit - EPOCH)
        assert band_for(fleet(), at).band.name == BANDS[hours]
        past = at + way * timedelta(microseconds=1)
        if AFTER[hours] == "refuse":
            with pytest.raises(ElementsError, match=r"14 days (old at|away from)"):
                band_for(fleet(), past)
        assert band_for(fleet(), past, allow_stale=True).band.name == AFTER[hours]


# --- sizes of files ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("suffix", "room"), [(".tle", 0), (".tle", -1), (".json.gz", 0), (".json.gz", -1)])
def test_an_element_file_of_exactly_the_limit_is_read_and_one_byte_more_is_not(
    suffix: str, room: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / f"fleet{suffix}"
    write_elements(rounded_to_two_line(fleet()), path)
    plain = tmp_path / f"plain{suffix.removesuffix('.gz')}"
    write_elements(rounded_to_two_line(fleet()), plain)
    # The limit holds for what is read and for what gzip unpacks to: shrink it to the larger of both.
    size = max(path.stat().st_size, plain.stat().st_size)
    monkeypatch.setattr(files, "LARGEST_BYTES", size + room)
    monkeypatch.setattr(formats, "LARGEST_BYTES", size + room)
    if room == 0:
        assert len(read_elements(path)) == 4
    else:
        with pytest.raises(ElementsError, match="MiB"):
            read_elements(path)


def test_an_xml_file_of_exactly_the_limit_is_read_and_one_byte_more_is_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "fleet.xml"
    write_elements(fleet(), path)
    monkeypatch.setattr(omm_xml, "LARGEST_XML_BYTES", path.stat().st_size)
    assert len(read_elements(path)) == 4
    monkeypatch.setattr(omm_xml, "LARGEST_XML_BYTES", path.stat().st_size - 1)
    with pytest.raises(ElementsError, match="of XML"):
        read_elements(path)


def test_a_calendar_of_exactly_the_limit_is_read_and_one_byte_more_is_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "busy.ics"
    path.write_bytes(b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//invented//EN\r\nEND:VCALENDAR\r\n")
    span = Span.starting(EPOCH, hours=24)
    monkeypatch.setattr(calendar_in, "_LARGEST_FILE_BYTES", path.stat().st_size)
    assert calendar_in.read_calendar(path, span, "UTC").events == ()
    monkeypatch.setattr(calendar_in, "_LARGEST_FILE_BYTES", path.stat().st_size - 1)
    with pytest.raises(InputError):
        calendar_in.read_calendar(path, span, "UTC")


# --- a gateway at the edge of reach -----------------------------------------------------------------------------------


def test_a_gateway_at_the_very_edge_of_reach_is_taken_and_one_a_step_beyond_is_refused() -> None:
    # Own arithmetic by the rule of `GatewayLimit.check`: on a sphere, from both places, a satellite at its apogee and
    # 30 km stands at the mask less 0.3 deg. On the equator, where longitudes are angles.
    site = Site("edge", 0.0, -28.0, horizon=Horizon.flat(25.0))
    propagator = Propagator.of(fleet())
    apogee_km = float(np.max(propagator.semi_major_axis_km * (1.0 + propagator.eccentricity))) + 30.0
    elevation = math.radians(24.7)
    apart_deg = 2.0 * math.degrees(math.acos(6378.137 / apogee_km * math.cos(elevation)) - elevation)
    for step_deg, reached in ((-1e-6, True), (1e-6, False)):
        limit = GatewayLimit((Gateway("Edge", 0.0, -28.0 + apart_deg + step_deg),))
        if reached:
            limit.check(site, 25.0, fleet())
        else:
            with pytest.raises(SiteError, match="none ever sees both"):
                limit.check(site, 25.0, fleet())


def test_a_gateway_just_within_true_reach_serves_for_moments_and_just_beyond_never() -> None:
    # An equatorial ring carries satellites right over both; what both see at once shrinks to nothing with distance.
    ring = walker(total=12, planes=1, phasing=0, inclination_deg=0.0, altitude_km=550.0, epoch=EPOCH, eccentricity=0.0)
    site, span = Site("edge", 0.0, -28.0, horizon=Horizon.flat(25.0)), Span.starting(EPOCH, hours=3)
    # SGP4's ring stands 6924.97 km from the centre (tests/test_closed_form_rings.py).
    reach_deg = 2.0 * (math.degrees(math.acos(6378.137 / 6924.97 * math.cos(math.radians(25.0)))) - 25.0)
    lasting = []
    for step_deg in (-0.5, -0.05, 0.05):
        view = View(site, (GatewayLimit((Gateway("East", 0.0, -28.0 + reach_deg + step_deg),)),))
        joint = find_visibility(ring, view, span).joint()
        lasting.append(float((joint.end - joint.start).sum()) / 1e6 / max(joint.group.size, 1))
    assert lasting[0] > lasting[1] > 0.0 == lasting[2]
    # Half a degree of 360 at one revolution of the ring against the Earth in 6148.5 s: 8.5 s.
    assert lasting[0] == pytest.approx(0.5 / 360.0 * 6148.5, abs=0.3)
