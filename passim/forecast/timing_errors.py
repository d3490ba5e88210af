"""How far each predicted interval may be from where it will be: the common ground of closed form and simulation.

One law holds for both. A satellite's own shift at a time is u * sigma(age), or u * tail_sigma(age) if it has manoeuvred
by that age, with one standard normal u a satellite; whoever has manoeuvred by an age has done so at every greater one.
On top comes z * shared_sigma(age), with one standard normal z for all. A shift moves both ends of an interval alike.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from passim.arrays import Bools, Floats, Indices, Ints
from passim.errors import InputError
from passim.forecast.timing import TimingModel
from passim.intervals import GroupedSet, union_by_group
from passim.spans import Span

# Far outside every span (30 years), yet whole in a float of microseconds.
_NEVER_US = 10**15


class TimingErrors(NamedTuple):
    """Intervals sorted by satellite and start, shape (n,) each, and the law of their shifts.

    satellite               an index of the epochs given
    start_us, end_us        microseconds after the start of the span, float64 but whole; an end that was cut by the
                            search lies 30 years off, so that no shift brings it near
    sigma_us, tail_us       standard deviations of the own shift, without and with a manoeuvre, microseconds
    tail_share              chance of a manoeuvre
    shared_us               standard deviation of the shared shift, microseconds
    """

    satellite: Ints
    start_us: Floats
    end_us: Floats
    sigma_us: Floats
    tail_us: Floats
    tail_share: Floats
    shared_us: Floats

    def rows(self, chosen: Bools | Indices) -> TimingErrors:
        """Return the intervals for which `chosen`, shape (n,), holds, or those at the places that it gives."""
        return TimingErrors(
            self.satellite[chosen],
            self.start_us[chosen],
            self.end_us[chosen],
            self.sigma_us[chosen],
            self.tail_us[chosen],
            self.tail_share[chosen],
            self.shared_us[chosen],
        )


def timing_errors(
    joint: GroupedSet, epochs_us: ArrayLike, span: Span, model: TimingModel, searched: Span | None = None
) -> TimingErrors:
    """Return `joint` with the law of its shifts.

    `joint` holds when satellites can serve, its groups being indices of `epochs_us`, shape (satellites,): the epochs of
    their element sets, microseconds since 1970 UTC. `searched` is the span in which it was sought, `span` unless given:
    what touches an end of it was cut there, and goes on. Each interval takes its age at its middle. Raises InputError
    where arrays do not fit together.
    """
    searched = searched or span
    if searched.start > span.start or searched.end < span.end:
        raise InputError(
            "span of the odds",
            got=f"{span.start.isoformat()} to {span.end.isoformat()}",
            wanted=f"a part of the span searched, {searched.start.isoformat()} to {searched.end.isoformat()}",
        )
    epochs = np.asarray(epochs_us)
    if epochs.ndim != 1 or (epochs.size and epochs.dtype.kind not in "iu"):
        raise InputError(
            "epochs",
            got=f"shape {epochs.shape} of {epochs.dtype}",
            wanted="whole microseconds since 1970 UTC, one a satellite",
        )
    try:
        satellite, start_us, end_us = union_by_group(joint)
    except ValueError as problem:
        wanted = "a satellite, a start and an end for each"
        raise InputError("intervals of satellites", got=str(problem), wanted=wanted) from None
    if start_us.dtype.kind != "i" or (satellite.size and (satellite.min() < 0 or satellite.max() >= epochs.size)):
        raise InputError(
            "intervals of satellites",
            got=f"times of {start_us.dtype} and satellites up to {satellite.max(initial=-1)}",
            wanted=f"whole microseconds, and satellites from 0 to {epochs.size - 1}",
        )

    middle_us = start_us + (end_us - start_us) // 2
    age_s = np.abs(middle_us - epochs[satellite]) / 1e6
    sigma_us, shared_us = model.sigma_s(age_s) * 1e6, model.shared_sigma_s(age_s) * 1e6
    share = model.manoeuvre_share(age_s)
    tail_us = np.where(share > 0.0, model.tail_sigma_s(age_s) * 1e6, sigma_us)
    first = np.where(start_us <= searched.start_us, -_NEVER_US, start_us - span.start_us).astype(np.float64)
    last = np.where(end_us >= searched.end_us, _NEVER_US, end_us - span.start_us).astype(np.float64)
    return TimingErrors(satellite, first, last, sigma_us, tail_us, share, shared_us)
