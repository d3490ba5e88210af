"""The probe as the child of another program, which it ends with: ``python -m passim.line.probe.child``.

The parent writes one line of JSON to its standard input, `journal`, `targets` (as `parse_targets` reads them),
`every_s` and `ntp_server`, and keeps that open. When it closes, however the parent ends, the probe ends in order.
What goes wrong is one line on standard error, with the status 2. Imports the standard library alone: see `passim.line`.
"""

from __future__ import annotations

import json
import signal
import sys
import threading
from pathlib import Path
from typing import TextIO

from passim.errors import PassimError
from passim.line.journal.writing import JournalWriter
from passim.line.probe.loop import Plan, Probe
from passim.line.targets import parse_targets


def main(given: TextIO) -> int:
    """Probe as the first line of `given` says until there is no more of it; return the exit status."""
    # An interrupt from the keyboard reaches all processes at once; the parent sees to this one.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    first = given.readline()
    if not first:
        return 0
    request = json.loads(first)
    try:
        plan = Plan(parse_targets(request["targets"]), request["every_s"], None, request["ntp_server"])
        with JournalWriter(Path(request["journal"])) as journal:
            probe = Probe(plan, journal)
            signal.signal(signal.SIGTERM, lambda *_: probe.stop())
            threading.Thread(target=_end_with, args=(given, probe), name="passim-parent", daemon=True).start()
            probe.run()
    except PassimError as error:
        print(error, file=sys.stderr)
        return 2
    except OSError as error:
        print(f"{error.filename or 'journal'}: {error.strerror}", file=sys.stderr)
        return 2
    return 0


def _end_with(given: TextIO, probe: Probe) -> None:
    """Wait for the end of what the parent gives, and stop then."""
    given.read()
    probe.stop()


if __name__ == "__main__":
    sys.exit(main(sys.stdin))
