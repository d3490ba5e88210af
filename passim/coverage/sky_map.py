"""Where passes run in the sky of a site, where they are lost and to what: the data of a sky map."""

from __future__ import annotations

import numpy as np
import pandas as pd

from passim.coverage.blocked import blocked_always, names_of
from passim.coverage.visibility import Visibility
from passim.errors import InputError
from passim.spans import utc_times

_MOST_SAMPLES = 5_000_000


def sky_track(visibility: Visibility, step_s: float = 10.0) -> pd.DataFrame:
    """Return samples of every pass above the floor, with what stops the satellite there.

    Columns, sorted by piece and time:

    piece           number of the piece from 0, in order of time: a stretch of one pass in one state, to be drawn as one
                    line. Where one piece ends the next of the same pass begins, so lines meet
    satellite_id, name
    time            datetime64[us, UTC]: the ends of the piece, and every whole `step_s` of the span between them
    azimuth_deg, elevation_deg
    can_serve       whether no limit stops it
    lost_to         the limits that do: "gateway", "gateway with cone", or empty

    Raises InputError for a step that is not positive or gives more than five million samples.
    """
    if not step_s >= 0.001:
        raise InputError("step of the sky map", got=step_s, wanted="at least 0.001 s")
    stopped = blocked_always(visibility)
    origin_us, step_us = visibility.span.start_us, round(step_s * 1e6)

    # Whole steps strictly inside each piece, and its two ends.
    first = (stopped.start - origin_us) // step_us + 1
    past = -((origin_us - stopped.end) // step_us)
    inside = np.maximum(past - first, 0)
    count = inside + 2
    if count.sum() > _MOST_SAMPLES:
        raise InputError(
            "step of the sky map",
            got=f"{step_s:g} s, which makes {int(count.sum()):,} samples",
            wanted=f"at most {_MOST_SAMPLES:,}",
            try_next="a longer step or a shorter span",
        )
    piece = np.repeat(np.arange(len(count)), count)
    place = np.arange(len(piece)) - np.repeat(np.cumsum(count) - count, count)
    time_us = origin_us + (first[piece] + place - 1) * step_us
    time_us = np.where(place == 0, stopped.start[piece], time_us)
    time_us = np.where(place == count[piece] - 1, stopped.end[piece], time_us)

    satellite = stopped.satellite[piece].astype(np.intp)
    look = visibility.look(satellite, time_us)
    words = {bits: " with ".join(names_of(bits, tuple(visibility.allowed))) for bits in set(stopped.limits.tolist())}
    lost_to = pd.array([words[bits] for bits in stopped.limits.tolist()], dtype="str")
    fleet = visibility.fleet
    return pd.DataFrame(
        {
            "piece": piece,
            "satellite_id": pd.array(fleet.satellite_ids.astype(str), dtype="str").take(satellite),
            "name": pd.array(fleet.names.astype(str), dtype="str").take(satellite),
            "time": utc_times(time_us),
            "azimuth_deg": look.azimuth_deg,
            "elevation_deg": look.elevation_deg,
            "can_serve": stopped.limits[piece] == 0,
            "lost_to": lost_to.take(piece),
        }
    )
