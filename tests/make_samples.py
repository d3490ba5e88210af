"""Make the element files of tle_samples/ again: `python tests/make_samples.py [FOLDER]`.

Deterministic: the same files, byte for byte, whenever and wherever it runs; tests/test_samples.py holds them to that.
All objects are invented, except the navigation pattern, which is printed in a public standard (see
`navigation_pattern`). What each file is, and what passim says of it, stands in tle_samples/README.md.
"""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

import numpy as np

from element_sets import scattered
from passim.elements import rounded_to_two_line
from passim.elements.files import write_elements
from passim.elements.identifiers import SatelliteId
from passim.elements.patterns import mean_motion_rev_day, walker
from passim.elements.records import ElementSet, Fleet
from passim.orbits.propagation import Propagator
from snapshots import older_snapshot
from tests.scenario import plover

EPOCH: Final = datetime(2026, 3, 1, tzinfo=UTC)

# GPS SPS Performance Standard, October 2001, Table 3-1 (read): semi-major axis, inclination, node of each plane and
# arguments of latitude of its four slots, degrees. The epoch of the table, 0 h UTC of 1 July 1993, is recalled; the
# Greenwich hour angle printed with it, 18 h 36 min 14.4 s (recalled), is the sidereal time of that moment (recomputed).
NAVIGATION_EPOCH: Final = datetime(1993, 7, 1, tzinfo=UTC)
NAVIGATION_AXIS_KM: Final = 26559.7
NAVIGATION_SLOTS: Final = {
    "A": (272.847, (268.126, 161.786, 11.676, 41.806)),
    "B": (332.847, (80.956, 173.336, 309.976, 204.376)),
    "C": (32.847, (111.876, 11.796, 339.666, 241.556)),
    "D": (92.847, (135.226, 265.446, 35.156, 167.356)),
    "E": (152.847, (197.046, 302.596, 66.066, 333.686)),
    "F": (212.847, (238.886, 345.226, 105.206, 135.346)),
}


def navigation_pattern() -> Fleet:
    """Return the 24-slot navigation pattern of the SPS Performance Standard, circular orbits without drag."""
    records = []
    for plane, (node_deg, arguments_deg) in NAVIGATION_SLOTS.items():
        for slot, argument_deg in enumerate(arguments_deg, 1):
            records.append(
                _invented(
                    900_001_001 + len(records),
                    f"Slot {plane}{slot}",
                    epoch=NAVIGATION_EPOCH,
                    mean_motion_rev_day=mean_motion_rev_day(NAVIGATION_AXIS_KM - 6378.135),
                    eccentricity=0.0,
                    inclination_deg=55.0,
                    node_deg=node_deg,
                    mean_anomaly_deg=argument_deg,
                )
            )
    return Fleet(records, "navigation pattern")


def plover_before() -> Fleet:
    """Return the fleet Plover by elements two days older: most satellites come within a second of their forecast."""
    newer = plover(EPOCH)
    late_s = np.random.Generator(np.random.PCG64(1)).normal(0.0, 0.5, len(newer))
    older = older_snapshot(newer, 2.0, late_s)
    angles = ("node_deg", "perigee_deg", "mean_anomaly_deg")
    return Fleet(
        [replace(record, **{name: round(getattr(record, name), 4) for name in angles}) for record in older], older.name
    )


def polar_star() -> Fleet:
    """Return six planes of eleven at 780 km and 86.4 deg, numbered within five digits for two-line sets."""
    fleet = walker(
        total=66,
        planes=6,
        phasing=3,
        inclination_deg=86.4,
        altitude_km=780.0,
        epoch=EPOCH,
        name="Fulmar",
        star=True,
        first_satellite_id=90001,
    )
    return rounded_to_two_line(fleet)


def numbered(*numbers: int) -> Fleet:
    """Return one invented satellite for each catalogue number, spread along one plane."""
    return Fleet(
        [_invented(n, f"Dunlin {k + 1}", mean_anomaly_deg=360.0 * k / len(numbers)) for k, n in enumerate(numbers)]
    )


def decayed() -> Fleet:
    """Return sets that SGP4 cannot follow: see the README for what becomes of each."""
    return Fleet(
        [
            _invented(90101, "Gone at epoch", mean_motion_rev_day=17.2, bstar=1e-4),
            _invented(90102, "Gone within hours", mean_motion_rev_day=16.4, bstar=1e-3, eccentricity=0.01),
            _invented(90103, "Sinking unreported", mean_motion_rev_day=16.55, bstar=1e-4),
            _invented(90104, "Climbing on its drag", mean_motion_rev_day=16.55, bstar=-0.02),
        ]
    )


def eccentric() -> Fleet:
    """Return a half-day orbit and a transfer orbit: long slow passes, and rises that a coarse step would lose."""
    return Fleet(
        [
            _invented(
                900_002_001,
                "Heron half-day",
                mean_motion_rev_day=2.00561,
                eccentricity=0.72,
                inclination_deg=63.4,
                node_deg=40.0,
                perigee_deg=270.0,
                mean_anomaly_deg=15.0,
            ),
            _invented(
                900_002_002,
                "Heron transfer",
                mean_motion_rev_day=2.27,
                eccentricity=0.73,
                inclination_deg=27.0,
                node_deg=200.0,
                perigee_deg=178.0,
                mean_anomaly_deg=80.0,
            ),
        ]
    )


def geostationary() -> Fleet:
    """Return three satellites that stand still: near 28 W, near 120 E, and one that drifts in a tilted orbit.

    The node is 0, so the longitude is the mean anomaly less Greenwich sidereal time, 158.814 deg at this epoch.
    """
    orbit = {"mean_motion_rev_day": 1.00271, "eccentricity": 1e-4}
    return Fleet(
        [
            _invented(900_003_001, "Gannet west", **orbit, inclination_deg=0.05, mean_anomaly_deg=130.8),
            _invented(900_003_002, "Gannet east", **orbit, inclination_deg=0.05, mean_anomaly_deg=278.8),
            _invented(900_003_003, "Gannet tilted", **orbit, inclination_deg=7.0, mean_anomaly_deg=130.8),
        ]
    )


def two_epochs() -> Fleet:
    """Return two objects with a set of two days ago and a set of today each, the older ones last."""
    today = walker(
        total=2,
        planes=1,
        phasing=0,
        inclination_deg=53.0,
        altitude_km=550.0,
        epoch=EPOCH,
        name="Knot",
        first_satellite_id=90201,
    )
    # The same orbit two days before: step back by SGP4's own secular rates.
    age, model = timedelta(days=2), Propagator(today)
    back_deg = -math.degrees(age.total_seconds())
    older = [
        replace(
            record,
            epoch=EPOCH - age,
            node_deg=(record.node_deg + back_deg * node_rate) % 360.0,
            mean_anomaly_deg=(record.mean_anomaly_deg + back_deg * argument_rate) % 360.0,
        )
        for record, node_rate, argument_rate in zip(
            today, model.node_rate_rad_s, model.argument_of_latitude_rate_rad_s, strict=True
        )
    ]
    return Fleet([*today, *older])


def stale() -> Fleet:
    """Return sets that were 3, 10 and 60 days old when the others were fresh."""
    return Fleet(
        [
            _invented(900_004_000 + days, f"Godwit {days} days", epoch=EPOCH - timedelta(days=days), bstar=2e-4)
            for days in (3, 10, 60)
        ]
    )


def make(folder: Path) -> None:
    """Write every sample into `folder`."""
    (folder / "bad").mkdir(parents=True, exist_ok=True)

    # Whole fleets, one in each format.
    write_elements(plover(EPOCH), folder / "plover.json.gz")
    write_elements(plover_before(), folder / "plover-two-days-older.json.gz")
    random_fleet = scattered(total=100, inclination_deg=53.0, altitude_km=550.0, epoch=EPOCH, seed=7, name="Sanderling")
    write_elements(random_fleet, folder / "scattered-100.csv")
    write_elements(navigation_pattern(), folder / "navigation-24.xml", created=EPOCH)
    rosette = walker(
        total=5, planes=5, phasing=1, inclination_deg=43.66, altitude_km=1000.0, epoch=EPOCH, name="Rosette"
    )
    write_elements(rosette, folder / "rosette-5.kvn", created=EPOCH)
    write_elements(polar_star(), folder / "polar-star-66.tle")

    # The catalogue numbers that five columns cannot hold.
    alpha5 = rounded_to_two_line(numbered(99999, 100000, 179999, 180000, 230000, 339999))
    write_elements(alpha5, folder / "alpha-5.tle")
    write_elements(numbered(339999, 340000, 799500001, 999999999), folder / "nine-digit.json")

    # One orbit as text in the shapes that files come in. Two-line files are edited as text from here on.
    tern = rounded_to_two_line(walker(
        total=3, planes=1, phasing=0, inclination_deg=53.0, altitude_km=550.0, epoch=EPOCH, name="Tern",
        first_satellite_id=90301,
    ))  # fmt: skip
    write_elements(tern, folder / "three-line.tle")
    lines = (folder / "three-line.tle").read_text(encoding="ascii").splitlines()
    names, firsts, seconds = lines[0::3], lines[1::3], lines[2::3]
    pairs = [line for pair in zip(firsts, seconds, strict=True) for line in pair]
    _write(folder / "two-line.txt", pairs)
    marked = [f"0 {name.removeprefix('0 ')}" for name in names]
    _write(folder / "zero-named.txt", [x for triple in zip(marked, firsts, seconds, strict=True) for x in triple])
    (folder / "windows.tle").write_bytes(b"\xef\xbb\xbf" + "".join(f"{line}\r\n" for line in lines).encode("ascii"))

    # Numbers as JSON strings, epochs with and without a fraction and with Z, and an empty designator.
    _write(folder / "as-strings.json", [_AS_STRINGS])

    # Orbits and ages that need care.
    write_elements(rounded_to_two_line(decayed()), folder / "decayed.tle")
    write_elements(eccentric(), folder / "eccentric.json")
    write_elements(geostationary(), folder / "geostationary.json")
    write_elements(rounded_to_two_line(two_epochs()), folder / "two-epochs.tle")
    write_elements(stale(), folder / "stale.csv")

    # What must be refused, each for one reason.
    bad = folder / "bad"
    line_1, line_2 = firsts[0], seconds[0]
    wrong_digit = str((int(line_1[68]) + 1) % 10)
    _write(bad / "checksum.tle", [names[0], line_1[:68] + wrong_digit, line_2])
    _write(bad / "numbers-differ.tle", [names[0], line_1, seconds[1]])
    _write(bad / "shifted.tle", [names[0], line_1, line_2[:8] + " " + line_2[8:68]])
    _write(bad / "half-record.tle", [*lines[:3], names[1], firsts[1]])
    _write(bad / "page.tle", ["<!DOCTYPE html>", "<html><head><title>503</title></head>", "<body>Busy.</body></html>"])
    _write(bad / "no-data.json", ["No GP data found"])
    _write(bad / "half-record.json", [_AS_STRINGS[: len(_AS_STRINGS) // 2]])
    _write(bad / "other-theory.json", [_AS_STRINGS.replace('"SGP4"', '"SGP4-XP"')])
    _write(bad / "not-a-number.json", [_AS_STRINGS.replace('"15.05491974"', '"NaN"')])
    _write(bad / "entities.xml", [_ENTITIES])
    (bad / "empty.tle").write_bytes(b"")


def _invented(number: int, name: str, **fields: object) -> ElementSet:
    """Return an invented set: a 550 km, 53 deg circle at `EPOCH` unless `fields` say otherwise."""
    usual: dict[str, object] = {
        "epoch": EPOCH,
        "mean_motion_rev_day": mean_motion_rev_day(550.0),
        "eccentricity": 1e-4,
        "inclination_deg": 53.0,
        "node_deg": 0.0,
        "perigee_deg": 0.0,
        "mean_anomaly_deg": 0.0,
    }
    return ElementSet(satellite_id=SatelliteId(number), name=name, **{**usual, **fields})  # type: ignore[arg-type]


def _write(path: Path, lines: list[str]) -> None:
    path.write_bytes("".join(f"{line}\n" for line in lines).encode("ascii"))


def _as_strings(number: int, epoch: str, anomaly: str) -> str:
    return (
        f'{{"OBJECT_NAME":"STILT {number % 10}","OBJECT_ID":"","CENTER_NAME":"EARTH","REF_FRAME":"TEME",'
        f'"TIME_SYSTEM":"UTC","MEAN_ELEMENT_THEORY":"SGP4","EPOCH":"{epoch}","MEAN_MOTION":"15.05491974",'
        '"ECCENTRICITY":".0001","INCLINATION":"53.0000","RA_OF_ASC_NODE":"120.0000","ARG_OF_PERICENTER":"0.0000",'
        f'"MEAN_ANOMALY":"{anomaly}","EPHEMERIS_TYPE":"0","CLASSIFICATION_TYPE":"U","NORAD_CAT_ID":"{number}",'
        '"ELEMENT_SET_NO":"999","REV_AT_EPOCH":"1","BSTAR":"0.0001","MEAN_MOTION_DOT":"0","MEAN_MOTION_DDOT":"0"}'
    )


_AS_STRINGS: Final = (
    "[" + ",\n".join(
        [
            _as_strings(900005001, "2026-03-01T00:00:00", "0.0000"),
            _as_strings(900005002, "2026-03-01T00:00:00.000000", "90.0000"),
            _as_strings(900005003, "2026-03-01T00:00:00Z", "180.0000"),
            _as_strings(900005004, "2026-060T00:00:00.000", "270.0000"),
        ]
    ) + "]"
)  # fmt: skip

# Entities that unfold to a thousand copies: a reader must refuse them before it unfolds any.
_ENTITIES: Final = """<?xml version="1.0"?>
<!DOCTYPE ndm [
<!ENTITY a "knot"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">
<!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;&b;&b;"><!ENTITY d "&c;&c;&c;&c;&c;&c;&c;&c;&c;&c;">
]>
<ndm><omm><body><segment><metadata><OBJECT_NAME>&d;</OBJECT_NAME></metadata></segment></body></omm></ndm>"""


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent.parent / "tle_samples")
