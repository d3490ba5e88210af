"""Forecasts that take no skill: what a real one must beat.

Climatology says at each local time of day how often there was no service then on the other days. Persistence says
that today is like yesterday, moved by the one lag within an hour that fits best: the daily pattern of a constellation
comes earlier each day (21.9 min at 550 km and 53 deg), so yesterday unmoved would be beaten too easily. Both are
standard references of forecast verification (Wilks, "Statistical methods in the atmospheric sciences", recalled).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from passim.arrays import Floats, Ints
from passim.constants import SECONDS_PER_DAY
from passim.errors import InputError
from passim.spans import utc_times, zone

_DAY_US = 86_400_000_000
_MINUTE_US = 60_000_000


class DayClock(NamedTuple):
    """Local day (days since 1970-01-01) and part of the local day of moments, shape (n,) each, int64."""

    day: Ints
    part: Ints


class ShiftedYesterday(NamedTuple):
    """Yesterday as a forecast of today.

    forecast    shape (n,): 0 or 1, nan where yesterday is not known
    shift_s     by how much today comes later than yesterday at the same time of day; below 0, earlier
    """

    forecast: Floats
    shift_s: float


def day_clock(time_us: ArrayLike, timezone: str = "UTC", *, part_minutes: int = 15) -> DayClock:
    """Return the local day and the part of it, `part_minutes` long, of moments in microseconds since 1970 UTC, (n,).

    Read off the wall clock of `timezone`: the hour that a change of the clock repeats falls into the same parts twice.
    Raises SiteError for an unknown zone, InputError for parts that do not fill a day.
    """
    if part_minutes < 1 or 1440 % part_minutes:
        raise InputError("part of the day", got=part_minutes, wanted="whole minutes that divide a day", try_next="15")
    utc = utc_times(np.asarray(time_us, dtype=np.int64))
    wall_us = utc.tz_convert(zone(timezone)).tz_localize(None).to_numpy().astype("datetime64[us]").astype(np.int64)
    day, since_midnight_us = np.divmod(wall_us, _DAY_US)
    return DayClock(day, since_midnight_us // (part_minutes * _MINUTE_US))


def climatology(outcome: ArrayLike, clock: DayClock) -> Floats:
    """Return at each moment how often it came in the same part of the day on the other days, shape (n,), 0 to 1.

    `outcome`, shape (n,), is true or false. A part that no other day has takes the frequency of all that the other days
    have. The day itself is left out, or it would forecast itself. Raises InputError for fewer than two days.
    """
    came = _outcomes(outcome)
    days, day = np.unique(clock.day, return_inverse=True)
    parts, part = np.unique(clock.part, return_inverse=True)
    if clock.day.shape != came.shape or clock.part.shape != came.shape:
        raise InputError("days", got=f"{clock.day.size} of {came.size}", wanted="a day and a part for each outcome")
    if days.size < 2:
        raise InputError("climatology", got="one day", wanted="two days or more", try_next="a longer span")
    cell = day * parts.size + part
    cells = (days.size, parts.size)
    count = np.bincount(cell, minlength=days.size * parts.size).reshape(cells)
    sums = np.bincount(cell, came, days.size * parts.size).reshape(cells)

    # Everything less the day itself, part by part and altogether.
    others, others_sum = count.sum(axis=0) - count, sums.sum(axis=0) - sums
    overall = (sums.sum() - sums.sum(axis=1)) / (count.sum() - count.sum(axis=1))
    frequency = np.where(others > 0, others_sum / np.maximum(others, 1), overall[:, None])
    chance: Floats = frequency[day, part]
    return chance


def shifted_yesterday(outcome: ArrayLike, step_s: float, *, most_shift_s: float = 3600.0) -> ShiftedYesterday:
    """Return yesterday, moved by the lag of at most `most_shift_s` that fits best, as a forecast of each moment.

    `outcome`, shape (n,), is true or false at moments `step_s` seconds apart without holes, over more than a day and
    `most_shift_s`. One lag serves all days; it is chosen on the outcomes that the forecast is scored by, which favours
    this baseline a little. Of lags that fit equally, the smallest. Raises InputError.
    """
    came = _outcomes(outcome)
    steps_a_day = SECONDS_PER_DAY / step_s if step_s > 0.0 else 0.0
    if steps_a_day < 1.0 or abs(steps_a_day - round(steps_a_day)) > 1e-9:
        raise InputError("step", got=step_s, wanted="seconds that divide a day", try_next="1")
    day, most = round(steps_a_day), int(most_shift_s / step_s)
    if not 0 <= most <= day:
        raise InputError("largest shift", got=most_shift_s, wanted="seconds from 0 to a day", try_next="3600")
    first = day + most
    if came.size <= first:
        raise InputError(
            "yesterday as a forecast",
            got=f"{came.size * step_s / 3600.0:.3g} h",
            wanted=f"more than {first * step_s / 3600.0:.3g} h",
            try_next="a longer span",
        )
    # How often both came, at every lag at once: a correlation of today with all that lies about a day before it.
    today, before = came[first:], came[: came.size - day + most]
    size = 1 << int(before.size + today.size).bit_length()
    both = np.fft.irfft(np.fft.rfft(before, size) * np.conj(np.fft.rfft(today, size)), size)
    lag = np.arange(-most, most + 1)
    offset = most - lag
    sums = np.append(0.0, np.cumsum(came))
    then = sums[offset + today.size] - sums[offset]
    misfit = np.round(today.sum() + then - 2.0 * np.round(both[offset]))
    best = int(lag[np.lexsort((np.abs(lag), misfit))[0]])

    forecast = np.full(came.size, np.nan)
    source = np.arange(came.size) - day - best
    known = source >= 0
    forecast[known] = came[source[known]]
    return ShiftedYesterday(forecast, best * step_s)


def _outcomes(outcome: ArrayLike) -> Floats:
    """Return outcomes as 0.0 and 1.0, shape (n,). Raises InputError."""
    array = np.asarray(outcome)
    if array.ndim != 1 or not array.size or array.dtype.kind not in "biuf" or not np.all((array == 0) | (array == 1)):
        raise InputError("outcome", got=f"{array.dtype} of shape {array.shape}", wanted="true or false at each moment")
    return array.astype(np.float64)
