"""Benchmark of reading 10,000 element sets in every form, in CPU time of one core: not a test.

    .venv/bin/python -m tests.benchmarks.reading

Each form is told as a ratio to what no reader can do without: `json.load` of the same fleet and one `sgp4init` an
object, measured in turn with it. The least of some rounds counts, because other work only ever adds to it.
"""

from __future__ import annotations

import io
import json
import math
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime

from sgp4.api import WGS72, Satrec

from passim import walker
from passim.elements import format_two_line, parse_elements
from passim.elements.omm_text import write_csv, write_json, write_kvn
from passim.elements.omm_xml import write_xml

from .timing import machine, peak_memory_mb

SETS = 10_000
WANTED = 1.5
_ROUNDS = 7
_EPOCH = datetime(2026, 3, 1, tzinfo=UTC)


def plain(data: bytes) -> list[Satrec]:
    """Do what every reader of JSON must: load it, and make one model an object."""
    models = []
    for message in json.load(io.BytesIO(data)):
        model = Satrec()
        model.sgp4init(
            WGS72,
            "i",
            0,
            27_818.0,
            message["BSTAR"],
            message["MEAN_MOTION_DOT"],
            message["MEAN_MOTION_DDOT"],
            message["ECCENTRICITY"],
            math.radians(message["ARG_OF_PERICENTER"]),
            math.radians(message["INCLINATION"]),
            math.radians(message["MEAN_ANOMALY"]),
            message["MEAN_MOTION"] * math.tau / 1440.0,
            math.radians(message["RA_OF_ASC_NODE"]),
        )
        models.append(model)
    return models


def main() -> int:
    """Run the benchmark and print its figures."""
    fleet = walker(
        total=SETS, planes=100, phasing=7, inclination_deg=53, altitude_km=550, epoch=_EPOCH, first_satellite_id=90001
    )
    texts = {
        "JSON": write_json(fleet),
        "CSV": write_csv(fleet),
        "XML": write_xml(fleet, _EPOCH),
        "KVN": write_kvn(fleet, _EPOCH),
        "two-line": "".join(map(format_two_line, fleet)),
    }
    forms = {form: text.encode() for form, text in texts.items()}
    work: dict[str, Callable[[], object]] = {"plain": lambda: plain(forms["JSON"])}
    for form, data in forms.items():
        work[form] = lambda data=data: parse_elements(data)  # type: ignore[misc]
    least_s = dict.fromkeys(work, math.inf)
    for _ in range(_ROUNDS):
        for name, run in work.items():
            began_s = time.process_time()
            run()
            least_s[name] = min(least_s[name], time.process_time() - began_s)
    print(machine())
    print(f"json.load and one sgp4init an object, {SETS:,} objects: {least_s['plain']:.3f} s")
    for form, data in forms.items():
        print(f"{form + ',':10} {len(data) / 1e6:4.1f} MB: {least_s[form] / least_s['plain']:.2f} times that")
    print(f"most memory {peak_memory_mb():.0f} MB; wanted for JSON at most {WANTED:g} times")
    return int(least_s["JSON"] > WANTED * least_s["plain"])


if __name__ == "__main__":
    sys.exit(main())
