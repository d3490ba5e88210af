"""What the Elements page says: how many serve, how old the elements are, and how old they may be."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

from passim.forecast import timing

from .units import counted

LIMITS_DAYS: Final = tuple(band.up_to_s / 86400.0 for band in timing.BANDS if math.isfinite(band.up_to_s))


def age_words(age_s: float) -> str:
    """Return an age in words, to a tenth at most: "40 min", "8.5 h", "2.3 days", "7,300 days"."""
    age_s = abs(age_s)
    if age_s < 2 * 3600.0:
        return f"{age_s / 60.0:.0f} min"
    number, unit = (age_s / 3600.0, "h") if age_s < 48 * 3600.0 else (age_s / 86400.0, "days")
    return f"{number:,.0f} {unit}" if number >= 100.0 else f"{number:.1f}".removesuffix(".0") + f" {unit}"


def sentence(fleet: str, serving: int, counts: Mapping[str, int], fresh: timing.Freshness) -> str:
    """Say how many objects of a fleet serve, and how old their elements are."""
    total, old = counts["catalogued"], age_words(fresh.median_s)
    if serving:
        return (
            f"{counted(serving, 'satellite')} of {fleet} serve; their elements are {old} old, and {fresh.band.words}."
        )
    none = (
        f"The one object of {fleet} does not serve"
        if total == 1
        else f"None of the {total:,} objects of {fleet} serves"
    )
    if counts["decayed"] == total:
        none += ": it has decayed" if total == 1 else ": all have decayed"
    return f"{none}. The elements are {old} old."


def ages_sentence(fresh: timing.Freshness, youngest_s: float) -> str:
    """Say how old the elements are: all of one age, or half of them and the oldest."""
    median, oldest = age_words(fresh.median_s), age_words(fresh.oldest_s)
    if age_words(youngest_s) == oldest:
        return f"All are {oldest} old."
    if median == oldest:
        return f"Half of them or more are {oldest} old, the oldest there are; the youngest, {age_words(youngest_s)}."
    return f"Half of them are older than {median}; the oldest, {oldest}."


def bands_sentence(fresh: timing.Freshness) -> str:
    """Say what is told at which age, and where the fleet stands now."""
    parts = [
        f"up to {band.up_to_s / 86400.0:g} {'day' if band.up_to_s <= 86400.0 else 'days'}, {_told(band)}"
        for band in timing.BANDS
        if math.isfinite(band.up_to_s)
    ]
    return (
        f"What is told hangs on their age at the time forecast: {'; '.join(parts)}; beyond, nothing is forecast. "
        f"Now, at {age_words(fresh.median_s)}: {_told(fresh.band)}."
    )


def _told(band: timing.Band) -> str:
    if band.shows_times:
        return "times, with odds beside them" if band.needs_odds else "times and odds"
    if band.shows_odds:
        return "odds only"
    return "only how long service is out in all" if math.isfinite(band.up_to_s) else "nothing is forecast"
